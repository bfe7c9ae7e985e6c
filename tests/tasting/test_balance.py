"""What could not be made even is counted, by water and only from opened flights."""

import numpy as np
import pytest

from labkit.errors import PlanError
from labkit.tasting import balance_tables, plan_tasting, preview_balance, ratio_sweep

PASSPHRASE = "copper kettle, seven spoons"


def _plan(rng, n=9, **more):
    targets = ratio_sweep(
        np.linspace(0, 1, n), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30
    ).targets
    asked = {"session": "spring", "passphrase": PASSPHRASE, "rng": rng} | more
    return plan_tasting(targets, ["Ada", "Bo", "Cy", "Dee"], **asked)


def _opened(plan):
    return [plan.sealed[flight].open(PASSPHRASE) for flight in plan.flights]


def test_nine_waters_by_threes_are_the_affine_plane(rng):
    """Bose (1942): 12 blocks, each pair meets once, a taster's three flights hold all nine."""
    plan = _plan(
        rng,
        serving="a cup each",
        blocks_by="taster",
        flights=3,
        cups_per_flight=3,
        control="none",
        duplicates=0,
    )
    tables = balance_tables(plan, _opened(plan))
    meetings = tables.meetings.to_numpy()

    assert plan.design.kind == "balanced incomplete blocks"
    assert plan.design.efficiency == pytest.approx(0.75)
    assert set(np.diag(meetings)) == {4}
    assert set(meetings[~np.eye(9, dtype=bool)]) == {1}
    assert (tables.positions.sum(axis=1) == 4).all()


def test_tables_add_up_to_the_cups_of_the_plan(rng):
    plan = _plan(rng, n=6, flights=3, repeats=2)
    tables = balance_tables(plan, _opened(plan))

    assert tables.positions.to_numpy().sum() == len(plan.cups)
    n_steps = len(plan.cups) - 4 * len(plan.flights)
    assert tables.follows.to_numpy().sum() == n_steps
    spreads = {name: (few, most) for name, few, most in plan.design.spreads}
    off_diagonal = tables.meetings.to_numpy()[~np.eye(6, dtype=bool)]
    assert spreads["flights of a taster in which two waters meet"] == (
        off_diagonal.min(),
        off_diagonal.max(),
    )


def test_only_opened_flights_are_counted(rng):
    plan = _plan(rng, n=4, flights=2, cups_per_flight=6)

    one = balance_tables(plan, _opened(plan)[:1])

    assert one.positions.to_numpy().sum() == len(plan.cups) / 2


def test_flights_of_another_session_are_refused(rng):
    plan, other = _plan(rng), _plan(rng, session="autumn")

    with pytest.raises(PlanError, match="opened must be flights of session 'spring'"):
        balance_tables(plan, _opened(other)[:1])
    with pytest.raises(PlanError, match="opened must be flights of session 'spring', got"):
        balance_tables(plan, [])


def test_a_preview_shows_the_same_size_with_letters(rng):
    design, tables = preview_balance(4, 5, cups_per_flight=6, rng=rng)

    assert design.cups_per_flight == 6
    assert list(tables.positions.index) == ["A", "B", "C", "D", "control"]
    assert tables.positions.to_numpy().sum() == 5 * 6


def test_a_preview_is_no_copy_of_the_plan(rng):
    """Two previews differ, as both are draws of their own."""
    previews = {str(preview_balance(4, 3)[1].follows.to_numpy()) for _ in range(10)}

    assert len(previews) > 1
