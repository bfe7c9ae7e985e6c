"""Sheets handed to the browser, the ways to a key, and what no form keeps."""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace

import pytest

from labkit.bench import LABEL_PAPERS, bench_sheet
from labkit.tasting.seal import Sealer
from labkit.widgets import OpenForm, PlanForm, ReplanForm
from labkit.widgets.steps.taste.lead_view import LeadView
from tests.widgets.plans.helpers import (
    PASSPHRASE,
    catch,
    choose,
    paper_of,
    press,
    score_all,
    sealed,
    state_of,
    type_passphrase,
)


@pytest.mark.parametrize("label", ["Score sheets", "Cup labels", "Tray map"])
def test_tasters_paper_carries_every_code_and_no_water(book, paper, label):
    press(paper, label)

    ((sheet, about),) = paper.handed
    assert all(code in sheet for code in book.sessions.plan(paper.session).codes(1))
    assert about["name"].endswith(".html")
    for word in ("hardness", "Alkalinity", "magnesium", "W1", "J1.1"):
        assert word not in sheet.replace(about["name"], "").replace(paper.session, "")


def test_paper_says_what_comes_first_until_something_is_sealed(book, form):
    made = paper_of(book)
    assert "Nothing is planned yet" in made.form.message.value

    sealed(form)
    made.fill()

    assert made.form.message.value == ""


def test_the_bench_sheet_given_out_again_is_on_record(book, paper):
    form = paper.bench_form
    form.fields["bench_passphrase"].value = PASSPHRASE
    paper.bench_button.click()

    ((sheet, about),) = paper.handed
    given = [
        e for e in book.sessions.events(paper.session) if e.kind == "opened for the bench sheet"
    ]
    assert "J1.1" in sheet
    assert "Preparer only" in about["note"]
    assert [e.done_by for e in given] == ["Odile", "Odile"]  # when sealing, and now
    assert form.fields["bench_passphrase"].value == ""
    assert not book.sessions.flight(paper.session, 1).is_unblinded


def test_a_flight_to_mix_is_chosen_where_its_doses_are_handed_over(book, paper):
    paper.form.fields["session"].index = None
    paper.mix(paper.session, 1)

    assert paper.form.fields["session"].value == paper.session
    assert paper.form.fields["flight"].value == 1
    assert paper.bench_form.fold.is_open
    assert book.stock.waiting_flights()
    assert paper.mixed_button.layout.display == ""

    paper.mixed_button.click()

    assert not book.stock.waiting_flights()
    assert paper.mixed_button.layout.display == "none"
    assert "Flight 1" in paper.bench_form.message.value


def test_a_wrong_passphrase_hands_over_no_bench_sheet(paper):
    paper.bench_form.fields["bench_passphrase"].value = "not the passphrase"
    paper.bench_button.click()

    assert paper.handed == []
    assert "must be the one that sealed" in (
        paper.bench_form.message.value
        + "".join(note.value for note in paper.bench_form.notes.values())
    )
    assert paper.bench_form.fields["bench_passphrase"].value == ""


# ------------------------------------------------------------------- other ways to a key


def locked(book, form):
    session = sealed(form)
    score_all(book, session)
    book.sessions.lock_flights(session, [1])
    return session


def fill_sheet(sheet, key):
    rows = sorted(key.rows, key=lambda row: row.jug)
    for n, row in enumerate(rows, start=1):
        sheet.fields[f"codes_{n}"].value = row.blind_code
        sheet.fields[f"water_{n}"].value = (row.water, row.is_duplicate)


def test_a_lost_passphrase_is_made_good_by_the_printed_bench_sheet(book, form):
    session = locked(book, form)
    key = form.plan.sealed[1].open(PASSPHRASE)
    opened = []
    opening = OpenForm(book, on_open=lambda: opened.append(True))
    opening.lost_fold.is_open = True
    fill_sheet(opening.lost.sheet, key)

    opening.lost.button.click()
    assert "needs a reason" in opening.lost.form.notes["reason"].value
    assert book.sessions.flight(session, 1).state == "locked"
    opening.lost.form.fields["reason"].value = "forgotten"
    opening.lost.button.click()

    assert book.sessions.flight(session, 1).state == "opened"
    assert opened == [True]
    assert opening.lost.sheet is None  # what was typed is gone from the page
    scores = book.scores.opened_scores(coffee="Coffee A")
    truth = {row.blind_code: row.target.mg_share for row in key.rows}
    assert all(truth[r.blind_code] == r.mg_share for r in scores.itertuples())
    (event,) = [e for e in book.sessions.events(session) if e.kind == "opened from sheet"]
    assert event.reason == "forgotten"


def test_a_sheet_with_a_code_twice_or_a_jug_without_water_opens_nothing(book, form):
    session = locked(book, form)
    opening = OpenForm(book)
    opening.lost_fold.is_open = True
    sheet = opening.lost.sheet
    fill_sheet(sheet, form.plan.sealed[1].open(PASSPHRASE))
    opening.lost.form.fields["reason"].value = "forgotten"
    kept = sheet.fields["codes_1"].value

    sheet.fields["codes_1"].value = sheet.fields["codes_2"].value
    opening.lost.button.click()
    assert "twice" in sheet.notes["codes_2"].value
    sheet.fields["codes_1"].value = kept
    sheet.fields["water_1"].value = None
    opening.lost.button.click()
    assert "must be chosen" in sheet.notes["water_1"].value

    assert book.sessions.flight(session, 1).state == "locked"


def test_opening_before_the_lock_needs_a_reason_and_leaves_a_mark_everywhere(book, form):
    session = sealed(form)
    opening = OpenForm(book)
    early = opening.early
    early.fields["secret"].value = PASSPHRASE
    early.button.click()
    assert "needs a reason" in early.notes["reason"].value
    assert early.fields["secret"].value == ""
    assert not book.sessions.flight(session, 1).is_unblinded

    early.fields["secret"].value = PASSPHRASE
    early.fields["reason"].value = "a bowl was dropped"
    early.button.click()

    assert book.sessions.flight(session, 1).is_unblinded
    assert any("not blind" in label for label, _ in early.fields["early"].options)
    opening.history_fold.is_open = True
    assert "not blind" in opening.history.value
    assert "a bowl was dropped" in opening.history.value
    score_all(book, session)
    book.sessions.lock_flights(session, [1])
    assert book.scores.opened_scores(coffee="Coffee A").empty


def test_a_flight_tasted_alone_cannot_be_opened_before_its_codes_are_found(book, form):
    choose(form, tasters=("Ada",), alone=True)
    type_passphrase(form)
    sealed(form)

    assert OpenForm(book).early.fields["early"].options == ()


# ------------------------------------------------------------------------------ secrecy


def test_no_form_keeps_a_pairing_of_code_and_water_in_its_state(book, paper, form):
    """Every widget's state after sealing, handing over and giving the bench sheet again."""
    for label in ("Score sheets", "Cup labels", "Tray map"):
        press(paper, label)
    paper.bench_form.fields["bench_passphrase"].value = PASSPHRASE
    paper.bench_button.click()
    roots = (form, paper, ReplanForm(book, bench_sheet), OpenForm(book))

    state = state_of(*roots)

    assert PASSPHRASE not in state
    for row in book.sessions.plan(paper.session).sealed[1].open(PASSPHRASE).rows:
        assert row.jug not in state
        assert row.bowl not in state


def test_what_is_shown_of_a_plan_does_not_depend_on_which_code_is_which_water(form):
    """The same codes over waters in another order look the same."""
    session = sealed(form)
    opened = form.plan.sealed[1].open(PASSPHRASE)
    moved = [*opened.rows[1:], opened.rows[0]]
    rows = tuple(
        replace(row, water=other.water, target=other.target, is_control=other.is_control)
        for row, other in zip(opened.rows, moved, strict=True)
    )
    assert rows != opened.rows
    swapped = replace(form.plan, keys=(Sealer(session, PASSPHRASE).seal(1, rows),))

    assert swapped._repr_html_() in form.sealed.value


def test_opening_one_of_two_flights_says_that_the_other_is_still_closed(book, form):
    choose(form, flights=2)
    session = sealed(form)
    lead = LeadView(book, session=session)
    said = []
    for number in (1, 2):
        score_all(book, session, flight=number)
        lead.refresh()
        lead.flight.value = number
        lead.lock.click()  # asks: only one attribute was scored
        lead.lock.click()
        said.append(lead.locking.message.value)
    assert "Still to be locked: flight 2." in said[0]
    assert "open its key under Verdict" in said[1]

    opening = OpenForm(book)
    flights = opening.form.fields["flights"]
    assert len(flights.value) == 2
    flights.value = flights.value[:1]
    waits = []
    for _ in range(2):
        opening.form.fields["passphrase"].value = PASSPHRASE
        opening.button.click()
        waits.append("still closed: 1 more" in opening.form.message.value)

    assert waits == [True, False]
    assert "No flight waits for its key" in opening.form.result.value


def test_one_passphrase_opens_all_locked_flights_and_a_wrong_one_none(book, form):
    choose(form, flights=2)
    session = sealed(form)
    for number in (1, 2):
        score_all(book, session, flight=number)
        book.sessions.lock_flights(session, [number])
    opened = []
    opening = OpenForm(book, on_open=lambda: opened.append(True))

    opening.form.fields["passphrase"].value = "not the passphrase"
    opening.button.click()
    assert [one.state for one in book.sessions.flights(session)] == ["locked", "locked"]
    assert "must be the one that sealed" in opening.form.notes["passphrase"].value
    assert opened == []
    opening.form.fields["passphrase"].value = PASSPHRASE
    opening.button.click()

    assert [one.state for one in book.sessions.flights(session)] == ["opened", "opened"]
    assert opened == [True]  # read once


def test_what_every_cup_has_scores_of_is_locked_and_opened_in_one_press(book, form):
    session = sealed(form)
    opening = OpenForm(book)
    assert opening.form.fields["session"].value is None
    asked = book.sessions.session(session).attributes
    numbers = [one.name for one in asked if one.kind == "number"]
    score_all(book, session, attributes=numbers)

    assert opening.button.description == "Lock and open"
    opening.form.fields["passphrase"].value = "not the passphrase"
    opening.button.click()
    assert book.sessions.flight(session, 1).state == "being tasted"
    assert "must be the one that sealed" in opening.form.notes["passphrase"].value
    opening.form.fields["passphrase"].value = PASSPHRASE
    opening.button.click()

    assert book.sessions.flight(session, 1).state == "opened"
    assert opening.button.description == "Open the key"


def test_a_flight_locked_meanwhile_is_offered_and_what_was_chosen_stays(book, form):
    choose(form, flights=3)
    session = sealed(form)
    for number in (1, 2, 3):
        score_all(book, session, flight=number)
    book.sessions.lock_flights(session, [1, 2], done_by="")
    opening = OpenForm(book)
    flights = opening.form.fields["flights"]
    flights.value = flights.value[:1]

    opening.fill()
    assert len(flights.value) == 1
    book.sessions.lock_flights(session, [3])
    opening.fill()

    assert len(flights.value) == 3  # another choice: all of it again


def test_all_paper_comes_in_one_file_where_it_was_sealed(book, form):
    made = PlanForm(book, form.source, bench_sheet, paper=paper_of(book))
    handed = catch(made)
    type_passphrase(made)
    choose(made, all_paper=True)
    session = sealed(made)

    ((content, about),) = handed
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        files = {name: archive.read(name).decode() for name in archive.namelist()}
    codes = book.sessions.plan(session).codes(1)
    assert about["name"].endswith("paper.zip")
    assert len(files) == 4
    assert all(code in sheet for sheet in files.values() for code in codes)
    for_preparer = [name for name in files if "preparer-only" in name]
    assert ["J1.1" in sheet for name, sheet in files.items()] == [
        name in for_preparer for name in files
    ]


def test_the_tasters_paper_is_one_file_without_the_bench_sheet(book, paper):
    press(paper, "All three, in a zip file")

    ((content, _),) = paper.handed
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert len(archive.namelist()) == 3
        assert not any(b"J1.1" in archive.read(name) for name in archive.namelist())


def test_the_label_paper_is_there_next_time(book, paper):
    other = list(LABEL_PAPERS)[-1]
    assert paper.form.fields["paper"].value != other
    choose(paper, paper=other)
    press(paper, "Cup labels")

    assert paper_of(book).form.fields["paper"].value == other
    assert book.sessions.label_paper(paper.session) == other
