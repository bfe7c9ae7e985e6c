"""How long a reading takes on one thread, and whether the quick way agrees with the full one.

Run in the clone, on an idle machine, as ``python tests/benchmarks/analysis_speed.py``. Wanted: less
than 1 s for the session, less than 3 s for the 5 000 scores.
"""

from __future__ import annotations

import sys
import time
from unittest import mock

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from labkit.analysis.model import mixed
from labkit.analysis.model import structure as model
from labkit.analysis.model.reml import CrossProducts, solve
from labkit.analysis.model.scores import gather_scores
from labkit.analysis.model.surface import fit_surface
from labkit.analysis.reading.coffee import read_attributes, read_coffee
from labkit.analysis.search.simulate import PlantedPeak, SimulatedPanel
from labkit.present import say

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
    """Six waters in each flight, every cup scored on eight attributes."""
    waters = [(share, 80.0, 20.0) for share in (0, 0.2, 0.4, 0.6, 0.8, 1)]
    names = [f"T{i + 1}" for i in range(n_tasters)]
    panels = [SimulatedPanel.draw(names, PEAK, seed=rng, attribute=one) for one in ATTRIBUTES]
    cups = panels[0].taste_flights([waters] * n_flights, seed=rng, control=CONTROL)
    return pd.concat([one.taste(cups, seed=rng) for one in panels], ignore_index=True)


def history(n_scores: int, n_tasters: int, rng: np.random.Generator) -> pd.DataFrame:
    """Sessions of three flights of five waters, the control in each."""
    names = [f"T{i + 1}" for i in range(n_tasters)]
    panel = SimulatedPanel.draw(names, PEAK, seed=rng)
    frames, number = [], 0
    while sum(map(len, frames)) < n_scores:
        number += 1
        flights = []
        for _ in range(3):
            shares = rng.integers(0, 6, 4) / 5
            hardness, alkalinity = 40 + 20 * rng.integers(0, 6, 4), 10 * rng.integers(0, 6, 4)
            flights.append([CONTROL, *zip(shares, hardness, alkalinity, strict=True)])
        frames.append(
            panel.taste_flights(flights, seed=rng, control=CONTROL, session=f"S{number:03d}")
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
    """REML on cross-products against the full crossed model by MixedLM, started from afar."""
    scores = gather_scores(history(n_scores, 5, rng))
    with mock.patch.multiple(mixed, MOST_CROSSED=0, MOST_NESTED=0):
        quick = timed(
            f"crossed model, {n_scores} scores, {mixed.REML_ENGINE}", lambda: fit_surface(scores)
        )
    fit = quick.fit
    seen = [one for one, found in zip(fit.components, fit.variances, strict=True) if found > 0]
    with mock.patch.multiple(mixed, MOST_CROSSED=10**9, MOST_NESTED=10**9):
        ratios = timed(
            f"crossed model, {n_scores} scores, statsmodels MixedLM from afar",
            lambda: mixed.mixedlm_ratios(
                scores.score,
                quick.model.fixed,
                seen,
                scores.tasters,
                ratios=np.full(len(seen), 0.3),
                beta=np.zeros(len(fit.effects.beta)),
            ),
        )
    if ratios is None:
        sys.stdout.write("  MixedLM did not come to an end\n")
        return
    products = CrossProducts.of(scores.score, quick.model.fixed, [one.matrix for one in seen])
    theirs = solve(products, ratios)
    se = np.sqrt(np.diag(theirs.information) * theirs.residual_variance)
    ours = np.sqrt(np.diag(fit.effects.gls_covariance))
    variances = fit.variances[fit.variances > 0]
    apart = np.abs(ratios * theirs.residual_variance / variances - 1).max()
    sys.stdout.write(
        f"  {', '.join(one.name for one in seen)}: coefficients within "
        f"{np.abs(theirs.beta - fit.effects.beta).max():.0e}, standard errors within "
        f"{np.abs(se / ours - 1).max():.0e}, variances within {apart:.0e} of each other; "
        f"log-likelihood {fit.loglik - theirs.loglik:+.0e} higher\n"
    )


def compare_left_out(n_scores: int, rng: np.random.Generator) -> None:
    """All components against those that a long history is read with."""
    scores = gather_scores(history(n_scores, 8, rng))
    with mock.patch.object(model, "MOST_EFFECTS", 10**6):
        full = timed(f"history, {n_scores} scores, every component", lambda: fit_surface(scores))
    quick = timed(f"history, {n_scores} scores, as it is read", lambda: fit_surface(scores))
    tasted = scores.recipes
    ours, theirs = quick.predict(tasted), full.predict(tasted)
    away = np.abs((ours["mean"] - ours["mean"].mean()) - (theirs["mean"] - theirs["mean"].mean()))
    spread = np.ptp(theirs["mean"].to_numpy())
    se = np.sqrt(np.diag(quick.covariance) / np.diag(full.covariance))
    sys.stdout.write(
        f"  left out: {', '.join(_names(full) - _names(quick))}; "
        f"expected scores differ by at most {away.max():.3f} of {spread:.2f} points, standard "
        f"errors are {se.min():.2f} to {se.max():.2f} of the full model's\n"
    )


def _names(surface):
    return {one.name for one in surface.fit.components}


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
        holes = session.sample(frac=0.95, random_state=1).sort_index()
        timed(
            "the same, one score in twenty missing, other ones for each attribute",
            lambda: read_attributes(holes),
            repeats=3,
        )
        long = history(5000, 8, rng)
        reading = timed("full reading of a history of 5 000 scores", lambda: read_coffee(long))
        sys.stdout.write(f"  {' '.join(map(say, reading.scores.notes))}\n")
        longest = history(100_000, 12, rng)
        reading = timed("full reading of 100 000 scores", lambda: read_coffee(longest))
        sys.stdout.write(f"  {' '.join(map(say, reading.scores.notes))}\n")
        compare_engines(300, rng)
        compare_engines(1000, rng)
        compare_left_out(2000, rng)


if __name__ == "__main__":
    main()
