"""The reading follows planted truths and answers thin scores with a sentence."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.analysis.reading import read_coffee
from labkit.analysis.simulate import PlantedPeak, SimulatedPanel
from labkit.errors import ReadingError

RATIOS = [(share, 80, 20) for share in (0, 0.2, 0.4, 0.6, 0.8, 1)]


def tasted(best, *, effect=3.0, seed=5, waters=RATIOS, tasters="ABCD", flights=3):
    rng = np.random.default_rng(seed)
    peak = PlantedPeak(best=best, effect_points=effect)
    panel = SimulatedPanel.draw(list(tasters), peak, rng=rng)
    return panel.taste_flights([waters] * flights, rng=rng, control=(0.4, 80, 20))


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_the_best_follows_the_planted_optimum(share):
    reading = read_coffee(tasted((share, 80, 20)))

    row = reading.best.ranges.iloc[0]
    assert reading.verdict.kind == "best found"
    assert row["lo"] - 1e-9 <= share <= row["hi"] + 1e-9
    assert abs(reading.best.target.mg_share - share) < 0.2


def test_a_flat_coffee_has_no_winner():
    reading = read_coffee(tasted((0.5, 80, 20), effect=0.0))

    assert reading.verdict.kind == "no difference seen"
    assert "80 % chance" in str(reading.verdict)
    assert reading.verdict.detectable_points > 0


def test_a_ratio_sweep_knows_nothing_of_hardness():
    reading = read_coffee(tasted((0.5, 80, 20)))

    assert any("hardness 80 mg/L" in sentence for sentence in reading.cannot_tell)
    assert reading.predict([(0.5, 150, 20)])["mean"].isna().all()


def test_predictions_are_in_natural_units_with_an_interval():
    reading = read_coffee(tasted((0.5, 80, 20)))

    row = reading.predict([(0.5, 80, 20)]).iloc[0]

    assert row["lo"] < row["mean"] < row["hi"]
    assert row["se"] > 0
    assert bool(row["within_tasted"])


def test_one_water_is_told_in_a_sentence():
    reading = read_coffee(tasted((0.5, 80, 20), waters=RATIOS[:1]))

    assert reading.verdict.kind == "cannot tell"
    assert "Only one water" in reading.verdict.text


def test_an_attribute_never_scored_is_refused_by_name():
    with pytest.raises(ReadingError, match="'sweetness', which nobody scored"):
        read_coffee(tasted((0.5, 80, 20)), attribute="sweetness")
