"""Strategies that are compared: ours, and what is done without us, written for this benchmark."""

from __future__ import annotations

from functools import cached_property
from itertools import combinations, product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labkit.analysis.region import Region
from labkit.analysis.search.belief import Belief, believe
from labkit.analysis.search.next_flight import suggest_flight
from labkit.tasting.scales import Scale
from labkit.water import COORDINATES, STANDARD_LOW, STANDARD_SPAN, as_coordinates

Floats = NDArray[np.float64]

REGION = Region()
CONTROL = (0.5, 100.0, 30.0)


class Strategy:
    """Proposes flights and names the water it would serve; one object plays one coffee."""

    name = ""

    def __init__(self, *, n_tasters: int, scale: Scale, seed: list[int]) -> None:
        self.n_tasters, self.scale = n_tasters, scale
        self.rng = np.random.default_rng(seed)

    def propose(self, scores: pd.DataFrame | None, k: int) -> Floats:
        raise NotImplementedError

    def choose(self, scores: pd.DataFrame) -> Floats:
        raise NotImplementedError


class Ours(Strategy):
    """This project's engine, through the calls that the workbook makes."""

    name = "average over shapes"
    engine = "shapes"

    def believe(self, scores: pd.DataFrame | None) -> Belief:
        return believe(
            scores,
            REGION,
            n_tasters=self.n_tasters,
            control=CONTROL,
            scale=self.scale,
            engine=self.engine,
            seed=self.rng,
        )

    def propose(self, scores: pd.DataFrame | None, k: int) -> Floats:
        belief = self.believe(scores) if scores is None else self.belief
        return as_coordinates(suggest_flight(belief, k=k, seed=self.rng).targets)

    def choose(self, scores: pd.DataFrame) -> Floats:
        self.belief = self.believe(scores)
        if self.belief.recommended is None:
            return self.belief.posterior.recipes[self.belief.leader]
        return as_coordinates(self.belief.recommended.water)[0]


class OursBesideControl(Ours):
    """The waters of the engine as plans poured them before: the control beside, repeats dropped."""

    name = "waters beside the control"

    def propose(self, scores: pd.DataFrame | None, k: int) -> Floats:
        waters = np.unique(super().propose(scores, k), axis=0)
        return np.unique(np.vstack([waters, [CONTROL]]), axis=0)


class OursSurface(Ours):
    """The same acquisition on the second-order surface."""

    name = "second-order surface"
    engine = "surface"


def _means(scores: pd.DataFrame) -> pd.Series:
    """Mean score of each water, each taster's mean of each flight taken out first."""
    own = scores.groupby(["flight", "taster"])["score"].transform("mean")
    level = scores["score"].mean()
    return (scores["score"] - own + level).groupby([scores[name] for name in COORDINATES]).mean()


class OneFactorAtATime(Strategy):
    """The habit: dial ratio, then hardness, then alkalinity, keep the best mean; then finer."""

    name = "one factor at a time"

    def __init__(self, **setting: object) -> None:
        super().__init__(**setting)  # type: ignore[arg-type]
        self.kept = np.array(CONTROL)
        self.n_dials = 0

    def propose(self, scores: pd.DataFrame | None, k: int) -> Floats:
        axis, finer = self.n_dials % 3, 2.0 ** -(self.n_dials // 3)
        u = (self.kept - STANDARD_LOW) / STANDARD_SPAN
        low = 0.0 if finer == 1 else float(np.clip(u[axis] - finer / 2, 0, 1 - finer))
        dial = np.tile(u, (k, 1))
        dial[:, axis] = np.linspace(low, low + finer, k)
        return REGION.nearest(STANDARD_LOW + dial * STANDARD_SPAN)

    def choose(self, scores: pd.DataFrame) -> Floats:
        last = scores[scores["flight"] == scores["flight"].max()]
        self.kept = np.array(_means(last).idxmax(), dtype=float)
        self.n_dials += 1
        return self.kept


class BoxBehnken(Strategy):
    """Box & Behnken (1960), Technometrics 2, 455-475: 12 edges and 3 centres, least squares."""

    name = "Box-Behnken and least squares"

    @cached_property
    def runs(self) -> Floats:
        edges = []
        for pair in combinations(range(3), 2):
            for ends in product((0.0, 1.0), repeat=2):
                point = np.full(3, 0.5)
                point[list(pair)] = ends
                edges.append(point)
        design = np.vstack([edges, np.full((3, 3), 0.5)])
        return np.vstack([self.rng.permutation(design) for _ in range(8)])

    def propose(self, scores: pd.DataFrame | None, k: int) -> Floats:
        done = 0 if scores is None else scores["flight"].nunique() * k
        return REGION.nearest(STANDARD_LOW + self.runs[done : done + k] * STANDARD_SPAN)

    def choose(self, scores: pd.DataFrame) -> Floats:
        means = _means(scores)
        waters = np.array(means.index.tolist(), dtype=float)
        terms = _second_order(waters)
        if np.linalg.matrix_rank(terms) < terms.shape[1]:
            return waters[int(np.argmax(means))]
        beta = np.linalg.lstsq(terms, means.to_numpy(), rcond=None)[0]
        return REGION.grid[int(np.argmax(_second_order(REGION.grid) @ beta))]


def _second_order(waters: Floats) -> Floats:
    v = 2 * (waters - STANDARD_LOW) / STANDARD_SPAN - 1
    mixed = [v[:, i] * v[:, j] for i in range(3) for j in range(i, 3)]
    return np.column_stack([np.ones(len(v)), v, *mixed])


STRATEGIES = {
    strategy.name: strategy
    for strategy in (Ours, OursSurface, OneFactorAtATime, BoxBehnken, OursBesideControl)
}
