"""What a head start from earlier coffees saves when they are related, and costs when they mislead.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.suggest_head_start --coffees 40 --keep rows.csv

Every new coffee is tasted three times over with the same panel of four, five cups a flight: without
a head start, after five related coffees (best waters about one centre, SD a tenth of each range),
and after five that lie about a centre at least 0.6 of the ranges away. Each earlier coffee was
searched for five flights, as this workbook leaves one behind. Surfaces are domes and hills.

Three histories differ by the luck of their cups far more than by the head start. ``--same-cups``
tastes without one and reads those cups without and with each of two lots of earlier coffees of
either kind, so that the head start alone differs: a tenth of the coffees tells as much. It leaves
out what choosing other cups adds. Rows kept in a file are not played again, so that a long run can
go on where it was stopped.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits
from tqdm import tqdm

from labkit.analysis.head_start import HeadStart, follow, head_start
from labkit.analysis.region import Region, coordinates
from labkit.analysis.shapes_library import shape_library
from labkit.analysis.simulate import SimulatedPanel
from labkit.analysis.suggest import suggest_flight
from labkit.analysis.suggest_belief import Belief, believe
from labkit.analysis.suggest_cups import Cups
from labkit.analysis.suggest_posterior import posterior_of
from labkit.analysis.suggest_shapes import weigh
from tests.benchmarks.suggest_worlds import CONTROL, Coffee, Floats, planted, with_best_at

REGION = Region()
N_EARLIER, EARLIER_FLIGHTS = 5, 5
SPREAD = 0.1
FAR = 0.6
KINDS = ("related", "misleading")
SAME = ", same cups"
LOTS = 2
"""Lots of earlier coffees of each kind that the same cups are read with."""
NEW = ("a client", "the new coffee")


def draw_coffee(best: Floats, rng: np.random.Generator) -> Coffee:
    """A coffee with its best water there, in shares of the standard ranges, and its panel."""
    surface = planted(with_best_at(best, rng), rng.uniform(0.5, 2.0))
    panel = SimulatedPanel.draw([f"taster {i + 1}" for i in range(4)], surface, rng=rng)
    return Coffee(kind="planted", number=0, surface=surface, panel=panel)


def about(centre: Floats, rng: np.random.Generator) -> Floats:
    return np.clip(centre + rng.normal(0, SPREAD, 3), 0, 1)


def earlier_scores(centre: Floats, rng: np.random.Generator) -> pd.DataFrame:
    """Scores of the earlier coffees about one centre."""
    parts = []
    for number in range(N_EARLIER):
        coffee = draw_coffee(about(centre, rng), rng)
        *_, (scores, _belief) = _search(coffee, None, rng, EARLIER_FLIGHTS)
        parts.append(scores.assign(client="a client", coffee=f"earlier coffee {number + 1}"))
    return pd.concat(parts, ignore_index=True)


def draw(number: int, seed: int) -> tuple[np.random.Generator, Coffee, dict[str, Floats]]:
    """A new coffee, and the centres about which earlier ones lie that help or mislead."""
    rng = np.random.default_rng([seed, number])
    centre, other = rng.uniform(0.15, 0.85, (2, 3))
    while np.linalg.norm(centre - other) < FAR:
        other = rng.uniform(0, 1, 3)
    coffee = draw_coffee(about(centre, rng), rng)
    return rng, coffee, dict(zip(KINDS, (centre, other), strict=True))


def play(number: int, setting: argparse.Namespace) -> list[dict[str, object]]:
    """One new coffee: one row an arm and flight."""
    rng, coffee, centres = draw(number, setting.seed)
    starts: dict[str, HeadStart | None] = {"without": None}
    starts |= {kind: head_start(earlier_scores(at, rng), NEW) for kind, at in centres.items()}
    seed = int(rng.integers(2**31))
    rows = []
    with threadpool_limits(1):
        for arm, start in starts.items():
            search = _search(coffee, start, np.random.default_rng(seed), setting.flights)
            for flight, (_scores, belief) in enumerate(search, start=1):
                leader = belief.posterior.leader
                low, high = belief.posterior.interval(leader)
                water = belief.posterior.recipes[leader]
                row = {
                    "regret": coffee.regret(water),
                    "covered": low <= float(coffee.panel.expected(water)[0]) <= high,
                    "alike": np.nan if belief.followed is None else belief.followed.alike,
                }
                rows.append({"number": number, "arm": arm, "flight": flight, **row})
    return rows


def play_same_cups(number: int, setting: argparse.Namespace) -> list[dict[str, object]]:
    """One new coffee tasted without a head start: its cups read without and with each."""
    rng, coffee, centres = draw(number, setting.seed)
    starts = [
        (kind + SAME, head_start(earlier_scores(at, rng), NEW))
        for kind, at in centres.items()
        for _ in range(LOTS)
    ]
    rows = []
    with threadpool_limits(1):
        search = _search(coffee, None, rng, setting.flights)
        for flight, (_scores, belief) in enumerate(search, start=1):
            for arm, start in [("without", None), *starts]:
                water, alike = best_water(belief.cups, start)
                row = {"regret": coffee.regret(water), "alike": alike}
                rows.append({"number": number, "arm": arm, "flight": flight, **row})
    return rows


def best_water(cups: Cups, start: HeadStart | None) -> tuple[Floats, float]:
    """The water recommended after these cups, and the chance of being like earlier coffees."""
    told = weigh(cups, shape_library(), None if start is None else start.odds)
    posterior = posterior_of(
        REGION,
        cups,
        np.empty((0, 3)),
        expected=told.expected,
        draws=partial(told.draws, n_draws=2, rng=np.random.default_rng(0)),
    )
    alike = np.nan if start is None else follow(start, told.of_shapes).alike
    return posterior.recipes[posterior.leader], alike


def _search(
    coffee: Coffee, start: HeadStart | None, rng: np.random.Generator, flights: int
) -> Iterator[tuple[pd.DataFrame, Belief]]:
    """All scores, and what is believed of them, after each flight."""
    belief = believe(None, REGION, n_tasters=4, control=CONTROL, head_start=start, rng=rng)
    scores = None
    for flight in range(1, flights + 1):
        waters = coordinates(suggest_flight(belief, k=5, rng=rng).targets)
        told = coffee.panel.taste_flights([waters], rng=rng, first_flight=flight)
        scores = told if scores is None else pd.concat([scores, told], ignore_index=True)
        belief = believe(scores, REGION, control=CONTROL, head_start=start, rng=rng)
        yield scores, belief


def report(played: pd.DataFrame) -> str:
    """Regret by arm and flight, and the paired differences that the claims rest on."""
    regret = played.pivot_table(index="number", columns=["arm", "flight"], values="regret")
    flights = sorted(played["flight"].unique())
    arms = [arm for arm in ("without", *KINDS, *(k + SAME for k in KINDS)) if arm in regret]
    lines = [f"{len(regret)} coffees; regret in points, mean and standard error of the mean"]
    lines.append("".ljust(24) + "".join(f"flight {n}".ljust(14) for n in flights))
    lines += [arm.ljust(24) + _row([regret[arm][n] for n in flights]) for arm in arms]
    for how in ("", SAME):
        related, misleading = (kind + how for kind in KINDS)
        if related not in arms:
            continue
        ahead = [regret[related][n] - regret["without"][n + 1] for n in flights[:-1]]
        cost = [regret[misleading][n] - regret["without"][n] for n in flights]
        lines += [
            f"{related}, less without one flight later; mean {_row([_mean(ahead)])}",
            "".ljust(24) + _row(ahead),
            f"{misleading}, less without at the same flight; mean {_row([_mean(cost)])}; "
            f"of flights 3 to 5 {_row([_mean(cost[2:5])])}",
            "".ljust(24) + _row(cost),
        ]
    alike = played.groupby(["arm", "flight"])["alike"].mean().unstack()
    lines.append("chance of being like the earlier coffees, by flight")
    lines += [arm.ljust(24) + "  ".join(f"{one:.2f}" for one in alike.loc[arm]) for arm in arms[1:]]
    if "covered" in played:
        covered = played.groupby("arm")["covered"].mean()
        told = ", ".join(f"{arm} {covered[arm]:.2f}" for arm in arms)
        lines.append(f"90 % intervals cover: {told}")
    return "\n".join(lines)


def _mean(differences: list[pd.Series]) -> pd.Series:
    return sum(differences[1:], differences[0]) / len(differences)


def _row(cells: list[pd.Series]) -> str:
    return " ".join(f"{one.mean():+.3f}±{one.sem():.3f}" for one in cells)


def main() -> None:
    """Play and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--coffees", type=int, default=40)
    parser.add_argument("--flights", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--same-cups", action="store_true", help="read the same cups with and without"
    )
    parser.add_argument("--keep", type=Path, help="a CSV file to keep rows in, and to go on from")
    setting = parser.parse_args()
    one = play_same_cups if setting.same_cups else play
    kept = setting.keep is not None and setting.keep.exists()
    frame = pd.read_csv(setting.keep) if kept else pd.DataFrame()
    done = frame["number"].nunique() if kept else 0
    for number in tqdm(range(done, setting.coffees), unit="coffee", mininterval=10):
        frame = pd.concat([frame, pd.DataFrame(one(number, setting))], ignore_index=True)
        if setting.keep is not None:
            frame.to_csv(setting.keep, index=False)
    sys.stdout.write(report(frame) + "\n")


if __name__ == "__main__":
    main()
