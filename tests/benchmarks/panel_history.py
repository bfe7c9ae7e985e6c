"""How near does a panel's history come to what was planted, and the plan made with it to what is?

Run in the clone as ``OMP_NUM_THREADS=1 python -m tests.benchmarks.panel_history --panels 60`` (some
minutes); ``--plans 12`` besides plays searches with planted panels and sets them beside the curves
planned with the usual noise and with the panel's own (three coffees of history). What it printed
stands in DEVELOPERS.md. Tasters' noise is .4 to 1.6 of the usual, their slopes .5 to 1.5; they have
a mood for each coffee, and everything else as the simulated panel has it; coffees are of
every kind, three flights of five chance waters each.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy.stats import norm

from labkit.analysis import Region, believe, suggest_flight
from labkit.analysis.across.panel_history import CoffeeSums, coffee_sums, panel_history_from
from labkit.analysis.search.planning import plan_curves, planted_coffees
from labkit.analysis.search.simulate import LIKING, PanelNoise, SimulatedPanel, SimulatedTaster
from labkit.water import STANDARD_SPAN

USUAL = PanelNoise()
ROUNDING = LIKING.step**2 / 12
SHOWN = ("repeat_sd", "slope", "level", "tells_apart")


class World:
    """Tasters who stay the same over all coffees."""

    def __init__(self, rng: np.random.Generator, n: int, low: float = 0.4, high: float = 1.6):
        self.rng, self.n = rng, n
        self.repeat_sd = USUAL.repeat_sd * rng.uniform(low, high, n)
        self.slope = rng.uniform(0.5, 1.5, n)
        self.own = rng.normal(0, USUAL.level_sd, n)
        self.levels: list[np.ndarray] = []

    def panel(self, peak) -> SimulatedPanel:
        """They on one coffee, each in today's mood."""
        mood = self.rng.normal(0, 0.3, self.n)
        tasters = tuple(
            SimulatedTaster(
                name=f"T{at}",
                level=self.own[at] + mood[at],
                sensitivity=self.slope[at],
                shift=tuple(self.rng.normal(0, USUAL.shift_sd, 3) * STANDARD_SPAN),
                repeat_sd=self.repeat_sd[at],
            )
            for at in range(self.n)
        )
        return SimulatedPanel(tasters=tasters, surface=peak)

    def coffee(self, name: str) -> CoffeeSums:
        """The sums of one more coffee."""
        grid, (peak,) = Region().grid, planted_coffees(1, 1.0, Region(), self.rng)
        flights = [grid[self.rng.choice(len(grid), 5, replace=False)] for _ in range(3)]
        scores = self.panel(peak).taste_flights(flights, seed=self.rng)
        level = self.own + self.slope * peak(np.vstack(flights)).mean()
        self.levels.append(level - level.mean())
        return coffee_sums(scores, "client", name)

    def truth(self, name: str) -> np.ndarray:
        """What a history is to find; of the noise what whole points leave of it."""
        seen = np.sqrt(self.repeat_sd**2 + ROUNDING)
        slope = self.slope / self.slope.mean()
        if name == "level":
            return np.mean(self.levels, axis=0)
        return {"repeat_sd": seen, "slope": slope, "tells_apart": norm.cdf(slope / seen / 2**0.5)}[
            name
        ]


def judged(n_panels: int, n_tasters: int, n_coffees: int, seed: int) -> str:
    """Errors and covering of many panels in one line."""
    found = defaultdict(list)
    for number in range(n_panels):
        world = World(np.random.default_rng([seed, number]), n_tasters)
        history = panel_history_from([world.coffee(f"{at}") for at in range(n_coffees)])
        for name in SHOWN:
            truth = world.truth(name)
            usual = {"repeat_sd": (USUAL.repeat_sd**2 + ROUNDING) ** 0.5, "level": 0.0}.get(name, 1)
            if name == "tells_apart":
                usual = norm.cdf(1 / (USUAL.repeat_sd**2 + ROUNDING) ** 0.5 / 2**0.5)
            told = [getattr(one, name) for one in history.tasters]
            value = np.array([one.value for one in told])
            inside = [one.low <= x <= one.high for one, x in zip(told, truth, strict=True)]
            if name == "repeat_sd":
                value, truth, usual = np.log(value), np.log(truth), np.log(usual)
            found[name].append(
                [np.mean((value - truth) ** 2), np.mean((usual - truth) ** 2), np.mean(inside),
                 np.mean(value - truth)]
            )  # fmt: skip
    parts = []
    for name in SHOWN:
        table = np.array(found[name])
        error, usual, inside, bias = table.mean(axis=0)
        se = table[:, 2].std(ddof=1) / len(table) ** 0.5
        parts.append(
            f"{name}: error {error**0.5:.3f} (usual {usual**0.5:.3f}), bias {bias:+.3f}, "
            f"covered {inside:.3f} ± {se:.3f}"
        )
    return f"{n_tasters} tasters, {n_coffees} coffees, {n_panels} panels: {'; '.join(parts)}"


def given_away(world: World, n_flights: int, n_coffees: int, seed: int) -> np.ndarray:
    """What a search with these tasters gives away, on the coffees that are planned with."""
    grid, losses = Region().grid, np.empty((n_coffees, n_flights))
    coffees = planted_coffees(n_coffees, 1.0, Region(), np.random.default_rng(seed))  # planned with
    for number, peak in enumerate(coffees):
        rng = np.random.default_rng([seed, number])
        panel, scores = world.panel(peak), None
        belief = believe(None, Region(), n_tasters=world.n, scale=LIKING, seed=rng)
        for flight in range(1, n_flights + 1):
            waters = suggest_flight(belief, k=5, seed=rng).served
            told = panel.taste_flights([waters], seed=rng, first_flight=flight)
            scores = told if scores is None else pd.concat([scores, told], ignore_index=True)
            belief = believe(scores, Region(), scale=LIKING, seed=rng)
            water = belief.posterior.recipes[belief.leader]
            losses[number, flight - 1] = peak(grid).max() - peak(water)[0]
    return losses.mean(axis=0)


def planned(
    n_plans: int, n_tasters: int, n_flights: int, n_coffees: int, seed: int
) -> Iterator[str]:
    """Panels, quiet and loud in turn: what they give away, and what was planned."""
    more = {
        "n_tasters": (n_tasters,),
        "n_flights": n_flights,
        "n_coffees": n_coffees,
        "paths": ("search",),
        "progress": False,
        "seed": seed,
    }
    usual = plan_curves(**more).frame["loss"].to_numpy()
    off = []
    for number in range(n_plans):
        rng = np.random.default_rng([seed, number, 1])
        world = World(rng, n_tasters, *((0.4, 0.8), (1.2, 1.6))[number % 2])
        history = panel_history_from([world.coffee(f"{at}") for at in range(3)])
        own = plan_curves(**more, noise=history.noise).frame["loss"].to_numpy()
        true = given_away(world, n_flights, n_coffees, seed)
        off.append([np.abs(usual - true).mean(), np.abs(own - true).mean(),
                    (usual - true).mean(), (own - true).mean()])  # fmt: skip
        table = np.array(off)
        table = np.column_stack([table, table[:, 0] - table[:, 1]])
        mean, se = table.mean(axis=0), table.std(axis=0, ddof=min(1, number)) / len(table) ** 0.5
        signed = [table[kind::2, 2:4].mean(axis=0).round(3) for kind in range(min(2, len(table)))]
        yield (
            f"{number + 1} panels; last: noise {history.noise.repeat_sd:.2f} for "
            f"{(world.repeat_sd**2).mean() ** 0.5:.2f}, true {true.round(3)}, usual "
            f"{usual.round(3)}, own {own.round(3)}; off by {mean[0]:.3f} ± {se[0]:.3f} with the "
            f"usual and {mean[1]:.3f} ± {se[1]:.3f} with the own noise, less by {mean[4]:.3f} "
            f"± {se[4]:.3f}; planned less true (usual, own) of quiet and loud panels {signed}"
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=60)
    parser.add_argument("--plans", type=int, default=0)
    parser.add_argument("--coffees", type=int, default=12, help="coffees of each plan")
    parser.add_argument("--flights", type=int, default=4, help="flights of each plan")
    parser.add_argument("--seed", type=int, default=20_261_128)
    chosen = parser.parse_args()

    def out(text: str) -> None:
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()

    if chosen.panels:
        for n_tasters in (4, 6, 2):
            for n_coffees in (1, 3, 10):
                out(judged(chosen.panels, n_tasters, n_coffees, chosen.seed))
    for line in (
        ()
        if not chosen.plans
        else planned(chosen.plans, 4, chosen.flights, chosen.coffees, chosen.seed)
    ):
        out(line)


if __name__ == "__main__":
    main()
