"""A late taster and an absent one change only what has not been served."""

import numpy as np
import pytest

from labkit.errors import PlanError, SealError
from labkit.tasting import plan_tasting, ratio_sweep, replan
from labkit.tasting.orders import position_counts

PASSPHRASE = "copper kettle, seven spoons"
TASTERS = ("Ada", "Bo", "Cy", "Dee")
SWEEP = ratio_sweep((0, 0.25, 0.5, 0.75), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)


def _plan(rng, **more):
    asked = {"session": "spring", "passphrase": PASSPHRASE, "flights": 3} | more
    return plan_tasting(SWEEP.targets, TASTERS, seed=rng, **asked)


def _cups(plan, flight, taster):
    return [c.blind_code for c in plan.cups if (c.flight, c.taster) == (flight, taster)]


def test_with_shared_bowls_codes_keys_and_the_orders_of_others_stay(rng):
    plan = _plan(rng)

    anew = replan(plan, served=[1], absent=["Bo"], late=["Eve"], seed=rng)

    assert anew.flights == (2, 3)
    assert anew.tasters == ("Ada", "Cy", "Dee", "Eve")
    for flight in (2, 3):
        assert anew.codes(flight) == plan.codes(flight)
        assert anew.sealed[flight] == plan.sealed[flight]
        assert not _cups(anew, flight, "Bo")
        assert sorted(_cups(anew, flight, "Eve")) == list(plan.codes(flight))
        for taster in ("Ada", "Cy", "Dee"):
            assert _cups(anew, flight, taster) == _cups(plan, flight, taster)


def test_a_fifth_order_makes_positions_of_five_cups_even_again(rng):
    """Four rows of a Latin square leave one cup a position: the fifth row fills it in."""
    plan = _plan(rng, flights=1)

    anew = replan(plan, served=[], late=["Eve"], seed=rng)

    codes = anew.codes(1)
    orders = np.array([[codes.index(c) for c in _cups(anew, 1, name)] for name in anew.tasters])
    counts = position_counts(orders, 5)
    before = position_counts(orders[:4], 5)
    assert counts.max() - counts.min() <= max(1, before.max() - before.min())


@pytest.mark.parametrize("blocks_by", ["flight", "taster"])
def test_with_a_cup_each_the_key_follows_the_cups(rng, blocks_by):
    plan = _plan(rng, serving="a cup each", blocks_by=blocks_by, cups_per_flight=4)

    anew = replan(
        plan, served=[1], absent=["Bo"], late=["Eve", "Flo"], passphrase=PASSPHRASE, seed=rng
    )

    for flight in (2, 3):
        opened = anew.sealed[flight].open(PASSPHRASE)
        before = {row.jug: row.water for row in plan.sealed[flight].open(PASSPHRASE).rows}
        assert [row.blind_code for row in opened.rows] == list(anew.codes(flight))
        assert len({row.bowl for row in opened.rows}) == len(opened.rows)
        assert all(before[row.jug] == row.water for row in opened.rows)
        new = {*_cups(anew, flight, "Eve"), *_cups(anew, flight, "Flo")}
        assert len(new) == 2 * plan.design.cups_per_flight
        assert not new & plan.all_codes
        assert not set(_cups(plan, flight, "Bo")) & set(anew.codes(flight))


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"served": [1, 2, 3]}, "served must leave a flight to plan, got all of"),
        ({"absent": ["Eve"]}, "absent must be among the tasters, Ada, Bo, Cy, Dee, got 'Eve'"),
        ({"absent": list(TASTERS)}, "tasters must be one name or more"),
        ({"late": ["Ada"]}, "tasters must have different names, got 'Ada' twice"),
    ],
)
def test_what_cannot_be_planned_anew_is_said(rng, more, message):
    with pytest.raises(PlanError, match=message):
        replan(_plan(rng), **{"served": [1]} | more)


def test_a_cup_each_needs_the_right_passphrase(rng):
    plan = _plan(rng, serving="a cup each")

    with pytest.raises(PlanError, match="passphrase must be given to change a plan"):
        replan(plan, served=[1], absent=["Bo"])
    with pytest.raises(SealError, match="passphrase must be the one"):
        replan(plan, served=[1], absent=["Bo"], passphrase="not this one")
