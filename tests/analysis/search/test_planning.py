"""Planning curves simulate what they say, alike for alike."""

import numpy as np
import pandas as pd
import pytest

from labkit.analysis.region import Region
from labkit.analysis.search.planning import (
    EFFECT_POINTS,
    PlanCurves,
    plan_curves,
    planted_coffees,
)
from labkit.analysis.search.shapes import DOME, HILL, TENT, TWINS
from labkit.analysis.search.simulate import LIKING
from labkit.errors import ReadingError
from labkit.tasting import MINUTES_A_JUG, plan_power, practised_noise

FEW = {"n_flights": 2, "n_coffees": 2, "progress": False}


def test_curves_hold_every_path_panel_and_flight():
    curves = plan_curves(n_tasters=(2, 3), cups=(3,), **FEW)

    assert len(curves.frame) == 2 * 2 * 1 * 2
    assert (curves.frame["loss"] >= 0).all()
    assert (curves.frame["low"] <= curves.frame["loss"]).all()
    assert curves.frame["n_cups"].tolist() == [3, 6] * 4


def test_coffees_of_every_kind_are_planted():
    """One hill alone, as before, is a harder coffee than most: .41 points were planned after one
    flight where coffees of many kinds gave away .30."""
    coffees = planted_coffees(25, 0.5, Region(), np.random.default_rng(5))

    assert {int(coffee.shapes.form[coffee.number]) for coffee in coffees} == {
        DOME,
        HILL,
        TENT,
        TWINS,
    }
    for coffee in coffees[:3]:
        losses = -coffee(Region().grid)
        assert losses.min() == pytest.approx(0, abs=1e-6)
        assert 0.5 * EFFECT_POINTS[0] <= np.quantile(losses, 0.95) <= 0.5 * EFFECT_POINTS[1] + 1e-3


def test_few_coffees_stand_for_all():
    """The twelve that were drawn freely left .21 points to be found on average, 400 leave .47."""
    region = Region()
    middle = region.nearest([0.5, 110, 30])

    def to_find(n_coffees, seed):
        coffees = planted_coffees(n_coffees, 1.0, region, np.random.default_rng(seed))
        return np.mean([coffee(region.grid).max() - coffee(middle)[0] for coffee in coffees])

    every = to_find(400, 0)
    few = [to_find(12, seed) for seed in range(1, 9)]
    assert np.std(few) < 0.08  # of as many drawn freely .38 / sqrt(12) = .11
    assert np.mean(few) == pytest.approx(every, abs=0.05)


@pytest.mark.slow
def test_the_same_seed_gives_the_same_curves_in_one_process_or_two():
    alone = plan_curves(paths=("classical walk",), cups=(3,), **FEW)
    beside = plan_curves(paths=("classical walk",), cups=(3,), n_jobs=2, **FEW)

    assert alone.frame.equals(beside.frame)


def test_cups_needed_are_the_first_that_reach_the_loss():
    curves = plan_curves(paths=("classical walk",), cups=(3,), **FEW)
    losses = curves.frame["loss"]

    assert curves.cups_needed(losses.max())["n_cups"].iloc[0] == 3
    assert np.isnan(curves.cups_needed(-1)["n_cups"].iloc[0])


def curves_of(rows):
    """Curves of designs (tasters, cups, losses), 20 minutes a flight and 1 a jug."""
    return PlanCurves(
        frame=pd.DataFrame(
            [
                {"path": "search", "n_tasters": size, "cups": cups, "flight": flight,
                 "n_cups": flight * cups, "repeats": 0.0, "minutes": 20.0 * flight,
                 "jug_minutes": float(flight * cups), "loss": loss, "low": loss, "high": loss}
                for size, cups, losses in rows
                for flight, loss in enumerate(losses, start=1)
            ]
        ),
        n_coffees=1,
        points=1.0,
    )  # fmt: skip


def test_the_soonest_design_and_the_next_best_are_never_worse_in_everything():
    curves = curves_of(
        [
            (4, 5, (0.3, 0.2, 0.1)),  # 40 minutes and 10 at the jugs to .2
            (4, 6, (0.3, 0.2, 0.1)),  # as long with more jugs: dominated
            (6, 5, (0.2, 0.1, 0.1)),  # 20 minutes with two tasters more
            (3, 5, (0.4, 0.3, 0.2)),  # 60 minutes, a taster less
        ]
    )
    curves = curves.beside(curves_of([(2, 5, (0.4, 0.4, 0.3))]))  # never

    found = curves.soonest(0.2)
    hard = curves.soonest(0.05)

    assert (found.design.n_tasters, found.design.flights, found.design.minutes) == (6, 1, 20)
    assert (found.next_best.n_tasters, found.next_best.cups) == (4, 5)
    assert hard.design is hard.next_best is None
    assert (hard.nearest.n_tasters, hard.nearest.loss, hard.n_flights) == (6, 0.1, 3)
    easy = curves.soonest(0.4)
    assert (easy.design.n_tasters, easy.next_best) == (2, None)  # it costs less of everything


def test_minutes_are_those_of_a_plan_and_repeats_are_counted():
    curves = plan_curves(cups=(3,), paths=("search",), **FEW)
    power = plan_power(3, 4, noise=practised_noise(LIKING), has_control=False, duplicates=0,
                       cups_per_flight=3, flights=2, repeats=2)  # fmt: skip

    last = curves.frame.iloc[-1]
    assert last["minutes"] == power.minutes
    assert last["jug_minutes"] == MINUTES_A_JUG * power.jugs
    assert 0 <= last["repeats"] <= 3  # at most one cup of each flight of three, and of the next


def test_nothing_to_simulate_is_refused():
    with pytest.raises(ReadingError, match=r"n_coffees must be a whole number from 1 .* got 0"):
        plan_curves(n_coffees=0)


def test_of_designs_that_cost_the_same_the_one_that_gives_away_less_is_named():
    curves = curves_of([(4, 5, (0.2,)), (4, 5, (0.1,))])
    curves.frame.loc[1, "path"] = "classical walk"

    found = curves.soonest(0.2)

    assert (found.design.path, found.next_best) == ("classical walk", None)
