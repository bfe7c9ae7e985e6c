"""Do the intervals of a reading hold? Coverage over simulated panels whose truth is known.

Run in the clone as ``python tests/benchmarks/analysis_coverage.py --panels 400`` (an hour or two);
each case has a seed of its own, so that ``--only "grid; flat"`` prints what the whole run prints.
What it printed stands in DEVELOPERS.md. Tasters differ in level and in slope (where a
model with taster levels alone covers 70 % and claims 95 %), flights and bowls differ, scores are
rounded to quarter points. Each line gives a share or a width, and its Monte Carlo error. Beside
each interval stands how much wider it is than the one of somebody who knows all spreads (``width
over the knower's``), and how much of that is Student's t instead of the normal (``t over normal``)
and how much the standard error (``standard error over the true one``).
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats
from threadpoolctl import threadpool_limits

from labkit.analysis.reading.coffee import read_coffee
from labkit.analysis.reading.verdict import VerdictKind
from labkit.water import COORDINATES

CENTRE = np.array([0.5, 90.0, 30.0])
HALF = np.array([0.5, 60.0, 25.0])
TASTERS = (3, 4, 6)
LEVEL_SD, REPEAT_SD, FLIGHT_SD, TASTER_FLIGHT_SD, BOWL_SD = 0.45, 0.40, 0.15, 0.10, 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Which waters (coded levels) are served in which flight; the first is the control."""

    name: str
    flights: tuple[tuple[tuple[float, float, float], ...], ...]
    factors: tuple[int, ...]

    @property
    def control(self) -> tuple[float, float, float]:
        return self.flights[0][0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What is planted: how bent the surface is, and how tasters differ."""

    name: str
    effect: float
    slope_sd: float = 0.0
    water_sd: float = 0.0


KINDS = (
    Kind(name="a peak, tasters differ in slope", effect=0.6, slope_sd=0.20),
    Kind(name="a peak, tasters differ by water", effect=0.6, water_sd=0.20),
    Kind(name="flat, tasters differ in slope", effect=0.0, slope_sd=0.20),
    Kind(name="flat, tasters alike", effect=0.0),
)


def ratio_sweep() -> Plan:
    waters = tuple((x, 0.0, 0.0) for x in (-0.2, -1, -0.6, 0.2, 0.6, 1))
    return Plan(name="ratio sweep, 3 flights of 6", flights=(waters,) * 3, factors=(0,))


def grid() -> Plan:
    waters = [(x, y, 0.0) for x in (0, -1, 1) for y in (0, -1, 1)]
    flights = (tuple(waters[:5]), (waters[0], *waters[5:]), tuple(waters[::2]))
    return Plan(name="ratio x hardness grid, 3 flights of 5", flights=flights, factors=(0, 1))


def three_factors() -> Plan:
    corners = [(a, b, 0.0) for a in (-1, 1) for b in (-1, 1)]
    corners += [(a, 0.0, b) for a in (-1, 1) for b in (-1, 1)]
    corners += [(0.0, a, b) for a in (-1, 1) for b in (-1, 1)]
    flights = tuple(((0.0, 0.0, 0.0), *corners[i::3]) for i in range(3)) * 2
    return Plan(name="three factors, 6 flights of 5", flights=flights, factors=(0, 1, 2))


def natural(coded):
    return CENTRE + HALF * np.asarray(coded, dtype=float)


class Truth:
    """A coffee's surface (coded units): one peak within reach, or flat."""

    def __init__(self, plan: Plan, effect: float, rng: np.random.Generator) -> None:
        k = list(plan.factors)
        self.bend, self.peak = np.zeros((3, 3)), np.zeros(3)
        if effect:
            turn = np.linalg.qr(rng.normal(size=(len(k), len(k))))[0]
            bends = np.diag(rng.uniform(0.5, 1.2, len(k)))
            self.bend[np.ix_(k, k)] = -effect * turn @ bends @ turn.T
            self.peak[k] = rng.uniform(-0.8, 0.8, len(k))

    def __call__(self, coded):
        away = np.atleast_2d(coded) - self.peak
        return 6.8 + np.einsum("ni,ij,nj->n", away, self.bend, away)


def taste(plan: Plan, truth: Truth, kind: Kind, n_tasters: int, rng) -> pd.DataFrame:
    slopes = np.zeros((n_tasters, 3))
    slopes[:, list(plan.factors)] = rng.normal(0, kind.slope_sd, (n_tasters, len(plan.factors)))
    levels = rng.normal(0, LEVEL_SD, n_tasters)
    tasted = sorted({water for flight in plan.flights for water in flight})
    own = {water: rng.normal(0, kind.water_sd, n_tasters) for water in tasted}
    rows = []
    for flight, waters in enumerate(plan.flights, start=1):
        coded = np.array(waters)
        shared = truth(coded) + rng.normal(0, FLIGHT_SD) + rng.normal(0, BOWL_SD, len(waters))
        for taster in range(n_tasters):
            heard = shared + levels[taster] + coded @ slopes[taster]
            heard = heard + [own[water][taster] for water in waters]
            heard = heard + rng.normal(0, TASTER_FLIGHT_SD)
            score = np.round((heard + rng.normal(0, REPEAT_SD, len(waters))) * 4) / 4
            for place, recipe in enumerate(natural(coded)):
                rows.append(
                    {
                        "session": "1",
                        "flight": flight,
                        "taster": f"T{taster + 1}",
                        "position": (place + taster) % len(waters) + 1,
                        "jug": f"F{flight}J{place + 1}",
                        "water": " ".join(f"{level:g}" for level in recipe),
                        "attribute": "overall",
                        "score": score[place],
                        **dict(zip(COORDINATES, recipe, strict=True)),
                        "is_control": waters[place] == plan.control,
                    }
                )
    return pd.DataFrame(rows)


def true_covariance(frame: pd.DataFrame, plan: Plan, kind: Kind) -> np.ndarray:
    """Covariance of the scores as it was planted, shape (n, n); flights are fixed in the model."""
    coded = (frame[list(COORDINATES)].to_numpy() - CENTRE) / HALF

    def alike(*names):
        group = frame.groupby(list(names)).ngroup().to_numpy()
        return (group[:, None] == group[None]).astype(float)

    taster = alike("taster")
    planted = LEVEL_SD**2 * taster + TASTER_FLIGHT_SD**2 * alike("taster", "flight")
    planted += BOWL_SD**2 * alike("jug") + kind.water_sd**2 * alike("taster", "water")
    for factor in plan.factors:
        planted += kind.slope_sd**2 * taster * np.outer(coded[:, factor], coded[:, factor])
    return planted + (REPEAT_SD**2 + 0.25**2 / 12) * np.eye(len(frame))  # rounding to quarters


def beside_the_knower(surface, planted: np.ndarray, table: pd.DataFrame, one, two):
    """How the widths of intervals compare with those of somebody who knows all spreads."""
    fixed = surface.model.fixed
    weights = surface.design(natural(one)) - surface.design(natural(two))
    known = np.linalg.inv(fixed.T @ np.linalg.solve(planted, fixed))
    known = known[: weights.shape[1], : weights.shape[1]]
    true_se = np.sqrt(np.einsum("np,pq,nq->n", weights, known, weights))
    wider = stats.t.ppf(0.975, table.df) / stats.norm.ppf(0.975)
    return {
        "width over the knower's": float((wider * table.se / true_se).mean()),
        "t over normal": float(wider.mean()),
        "standard error over the true one": float((table.se / true_se).mean()),
    }


def one_panel(plan: Plan, kind: Kind, n_tasters: int, rng) -> dict[str, float]:
    truth = Truth(plan, kind.effect, rng)
    frame = taste(plan, truth, kind, n_tasters, rng)
    reading = read_coffee(frame, seed=rng)
    surface, found = reading.surface, {}
    planted = true_covariance(frame, plan, kind)
    found["a winner is claimed"] = float(reading.verdict.kind is VerdictKind.FOUND)
    control = np.array(plan.control)
    others = [w for w in sorted({w for f in plan.flights for w in f}) if w != plan.control]
    low, high = np.zeros(3), np.zeros(3)
    low[plan.factors[-1]], high[plan.factors[-1]] = -1, 1
    pairs = [("end to end", high[None], low[None]), ("water - control", np.array(others), control)]
    if kind.effect:
        pairs.append(("peak - control", truth.peak[None], control))
    for name, one, two in pairs:
        table = surface.compare(natural(one), natural(two))
        real = truth(one) - truth(two)
        found[f"surface: {name} | covered"] = float(
            ((table.lo <= real) & (real <= table.hi)).mean()
        )
        found[f"surface: {name} | width, points"] = float((table.hi - table.lo).mean())
        beside = beside_the_knower(surface, planted, table, one, two)
        found |= {f"surface: {name} | {what}": value for what, value in beside.items()}
    table = reading.waters.against_control
    recipes = np.array([[float(part) for part in text.split()] for text in table.recipe])
    real = truth((recipes - CENTRE) / HALF) - truth(control)
    inside = (table.lo.to_numpy() <= real) & (real <= table.hi.to_numpy())
    found["waters: all against control at once | covered"] = float(inside.all())
    found["waters: all against control at once | width, points"] = float(
        (table.hi - table.lo).mean()
    )
    if kind.effect:
        peak = natural(truth.peak)
        ranges = reading.best.factor_ranges
        held = [r.lo - 1e-9 <= peak[COORDINATES.index(r.factor)] <= r.hi + 1e-9 for r in ranges]
        width = [(r.hi - r.lo) / (r.tasted_hi - r.tasted_lo) for r in ranges]
        found["best level of each factor | covered"] = float(np.mean(held))
        found["best level of each factor | width, share of the range"] = float(np.mean(width))
        region = reading.best.region
        away = ((region[list(COORDINATES)].to_numpy() - peak) / HALF) ** 2
        found["best region | covered"] = float(
            region["in_region"].iloc[np.argmin(away.sum(axis=1))]
        )
        found["best region | size, share of what was tasted"] = float(region["in_region"].mean())
    else:
        found["detectable difference, points"] = float(reading.verdict.detectable_points)
    return found


def seen_when_planted(plan: Plan, n_tasters: int, panels: int, rng) -> tuple[float, float]:
    """Plant what each flat panel calls detectable as a slope for a new panel: who sees a winner?

    A slope is the hardest to see where tasters differ in slope. Gives the median difference that
    is called detectable, and the share of new panels that claim a winner.
    """
    kind = Kind(name="", effect=0.0, slope_sd=0.20)
    told, seen = [], 0
    for _ in range(panels):
        flat = read_coffee(taste(plan, Truth(plan, 0.0, rng), kind, n_tasters, rng), seed=rng)
        told.append(float(flat.verdict.detectable_points))

        def slope(coded, size=told[-1]):
            return 6.8 + size / 2 * np.atleast_2d(coded)[:, plan.factors[0]]

        seen += (
            read_coffee(taste(plan, slope, kind, n_tasters, rng), seed=rng).verdict.kind
            is VerdictKind.FOUND
        )
    return float(np.median(told)), seen / panels


def _is_chosen(only: str, plan: Plan, kind: Kind) -> bool:
    of_plan, _, of_kind = only.partition(";")
    return of_plan.strip() in plan.name and of_kind.strip() in kind.name


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=400)
    parser.add_argument("--seed", type=int, default=20_250_301)
    parser.add_argument("--tasters", type=int, nargs="+", default=TASTERS)
    parser.add_argument("--only", default="", help="parts of the names of plan; kind")
    chosen = parser.parse_args(arguments)
    warnings.simplefilter("error")
    out = sys.stdout.write
    out(f"{chosen.panels} panels per case, seed [{chosen.seed}, tasters]\n")
    for plan in (ratio_sweep(), grid(), three_factors()):
        for kind in KINDS:
            if not _is_chosen(chosen.only, plan, kind):
                continue
            for n_tasters in chosen.tasters:
                rng = np.random.default_rng([chosen.seed, n_tasters])
                start = time.process_time()
                with threadpool_limits(1):
                    table = pd.DataFrame(
                        [one_panel(plan, kind, n_tasters, rng) for _ in range(chosen.panels)]
                    )
                spent = 1000 * (time.process_time() - start) / chosen.panels
                out(f"\n{plan.name}; {kind.name}; {n_tasters} tasters; {spent:.0f} ms a panel\n")
                for column in table.columns:
                    error = table[column].std() / np.sqrt(len(table))
                    out(f"  {column:<66}{table[column].mean():7.3f} +- {error:.3f}\n")
                sys.stdout.flush()
    if chosen.only in ("", "detectable"):
        for n_tasters in chosen.tasters:
            rng = np.random.default_rng([chosen.seed, n_tasters, 1])
            with threadpool_limits(1):
                size, seen = seen_when_planted(ratio_sweep(), n_tasters, chosen.panels, rng)
            error = 100 * np.sqrt(seen * (1 - seen) / chosen.panels)
            out(f"\n{n_tasters} tasters: {size:.2f} points (median) are called detectable, ")
            out(f"{100 * seen:.0f} +- {error:.0f} % of new panels see what was\n")


if __name__ == "__main__":
    main(sys.argv[1:])
