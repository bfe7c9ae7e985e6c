"""Confirm in ordinary flights or by pairs: does the chance that is said come true?

    OMP_NUM_THREADS=1 python -m tests.benchmarks.suggest_confirm --coffees 10

Searches of ordinary flights; from each state after three flights and more in which the leader is
neither settled nor unlikely, one flight is poured that holds leader and control twice each, and
the search goes on from where it was. Pairs are counted as the panel's tasters prefer, each with
noise of their own. Printed: chance said, share that came true, by chance said; coffees that are
flat apart.
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
from labkit.analysis.search.recommendation import SURE, Level
from labkit.tasting.scales import SCALES
from labkit.water import as_coordinates
from tests.benchmarks.suggest_peers import CONTROL, REGION
from tests.benchmarks.suggest_worlds import KINDS, Coffee, Floats, draw_coffee

LIKING = SCALES["liking 1-9"]
LEAST = 0.6
"""Chance from which a leader is worth confirming here: lower than in use, for more states."""

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


def state(coffee: Coffee, scores: pd.DataFrame, belief: Belief, seed: list[int]) -> list[dict]:
    """What is said in one state, and what comes of it: a row for flights, one a size of test."""
    found = belief.recommended
    flights = None if found is None else confirming_flights(belief, leader=found.water)
    lead = None if found is None else lead_over_control(belief, found.water)
    if found is None or flights is None or lead is None:
        return []
    served = suggest_flight(belief, k=5, seed=np.random.default_rng(seed), confirm=True).targets
    more = coffee.panel.taste_flights(
        [served], seed=np.random.default_rng([*seed, 1]), first_flight=100, control=CONTROL
    )
    after = believe(pd.concat([scores, more], ignore_index=True), REGION, control=CONTROL)
    settled = after.recommended is not None and after.recommended.level is Level.SETTLED
    rows = [{"by": "flight", "said": flights.chances[0], "came": float(settled)}]
    shares = shares_preferring(coffee, as_coordinates(found.water))
    rng = np.random.default_rng([*seed, 2])
    for each in PAIRS_EACH:
        n = each * len(shares)
        preferred = rng.binomial(each, shares, (N_TESTS, len(shares))).sum(axis=1)
        rows.append(
            {
                "by": f"{n} pairs",
                "said": chance_of_pairs(lead, belief.cups.next_cup_variance(1), n),
                "came": float(
                    np.mean(preferred >= (fewest_preferring(n, first_named=True) or n + 1))
                ),
            }
        )
    return rows


def play(kind: str, number: int, setting: argparse.Namespace) -> list[dict]:
    """All states of one coffee."""
    coffee = draw_coffee(kind, number, seed=setting.seed, n_tasters=setting.tasters)
    seed = [setting.seed, zlib.crc32(kind.encode()), number]
    rng, own = np.random.default_rng([*seed, 1]), np.random.default_rng([*seed, 2])
    belief = believe(None, REGION, n_tasters=setting.tasters, control=CONTROL, scale=LIKING)
    scores, rows = pd.DataFrame(), []
    for flight in range(1, setting.flights + 1):
        waters = suggest_flight(belief, k=5, seed=own).targets
        told = coffee.panel.taste_flights([waters], seed=rng, first_flight=flight, control=CONTROL)
        scores = told if scores.empty else pd.concat([scores, told], ignore_index=True)
        belief = believe(scores, REGION, control=CONTROL)
        chance = None if belief.recommended is None else belief.recommended.chance_above_control
        if flight >= 3 and chance is not None and LEAST < chance < SURE:
            made = state(coffee, scores, belief, [*seed, flight])
            rows += [row | {"kind": kind, "number": number, "flight": flight} for row in made]
    return rows


def main() -> None:
    """Play and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--coffees", type=int, default=10, help="of each kind")
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--tasters", type=int, default=4)
    parser.add_argument("--flights", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1)
    setting = parser.parse_args()
    games = [(kind, n) for n in range(setting.coffees) for kind in setting.kinds.split(",")]
    with threadpool_limits(1):
        rows = [row for game in tqdm(games, unit="coffee") for row in play(*game, setting)]
    frame = pd.DataFrame(rows)
    frame["flat"] = np.where(frame["kind"] == "flat", "flat", "")
    frame["bin"] = pd.cut(frame["said"], BINS, right=False)
    for (flat, by, between), some in frame.groupby(["flat", "by", "bin"], observed=True):
        coffees = some.groupby(["kind", "number"])["came"].mean()
        sys.stdout.write(
            f"{flat} {by}, said {between}: {some['said'].mean():.2f}, came true "
            f"{some['came'].mean():.2f} ± {coffees.sem():.2f} of {len(some)} states\n"
        )


if __name__ == "__main__":
    main()
