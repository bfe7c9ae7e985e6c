"""What is left out of a reading is read back as it was recorded, whatever the names look like."""

from __future__ import annotations

import pandas as pd
import pytest

from labkit.book import Attribute, LabBook
from labkit.errors import BookError
from labkit.present import say
from labkit.tasting import SCALES
from tests.tasted import copy_book

COFFEE = {"coffee": "Test lot", "client": "Test lab"}
DAYS = ("Test lot, 2026-01-05", "Test lot, 2026-01-05, session 2")
PEOPLE = ("Di", "Di (guest), the second", "Ed")


@pytest.fixture
def book(tmp_path):
    with LabBook(copy_book(tmp_path / "book.db", plan_days)) as book:
        yield book


def plan_days(book):
    book.people.add_client("Test lab")
    book.people.add_coffee("Test lot", client="Test lab")
    book.people.add_tasters(PEOPLE)
    for name in DAYS:
        book.sessions.start_session(
            name,
            **COFFEE,
            attributes=[Attribute(name="overall", scale=SCALES["liking 1-9"])],
            tasters=PEOPLE,
            serving="shared bowls",
            brew_method="cupping",
        )


@pytest.mark.parametrize(
    ("tasters", "sessions"),
    [
        (("Di",), ()),
        (("Di (guest), the second", "Di"), ()),
        ((), DAYS[1:]),
        (("Ed",), DAYS[:1]),
        ((), DAYS),
    ],
)
def test_names_with_commas_and_brackets_come_back(book, tasters, sessions):
    why = "a cold (again). Or hay fever"
    book.sessions.leave_out(
        **COFFEE, tasters=tasters, sessions=sessions, seen="overall", reason=why
    )

    found = book.sessions.left_out(**COFFEE)
    assert (found.tasters, found.sessions, found.reason) == (tasters, sessions, why)
    assert say(found) == (
        f"Left out by choice, as recorded on {found.recorded_at:%Y-%m-%d}: "
        f"{', '.join([*tasters, *sessions])}. Why: {why}"
    )


def test_the_last_record_holds_and_nobody_is_one(book):
    assert say(book.sessions.left_out(**COFFEE)) == ""
    book.sessions.leave_out(**COFFEE, tasters=["Ed"], seen="overall", reason="late")
    book.sessions.leave_out(**COFFEE, seen="overall", reason="he was not late")

    assert book.sessions.left_out(**COFFEE).names == ()
    assert say(book.sessions.left_out(**COFFEE)) == ""


@pytest.mark.parametrize(
    ("tasters", "reason", "sentence"),
    [(["Ed"], " ", "reason must say why Ed is left out"), (["Flo"], "late", "got Flo")],
)
def test_no_record_without_a_reason_or_of_a_stranger(book, tasters, reason, sentence):
    with pytest.raises(BookError, match=sentence):
        book.sessions.leave_out(**COFFEE, tasters=tasters, seen="overall", reason=reason)
    assert book.sessions.left_out(**COFFEE).names == ()


def test_of_many_coffees_only_the_one_with_a_choice_loses_rows(book):
    book.people.add_coffee("Another", client=COFFEE["client"])
    book.sessions.leave_out(
        **COFFEE, tasters=["Ed"], sessions=DAYS[:1], seen="overall", reason="late"
    )
    rows = [
        (coffee, session, taster)
        for coffee in (COFFEE["coffee"], "Another")
        for session in DAYS
        for taster in ("Ed", "Di")
    ]
    frame = pd.DataFrame(rows, columns=["coffee", "session", "taster"], index=range(5, 13))
    frame.insert(0, "client", COFFEE["client"])

    kept = book.sessions.keep_chosen(frame)

    assert kept[kept["coffee"] == "Another"].equals(frame[frame["coffee"] == "Another"])
    of_coffee = kept[kept["coffee"] == COFFEE["coffee"]]
    assert of_coffee[["session", "taster"]].values.tolist() == [[DAYS[1], "Di"]]
    assert book.sessions.keep_chosen(frame.iloc[:0]).empty


def test_a_decision_says_who_when_why_and_until_what(book):
    book.sessions.leave_out(**COFFEE, tasters=["ED"], seen="overall", reason="late", done_by="Dora")
    (first,) = book.sessions.decisions(**COFFEE)
    assert (first.taster, first.session, first.scale) == ("Ed", None, None)
    assert (first.attribute, first.reason, first.decided_by) == ("overall", "late", "Dora")
    assert first.holds

    book.sessions.leave_out(
        **COFFEE, sessions=DAYS[:1], seen="overall", reason="a new mill", done_by="Di"
    )
    first, second = book.sessions.decisions(**COFFEE)
    assert not first.holds
    assert first.decided_at <= first.withdrawn_at <= second.decided_at
    assert (first.withdrawn_by, first.withdrawn_because) == ("Di", "a new mill")
    assert (second.taster, second.session, second.holds) == (None, DAYS[0], True)
    # Told among the events of the session that it concerns.
    told = [
        (e.session, e.done_by)
        for day in DAYS
        for e in book.sessions.events(day)
        if e.kind == "remark"
    ]
    assert told == [(DAYS[0], "Di"), (DAYS[1], "Dora")]


@pytest.mark.parametrize("name", ["Ed", "nobody"])
def test_a_remark_of_the_same_words_decides_nothing(book, name):
    book.sessions.leave_out(**COFFEE, tasters=["Di"], seen="overall", reason="a cold")
    book.sessions.add_remark(DAYS[1], f"Left out of the reading: {name} (overall). as I would do")

    assert book.sessions.left_out(**COFFEE).tasters == ("Di",)


def test_a_decision_is_made_whole_or_not_at_all(book):
    with pytest.raises(BookError, match="at most 4000"):
        book.sessions.leave_out(
            **COFFEE, tasters=["Ed"], sessions=DAYS, seen="overall", reason="x" * 4000
        )
    assert book.sessions.decisions(**COFFEE) == ()
    assert {event.kind for day in DAYS for event in book.sessions.events(day)} == {
        "session started"
    }


def test_a_scale_is_chosen_until_another_is(book):
    with pytest.raises(BookError, match="'liking 1-9'"):
        book.sessions.choose_scale(**COFFEE, attribute="overall", scale="liking 1-7")
    assert book.sessions.chosen_scales(**COFFEE) == {}
    book.sessions.choose_scale(
        **COFFEE, attribute="overall", scale="liking 1-9", reason="the newer"
    )
    assert book.sessions.chosen_scales(**COFFEE) == {"overall": "liking 1-9"}
    book.sessions.leave_out(
        **COFFEE, tasters=["Ed"], seen="overall", reason="late"
    )  # another matter
    assert book.sessions.chosen_scales(**COFFEE) == {"overall": "liking 1-9"}
    book.sessions.choose_scale(**COFFEE, attribute="overall", scale=None)
    assert book.sessions.chosen_scales(**COFFEE) == {}
    assert book.sessions.left_out(**COFFEE).tasters == ("Ed",)
