"""The one recommendation: which water these scores speak for, how surely, and what is not told.

Headline, card, report, tank, walk and confirming test all take it from here. It reads the average
over shapes within what was tasted. A coordinate that the cups do not tell stays where it was held.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import Scores
from labkit.analysis.region import STANDARD_STEPS, water_target
from labkit.analysis.search.estimate import (
    SEED,
    Estimate,
    SecondOpinion,
    estimate,
    second_opinion,
    served_control,
)
from labkit.analysis.search.posterior import N_BEST, around, every_other_level
from labkit.errors import ReadingError
from labkit.tasting import SCALES, Scale
from labkit.water import COORDINATE, COORDINATES, STANDARD_SPAN, Target, as_coordinates

TOLD: Final = 0.6
"""Chance that moving a coordinate from where it was held betters the cup, from which the cups tell
it. On planted coffees, points given away after three and five flights against no such bar: of cups
dialled one factor after the other .26 and .24 against .25 and .23 (24 coffees; a bar of .75 gave
.38 and .29 against .23 and .23 on 32), of the search's cups .31 and .19 against .32 and .21 (8)."""

FEWEST_LEVELS: Final = 4
"""Steps that even a narrow range tasted is cut into."""

MOST_LEVELS: Final = 20
"""Steps that a wide one is cut into at most."""

MOST_KEPT: Final = 200
"""Recommendations that are kept."""

_KEPT: Final[OrderedDict[tuple[object, ...], Recommendation]] = OrderedDict()


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the cups say of one coordinate."""

    factor: str
    """Name of the coordinate."""

    level: float
    """Of the recommended water."""

    was_varied: bool
    """Whether cups differ in it at all."""

    is_told: bool
    """Whether they tell that moving it from where it was held betters the cup."""

    may_cost: float | None
    """Points that keeping it is expected to give away; None if told, or never varied."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recommendation:
    """The water that one coffee's scores speak for."""

    water: Target
    """What to serve."""

    expected: float
    """Score that is expected of it."""

    low: float
    """Lower end of the 90 % interval of its score."""

    high: float
    """Upper end."""

    control: Target | None
    """The water to beat; None if none was served."""

    chance_above_control: float | None
    """Probability that it is truly better than the control; None without one, or if it is it."""

    over_control: tuple[float, float, float] | None
    """Points above the control: expected, and the ends of the 90 % interval."""

    coordinates: tuple[Told, ...]
    """What is told, one a coordinate, in the order of ``COORDINATES``."""

    was_tasted: bool
    """Whether a cup of it was poured."""

    plain: SecondOpinion
    """What the second-order surface alone would choose within what was tasted, and whether each
    way of reading is sure of its own."""

    @property
    def untold(self) -> tuple[Told, ...]:
        """The coordinates that are not told."""
        return tuple(one for one in self.coordinates if not one.is_told)

    @property
    def is_control(self) -> bool:
        """Whether the control itself is recommended."""
        return self.control == self.water


def recommend(scores: Scores, *, feasible: Any = None) -> Recommendation:
    """The water to serve after these scores; what was worked out once is kept.

    Parameters
    ----------
    scores : Scores
        Of one coffee, one attribute and one brew method, on a scale on which more is better.
    feasible : Region, targets or (n, 3) array, optional
        Waters to choose from; anything within the ranges tasted unless given.

    Raises
    ------
    ReadingError
        If the scores cannot be read.

    Notes
    -----
    Of the waters within what was tasted the one with the highest expected score is taken. Then the
    coordinate is looked for whose move from the held level is least sure to better the cup; if that
    chance is below ``TOLD`` it goes back, the others are chosen anew, and so on.
    """
    if feasible is not None:
        return _recommended(estimate(scores), scores, feasible)
    key = _key(scores, served_control(scores), SCALES.get(scores.scale))
    return _kept(key, lambda: _recommended(estimate(scores), scores))


def recommended_by(now: Estimate) -> Recommendation:
    """The same from an estimate that stands already, of scores."""
    if now.scores is None:
        raise ReadingError("there must be scores to recommend from, got none. Taste first.")
    scores = now.scores
    return _kept(_key(scores, now.control, now.scale), lambda: _recommended(now, scores))


def _kept(key: tuple[object, ...], make: Callable[[], Recommendation]) -> Recommendation:
    if key not in _KEPT:
        _KEPT[key] = make()
    _KEPT.move_to_end(key)
    while len(_KEPT) > MOST_KEPT:
        _KEPT.popitem(last=False)
    return _KEPT[key]


def _key(scores: Scores, control: Floats, scale: Scale | None) -> tuple[object, ...]:
    """What tells one set of scores from another: all that the estimate reads."""
    columns = ["session", "flight", "taster", "jug", "position", "is_control", *COORDINATES]
    read = scores.frame[[*columns, "score"]]
    hashes = pd.util.hash_pandas_object(read.astype(str), index=False).to_numpy()
    return scores.attribute, hashlib.sha256(hashes.tobytes()).digest(), control.tobytes(), scale


def _recommended(now: Estimate, scores: Scores, feasible: Any = None) -> Recommendation:
    waters = scores.recipe_waters
    held = now.control[0] if len(now.control) else _most_central(waters)
    grid = tasted_grid(waters, held)
    if feasible is not None:
        some = np.array(as_coordinates(getattr(feasible, "grid", feasible)))
        stayed = np.ptp(grid, axis=0) == 0
        some[:, stayed] = grid[0, stayed]
        some = np.unique(some.round(9), axis=0)
        within = (some >= grid.min(axis=0) - 1e-6) & (some <= grid.max(axis=0) + 1e-6)
        grid = some[within.all(axis=1)] if within.all(axis=1).any() else grid
    rng = np.random.default_rng(SEED)
    with threadpool_limits(1):
        best = _kept_where_untold(now, grid, held, rng)
        told = _of_coordinates(now, grid, best, held, rng)
        plain = grid[[int(np.argmax(now.plain.expected(grid)))]]
        draws = now.draws(np.vstack([best, held, plain]), rng=rng)
        mine = float(np.mean(draws[:, 0] > draws[:, 2]))
        second = second_opinion(now.plain, plain, best[None], mine, rng=rng)
    low, high = np.quantile(draws[:, 0], [0.05, 0.95])
    water = water_target(best)
    control, chance, over = None, None, None
    if len(now.control):
        control = water_target(held)
        if control != water:
            more = draws[:, 0] - draws[:, 1]
            chance = float(np.mean(more > 0))
            least, most = np.quantile(more, [0.05, 0.95])
            over = (float(more.mean()), float(least), float(most))
    was_tasted = bool((np.abs(waters - best) < 1e-6).all(axis=1).any())
    return Recommendation(
        water=water,
        expected=float(draws[:, 0].mean()),
        low=float(low),
        high=float(high),
        control=control,
        chance_above_control=chance,
        over_control=over,
        coordinates=told,
        was_tasted=was_tasted,
        plain=second,
    )


def tasted_grid(waters: Floats, held: Floats) -> Floats:
    """Recipes within the ranges of the waters tasted, and these themselves, shape (n, 3).

    Levels of the dose grid where the range holds enough of them, the level held among them; what
    never varied stays.
    """
    axes = []
    for place, name in enumerate(COORDINATES):
        levels = waters[:, place]
        least, most = float(levels.min()), float(levels.max())
        if most - least <= COORDINATE[name].settled:
            axes.append(np.array([float(np.median(levels))]))
            continue
        usual = STANDARD_STEPS[name]
        step = usual * max(1.0, np.ceil((most - least) / (MOST_LEVELS * usual)))
        steps = np.arange(np.ceil(least / step - 1e-9), np.floor(most / step + 1e-9) + 1) * step
        if len(steps) <= FEWEST_LEVELS:
            steps = np.linspace(least, most, FEWEST_LEVELS + 1)
        axes.append(np.unique(np.r_[least, steps, most, held[place]].round(9)))
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.unique(np.vstack([grid, waters.round(9), held[None].round(9)]), axis=0)


def _most_central(waters: Floats) -> Floats:
    """The water tasted that lies nearest to the middle of all of them."""
    off = ((waters - waters.mean(axis=0)) / STANDARD_SPAN) ** 2
    return np.asarray(waters[int(np.argmin(off.sum(axis=1).round(9)))])


def _highest(now: Estimate, grid: Floats) -> Floats:
    """The water with the highest expected score: rough levels first, then all around the best."""
    rough = every_other_level(grid)
    mean = now.told.expected(grid[rough])
    near = around(grid, rough[np.argsort(-mean, kind="stable")[:N_BEST]])
    near = np.union1d(near, rough)
    return np.asarray(grid[near[int(np.argmax(now.told.expected(grid[near])))]])


def _kept_where_untold(
    now: Estimate, grid: Floats, held: Floats, rng: np.random.Generator
) -> Floats:
    """The best water once every coordinate that is not told is back where it was held."""
    kept: list[int] = []
    best = _highest(now, grid)
    while True:
        moved = [i for i in range(3) if i not in kept and abs(best[i] - held[i]) > 1e-6]
        if not moved:
            return best
        others = []
        for place in moved:
            back = [*kept, place]
            there = (np.abs(grid[:, back] - held[back]) < 1e-6).all(axis=1)
            # Among waters that can be made there may be none at the level held.
            others.append(_highest(now, grid[there]) if there.any() else best)
        draws = now.draws(np.vstack([best, *others]), rng=rng)
        chances = np.mean(draws[:, :1] > draws[:, 1:], axis=0)
        chances[[other is best for other in others]] = 1.0
        least = int(np.argmin(chances))
        if chances[least] >= TOLD:
            return best
        kept.append(moved[least])
        best = others[least]


def _of_coordinates(
    now: Estimate, grid: Floats, best: Floats, held: Floats, rng: np.random.Generator
) -> tuple[Told, ...]:
    """What is told of each coordinate: it moved, or both ends of what was tasted are worse."""
    told = []
    for place, name in enumerate(COORDINATES):
        levels = np.unique(grid[:, place])
        was_varied = float(np.ptp(levels)) > COORDINATE[name].settled
        is_told, may_cost = was_varied and bool(abs(best[place] - held[place]) > 1e-6), None
        if was_varied and not is_told:
            line = np.tile(best, (len(levels), 1))
            line[:, place] = levels
            draws = now.draws(np.vstack([best, line]), rng=rng)
            ends = [at for at in (0, -1) if abs(levels[at] - best[place]) > 1e-9]
            worse = np.mean(draws[:, :1] > draws[:, 1:][:, ends], axis=0)
            is_told = bool(worse.min() >= TOLD)
            may_cost = None if is_told else float((draws.max(axis=1) - draws[:, 0]).mean())
        told.append(
            Told(
                factor=name,
                level=float(best[place]),
                was_varied=was_varied,
                is_told=is_told,
                may_cost=may_cost,
            )
        )
    return tuple(told)
