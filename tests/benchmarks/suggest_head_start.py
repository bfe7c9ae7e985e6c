"""What a head start from earlier coffees saves when they are related, and costs when they mislead.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.suggest_head_start --coffees 40 --keep rows.csv

Every new coffee is tasted three times over with the same panel of four, five cups a flight: without
a head start, after five related coffees (best waters about one centre, SD a tenth of each range),
and after five that lie about a centre at least 0.6 of the ranges away. Each earlier coffee had
three flights of five waters spread at random. Surfaces are domes and hills.

Three histories differ by the luck of their cups far more than by the head start. So the cups that
were tasted without one are also read with each: "on the same cups" the head start alone differs.
``--same-cups`` plays that alone, and wants a tenth of the coffees. Rows kept in a file are not
played again, so that a long run can go on where it was stopped.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import qmc
from threadpoolctl import threadpool_limits
from tqdm import tqdm

from labkit.analysis.head_start import HeadStart, head_start
from labkit.analysis.region import STANDARD_LOW, STANDARD_SPAN, Region, coordinates
from labkit.analysis.simulate import SimulatedPanel
from labkit.analysis.suggest import suggest_flight
from labkit.analysis.suggest_belief import Belief, believe
from tests.benchmarks.suggest_worlds import CONTROL, Coffee, Floats, planted, with_best_at

REGION = Region()
N_EARLIER = 5
SPREAD = 0.1
FAR = 0.6
KINDS = ("related", "misleading")
SAME = ", same cups"
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
        spread = qmc.LatinHypercube(3, seed=rng).random(15)
        waters = REGION.nearest(STANDARD_LOW + spread * STANDARD_SPAN)
        panel = draw_coffee(about(centre, rng), rng).panel
        scores = panel.taste_flights(np.split(waters, 3), rng=rng)
        parts.append(scores.assign(client="a client", coffee=f"earlier coffee {number + 1}"))
    return pd.concat(parts, ignore_index=True)


def play(number: int, setting: argparse.Namespace) -> list[dict[str, object]]:
    """One new coffee: one row an arm and flight."""
    # The order of the draws is that of the first runs, so that their coffees can be played again.
    rng = np.random.default_rng([setting.seed, number])
    centre, other = rng.uniform(0.15, 0.85, (2, 3))
    while np.linalg.norm(centre - other) < FAR:
        other = rng.uniform(0, 1, 3)
    coffee = draw_coffee(about(centre, rng), rng)
    starts = {
        "related": head_start(earlier_scores(centre, rng), NEW),
        "misleading": head_start(earlier_scores(other, rng), NEW),
    }
    seed = int(rng.integers(2**31))
    arms = {"without": None} | ({} if setting.same_cups else starts)
    rows = []
    with threadpool_limits(1):
        for arm, start in arms.items():
            also = {} if start else starts
            search = _search(coffee, start, also, np.random.default_rng(seed), setting.flights)
            rows += [{"number": number, "arm": row.pop("read_with", arm), **row} for row in search]
    return rows


def _search(
    coffee: Coffee,
    start: HeadStart | None,
    also: Mapping[str, HeadStart | None],
    rng: np.random.Generator,
    flights: int,
) -> Iterator[dict[str, Any]]:
    """A search with one head start; the cups of each flight are read with the others as well."""
    belief = believe(None, REGION, n_tasters=4, control=CONTROL, head_start=start, rng=rng)
    scores = None
    for flight in range(1, flights + 1):
        waters = coordinates(suggest_flight(belief, k=5, rng=rng).targets)
        told = coffee.panel.taste_flights([waters], rng=rng, first_flight=flight)
        scores = told if scores is None else pd.concat([scores, told], ignore_index=True)
        belief = believe(scores, REGION, control=CONTROL, head_start=start, rng=rng)
        yield {"flight": flight, **_row_of(coffee, belief)}
        for kind, other in also.items():
            with_it = believe(
                scores,
                REGION,
                control=CONTROL,
                head_start=other,
                rng=np.random.default_rng(flight),
            )
            yield {"read_with": kind + SAME, "flight": flight, **_row_of(coffee, with_it)}


def _row_of(coffee: Coffee, belief: Belief) -> dict[str, Any]:
    leader = belief.posterior.leader
    low, high = belief.posterior.interval(leader)
    water = belief.posterior.recipes[leader]
    return {
        "regret": coffee.regret(water),
        "covered": low <= float(coffee.panel.expected(water)[0]) <= high,
        "alike": np.nan if belief.followed is None else belief.followed.alike,
    }


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
    covered = played.groupby("arm")["covered"].mean()
    lines.append("90 % intervals cover: " + ", ".join(f"{arm} {covered[arm]:.2f}" for arm in arms))
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
    parser.add_argument("--same-cups", action="store_true", help="read the same cups only")
    parser.add_argument("--keep", type=Path, help="a CSV file to keep rows in, and to go on from")
    setting = parser.parse_args()
    kept = setting.keep is not None and setting.keep.exists()
    frame = pd.read_csv(setting.keep) if kept else pd.DataFrame()
    done = frame["number"].nunique() if kept else 0
    for number in tqdm(range(done, setting.coffees), unit="coffee", mininterval=10):
        frame = pd.concat([frame, pd.DataFrame(play(number, setting))], ignore_index=True)
        if setting.keep is not None:
            frame.to_csv(setting.keep, index=False)
    sys.stdout.write(report(frame) + "\n")


if __name__ == "__main__":
    main()
