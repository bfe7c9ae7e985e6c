"""Play coffees with several strategies and print what each gives away, flight by flight.

    python -m tests.benchmarks.suggest_run --coffees 20
    python -m tests.benchmarks.suggest_run --coffees 20 --noise 1.5 --tasters 2
    python -m tests.benchmarks.suggest_run --coffees 20 --mislead "a swapped cup"
    python -m tests.benchmarks.suggest_run \\
        --strategies "average over shapes,waters beside the control"

Every strategy tastes the same coffees with the same panels, but its own chance, on its own cups.
"""

from __future__ import annotations

import argparse
import sys
import time
import zlib
from collections.abc import Callable

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from threadpoolctl import threadpool_limits
from tqdm import tqdm

from labkit.analysis.search.recommendation import SMALL_LOSS
from labkit.analysis.search.stopping import StopKind, stop_or_taste
from labkit.tasting.scales import SCALES
from tests.benchmarks.suggest_peers import STRATEGIES, Ours
from tests.benchmarks.suggest_worlds import CONTROL, KINDS, STRANGE, draw_coffee

SHOWN = (1, 2, 3, 5, 8, 10)
CHANCES = (0, 0.6, 0.7, 0.8, 0.9, 0.97, 1.01)


def wrong_level(scores: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """In the first flight one taster used the scale two points lower."""
    first = (scores["flight"] == 1) & (scores["taster"] == scores["taster"].iloc[0])
    return scores.assign(score=scores["score"] - 2.0 * first)


def day_shift(scores: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """The first two flights were another day, on which everybody scored a point lower."""
    early = scores["flight"] <= 2
    session = np.where(early, "the day before", scores["session"])
    return scores.assign(score=scores["score"] - 1.0 * early, session=session)


def untold_shift(scores: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """The same, and the book does not say that it was another day."""
    return scores.assign(score=scores["score"] - 1.0 * (scores["flight"] <= 2))


def swapped_cup(scores: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """In the second flight two jugs were exchanged: each has the other's recipe."""
    jugs = sorted(scores.loc[scores["flight"] == 2, "jug"].unique())[:2]
    if len(jugs) < 2:
        return scores
    columns = ["water", "mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]
    one, other = ((scores["flight"] == 2) & (scores["jug"] == jug) for jug in jugs)
    recipes = [scores.loc[rows, columns].iloc[0] for rows in (one, other)]
    swapped = scores.copy()
    for rows, recipe in ((one, recipes[1]), (other, recipes[0])):
        for column in columns:
            swapped.loc[rows, column] = recipe[column]
    return swapped


MISLEADING: dict[str, Callable[[pd.DataFrame, np.random.Generator], pd.DataFrame]] = {
    "a wrong level": wrong_level,
    "a day's shift": day_shift,
    "an untold shift": untold_shift,
    "a swapped cup": swapped_cup,
}


def play(
    strategy: str, kind: str, number: int, setting: argparse.Namespace
) -> list[dict[str, object]]:
    """One coffee with one strategy: one row a flight."""
    with threadpool_limits(1):
        return _play(strategy, kind, number, setting)


def _play(
    strategy: str, kind: str, number: int, setting: argparse.Namespace
) -> list[dict[str, object]]:
    scale = SCALES[setting.scale]
    seed = [setting.seed, zlib.crc32(kind.encode()), number]
    coffee = draw_coffee(
        kind,
        number,
        seed=setting.seed,
        n_tasters=setting.tasters,
        noise=setting.noise,
        scale=scale,
    )
    rng = np.random.default_rng([*seed, 1])
    player = STRATEGIES[strategy](n_tasters=setting.tasters, scale=scale, seed=[*seed, 2])
    mislead = MISLEADING.get(setting.mislead, lambda scores, rng: scores)
    truth, seen, rows = None, None, []
    for flight in range(1, setting.flights + 1):
        begun = time.process_time()
        waters = player.propose(seen, setting.cups)
        seconds = time.process_time() - begun
        told = coffee.panel.taste_flights(
            [waters], seed=rng, first_flight=flight, missing=setting.missing
        )
        truth = told if truth is None else pd.concat([truth, told], ignore_index=True)
        seen = mislead(truth, rng)
        begun = time.process_time()
        chosen = player.choose(seen)
        seconds += time.process_time() - begun
        row: dict[str, object] = {
            "strategy": strategy,
            "kind": kind,
            "number": number,
            "flight": flight,
            "cups": truth.groupby("flight")["jug"].nunique().sum(),
            "regret": coffee.regret(chosen),
            "seconds": seconds,
        }
        if isinstance(player, Ours):
            posterior = player.belief.posterior
            told = player.belief.recommended
            low, high = (
                posterior.interval(player.belief.leader) if told is None else (told.low, told.high)
            )
            expected = float(coffee.panel.expected(chosen)[0])
            advice = stop_or_taste(player.belief, seed=np.random.default_rng(0))
            row |= {
                "covered": low <= expected <= high,
                "verdict": advice.verdict,
                "level": str(advice.level),
                "most": None if told is None else told.most_to_gain,
                "to_gain": coffee.regret(np.array(CONTROL)),
                "chance": advice.chance_above_control,
                "gain": coffee.regret(np.array(CONTROL)) - coffee.regret(chosen),
            }
        rows.append(row)
    return rows


def table(played: pd.DataFrame) -> str:
    """Mean regret by strategy and flight, as text."""
    shown = [flight for flight in SHOWN if flight <= played["flight"].max()]
    lines = ["strategy".ljust(28) + "".join(f"   flight {flight:<4}" for flight in shown)]
    for group, kinds in (
        ("usual", [kind for kind in KINDS if kind not in (*STRANGE, "flat")]),
        ("strange", STRANGE),
    ):
        for strategy in played["strategy"].unique():
            some = played[(played["strategy"] == strategy) & played["kind"].isin(kinds)]
            if some.empty:
                continue
            cells = some.pivot_table(index=["kind", "number"], columns="flight", values="regret")
            cells = cells[shown]
            lines.append(
                f"{strategy} ({group})".ljust(38)
                + "".join(
                    f"  {mean:.3f}±{error:.3f}"
                    for mean, error in zip(cells.mean(), cells.sem(), strict=True)
                )
            )
    return "\n".join(lines)


def by_cups(played: pd.DataFrame) -> str:
    """Regret against cups poured before each taster, and what it is more than the first one's."""
    at = np.arange(8, played.groupby("strategy")["cups"].max().min() + 1)
    curves = {
        strategy: np.array(
            [
                np.interp(at, one["cups"], one["regret"])
                for _, one in mine[mine["kind"] != "flat"].groupby(["kind", "number"])
            ]
        )
        for strategy, mine in played.groupby("strategy", sort=False)
    }
    first = next(iter(curves.values()))
    lines = [f"mean regret over {at[0]} to {at[-1]} cups a taster"]
    for strategy, mine in curves.items():
        more = (mine - first).mean(axis=1)
        lines.append(
            f"{strategy}: {mine.mean():.3f}, more than the first {more.mean():+.3f} ± "
            f"{more.std(ddof=1) / np.sqrt(len(more)):.3f}"
        )
    return "\n".join(lines)


def stops(played: pd.DataFrame) -> str:
    """What following the stop advice gives, as text: flights, regret, false winners, coverage."""
    lines = []
    for strategy, mine in played.dropna(subset=["verdict"]).groupby("strategy", sort=False):
        last = mine["flight"] == mine["flight"].max()
        over = mine[(mine["verdict"] != StopKind.TASTE_ON) | last]
        ends = over.groupby(["kind", "number"]).first()
        flat = ends.index.get_level_values("kind") == "flat"
        strange = ends.index.get_level_values("kind").isin(STRANGE)
        usual = ends[~flat & ~strange]
        winner = (ends["verdict"] == StopKind.SETTLED) & ends["chance"].notna()  # not the control
        said = (
            f"{strategy}: stops after {usual['flight'].mean():.1f} flights with regret "
            f"{usual['regret'].mean():.3f} (strange {ends[strange]['flight'].mean():.1f} and "
            f"{ends[strange]['regret'].mean():.3f}); 90 % intervals cover "
            f"{mine.loc[mine['kind'] != 'flat', 'covered'].astype(float).mean():.2f}"
        )
        if flat.any():
            said += f"; flat coffees: a winner is named in {(winner & flat).sum() / flat.sum():.2f}"
        lines.append(said)
    return "\n".join(lines)


def levels(played: pd.DataFrame) -> str:
    """How often each level was true after three flights and more, as text; and the chances."""
    mine = played[(played["flight"] >= 3) & played["most"].notna()]
    is_true = mine["gain"].gt(0)
    is_true = is_true.mask(mine["level"] == "no water matters", mine["to_gain"] <= mine["most"])
    kept = (mine["level"] == "settled") & mine["chance"].isna()
    is_true = is_true.mask(kept, mine["to_gain"] <= SMALL_LOSS)
    lines = []
    for flat, some in mine.assign(is_true=is_true.astype(float)).groupby(mine["kind"] == "flat"):
        where = "flat coffees" if flat else "coffees"
        for level, rows in some.groupby("level"):
            lines.append(f"{where}, {level}: true in {rows['is_true'].mean():.2f} of {len(rows)}")
    rising = mine[(mine["kind"] != "flat") & mine["chance"].notna()]
    cut = pd.cut(rising["chance"].astype(float), CHANCES, right=False)
    for between, rows in rising.groupby(cut, observed=True):
        lines.append(
            f"chance in {between}: stated {rows['chance'].mean():.2f}, true "
            f"{rows['gain'].gt(0).mean():.2f} of {len(rows)}"
        )
    return "\n".join(lines)


def main() -> None:
    """Play and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--coffees", type=int, default=10, help="of each kind")
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--strategies", default=",".join(list(STRATEGIES)[:4]))
    parser.add_argument("--tasters", type=int, default=4)
    parser.add_argument("--cups", type=int, default=5)
    parser.add_argument("--flights", type=int, default=10)
    parser.add_argument("--noise", type=float, default=1.0, help="multiplies the repeat noise")
    parser.add_argument("--missing", type=float, default=0.0, help="chance that a score is missing")
    parser.add_argument("--scale", default="liking 1-9", choices=list(SCALES))
    parser.add_argument("--mislead", default="", choices=["", *MISLEADING])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    setting = parser.parse_args()
    games = [
        (strategy, kind, number)
        for strategy in setting.strategies.split(",")
        for kind in setting.kinds.split(",")
        for number in range(setting.coffees)
    ]
    parallel = Parallel(n_jobs=setting.jobs, return_as="generator")
    played = parallel(delayed(play)(*game, setting) for game in games)
    rows = [row for rows in tqdm(played, total=len(games), unit="coffee") for row in rows]
    frame = pd.DataFrame(rows)
    sys.stdout.write(table(frame) + "\n")
    if frame["cups"].max() > 8 and setting.coffees > 1:
        sys.stdout.write(by_cups(frame) + "\n")
    if "verdict" in frame:
        sys.stdout.write(stops(frame) + "\n")
        sys.stdout.write(levels(frame) + "\n")
    for strategy, mine in frame[frame["flight"] > 1].groupby("strategy", sort=False):
        seconds = mine["seconds"].median()
        sys.stdout.write(f"{strategy}: {seconds:.3f} s of computing a flight\n")


if __name__ == "__main__":
    main()
