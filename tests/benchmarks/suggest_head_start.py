"""What a head start from earlier coffees saves when they are related, and costs when they mislead.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.suggest_head_start --shelves 60 --keep rows.csv

A shelf is five earlier coffees, each searched for five flights, as this workbook leaves one behind:
related ones have their best waters about one centre (SD a tenth of each range), misleading ones
about another at least 0.6 of the ranges away. New coffees about the first centre are tasted by a
panel of four, five cups a flight, and the water recommended after each flight is told without a
head start, with the related shelf and with the misleading one. Cups are chosen alike in all three,
so that they differ by the head start alone and not by the luck of the cups. Surfaces are domes and
hills. Rows kept in a file are not played again, so that a long run can go on where it was stopped.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits
from tqdm import tqdm

from labkit.analysis.region import Region
from labkit.analysis.search.belief import Belief, believe
from labkit.analysis.search.earlier_coffees import head_start
from labkit.analysis.search.next_flight import suggest_flight
from labkit.analysis.search.simulate import SimulatedPanel
from labkit.water import as_coordinates
from tests.benchmarks.suggest_worlds import CONTROL, Coffee, Floats, planted, with_best_at

REGION = Region()
N_EARLIER, EARLIER_FLIGHTS = 5, 5
SPREAD = 0.1
FAR = 0.6
KINDS = ("related", "misleading")
N_NEW = 6
"""New coffees to every shelf."""
NEW = ("a client", "the new coffee")


def draw_coffee(best: Floats, rng: np.random.Generator) -> Coffee:
    """A coffee with its best water there, in shares of the standard ranges, and its panel."""
    surface = planted(with_best_at(best, rng), rng.uniform(0.5, 2.0))
    panel = SimulatedPanel.draw([f"taster {i + 1}" for i in range(4)], surface, seed=rng)
    return Coffee(kind="planted", number=0, surface=surface, panel=panel)


def about(centre: Floats, rng: np.random.Generator) -> Floats:
    return np.clip(centre + rng.normal(0, SPREAD, 3), 0, 1)


def earlier_scores(centre: Floats, rng: np.random.Generator) -> pd.DataFrame:
    """Scores of the earlier coffees about one centre."""
    parts = []
    for number in range(N_EARLIER):
        coffee = draw_coffee(about(centre, rng), rng)
        *_, (scores, _belief) = _search(coffee, rng, EARLIER_FLIGHTS)
        parts.append(scores.assign(client="a client", coffee=f"earlier coffee {number + 1}"))
    return pd.concat(parts, ignore_index=True)


def centres(rng: np.random.Generator) -> dict[str, Floats]:
    """Where earlier coffees lie that help a new one about the first of the two, or mislead."""
    centre, other = rng.uniform(0.15, 0.85, (2, 3))
    while np.linalg.norm(centre - other) < FAR:
        other = rng.uniform(0, 1, 3)
    return dict(zip(KINDS, (centre, other), strict=True))


def play(shelf: int, setting: argparse.Namespace) -> list[dict[str, object]]:
    """One shelf of either kind: one row a new coffee, arm and flight."""
    rng = np.random.default_rng([setting.seed, shelf])
    rows = []
    with threadpool_limits(1):
        at = centres(rng)
        starts = {kind: head_start(earlier_scores(at[kind], rng), NEW) for kind in KINDS}
        for number in range(N_NEW):
            coffee = draw_coffee(about(at["related"], rng), rng)
            search = _search(coffee, rng, setting.flights)
            for flight, (scores, belief) in enumerate(search, start=1):
                posterior = belief.posterior
                water = posterior.recipes[posterior.leader]
                row = {"shelf": shelf, "number": number, "flight": flight}
                ends = posterior.interval(posterior.leader)
                rows.append({**row, "arm": "without", **_outcome(coffee, water, ends)})
                for arm, start in starts.items():
                    helped = believe(scores, REGION, control=CONTROL, head_start=start).helped
                    water = as_coordinates(helped.leader)[0]
                    outcome = _outcome(coffee, water, (helped.low, helped.high))
                    rows.append({**row, "arm": arm, **outcome, "alike": helped.followed.alike})
    return rows


def _outcome(coffee: Coffee, water: Floats, ends: tuple[float, float]) -> dict[str, object]:
    """Points given away, and whether the 90 % interval holds the water's score."""
    low, high = ends
    covered = low <= float(coffee.panel.expected(water)[0]) <= high
    return {"regret": coffee.regret(water), "covered": covered}


def _search(
    coffee: Coffee, rng: np.random.Generator, flights: int
) -> Iterator[tuple[pd.DataFrame, Belief]]:
    """All scores, and what is believed of them, after each flight."""
    belief = believe(None, REGION, n_tasters=4, control=CONTROL, seed=rng)
    scores = None
    for flight in range(1, flights + 1):
        waters = as_coordinates(suggest_flight(belief, k=5, seed=rng).targets)
        told = coffee.panel.taste_flights([waters], seed=rng, first_flight=flight)
        scores = told if scores is None else pd.concat([scores, told], ignore_index=True)
        belief = believe(scores, REGION, control=CONTROL, seed=rng)
        yield scores, belief


def report(played: pd.DataFrame) -> str:
    """Regret by arm and flight, and the paired differences that the claims rest on.

    Standard errors are those of the mean over shelves, as new coffees share one.
    """
    regret = played.groupby(["shelf", "arm", "flight"])["regret"].mean().unstack(["arm", "flight"])
    flights = sorted(played["flight"].unique())
    arms = ("without", *KINDS)
    less = {kind: [regret[kind][n] - regret["without"][n] for n in flights] for kind in KINDS}
    ahead = [regret["related"][n] - regret["without"][n + 1] for n in flights[:-1]]
    lines = [
        f"{len(regret)} shelves, {len(played) // len(flights) // len(arms)} new coffees; regret in "
        "points, mean and standard error",
        "".ljust(34) + "".join(f"flight {n}".ljust(14) for n in flights),
        *(arm.ljust(34) + _row([regret[arm][n] for n in flights]) for arm in arms),
        *(f"{kind}, less without".ljust(34) + _row(less[kind]) for kind in KINDS),
        "related, less one flight later".ljust(34) + _row(ahead),
        f"mean of these: {_row([_mean(ahead)])}",
        *(f"{kind}, flights 3 to 5: {_row([_mean(less[kind][2:5])])}" for kind in KINDS),
        "chance of being like the earlier coffees, by flight",
    ]
    alike = played.groupby(["arm", "flight"])["alike"].mean().unstack()
    covered = played.groupby("arm")["covered"].mean()
    lines += [kind.ljust(34) + "  ".join(f"{one:.2f}" for one in alike.loc[kind]) for kind in KINDS]
    told = ", ".join(f"{arm} {covered[arm]:.2f}" for arm in arms)
    return "\n".join([*lines, f"90 % intervals cover: {told}"])


def _mean(differences: list[pd.Series]) -> pd.Series:
    return sum(differences[1:], differences[0]) / len(differences)


def _row(cells: list[pd.Series]) -> str:
    return " ".join(f"{one.mean():+.3f}±{one.sem():.3f}" for one in cells)


def main() -> None:
    """Play and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--shelves", type=int, default=60)
    parser.add_argument("--flights", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="a CSV file to keep rows in, and to go on from")
    setting = parser.parse_args()
    kept = setting.keep is not None and setting.keep.exists()
    frame = pd.read_csv(setting.keep) if kept else pd.DataFrame()
    done = frame["shelf"].nunique() if kept else 0
    for shelf in tqdm(range(done, setting.shelves), unit="shelf", mininterval=10):
        frame = pd.concat([frame, pd.DataFrame(play(shelf, setting))], ignore_index=True)
        if setting.keep is not None:
            frame.to_csv(setting.keep, index=False)
    sys.stdout.write(report(frame) + "\n")


if __name__ == "__main__":
    main()
