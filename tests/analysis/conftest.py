"""Simulated tastings with a planted best water, made once and read by many tests."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from labkit.analysis.search.simulate import PlantedPeak, SimulatedPanel

CONTROL = (0.4, 80, 20)
RATIOS = tuple((share, 80, 20) for share in (0, 0.2, 0.4, 0.6, 0.8, 1))
GRID = tuple((share, hardness, 20) for share in (0, 0.5, 1) for hardness in (40, 80, 120))


def tasted(
    best=(0.5, 80, 20),
    *,
    effect=3.0,
    seed=5,
    waters=RATIOS,
    tasters="ABCD",
    flights=3,
    **choices,
) -> pd.DataFrame:
    """The scores frame of one session in which everyone tastes every water in every flight."""
    rng = np.random.default_rng(seed)
    peak = PlantedPeak(best=best, effect_points=effect)
    panel = SimulatedPanel.draw(list(tasters), peak, seed=rng)
    return panel.taste_flights([waters] * flights, seed=rng, control=CONTROL, **choices)


@pytest.fixture(scope="session")
def taste():
    """The function that simulates a session."""
    return tasted


@pytest.fixture(scope="session")
def ratio_scores():
    """Four tasters, six Mg shares, three flights; planted best 0.5."""
    return tasted()
