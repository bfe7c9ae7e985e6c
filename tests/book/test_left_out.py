"""What is left out of a reading is read back as it was recorded, whatever the names look like."""

from __future__ import annotations

import pandas as pd
import pytest

from labkit.book import Attribute, LabBook
from labkit.book.sessions.exclusions import keep_chosen, leave_out, left_out
from labkit.errors import BookError
from labkit.tasting import SCALES

COFFEE = {"coffee": "Test lot", "client": "Test lab"}
DAYS = ("Test lot, 2026-01-05", "Test lot, 2026-01-05, session 2")
PEOPLE = ("Di", "Di (guest), the second", "Ed")


@pytest.fixture
def book(tmp_path):
    with LabBook(tmp_path / "book.db") as book:
        book.add_client("Test lab")
        book.add_coffee("Test lot", client="Test lab")
        for name in PEOPLE:
            book.add_taster(name)
        for name in DAYS:
            book.start_session(
                name,
                **COFFEE,
                attributes=[Attribute(name="overall", scale=SCALES["liking 1-9"])],
                tasters=PEOPLE,
                serving="shared bowls",
                brew_method="cupping",
            )
        yield book


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
    leave_out(book, **COFFEE, tasters=tasters, sessions=sessions, seen="overall", reason=why)

    found = left_out(book, **COFFEE)
    assert (found.tasters, found.sessions, found.reason) == (tasters, sessions, why)


def test_the_last_record_holds_and_nobody_is_one(book):
    assert left_out(book, **COFFEE).sentence == ""
    leave_out(book, **COFFEE, tasters=["Ed"], seen="overall", reason="late")
    leave_out(book, **COFFEE, seen="overall", reason="he was not late")

    assert left_out(book, **COFFEE).names == ()
    assert left_out(book, **COFFEE).sentence == ""


@pytest.mark.parametrize(
    ("tasters", "reason", "sentence"),
    [(["Ed"], " ", "reason must say why Ed is left out"), (["Flo"], "late", "got Flo")],
)
def test_no_record_without_a_reason_or_of_a_stranger(book, tasters, reason, sentence):
    with pytest.raises(BookError, match=sentence):
        leave_out(book, **COFFEE, tasters=tasters, seen="overall", reason=reason)
    assert left_out(book, **COFFEE).names == ()


def test_of_many_coffees_only_the_one_with_a_choice_loses_rows(book):
    book.add_coffee("Another", client=COFFEE["client"])
    leave_out(book, **COFFEE, tasters=["Ed"], sessions=DAYS[:1], seen="overall", reason="late")
    rows = [
        (coffee, session, taster)
        for coffee in (COFFEE["coffee"], "Another")
        for session in DAYS
        for taster in ("Ed", "Di")
    ]
    frame = pd.DataFrame(rows, columns=["coffee", "session", "taster"], index=range(5, 13))
    frame.insert(0, "client", COFFEE["client"])

    kept = keep_chosen(book, frame)

    assert kept[kept["coffee"] == "Another"].equals(frame[frame["coffee"] == "Another"])
    of_coffee = kept[kept["coffee"] == COFFEE["coffee"]]
    assert of_coffee[["session", "taster"]].values.tolist() == [[DAYS[1], "Di"]]
    assert keep_chosen(book, frame.iloc[:0]).empty
