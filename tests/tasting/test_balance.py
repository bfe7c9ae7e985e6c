"""What could not be made even, counted by water: of a plan with its key, and of a trial draw."""

import numpy as np
import pytest

from labkit.tasting import plan_tasting, preview_balance, ratio_sweep
from tests.tasting.counted import count_by_water

PASSPHRASE = "copper kettle, seven spoons"


def _plan(rng, n=9, **more):
    targets = ratio_sweep(
        np.linspace(0, 1, n), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30
    ).targets
    asked = {"session": "spring", "passphrase": PASSPHRASE, "seed": rng} | more
    return plan_tasting(targets, ["Ada", "Bo", "Cy", "Dee"], **asked)


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
    tables = count_by_water(plan, PASSPHRASE)
    meetings = tables.meetings

    assert plan.design.kind == "balanced incomplete blocks"
    assert plan.design.efficiency == pytest.approx(0.75)
    assert set(np.diag(meetings)) == {4}
    assert set(meetings[~np.eye(9, dtype=bool)]) == {1}
    assert (tables.positions.sum(axis=1) == 4).all()


def test_tables_add_up_to_the_cups_of_the_plan(rng):
    plan = _plan(rng, n=6, flights=3, repeats=2)
    tables = count_by_water(plan, PASSPHRASE)

    assert tables.positions.to_numpy().sum() == len(plan.cups)
    n_steps = len(plan.cups) - 4 * len(plan.flights)
    assert tables.follows.sum() == n_steps
    spreads = {name: (few, most) for name, few, most in plan.design.spreads}
    off_diagonal = tables.meetings[~np.eye(6, dtype=bool)]
    assert spreads["flights of a taster in which two waters meet"] == (
        off_diagonal.min(),
        off_diagonal.max(),
    )


def test_after_z_letters_go_on_with_az(rng):
    waters = preview_balance(28, 2, has_control=False, flights=5, duplicates=0, seed=rng)[1]

    assert list(waters.positions.index)[24:] == ["Y", "Z", "AA", "BA"]


def test_a_preview_shows_the_same_size_with_letters(rng):
    design, tables = preview_balance(4, 5, cups_per_flight=6, seed=rng)

    assert design.cups_per_flight == 6
    assert list(tables.positions.index) == ["A", "B", "C", "D", "control"]
    assert tables.positions.to_numpy().sum() == 5 * 6


def test_a_preview_is_no_copy_of_the_plan(rng):
    """Two previews differ, as both are draws of their own."""
    previews = {str(preview_balance(4, 3)[1].follows.to_numpy()) for _ in range(10)}

    assert len(previews) > 1
