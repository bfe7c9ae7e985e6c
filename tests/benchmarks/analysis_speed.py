"""How long a reading takes on one thread, and whether the quick way agrees with the full one.

Run in the clone as ``python tests/benchmarks/analysis_speed.py``; what it printed stands in
``tests/benchmarks/analysis_speed.txt``.
"""

from __future__ import annotations

import sys
import time
from unittest import mock

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from labkit.analysis import mixed, model
from labkit.analysis.reading import read_attributes, read_coffee
from labkit.analysis.scores import gather_scores
from labkit.analysis.simulate import PlantedPeak, SimulatedPanel
from labkit.analysis.surface import fit_surface

ATTRIBUTES = (
    "overall",
    "acidity",
    "sweetness",
    "body",
    "bitterness",
    "clarity",
    "aftertaste",
    "balance",
)
CONTROL = (0.4, 80.0, 20.0)
PEAK = PlantedPeak(best=(0.4, 90, 25), effect_points=2.0)


def one_session(n_tasters: int, n_flights: int, rng: np.random.Generator) -> pd.DataFrame:
    """Six waters in each flight, scored on eight attributes."""
    waters = [(share, 80.0, 20.0) for share in (0, 0.2, 0.4, 0.6, 0.8, 1)]
    names = [f"T{i + 1}" for i in range(n_tasters)]
    frames = []
    for attribute in ATTRIBUTES:
        panel = SimulatedPanel.draw(names, PEAK, rng=rng, attribute=attribute)
        frames.append(panel.taste_flights([waters] * n_flights, rng=rng, control=CONTROL))
    return pd.concat(frames, ignore_index=True)


def history(n_scores: int, n_tasters: int, rng: np.random.Generator) -> pd.DataFrame:
    """Sessions of three flights of five waters, the control in each."""
    names = [f"T{i + 1}" for i in range(n_tasters)]
    panel = SimulatedPanel.draw(names, PEAK, rng=rng)
    frames, number = [], 0
    while sum(map(len, frames)) < n_scores:
        number += 1
        flights = []
        for _ in range(3):
            shares = rng.integers(0, 6, 4) / 5
            hardness, alkalinity = 40 + 20 * rng.integers(0, 6, 4), 10 * rng.integers(0, 6, 4)
            flights.append([CONTROL, *zip(shares, hardness, alkalinity, strict=True)])
        frames.append(
            panel.taste_flights(flights, rng=rng, control=CONTROL, session=f"S{number:03d}")
        )
    return pd.concat(frames, ignore_index=True).head(n_scores)


def timed(what: str, call, *, repeats: int = 1):
    """Say the shortest processor and wall time of a few calls; return the last result."""
    cpu, wall, result = [], [], None
    for _ in range(repeats):
        start, clock = time.process_time(), time.perf_counter()
        result = call()
        cpu.append(time.process_time() - start)
        wall.append(time.perf_counter() - clock)
    sys.stdout.write(f"{what:<72}{min(cpu):8.2f} s cpu {min(wall):8.2f} s wall\n")
    sys.stdout.flush()
    return result


def compare_engines(n_scores: int, rng: np.random.Generator) -> None:
    """The full crossed model by MixedLM against REML on cross-products."""
    scores = gather_scores(history(n_scores, 5, rng))
    quick = timed(
        f"crossed model, {n_scores} scores, REML on cross-products",
        lambda: _fit(scores, most_crossed=0),
    )
    full = timed(
        f"crossed model, {n_scores} scores, statsmodels MixedLM",
        lambda: _fit(scores, most_crossed=10**9),
    )
    beta = np.abs(quick.coefficients - full.coefficients).max()
    se = np.abs(np.sqrt(np.diag(quick.covariance) / np.diag(full.covariance)) - 1).max()
    variances = np.abs(quick.variance_components["variance"] - full.variance_components["variance"])
    sys.stdout.write(
        f"  engines {quick.fit.engine} / {full.fit.engine}: coefficients within {beta:.1e}, "
        f"standard errors within {se:.1e}, variances within {variances.max():.1e}\n"
    )


def _fit(scores, *, most_crossed: int):
    with mock.patch.object(mixed, "MOST_CROSSED", most_crossed):
        return fit_surface(scores)


def compare_left_out(n_scores: int, rng: np.random.Generator) -> None:
    """All components against those that a long history is read with."""
    scores = gather_scores(history(n_scores, 8, rng))
    with mock.patch.object(model, "MOST_EFFECTS", 10**6):
        full = timed(f"history, {n_scores} scores, every component", lambda: fit_surface(scores))
    quick = timed(f"history, {n_scores} scores, as it is read", lambda: fit_surface(scores))
    beta = np.abs(quick.coefficients - full.coefficients) / np.sqrt(np.diag(full.covariance))
    se = np.sqrt(np.diag(quick.covariance) / np.diag(full.covariance))
    sys.stdout.write(
        f"  {len(full.fit.components)} and {len(quick.fit.components)} components: coefficients "
        f"within {beta.max():.2f} standard errors, standard errors {se.min():.2f} to "
        f"{se.max():.2f} of the full model's\n"
    )


def main() -> None:
    rng = np.random.default_rng(20_250_301)
    with threadpool_limits(1):
        session = one_session(6, 3, rng)
        read_coffee(session)
        timed(
            "full reading: 6 waters x 6 tasters x 3 flights x 8 attributes",
            lambda: read_attributes(session),
            repeats=3,
        )
        long = history(5000, 8, rng)
        reading = timed("full reading of a history of 5 000 scores", lambda: read_coffee(long))
        sys.stdout.write(f"  {' '.join(reading.notes)}\n")
        longest = history(100_000, 12, rng)
        reading = timed("full reading of 100 000 scores", lambda: read_coffee(longest))
        sys.stdout.write(f"  {' '.join(reading.notes)}\n")
        compare_engines(300, rng)
        compare_engines(1000, rng)
        compare_left_out(2000, rng)


if __name__ == "__main__":
    main()
