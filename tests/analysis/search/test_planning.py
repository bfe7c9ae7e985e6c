"""Planning curves simulate what they say, alike for alike."""

import numpy as np
import pytest

from labkit.analysis.region import Region
from labkit.analysis.search.planning import EFFECT_POINTS, noise_of, plan_curves, planted_coffee
from labkit.analysis.search.shapes import DOME, HILL, TENT, TWINS
from labkit.analysis.search.simulate import PanelNoise, PlantedPeak, SimulatedPanel
from labkit.errors import ReadingError

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
    rng = np.random.default_rng(5)
    coffees = [planted_coffee(0.5, rng) for _ in range(25)]

    assert {int(coffee.shape.form[0]) for coffee in coffees} == {DOME, HILL, TENT, TWINS}
    for coffee in coffees[:3]:
        losses = -coffee(Region().grid)
        assert losses.min() == pytest.approx(0, abs=1e-6)
        assert 0.5 * EFFECT_POINTS[0] <= np.quantile(losses, 0.95) <= 0.5 * EFFECT_POINTS[1] + 1e-3


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


def test_the_panels_own_noise_is_found():
    """Many repeats of the planted repeat SD, against the estimate."""
    rng = np.random.default_rng(3)
    noise = PanelNoise(repeat_sd=1.2, repeat_spread=0, sensitivity_sd=0)
    panel = SimulatedPanel.draw(
        list("ABCDEF"), PlantedPeak(best=(0.5, 100, 30), effect_points=0.5), seed=rng, noise=noise
    )
    scores = panel.taste_flights([[(0.5, 100, 30), (0.2, 60, 10), (0.8, 140, 50)]] * 15, seed=rng)

    # Rounding to whole points adds a twelfth of a point squared.
    assert noise_of(scores).repeat_sd == pytest.approx(np.sqrt(1.2**2 + 1 / 12), rel=0.12)


def test_nothing_to_simulate_is_refused():
    with pytest.raises(ReadingError, match=r"n_coffees must be a whole number from 1 .* got 0"):
        plan_curves(n_coffees=0)
