"""Confirm in ordinary flights or by pairs: does the chance that is said come true?

    OMP_NUM_THREADS=1 python -m tests.benchmarks.suggest_confirm --coffees 10

Searches of ordinary flights until the advice is to stop, or to the last flight. Where the leader is
then likely, three flights are poured that hold leader and control twice each, as the leader then
is; settled is a leader, not the control. Pairs are counted as the panel's tasters prefer, each with
noise of their own. Printed: chance said, share that came true, by chance said; coffees that are
flat apart, and on how many of all flat ones a winner was settled.
"""

from __future__ import annotations

import argparse
import sys
import zlib

import numpy as np
import pandas as pd
from scipy.stats import norm
from threadpoolctl import threadpool_limits
from tqdm import tqdm

from labkit.analysis.pair_tests.preference import fewest_preferring
from labkit.analysis.search.belief import Belief, believe
from labkit.analysis.search.confirming import (
    chance_of_pairs,
    confirming_flights,
    lead_over_control,
)
from labkit.analysis.search.next_flight import suggest_flight
from labkit.analysis.search.recommendation import Level
from labkit.analysis.search.stopping import StopKind, StopReason, stop_or_taste
from labkit.tasting.scales import SCALES
from labkit.water import as_coordinates
from tests.benchmarks.suggest_peers import CONTROL, REGION
from tests.benchmarks.suggest_worlds import KINDS, Coffee, Floats, draw_coffee

LIKING = SCALES["liking 1-9"]

PAIRS_EACH = (2, 4, 6)
N_TESTS = 400
BINS = (0, 0.2, 0.4, 0.6, 0.8, 1.01)


def shares_preferring(coffee: Coffee, leader: Floats) -> Floats:
    """Share of pairs in which each taster prefers the leader to the control."""
    panel, shares = coffee.panel, []
    for one in panel.tasters:
        ahead = panel.surface(leader - one.shift) - panel.surface(np.array([CONTROL]) - one.shift)
        spread = np.sqrt(2 * (one.repeat_sd**2 + panel.noise.brew_sd**2))
        shares.append(norm.cdf(one.sensitivity * float(ahead[0]) / spread))
    return np.array(shares)


def is_settled(belief: Belief) -> bool:
    """Whether a water is called better than the control for good."""
    found = belief.recommended
    return found is not None and found.level is Level.SETTLED and not found.is_control


def confirm(coffee: Coffee, scores: pd.DataFrame, belief: Belief, seed: list[int]) -> list[dict]:
    """What is said at a stop, and what comes of it: a row for each flight, one a size of test."""
    found = belief.recommended
    flights = None if found is None else confirming_flights(belief, leader=found.water)
    lead = None if found is None else lead_over_control(belief, found.water)
    if found is None or flights is None or lead is None:
        return []
    variance = belief.cups.next_cup_variance(1)
    rows, settled = [], False
    for n, said in enumerate(flights.chances, start=1):
        own = np.random.default_rng([*seed, n])
        served = suggest_flight(belief, k=5, seed=own, confirm=True).targets
        more = coffee.panel.taste_flights([served], seed=own, first_flight=100 + n, control=CONTROL)
        scores = pd.concat([scores, more], ignore_index=True)
        belief = believe(scores, REGION, control=CONTROL)
        settled = settled or is_settled(belief)
        rows.append({"by": f"within {n}", "said": said, "came": float(settled)})
    shares = shares_preferring(coffee, as_coordinates(found.water))
    rng = np.random.default_rng([*seed, 0])
    for each in PAIRS_EACH:
        n = each * len(shares)
        preferred = rng.binomial(each, shares, (N_TESTS, len(shares))).sum(axis=1)
        fewest = fewest_preferring(n, first_named=True) or n + 1
        came = float(np.mean(preferred >= fewest))
        rows.append({"by": f"{n} pairs", "said": chance_of_pairs(lead, variance, n), "came": came})
    return rows


def play(kind: str, number: int, setting: argparse.Namespace) -> list[dict]:
    """The stop of one coffee: what was said there and came true, and whether a winner was named."""
    coffee = draw_coffee(kind, number, seed=setting.seed, n_tasters=setting.tasters)
    seed = [setting.seed, zlib.crc32(kind.encode()), number]
    rng, own = np.random.default_rng([*seed, 1]), np.random.default_rng([*seed, 2])
    belief = believe(None, REGION, n_tasters=setting.tasters, control=CONTROL, scale=LIKING)
    scores, named, rows = pd.DataFrame(), False, []
    for flight in range(1, setting.flights + 1):
        waters = suggest_flight(belief, k=5, seed=own).targets
        told = coffee.panel.taste_flights([waters], seed=rng, first_flight=flight, control=CONTROL)
        scores = told if scores.empty else pd.concat([scores, told], ignore_index=True)
        belief = believe(scores, REGION, control=CONTROL)
        advice = stop_or_taste(belief, seed=np.random.default_rng(0))
        named = named or is_settled(belief)
        if advice.verdict is not StopKind.TASTE_ON:
            if advice.reason is StopReason.LIKELY:
                rows = confirm(coffee, scores, belief, [*seed, 3])
            break
    named = named or any(row["came"] for row in rows if row["by"].startswith("within"))
    rows.append({"by": "named", "said": np.nan, "came": float(named)})
    return [row | {"kind": kind, "number": number} for row in rows]


def main() -> None:
    """Play and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--coffees", type=int, default=10, help="of each kind")
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--tasters", type=int, default=4)
    parser.add_argument("--flights", type=int, default=7)
    parser.add_argument("--seed", type=int, default=1)
    setting = parser.parse_args()
    games = [(kind, n) for n in range(setting.coffees) for kind in setting.kinds.split(",")]
    with threadpool_limits(1):
        rows = [row for game in tqdm(games, unit="coffee") for row in play(*game, setting)]
    frame = pd.DataFrame(rows)
    frame["flat"] = np.where(frame["kind"] == "flat", "flat, ", "")
    frame["bin"] = pd.cut(frame["said"], BINS, right=False)
    for (flat, by), some in frame.dropna(subset="said").groupby(["flat", "by"]):
        parts = [
            ("", some),
            *((f", said {x}", part) for x, part in some.groupby("bin", observed=True)),
        ]
        for where, part in parts:
            if len(part):
                sys.stdout.write(
                    f"{flat}{by}{where}: {part['said'].mean():.2f}, came true "
                    f"{part['came'].mean():.2f} ± {part['came'].sem():.2f} of {len(part)} coffees\n"
                )
    named = frame[(frame["by"] == "named") & (frame["flat"] != "")]
    if len(named):
        sys.stdout.write(f"flat: a winner on {named['came'].sum():.0f} of {len(named)} coffees\n")


if __name__ == "__main__":
    main()
