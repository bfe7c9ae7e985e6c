"""The simulated panel plants what it says, and serves the scores frame."""

import numpy as np
import pandas as pd
import pytest

from labkit.analysis.search.simulate import (
    SCORES_COLUMNS,
    PanelNoise,
    PlantedPeak,
    SimulatedPanel,
    SimulatedTaster,
)
from labkit.errors import ReadingError
from labkit.tasting.scales import SCALES
from labkit.water import COORDINATES

SILENT = PanelNoise().times(0)
PEAK = PlantedPeak(best=(0.3, 80, 20), effect_points=2)


def panel_of(*tasters, **changes):
    return SimulatedPanel(tasters=tasters, surface=PEAK, **{"noise": SILENT, **changes})


def test_the_planted_best_water_loses_nothing_and_every_other_does():
    waters = np.random.default_rng(1).uniform([0, 20, 0], [1, 200, 60], (200, 3))

    assert PEAK([PEAK.best]) == pytest.approx(0)
    assert (PEAK(waters) < 0).all()
    assert (PEAK(waters) >= -2).all()


def test_a_slanting_ridge_rewards_alkalinity_with_hardness():
    ridge = PlantedPeak(best=(0.5, 100, 30), hardness_alkalinity=0.8)

    along, across = ridge([(0.5, 150, 45), (0.5, 150, 15)])

    assert along > across


def test_without_noise_scores_are_the_surface_rounded_to_the_scale():
    panel = panel_of(SimulatedTaster(name="A", repeat_sd=0), level=8)

    scores = panel.taste_flights(
        [[(0.3, 80, 20), (0.3, 150, 20)]], seed=np.random.default_rng(2)
    ).set_index("hardness_mg_l_caco3")["score"]

    assert scores[80] == 8
    assert scores[150] == np.rint(8 + PEAK([(0.3, 150, 20)])[0])


def test_one_bowl_is_one_brew_and_a_cup_each_is_a_brew_each():
    tasters = [SimulatedTaster(name=name, repeat_sd=0) for name in "ABCD"]
    panel = panel_of(
        *tasters,
        level=5,
        noise=PanelNoise(
            brew_sd=2, flight_sd=0, taster_flight_sd=0, repeat_sd=0, first_cup=0, fading=0
        ),
    )
    cups = pd.DataFrame(
        {
            "flight": 1,
            "taster": list("ABCD"),
            "position": 1,
            "jug": "J1",
            "water": "W1",
            **dict(zip(COORDINATES, PEAK.best, strict=True)),
        }
    )
    rng = np.random.default_rng(3)

    shared = panel.taste(cups.assign(serving="shared bowls"), seed=rng)["score"]
    each = panel.taste(cups.assign(serving="a cup each"), seed=rng)["score"]

    assert shared.nunique() == 1
    assert each.nunique() > 1


def test_the_frame_has_the_agreed_columns_and_stays_on_the_scale():
    rng = np.random.default_rng(4)
    scale = SCALES["quality 6-10"]
    panel = SimulatedPanel.draw(["A", "B"], PEAK, seed=rng, scale=scale)

    scores = panel.taste_flights([np.tile(PEAK.best, (5, 1))] * 3, seed=rng, missing=0.2)

    assert tuple(scores.columns) == SCORES_COLUMNS
    assert 15 < len(scores) < 30
    for score in scores["score"]:
        scale.check(score)
    assert scores["is_duplicate"].any()


def test_noise_follows_the_width_of_the_scale():
    rng = np.random.default_rng(5)

    panel = SimulatedPanel.draw(["A"], PEAK, seed=rng, scale=SCALES["quality 6-10"])

    assert panel.noise.repeat_sd == pytest.approx(PanelNoise().repeat_sd / 2)


def test_many_repeats_average_to_the_expected_score():
    """The law of large numbers, against the sum of the planted parts."""
    rng = np.random.default_rng(6)
    panel = SimulatedPanel.draw(["A", "B", "C"], PEAK, seed=rng, level=5)
    waters = [(0.3, 80, 20), (0.6, 120, 40)]

    scores = panel.taste_flights([waters] * 600, seed=rng)

    mean = scores.groupby("mg_share")["score"].mean()
    order_effect = np.mean([0.15, -0.05])
    assert mean.to_numpy() == pytest.approx(panel.expected(waters) + order_effect, abs=0.06)


def test_a_stranger_or_a_lacking_column_is_named():
    rng = np.random.default_rng(7)
    panel = panel_of(SimulatedTaster(name="A"))
    cups = panel.taste_flights([[PEAK.best]], seed=rng)

    with pytest.raises(ReadingError, match="taster must be one of this panel, got \\['Zed'\\]"):
        panel.taste(cups.assign(taster="Zed"), seed=rng)
    with pytest.raises(ReadingError, match="got none called jug"):
        panel.taste(cups.drop(columns="jug"), seed=rng)
