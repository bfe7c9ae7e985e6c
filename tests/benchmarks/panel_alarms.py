"""How often are tasters and panels judged wrongly, and how often are those who see found?

Run in the clone as ``OMP_NUM_THREADS=1 python -m tests.benchmarks.panel_alarms --coffees 400`` (a
few minutes). What it printed stands in DEVELOPERS.md. Coffees are tasted by the simulated panel:
five waters and one hidden duplicate in each flight, repeat SD 0.8 points, every other noise as
usual. ``flat`` coffees have no difference between waters, ``a point`` ones fall by one point from
one end of the sweep to the other for everyone. One more table plants a taster who truly differs.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from labkit.analysis.model.scores import gather_scores
from labkit.analysis.reading.agreement import intraclass_correlations
from labkit.analysis.reading.coffee import read_coffee
from labkit.analysis.reading.panel import PanelCheck, PanelKind, TasterKind, check_panel
from labkit.analysis.reading.verdict import VerdictKind
from labkit.analysis.search.simulate import PanelNoise, SimulatedPanel
from labkit.tasting.scales import Scale

SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
WATERS = tuple((share, 80.0, 20.0) for share in (*SHARES, 0.5))
WORDS = ((1, "poor"), (9, "excellent"))
SCALES = {
    "half points": Scale(name="half points 1-9", lowest=1, highest=9, step=0.5, words=WORDS),
    "whole points": Scale(name="whole points 1-9", lowest=1, highest=9, step=1, words=WORDS),
}
SEED = 20_250_306


def sloping(points: float) -> Callable[[np.ndarray], np.ndarray]:
    """Score falls by so many points from Mg share 0 to 1."""
    return lambda waters: -points * np.atleast_2d(waters)[:, 0]


def tasted(
    rng: np.random.Generator,
    *,
    points: float = 0.0,
    n_tasters: int = 4,
    flights: int = 1,
    scale: Scale = SCALES["half points"],
    odd: float | None = None,
    repeat_sd: float = 0.8,
) -> pd.DataFrame:
    """Scores of one coffee; the first taster answers `odd` times as strongly if it is given."""
    panel = SimulatedPanel.draw(
        [f"T{i + 1}" for i in range(n_tasters)],
        sloping(points),
        seed=rng,
        scale=scale,
        noise=PanelNoise(repeat_sd=repeat_sd),
    )
    if odd is not None:
        first = replace(panel.tasters[0], sensitivity=odd)
        panel = replace(panel, tasters=(first, *panel.tasters[1:]))
    return panel.taste_flights([WATERS] * flights, seed=rng)


def judged(check: PanelCheck) -> dict[str, float]:
    """What was claimed of one panel."""
    raw = np.array([one.discrimination_p for one in check.tasters])
    verdicts = [one.kind for one in check.tasters]
    return {
        "tasters with p < .05": float(np.mean(raw < 0.05)),
        "a taster is said to see": float(any(one is not TasterKind.UNKNOWN for one in verdicts)),
        "a taster is said to disagree": float(TasterKind.DISAGREES in verdicts),
        "the panel disagrees": float(check.kind is PanelKind.DISAGREES),
        "the panel sees": float(check.kind is PanelKind.SEES),
    }


def line(name: str, rows: list[dict[str, float]]) -> str:
    """Shares in percent with their Monte Carlo errors."""
    table = pd.DataFrame(rows)
    share, error = 100 * table.mean(), 100 * table.std(ddof=0) / np.sqrt(len(table))
    told = "; ".join(f"{what} {share[what]:.1f} ± {error[what]:.1f}" for what in table)
    return f"{name}: {told}"


def icc_rate(n: int, k: int, tables: int, rng: np.random.Generator) -> dict[str, float]:
    """How often intervals of ICC(2,1) and ICC(2,k) lie above 0 on normal noise alone."""
    found = [intraclass_correlations(rng.normal(size=(n, k))) for _ in range(tables)]
    return {
        "ICC(2,1)": float(np.mean([one.agreement_lo > 0 for one in found])),
        "ICC(2,k)": float(np.mean([one.agreement_mean_lo > 0 for one in found])),
    }


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--coffees", type=int, default=400)
    parser.add_argument("--readings", type=int, default=0, help="coffees read as a whole")
    chosen = parser.parse_args()

    def out(text: str) -> None:
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()

    for points in (0.0, 1.0):
        for n_tasters in (2, 4, 6):
            for word, scale in SCALES.items():
                for flights in (1, 3):
                    rng = np.random.default_rng([SEED, int(points), n_tasters, flights])
                    rows = [
                        judged(
                            check_panel(
                                gather_scores(
                                    tasted(
                                        rng,
                                        points=points,
                                        n_tasters=n_tasters,
                                        flights=flights,
                                        scale=scale,
                                    )
                                )
                            )
                        )
                        for _ in range(chosen.coffees)
                    ]
                    out(line(f"{points:g} points, {n_tasters} tasters, {word}, {flights} fl", rows))
    out("\nPower: the first taster answers so many times as strongly to 2 points as the others")
    for odd in (1.0, 2.0, -1.0):
        for n_tasters in (4, 6):
            for flights in (1, 2, 4):
                rng = np.random.default_rng([SEED, int(10 + 2 * odd), n_tasters, flights])
                verdicts = []
                for _ in range(chosen.coffees // 2):
                    frame = tasted(rng, points=2, n_tasters=n_tasters, flights=flights, odd=odd)
                    verdicts.append(check_panel(gather_scores(frame)).tasters[0])
                sees = 100 * np.mean([one.kind is TasterKind.SEES for one in verdicts])
                against = 100 * np.mean([one.kind is TasterKind.DISAGREES for one in verdicts])
                alone = 100 * np.mean([one.discrimination_p < 0.05 for one in verdicts])
                out(
                    f"{odd:g} times, {n_tasters} tasters, {flights} flights: p < .05 {alone:.0f}, "
                    f"sees {sees:.0f}, disagrees {against:.0f} %"
                )
    out("\nIntervals above 0 on normal noise, 3000 tables each (nominal 2.5 %)")
    for n, k in ((3, 3), (5, 2), (5, 4), (5, 6), (9, 4), (5, 12)):
        rates = icc_rate(n, k, 3000, np.random.default_rng([SEED, n, k]))
        out(
            f"{n} waters, {k} tasters: "
            + ", ".join(f"{what} {100 * rate:.1f} %" for what, rate in rates.items())
        )
    if chosen.readings:
        out("\nWhole readings of flat coffees, one flight, half points")
        for n_tasters in (4, 6):
            rng = np.random.default_rng([SEED, n_tasters])
            rows = []
            for _ in range(chosen.readings):
                reading = read_coffee(tasted(rng, n_tasters=n_tasters))
                sees = reading.panel.kind is PanelKind.SEES
                found = reading.verdict.kind is VerdictKind.FOUND
                rows.append({"best found": found, "panel sees": sees, "they differ": sees != found})
            out(line(f"{n_tasters} tasters", rows))


if __name__ == "__main__":
    main()
