"""Scores in from a table, lock, open: all or none, and the sentence names the row."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from labkit.book import LabBook
from labkit.errors import BookError, LabkitError, LockError, PlanError, ScaleError, SealError
from labkit.tasting import ratio_sweep
from labkit.workflow import lock_flights, open_flights, plan_session, record_scores
from tests.book.faults import failing_to_store
from tests.tasted import copy_book
from tests.widgets.plans.helpers import fill

PASSPHRASE, OTHER = "only the preparer", "seven small spoons"
SWEEP = ratio_sweep((0, 0.5, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
ASKED = {"overall": "liking 1-9", "acidity": "intensity 0-15", "words": ["floral", "nutty"]}


@pytest.fixture
def book(tmp_path):
    """A lab book with a coffee, tasters and three bottles."""
    with LabBook(copy_book(tmp_path / "book.db", fill)) as book:
        yield book


def plan(book, **asked):
    given = {"tasters": ["Ada", "Bo"], "passphrase": PASSPHRASE, "attributes": ASKED} | asked
    return plan_session(book, "Coffee A", SWEEP, **given)


@pytest.fixture
def planned(book):
    """Two flights for two tasters."""
    return plan(book, flights=2)


def tidy(planned, **more):
    return planned.servings.drop(columns="position").assign(attribute="overall", score=6.0, **more)


def values(book, planned):
    entries = book.scores.history(planned.session.name)
    return {(e.flight, e.taster, e.position, e.attribute): e.value for e in entries}


def test_one_row_a_score_is_taken(book, planned):
    receipts = record_scores(book, planned, tidy(planned))

    assert len(receipts) == len(planned.servings)
    assert set(values(book, planned).values()) == {6.0}
    assert {receipt.source for receipt in receipts} == {"import"}


def test_one_row_a_cup_is_taken_and_an_empty_cell_was_not_given(book, planned):
    table = planned.servings.assign(overall=[*range(1, 9)] * 2)
    table["acidity"] = np.nan
    table.loc[3, "acidity"] = 7.5
    table["words"] = [["floral"], [], "nutty; floral", None] * 4

    record_scores(book, planned.session.name, table)

    kept = values(book, planned)
    for row in table.itertuples():
        cup = (row.flight, row.taster, row.position)
        assert kept[*cup, "overall"] == row.overall
        assert kept.get((*cup, "acidity")) == (7.5 if row.Index == 3 else None)
    words = [kept.get((r.flight, r.taster, r.position, "words")) for r in table.itertuples()]
    assert words == [("floral",), (), ("floral", "nutty"), None] * 4


def test_a_cup_is_named_by_its_code_alone_or_by_flight_and_position(book, planned):
    by_code = tidy(planned).drop(columns="flight")
    by_place = planned.servings.drop(columns="blind_code").assign(acidity=3)

    record_scores(book, planned, by_code.assign(blind_code=by_code["blind_code"].astype(float)))
    record_scores(book, planned, by_place)

    kept = values(book, planned)
    assert len(kept) == 2 * len(by_code)
    assert {kept[key] for key in kept if key[3] == "acidity"} == {3.0}
    with pytest.raises(PlanError, match=r"row 0: flight must be given .* there are 2 flights"):
        record_scores(book, planned, by_place.drop(columns="flight"))


@pytest.mark.parametrize(
    ("column", "wrong", "error", "sentence"),
    [
        ("score", 60, ScaleError, "score must be between 1 and 9"),
        ("taster", "Adda", BookError, "'Ada'"),
        ("blind_code", "000", BookError, "000"),
        ("attribute", "overal", BookError, "did you mean 'overall'"),
        ("flight", 7, PlanError, "flight must be one of 1, 2, got 7"),
    ],
)
def test_a_wrong_row_is_named_and_nothing_is_taken(book, planned, column, wrong, error, sentence):
    table = tidy(planned).astype(object)
    table.index = [f"line {number}" for number in range(1, len(table) + 1)]
    table.loc["line 5", column] = wrong

    with pytest.raises(error, match="row line 5: ") as refused:
        record_scores(book, planned, table)

    assert sentence in str(refused.value)
    assert book.scores.history(planned.session.name) == ()


def test_code_and_position_must_agree(book, planned):
    table = planned.servings.assign(attribute="overall", score=6)
    table.loc[2, "position"] = 1 + table.loc[2, "position"] % 4

    with pytest.raises(PlanError, match="row 2: position must be"):
        record_scores(book, planned, table)

    assert book.scores.history(planned.session.name) == ()


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        (lambda t: t.drop(columns="taster"), "but taster is missing"),
        (lambda t: t.drop(columns="blind_code"), "but blind_code or position is missing"),
        (lambda t: t.drop(columns="score"), "but score is missing"),
        (lambda t: t.drop(columns="attribute"), r"overall, acidity, words\), got 'score'"),
        (lambda t: t.assign(score=None), "a score at least"),
    ],
)
def test_a_table_of_other_columns_says_which_there_should_be(book, planned, table, sentence):
    with pytest.raises(PlanError, match=f"^scores must .*{sentence}"):
        record_scores(book, planned, table(tidy(planned)))


def test_a_disk_that_fails_in_the_middle_takes_nothing(book, planned):
    with failing_to_store(book, "scores"), pytest.raises(BookError, match="disk I/O"):
        record_scores(book, planned, tidy(planned))

    assert book.scores.history(planned.session.name) == ()


def test_lock_takes_the_flights_begun_and_says_what_is_missing(book, planned):
    with pytest.raises(LockError, match="flight 1 is planned, flight 2 is planned"):
        lock_flights(book, planned)
    table = tidy(planned)
    record_scores(book, planned, table[table["flight"] == 1])

    locked = lock_flights(book, planned)

    assert locked.flights == (1,)
    lacking = locked.to_frame()
    assert set(lacking["attribute"]) == {"acidity"}
    assert len(lacking) == (table["flight"] == 1).sum()
    assert [one.state for one in book.sessions.flights(planned.session.name)] == [
        "locked",
        "planned",
    ]


def test_lock_is_all_or_none(book, planned):
    record_scores(book, planned, tidy(planned))
    lock_flights(book, planned, [2])

    with pytest.raises(LockError, match=r"flight 2 .* is locked already"):
        lock_flights(book, planned, [1, 2])

    assert [one.state for one in book.sessions.flights(planned.session.name)] == [
        "being tasted",
        "locked",
    ]


def test_one_passphrase_opens_every_locked_flight(book, planned):
    record_scores(book, planned, tidy(planned))
    with pytest.raises(LockError, match="flight 1 is being tasted, flight 2 is being tasted"):
        open_flights(book, planned, PASSPHRASE)
    lock_flights(book, planned)

    opened = open_flights(book, planned, PASSPHRASE)

    assert [(one.number, one.state, one.is_unblinded) for one in opened] == [
        (1, "opened", False),
        (2, "opened", False),
    ]
    frame = book.scores.opened_scores(coffee="Coffee A")
    assert set(frame["mg_share"]) == {0.0, 0.5, 1.0}


def test_opening_is_all_or_none_and_says_which_flights_a_passphrase_opens(book, planned):
    more = plan(book, add_to=planned.session.name, passphrase=OTHER)
    for one in (planned, more):
        record_scores(book, one, tidy(one))
    lock_flights(book, planned)

    with pytest.raises(SealError, match=r"flights 1, 2, 3, but it opens only 1, 2\."):
        open_flights(book, planned, PASSPHRASE)
    assert {one.state for one in book.sessions.flights(planned.session.name)} == {"locked"}
    with (
        failing_to_store(book, "opened_cups", after=6),
        pytest.raises(LabkitError, match="disk I/O"),
    ):
        open_flights(book, planned, PASSPHRASE, [1, 2])
    assert {one.state for one in book.sessions.flights(planned.session.name)} == {"locked"}

    open_flights(book, planned, PASSPHRASE, [1, 2])
    open_flights(book, planned, OTHER)
    assert {one.state for one in book.sessions.flights(planned.session.name)} == {"opened"}


def test_an_early_opening_names_its_flight_and_marks_it(book, planned):
    (one,) = open_flights(book, planned, PASSPHRASE, [2], early_because="a cup broke")

    assert (one.number, one.is_unblinded) == (2, True)
    assert book.sessions.events(planned.session.name)[-1].reason == "a cup broke"


def test_times_and_devices_of_a_table_are_kept(book, planned):
    given = pd.Timestamp("2026-03-04T09:30:00Z")

    (receipt, *_) = record_scores(book, planned, tidy(planned, given_at=given, device="tablet"))

    assert receipt.given_at == given.to_pydatetime()
    assert receipt.device == "tablet"


def test_one_flight_may_be_given_as_its_number(book, planned):
    assert list(lock_flights(book, planned, 2).missing) == [2]
    assert [one.number for one in open_flights(book, planned, PASSPHRASE, 2)] == [2]
