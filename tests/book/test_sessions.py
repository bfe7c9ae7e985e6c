"""Sessions, plans, links and progress: what each of the three roles may know, and nothing else."""

from __future__ import annotations

import math
import unicodedata
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from labkit.book import Attribute, Held, LabBook
from labkit.errors import BookError, LockError, ScaleError
from labkit.tasting import SCALES, PlanNote, plan_tasting, session_waters
from labkit.water import Target
from tests.book.faults import failing_to_store
from tests.book.samples import (
    CLIENT,
    COFFEE,
    OVERALL,
    PASSPHRASE,
    SESSION,
    TARGETS,
    sample_plan,
    score_all,
    start_tasting,
)

STRANGE_NAMES = (
    "Robert'); DROP TABLE tasters; --",
    "Ωμέγα 木 \U0001f375",
    "\u202egnirts",
    "=cmd|' /C calc'!A0",
    "<script>alert(1)</script>",
    "a" * 120,
)


@pytest.mark.parametrize("name", STRANGE_NAMES)
def test_a_strange_name_is_only_a_name(book, name):
    book.people.add_client(name)
    book.people.add_coffee(name, client=name)
    book.people.add_tasters([name])
    assert [client.name for client in book.people.clients()] == [name]
    assert book.people.coffee(name, client=name).name == name
    assert book.people.tasters() == (name,)


def test_two_spellings_that_look_the_same_are_one_name(book):
    book.people.add_client(unicodedata.normalize("NFD", "Café Ünder"))
    with pytest.raises(BookError, match="client must be new"):
        book.people.add_client(" Café Ünder ")


@pytest.mark.parametrize("name", ["", "   ", "two\nlines", "nul\0", "\ud800", "a" * 121, 7, None])
def test_what_cannot_be_a_name_is_refused(book, name):
    with pytest.raises(BookError, match="client"):
        book.people.add_client(name)
    assert book.people.clients() == ()


def test_a_session_is_given_back_as_it_was_begun(book):
    book.people.add_client(CLIENT)
    book.people.add_coffee(COFFEE, client=CLIENT)
    held = Held(roast_date=date(2026, 11, 10), dose_g=11.5, grind="24", lead="Dora")
    begun = book.sessions.start_session(
        "s1",
        coffee=COFFEE,
        attributes=[OVERALL, Attribute(name="acidity jar", scale=SCALES["just about right"])],
        tasters=["Ada", "Béla"],
        waters=session_waters(TARGETS),
        tasted_on=date(2026, 11, 20),
        serving="a cup each",
        brew_method="filter",
        stages=["hot", "cool"],
        held=held,
        note="rain",
    )
    kept = book.sessions.session("s1")
    assert kept == begun
    assert kept.held == held
    assert kept.attributes[0].scale == SCALES["quality 6-10"]
    assert kept.attributes[1].scale.middle_is_best
    assert kept.waters == session_waters(TARGETS)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"coffee": "Ysmerl washed"}, "did you mean 'Ysmeral washed'"),
        ({"client": "nobody"}, "client must be in the lab book"),
        ({"serving": "mugs"}, "serving must be in"),
        ({"brew_method": "siphon"}, "brew_method"),
        ({"stages": ["lukewarm"]}, "stages"),
        ({"tasters": ["Ada", "Ada "]}, "'Ada' twice"),
        ({"attributes": [OVERALL, OVERALL]}, "'overall' twice"),
        ({"attributes": []}, "must have attributes and tasters"),
        ({"tasters": []}, "must have attributes and tasters"),
        ({"name": SESSION}, "session must be new"),
        ({"held": Held(dose_g=math.nan)}, "dose_g must be above 0"),
        ({"held": Held(water_temperature_c=math.inf)}, "water_temperature_c must be above 0"),
        ({"held": Held(base_share_percent=101)}, "base_share_percent must be .* at most 100"),
        ({"note": "\0"}, "note .* holds a character"),
    ],
)
def test_a_session_that_cannot_be_is_refused_whole(sqlite_book, change, words):
    start_tasting(sqlite_book)
    with pytest.raises(BookError, match=words):
        start_tasting(sqlite_book, **{"name": "s2"} | change)
    assert [session.name for session in sqlite_book.sessions.all()] == [SESSION]


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"kind": "number"}, "must have a scale"),
        ({"kind": "note", "scale": SCALES["liking 1-9"]}, "add or drop the scale"),
        ({"kind": "descriptors"}, "must have choices"),
        ({"kind": "smell"}, "must be one of number, descriptors, note"),
    ],
)
def test_an_attribute_that_cannot_be_is_refused(fields, words):
    with pytest.raises(ScaleError, match=words):
        Attribute(name="x", **fields)


def test_listings_keep_to_one_client(book):
    start_tasting(book)
    book.people.add_client("Thessaloup")
    book.people.add_coffee("Fen natural", client="Thessaloup")
    book.people.add_coffee(COFFEE, client="Thessaloup")
    start_tasting(book, name="fen 1", coffee="Fen natural")

    assert {coffee.name for coffee in book.people.coffees("Thessaloup")} == {COFFEE, "Fen natural"}
    assert [session.name for session in book.sessions.all(client=CLIENT)] == [SESSION]
    assert [session.name for session in book.sessions.all(coffee="Fen natural")] == ["fen 1"]
    with pytest.raises(BookError, match="which 2 clients have; name the client"):
        book.people.coffee(COFFEE)
    # Another client's coffee is not even suggested.
    with pytest.raises(BookError) as caught:
        book.scores.opened_scores(client="Thessaloup", coffee="Ysmeral")
    assert SESSION not in str(caught.value)
    with pytest.raises(BookError) as caught:
        book.scores.opened_scores(client=CLIENT, coffee="Fen natural")
    assert "Fen natural'?" not in str(caught.value)


def test_scores_of_one_client_are_all_that_a_client_sees(book, tmp_path):
    start_tasting(book)
    book.people.add_client("Thessaloup")
    book.people.add_coffee("Fen natural", client="Thessaloup")
    start_tasting(book, name="fen 1", coffee="Fen natural", tasters=["Eve"])
    for session in (SESSION, "fen 1"):
        score_all(book, session)
        book.sessions.lock_flights(session, [1])
        book.sessions.open_flights(session, [1], PASSPHRASE)

    assert set(book.scores.opened_scores(client="Thessaloup")["session"]) == {"fen 1"}
    assert set(book.scores.opened_scores()["session"]) == {SESSION, "fen 1"}
    for shape in ("tidy", "wide"):
        text = book.scores.export_scores(
            tmp_path / f"{shape}.csv", shape=shape, client="Thessaloup"
        ).read_text()
        assert "Fen natural" in text
        assert not any(foreign in text for foreign in (CLIENT, COFFEE, SESSION, "Ada"))


def test_a_plan_is_given_back_as_it_was_stored(tasting):
    book, plan = tasting
    kept = book.sessions.plan(SESSION)
    assert (kept.session, kept.serving, kept.design) == (plan.session, plan.serving, plan.design)
    assert set(kept.cups) == set(plan.cups)
    assert kept.keys == plan.keys
    assert kept.notes == plan.notes
    assert PlanNote.CONTROL in {one.kind for one in kept.notes}
    with pytest.raises(BookError, match="session must be in"):
        book.sessions.plan("yesterday")


def test_flights_are_added_after_what_the_last_one_showed(tasting):
    book, _ = tasting
    session = book.sessions.session(SESSION)
    targets = [
        Target(mg_share=s, hardness_mg_l_caco3=120, alkalinity_mg_l_caco3=20) for s in (0, 1)
    ]
    more = plan_tasting(
        targets,
        session.tasters,
        session=SESSION,
        passphrase=PASSPHRASE,
        known=session.waters,
        after=book.sessions.plan(SESSION),
        recent_codes=book.sessions.codes_served(since=date(2026, 11, 6)),
        seed=np.random.default_rng(8),
    )
    book.sessions.store_plan(more, waters=session_waters(targets, known=session.waters))

    assert [flight.number for flight in book.sessions.flights(SESSION)] == [1, 2, *more.flights]
    assert [water.label for water in book.sessions.session(SESSION).waters] == [
        "W1",
        "W2",
        "W3",
        "W4",
        "W5",
    ]
    score_all(book, flight=more.flights[0])
    book.sessions.lock_flights(SESSION, [more.flights[0]])
    book.sessions.open_flights(SESSION, [more.flights[0]], PASSPHRASE)
    assert set(book.scores.opened_scores()["hardness_mg_l_caco3"]) == {80, 120}


def test_a_water_keeps_its_label(tasting):
    book, plan = tasting
    other = session_waters([Target(mg_share=0.9, hardness_mg_l_caco3=50, alkalinity_mg_l_caco3=20)])
    with pytest.raises(BookError, match=r"water W1 .* must keep its recipe"):
        book.sessions.store_plan(plan, waters=other)


def test_a_flight_is_planned_anew_until_someone_has_scored(tasting):
    book, plan = tasting
    late = sample_plan(SESSION, (*plan.tasters, "Late Lu"))
    book.sessions.store_plan(late)
    assert len(book.sessions.served_cups(SESSION, 1, "Late Lu")) == plan.design.cups_per_flight
    assert "Late Lu" in book.sessions.session(SESSION).tasters

    book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1)
    with pytest.raises(BookError, match=r"flight 1 .* must be unserved"):
        book.sessions.store_plan(plan)
    assert len(book.scores.history(SESSION)) == 1
    assert [e.kind for e in book.sessions.events(SESSION)].count("flight planned anew") == 2


def test_one_who_tastes_alone_scores_places_and_finds_codes_after_the_lock(book):
    book.people.add_client(CLIENT)
    book.people.add_coffee(COFFEE, client=CLIENT)
    book.sessions.start_session(
        "alone",
        coffee=COFFEE,
        attributes=[OVERALL],
        tasters=["Solo"],
        waters=session_waters(TARGETS),
    )
    plan = plan_tasting(
        TARGETS,
        ["Solo"],
        session="alone",
        passphrase=PASSPHRASE,
        alone=True,
        seed=np.random.default_rng(3),
    )
    book.sessions.store_plan(plan)
    assert set(book.sessions.plan("alone").cups) == set(plan.cups)
    assert book.sessions.plan("alone").under_cups == plan.under_cups
    cups = book.sessions.served_cups("alone", 1, "Solo")
    assert {cup.blind_code for cup in cups} == {None}
    for cup in cups:
        book.scores.record_score(
            "alone", 1, "Solo", "overall", 6 + cup.position / 4, position=cup.position
        )
    codes = dict(enumerate(reversed(plan.codes(1)), start=1))
    with pytest.raises(LockError, match="must be locked to enter codes"):
        book.sessions.enter_found_codes("alone", 1, "Solo", codes)
    with pytest.raises(LockError, match=r"tasted alone, and the codes under cups 1, 2"):
        book.sessions.open_flights("alone", [1], PASSPHRASE, early_because="curious")
    book.sessions.lock_flights("alone", [1])
    rows = plan.sealed[1].open(PASSPHRASE).rows
    for opening in (
        lambda: book.sessions.open_flights("alone", [1], PASSPHRASE),
        lambda: book.sessions.open_flight_from_sheet("alone", 1, rows, reason="passphrase lost"),
    ):
        with pytest.raises(LockError, match="must be entered before its key opens"):
            opening()
    for wrong, words in [
        (codes | {1: "000"}, "code of flight 1"),
        (codes | {1: codes[2]}, "needs a code of its own"),
        ({1: codes[1]}, "needs a code of its own"),
    ]:
        with pytest.raises(BookError, match=words):
            book.sessions.enter_found_codes("alone", 1, "Solo", wrong)
    book.sessions.enter_found_codes("alone", 1, "Solo", codes)
    with pytest.raises(BookError, match="in the lab book already"):
        book.sessions.enter_found_codes("alone", 1, "Solo", codes)
    book.sessions.open_flights("alone", [1], PASSPHRASE)
    frame = book.scores.opened_scores()
    assert dict(zip(frame["position"], frame["blind_code"], strict=True)) == codes


def test_codes_served_are_told_from_a_day_on(book):
    start_tasting(book)
    assert (
        book.sessions.codes_served(since=date(2026, 11, 20)).keys()
        == book.sessions.plan(SESSION).all_codes
    )
    assert book.sessions.codes_served(since=date(2026, 11, 21)) == {}


# --------------------------------------------------------------------------- links, progress


def test_a_link_opens_one_tasters_sheet_and_an_old_one_none(tasting):
    book, _ = tasting
    old = book.sessions.issue_link(SESSION, "Ada")
    new = book.sessions.issue_link(SESSION, "Ada")
    bela = book.sessions.issue_link(SESSION, "Béla")
    assert len({old, new, bela}) == 3
    guest = book.sessions.guest_of_link(new)
    assert (guest.session, guest.taster) == (SESSION, "Ada")
    assert book.sessions.guest_of_link(bela).taster == "Béla"
    for wrong in (old, "", "x", new[:-1], new + "x", "' OR 1=1 --", "\ud800"):
        with pytest.raises(BookError, match="ask the lead for yours"):
            book.sessions.guest_of_link(wrong)


def test_a_links_secret_is_not_in_the_book(book_path):
    with LabBook(book_path) as book:
        start_tasting(book)
        secret = book.sessions.issue_link(SESSION, "Ada", secret="k7m2-p9qx")
        with pytest.raises(BookError, match="at least 8 characters"):
            book.sessions.issue_link(SESSION, "Ada", secret="short")
        with pytest.raises(BookError, match="taster of session"):
            book.sessions.issue_link(SESSION, "Eve")
    for file in book_path.parent.iterdir():
        assert secret.encode() not in file.read_bytes()


def test_progress_counts_cups_and_time_and_shows_no_score(tasting):
    book, plan = tasting
    n_cups = plan.design.cups_per_flight
    began = datetime(2026, 11, 20, 9, tzinfo=UTC)
    for position in (1, 2, 3):
        book.scores.record_score(
            SESSION,
            1,
            "Ada",
            "overall",
            7.5,
            position=position,
            given_at=began + timedelta(seconds=40 * position),
        )
    book.scores.record_score(SESSION, 1, "Ada", "acidity", 9, position=1)
    book.sessions.mark_seen(SESSION, "Ada")

    frame = book.sessions.progress(SESSION)
    ada = frame[(frame["taster"] == "Ada") & (frame["flight"] == 1)].iloc[0]
    bela = frame[(frame["taster"] == "Béla") & (frame["flight"] == 1)].iloc[0]
    assert (ada["cups"], ada["cups_begun"], ada["cups_done"]) == (n_cups, 3, 1)
    assert ada["missing"] == 2 * n_cups - 4
    assert ada["median_s_per_cup"] == 40
    assert ada["state"] == "being tasted"
    assert ada["seen_at"] is not None
    assert (bela["cups_begun"], bela["missing"]) == (0, 2 * n_cups)
    assert len(frame) == 2 * 3
    assert not {"score", "water", "blind_code"} & set(frame.columns)


def test_words_are_told_apart_from_words_not_asked(tasting):
    book, _ = tasting
    book.scores.record_score(SESSION, 1, "Ada", "words", ["nutty"], position=1)
    book.scores.record_score(SESSION, 1, "Ada", "words", [], position=2)
    book.sessions.lock_flights(SESSION, [1])
    book.sessions.open_flights(SESSION, [1], PASSPHRASE)
    frame = book.scores.opened_words()
    assert len(frame) == 2 * 3
    assert list(frame.loc[frame["is_checked"], ["position", "word"]].itertuples(index=False)) == [
        (1, "nutty")
    ]


def test_the_same_recipe_has_one_label_across_a_coffees_sessions(book):
    start_tasting(book)
    extra = Target(mg_share=0.5, hardness_mg_l_caco3=40, alkalinity_mg_l_caco3=30)
    targets = [extra, TARGETS[1]]
    book.sessions.start_session(
        "second",
        coffee=COFFEE,
        attributes=[OVERALL],
        tasters=["Ada"],
        waters=session_waters(targets),
        tasted_on=date(2026, 11, 27),
    )
    plan = plan_tasting(
        targets, ["Ada"], session="second", passphrase=PASSPHRASE, seed=np.random.default_rng(1)
    )
    book.sessions.store_plan(plan)
    for session in (SESSION, "second"):
        score_all(book, session)
        book.sessions.lock_flights(session, [1])
        book.sessions.open_flights(session, [1], PASSPHRASE)

    frame = book.scores.opened_scores(coffee=COFFEE)
    recipes = frame.groupby("water")[
        ["mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]
    ].nunique()
    assert (recipes == 1).all(axis=None)
    labels = dict(zip(frame["mg_share"], frame["water"], strict=True))
    assert labels[0] == "W1"
    assert frame.loc[frame["hardness_mg_l_caco3"] == 40, "water"].unique().tolist() == ["W4"]
    assert set(frame.loc[frame["session"] == "second", "water"]) == {"W2", "W4"}


@pytest.mark.parametrize("table", ["session_waters", "flights", "sealed_keys", "events"])
def test_a_session_and_its_plan_are_stored_together_or_not_at_all(sqlite_book, table):
    """The disk fails half-way; the second try makes the session, under the same name."""
    start_tasting(sqlite_book, name="before")
    again = {
        "coffee": COFFEE,
        "attributes": [OVERALL],
        "tasters": ["Ada", "Béla", "Chen", "Newcomer"],
        "waters": session_waters(TARGETS),
        "plan": sample_plan("autumn", ("Ada", "Béla", "Chen")),
        "sheet_read_by": "Dora",
    }
    with failing_to_store(sqlite_book, table), pytest.raises(BookError, match="disk"):
        sqlite_book.sessions.start_session("autumn", **again)
    assert [session.name for session in sqlite_book.sessions.all()] == ["before"]
    assert "Newcomer" not in sqlite_book.people.tasters()

    sqlite_book.sessions.start_session("autumn", **again)

    assert [flight.has_key for flight in sqlite_book.sessions.flights("autumn")] == [True, True]
    read = [
        e for e in sqlite_book.sessions.events("autumn") if e.kind == "opened for the bench sheet"
    ]
    assert [(event.flight, event.done_by) for event in read] == [(1, "Dora"), (2, "Dora")]
    with pytest.raises(BookError, match="plan must be of session 'winter'"):
        sqlite_book.sessions.start_session("winter", **again)


def test_flights_whose_key_is_open_are_named_for_a_coffee_of_a_client(tasting):
    book, _plan = tasting
    assert book.sessions.opened_flights() == ()
    book.sessions.lock_flights(SESSION, [2])
    assert book.sessions.opened_flights() == ()
    book.sessions.open_flights(SESSION, [2], PASSPHRASE)
    assert book.sessions.opened_flights() == ((SESSION, 2, False),)
    assert book.sessions.opened_flights(client=CLIENT, coffee=COFFEE) == ((SESSION, 2, False),)
    assert book.sessions.opened_flights(client="another") == ()
    book.sessions.unlock_flight(SESSION, 2, reason="a cup was missed", done_by="Ada")
    assert book.sessions.opened_flights() == ()
    book.sessions.lock_flights(SESSION, [2])
    assert book.sessions.opened_flights() == ((SESSION, 2, True),)
