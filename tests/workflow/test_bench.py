"""What the preparer does at the bench: read a sealed key on record, write down what was taken."""

from __future__ import annotations

import pytest

from labkit.book import LabBook
from labkit.errors import BookError, SealError
from labkit.tasting import ratio_sweep
from labkit.workflow import plan_session, prepare_flights, record_doses
from tests.book.faults import failing_to_store
from tests.tasted import copy_book
from tests.widgets.plans.helpers import fill

PASSPHRASE = "only the preparer"
SWEEP = ratio_sweep((0, 0.5, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)


@pytest.fixture
def book(tmp_path):
    """A lab book with a coffee, tasters and three bottles."""
    with LabBook(copy_book(tmp_path / "book.db", fill)) as book:
        yield book


@pytest.fixture
def planned(book):
    """Two flights for two tasters."""
    return plan_session(
        book, "Coffee A", SWEEP, tasters=["Ada", "Bo"], passphrase=PASSPHRASE, flights=2
    )


def readings(book, planned):
    events = book.sessions.events(planned.session.name)
    return [(one.flight, one.done_by) for one in events if "bench sheet" in one.kind]


def test_the_bench_sheet_once_more_is_what_it_was_and_on_record(book, planned):
    before = readings(book, planned)

    again = prepare_flights(book, planned, PASSPHRASE, preparer="Odile")

    assert again == planned.preparation
    assert readings(book, planned) == [*before, (1, "Odile"), (2, "Odile")]
    (second,) = prepare_flights(book, planned, PASSPHRASE, [2], preparer="Odile").opened
    assert second == planned.preparation.opened[1]


def test_a_key_is_read_by_somebody_with_the_passphrase_or_nothing_is_on_record(book, planned):
    before = readings(book, planned)

    with pytest.raises(SealError, match=r"^preparer must have a name"):
        prepare_flights(book, planned, PASSPHRASE, preparer=" ")
    with pytest.raises(SealError, match=r"^passphrase must be the one"):
        prepare_flights(book, planned, "another altogether", preparer="Odile")
    after = len(book.sessions.events(planned.session.name)) + 1
    with failing_to_store(book, "events", after=after), pytest.raises(BookError, match="disk I/O"):
        prepare_flights(book, planned, PASSPHRASE, preparer="Odile")

    assert readings(book, planned) == before


def test_doses_of_a_closed_flight_are_sealed_and_others_kept_as_they_are(book, planned):
    assert record_doses(book, {"calcium": 120, "magnesium": 0}) == "exact"
    assert record_doses(book, {"calcium": 120}, session=planned, flight=1) == "sealed"

    uses = {bottle.name: bottle.uses for bottle in book.stock.bottles()}
    assert [(use.volume_ml, use.session) for use in uses["calcium"] if not use.is_bound] == [
        (120, None)
    ]
    assert [use for use in uses["magnesium"] if not use.is_bound] == []


@pytest.mark.parametrize(
    ("doses", "about", "sentence"),
    [
        ({"calcium": -1}, {}, "'calcium' must be at least 0 mL, got -1"),
        ({"calcium": 0}, {}, "one dose must be above 0 mL"),
        ({"calcium": 1}, {"flight": 1}, "flight must be given with its session"),
        ({"calcium": 1, "potash": 2}, {}, "bottle must be in the lab book, got 'potash'"),
    ],
)
def test_a_wrong_dose_is_named_and_nothing_is_written(book, doses, about, sentence):
    with pytest.raises(BookError, match=sentence):
        record_doses(book, doses, **about)

    assert all(bottle.uses == () for bottle in book.stock.bottles())
