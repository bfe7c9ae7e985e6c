"""Where the work stands: one coffee played from an empty lab book to a confirmed water."""

from __future__ import annotations

from dataclasses import replace

import pytest

from labkit.analysis import Level, VerdictKind, read_coffee
from labkit.book import AbsentBook, LabBook
from labkit.errors import BookError, SealError
from labkit.present import say
from labkit.tasting import hardness_dial, ratio_sweep
from labkit.workflow import (
    NextThing,
    Step,
    best_levels,
    lock_and_open,
    lock_flights,
    open_flights,
    plan_session,
    read,
    record_doses,
    where_it_stands,
)
from tests.book.samples import add_all_bottles
from tests.tasted import copy_book, nothing

CLIENT, COFFEE, PASSPHRASE = "Client A", "Coffee A", "only the preparer"
TASTERS = ["Ada", "Bo"]
SWEEP = ratio_sweep((0, 0.5, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
DIAL = hardness_dial((40, 80, 120), mg_share=0.5, alkalinity_mg_l_caco3=40)


@pytest.fixture
def book(tmp_path):
    with LabBook(copy_book(tmp_path / "book.db", nothing)) as book:
        yield book


def stand(book, **known):
    return where_it_stands(book, COFFEE, client=CLIENT, **known)


def plan(book, waters=SWEEP, **asked):
    given = {"tasters": TASTERS, "passphrase": PASSPHRASE, "attributes": {"overall": "liking 1-9"}}
    return plan_session(book, COFFEE, waters, **(given | asked))


def score(book, planned, flight, tasters=TASTERS):
    cups = planned.servings
    for cup in cups[(cups["flight"] == flight) & cups["taster"].isin(tasters)].itertuples():
        book.scores.record_score(
            planned.session.name,
            flight,
            cup.taster,
            "overall",
            3 + cup.position % 4,
            blind_code=cup.blind_code,
        )


def test_an_own_book_begins_with_a_coffee_then_bottles_then_a_plan(book):
    nothing = where_it_stands(book)
    book.people.add_client(CLIENT)
    book.people.add_coffee(COFFEE, client=CLIENT)
    without_bottles = stand(book)
    add_all_bottles(book)
    ready = stand(book)

    assert nothing.next is NextThing.ADD_COFFEE
    assert without_bottles.next is NextThing.WEIGH_BOTTLES
    assert without_bottles.missing_bottles == ("calcium", "magnesium", "alkalinity")
    assert without_bottles.step is Step.BOTTLES
    assert (ready.next, ready.step, ready.missing_bottles) == (
        NextThing.PLAN_FIRST,
        Step.PLAN,
        (),
    )
    assert where_it_stands(AbsentBook("it was moved.")).next is NextThing.CHOOSE_BOOK
    with pytest.raises(BookError):
        where_it_stands(book, "nobody's coffee")


@pytest.fixture
def ready(book):
    book.people.add_client(CLIENT)
    book.people.add_coffee(COFFEE, client=CLIENT)
    book.people.add_tasters(TASTERS)
    add_all_bottles(book)
    return book


def test_a_session_is_mixed_and_scored_to_its_end_then_locked_and_opened_in_one_go(ready):
    planned = plan(ready, flights=2)
    name = planned.session.name
    first = stand(ready)
    assert (first.next, first.session, first.flight) == (NextThing.MIX_FLIGHT, name, 1)

    score(ready, planned, 1, TASTERS[:1])
    one_of_two = stand(ready)
    assert one_of_two.next is NextThing.TAKE_SCORES
    assert (one_of_two.n_scored, one_of_two.n_tasters) == (1, 2)
    assert one_of_two.step is Step.TASTE

    score(ready, planned, 1, TASTERS[1:])
    second = stand(ready)
    assert (second.next, second.flight) == (NextThing.MIX_FLIGHT, 2)  # tasted before keys open

    score(ready, planned, 2)
    complete = stand(ready)
    assert (complete.next, complete.step) == (NextThing.LOCK_FLIGHT, Step.VERDICT)
    assert (complete.flight, complete.n_flights) == (1, 2)
    lock_flights(ready, name, [1, 2])
    locked = stand(ready)
    assert (locked.next, locked.flight, locked.step) == (NextThing.OPEN_KEY, 1, Step.VERDICT)
    assert locked.n_flights == 2

    open_flights(ready, name, PASSPHRASE, [1, 2])
    opened = stand(ready)
    assert (opened.next, opened.n_opened) == (NextThing.READ_VERDICT, 2)


def test_what_one_tasted_alone_is_locked_first_as_its_codes_come_after(ready):
    planned = plan(ready, tasters=TASTERS[:1], alone=True)
    for cup in planned.servings.itertuples():
        ready.scores.record_score(
            planned.session.name, cup.flight, "Ada", "overall", 5, position=cup.position
        )

    done = stand(ready)

    assert (done.next, done.step) == (NextThing.LOCK_ALONE, Step.TASTE)


def test_a_wrong_passphrase_locks_nothing_and_the_right_one_locks_and_opens(ready):
    planned = plan(ready, flights=2)
    name = planned.session.name
    for flight in (1, 2):
        score(ready, planned, flight)
    lock_flights(ready, name, [1])

    with pytest.raises(SealError, match="Nothing was locked"):
        lock_and_open(ready, name, "a wrong one", [1, 2])
    assert [one.state for one in ready.sessions.flights(name)] == ["locked", "being tasted"]
    lock_and_open(ready, name, PASSPHRASE, [1, 2])

    assert [one.state for one in ready.sessions.flights(name)] == ["opened", "opened"]


def test_a_flight_whose_doses_are_written_down_waits_for_scores(ready):
    planned = plan(ready)
    record_doses(ready, {"calcium": 40.0}, session=planned, flight=1)

    mixed = stand(ready)

    assert (mixed.next, mixed.n_scored, mixed.n_tasters) == (NextThing.TAKE_SCORES, 0, 2)


def play(book, waters):
    planned = plan(book, waters)
    for flight in planned.plan.flights:
        score(book, planned, flight)
    lock_flights(book, planned.session.name)
    open_flights(book, planned.session.name, PASSPHRASE)


def test_after_a_reading_the_next_dial_is_the_first_coordinate_that_nothing_varied(ready):
    play(ready, SWEEP)
    found = read(ready, COFFEE, client=CLIENT)
    seen = replace(found.reading.verdict, kind=VerdictKind.FOUND)
    found = replace(found, reading=replace(found.reading, verdict=seen))

    assert stand(ready, found=found).next is NextThing.PLAN_DIAL
    assert stand(ready, found=found).dial == "hardness_mg_l_caco3"
    play(ready, DIAL)
    assert stand(ready, found=found).dial == "alkalinity_mg_l_caco3"


@pytest.mark.parametrize(
    ("level", "thing"),
    [
        (Level.SETTLED, NextThing.MAKE_CARD),
        (Level.LIKELY, NextThing.PLAN_NEXT_FLIGHT),
        (Level.OPEN, NextThing.PLAN_NEXT_FLIGHT),
    ],
)
def test_with_no_dial_left_it_rests_on_how_sure_the_recommendation_is(ready, level, thing):
    for waters in (SWEEP, DIAL):
        play(ready, waters)
    play(ready, (SWEEP.targets[1], replace(SWEEP.targets[1], alkalinity_mg_l_caco3=10)))
    found = read(ready, COFFEE, client=CLIENT)
    sure = replace(found.reading.recommended, level=level)
    found = replace(found, reading=replace(found.reading, recommended=sure))

    standing = stand(ready, found=found)

    assert (standing.next, standing.dial) == (thing, "")


def test_nothing_is_fitted_unasked(ready, monkeypatch):
    play(ready, SWEEP)
    monkeypatch.setattr("labkit.analysis.reading.coffee.read_coffee", None)
    monkeypatch.setattr("labkit.workflow.readings.read_coffee", None)
    assert callable(read_coffee)

    assert stand(ready).next is NextThing.READ_VERDICT
    with pytest.raises(TypeError):
        read(ready, COFFEE, client=CLIENT)


def test_a_plan_older_than_what_was_opened_last_was_given_up(ready):
    plan(ready, name="given up")
    play(ready, SWEEP)

    assert stand(ready).next is NextThing.READ_VERDICT


def test_what_the_lab_book_kept_of_a_reading_counts_until_there_are_other_scores(ready):
    play(ready, SWEEP)
    assert stand(ready).next is NextThing.READ_VERDICT
    best_levels(ready, COFFEE, client=CLIENT)  # read, and kept
    found = read(ready, COFFEE, client=CLIENT)

    kept = stand(ready)

    assert kept.next is stand(ready, found=found).next
    assert say(kept) == say(stand(ready, found=found))
    play(ready, DIAL)
    assert stand(ready).next is NextThing.READ_VERDICT
