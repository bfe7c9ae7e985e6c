"""A plan proposed from the lab book: the coffee's own control, its panel's noise, its last cups."""

from __future__ import annotations

import pytest

from labkit.book import LabBook
from labkit.errors import BookError, PlanError
from labkit.tasting import COMFORTABLE_CUPS, USUAL_MINUTES, plan_sets
from labkit.workflow import plan_session, propose_plan, usual_of
from tests.tasted import PASSPHRASE, at_shares, copy_book
from tests.widgets.plans.helpers import fill

WATERS = at_shares(0, 0.25, 0.5, 0.75, 1)
PANEL = ("Ada", "Bo", "Cy", "Di")


@pytest.fixture
def book(tmp_path):
    with LabBook(copy_book(tmp_path / "book.db", fill)) as book:
        yield book


def test_the_first_session_of_a_coffee_is_proposed_and_sealed_as_stated(book):
    found = propose_plan(book, "Coffee A", WATERS, tasters=4, minutes=45)
    best = found.recommended

    planned = plan_session(
        book, "Coffee A", WATERS, tasters=PANEL, passphrase=PASSPHRASE, **best.asked
    )

    assert (best.cups, best.minutes) == (24, 24)
    assert len(planned.plan.cups) == best.cups
    assert planned.plan.design.jugs == best.jugs
    assert planned.plan.design.repeats == best.repeats


def test_the_control_that_links_a_coffees_days_is_never_proposed_away(book):
    """The second day's waters do not hold it: it costs a cup in every flight."""
    plan_session(book, "Coffee A", WATERS, tasters=PANEL, passphrase=PASSPHRASE)
    later = at_shares(0.4, 0.45, 0.55)

    found = propose_plan(book, "Coffee A", later, tasters=PANEL)
    new = propose_plan(book, "Coffee A", later, tasters=PANEL, control="none")

    assert all(one.has_control for one in found.undominated)
    assert not any(one.has_control for one in new.undominated)
    assert found.recommended.cups_side_by_side == new.recommended.cups_side_by_side + 1


def test_flights_added_to_a_session_keep_its_control(book):
    planned = plan_session(
        book, "Coffee A", WATERS, tasters=PANEL, passphrase=PASSPHRASE, control="none"
    )
    found = propose_plan(
        book, "Coffee A", WATERS, tasters=PANEL, add_to=planned.session.name, control="middle"
    )

    assert not any(one.has_control for one in found.undominated)


def test_the_most_cups_side_by_side_are_those_of_last_time(book):
    plan_session(book, "Coffee A", WATERS, tasters=PANEL, passphrase=PASSPHRASE, cups_per_flight=4)
    assert usual_of(book, "Coffee A").cups_per_flight == 4
    found = propose_plan(book, "Coffee A", WATERS, tasters=PANEL)

    assert all(one.cups_side_by_side <= 4 for one in found.undominated)


def test_a_plan_takes_as_many_cups_side_by_side_as_the_forms_propose(book):
    six = at_shares(0, 0.2, 0.4, 0.6, 0.8, 1)

    planned = plan_session(
        book, "Coffee A", six, tasters=PANEL, passphrase=PASSPHRASE, duplicates=0
    )

    assert planned.plan.design.most_cups == COMFORTABLE_CUPS == 6
    assert planned.plan.flights == (1,)
    fewer = {"tasters": PANEL, "passphrase": PASSPHRASE, "cups_per_flight": 4}
    plan_session(book, "Coffee A", six, **fewer)
    again = plan_session(book, "Coffee A", six, tasters=PANEL, passphrase=PASSPHRASE)
    assert again.plan.design.most_cups == 4


def test_the_time_at_the_table_is_that_of_last_time(book):
    assert usual_of(book, "Coffee A").minutes == USUAL_MINUTES
    plan_session(book, "Coffee A", WATERS, tasters=PANEL, passphrase=PASSPHRASE, minutes=20)

    found = propose_plan(book, "Coffee A", WATERS, tasters=PANEL)

    assert usual_of(book, "Coffee A").minutes == found.minutes == 20
    with pytest.raises(PlanError, match="above 0"):
        plan_session(book, "Coffee A", WATERS, tasters=PANEL, passphrase=PASSPHRASE, minutes=0)


def test_where_that_was_not_kept_it_is_what_is_comfortable(book):
    """A plan of an earlier version says nothing of it, nor does a test of two waters."""
    plan = plan_sets("triangle", WATERS[:2], PANEL, session="duel", passphrase=PASSPHRASE)

    assert plan.design.most_cups is None
    assert usual_of(book, "Coffee A").cups_per_flight == 6


def test_an_unknown_coffee_is_named(book):
    with pytest.raises(BookError, match="Coffee Z"):
        propose_plan(book, "Coffee Z", WATERS, tasters=4)
