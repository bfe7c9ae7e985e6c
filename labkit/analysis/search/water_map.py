"""The answer as a map: what is expected of every water within what was tasted, and how sure.

Made from the one estimate, off the same possible truths as the recommendation, so that its numbers
are those of the verdict; and only when a picture asks for it.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import Final

import numpy as np

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import Scores
from labkit.analysis.one_thread import one_thread
from labkit.analysis.region import STANDARD_STEPS, water_target
from labkit.analysis.search.estimate import Estimate, estimate
from labkit.analysis.search.recommendation import (
    SMALL_LOSS,
    Recommendation,
    differences,
    recommended_by,
)
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.water import COORDINATE, COORDINATES, Target, as_coordinates

MOST_LEVELS: Final = (21, 19, 13)
"""Levels of Mg share, hardness and alkalinity that a range tasted is cut into at most."""

FEWEST_LEVELS: Final = 7
"""Levels that even a narrow one is cut into."""

SLICE_LEVELS: Final = 41
"""Levels along a slice."""

MOST_KEPT: Final = 50
"""Maps that are kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MapPoint:
    """What is said of one water of the map."""

    water: Target
    """The water."""

    expected: float
    """Score that is expected of it."""

    low: float
    """Lower end of the 90 % interval of its score."""

    high: float
    """Upper end."""

    chance_near_best: float
    """Probability that no water within what was tasted is better by more than ``margin``."""

    chance_above_best: float
    """Probability that it is truly better than the recommended water; 0 for that itself."""

    chance_above_control: float | None
    """Probability that it is truly better than the control; None without one, or if it is it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slice:
    """Expected scores along one coordinate, the others held at the recommended water."""

    factor: str
    """Name of the coordinate."""

    levels: Floats
    """Its levels, shape (n,)."""

    expected: Floats
    """Expected scores, shape (n,)."""

    low: Floats
    """Lower ends of the 90 % intervals, shape (n,)."""

    high: Floats
    """Upper ends, shape (n,)."""

    moved: Floats
    """Points between each water tasted, in the order of ``Scores.recipes``, and the same water
    with its other coordinates at the recommended levels; shape (n_recipes,)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WaterMap:
    """What the scores say of a grid of waters within what was tasted.

    Arrays over the grid have the shape of its levels: Mg share, hardness, alkalinity.
    """

    recommended: Recommendation
    """The water to serve; it lies on the grid, as does the control."""

    levels: tuple[Floats, Floats, Floats]
    """Levels of each coordinate, in the order of ``COORDINATES``; one where it was never varied."""

    expected: Floats
    """Expected scores."""

    low: Floats
    """Lower ends of the 90 % intervals."""

    high: Floats
    """Upper ends."""

    where_best: Floats
    """Probability that the best water lies in this cell rather than in another; sums to 1."""

    chance_near_best: Floats
    """Probability that no water is better than this one by more than ``margin``."""

    chance_above_best: Floats
    """Probability that it is truly better than the recommended water; 0 for that itself."""

    chance_above_control: Floats | None
    """Probability that it is truly better than the control; None without one."""

    margin: float
    """Points that nobody would miss: as good as the best is what lies no further below it."""

    slices: tuple[Slice, ...]
    """One for each coordinate that was varied."""

    tasted: tuple[Target, ...]
    """The waters that were tasted."""

    @property
    def varied(self) -> tuple[str, ...]:
        """Coordinates with more than one level, those that were tasted at several."""
        return tuple(
            name for name, one in zip(COORDINATES, self.levels, strict=True) if len(one) > 1
        )

    @checked(ReadingError)
    def place(self, water: Target) -> tuple[int, int, int]:
        """Where on the grid the water nearest to another one stands.

        Parameters
        ----------
        water : Target
            Any water.
        """
        levels = as_coordinates(water)[0]
        share, hardness, alkalinity = (
            int(np.argmin(np.abs(axis - level)))
            for axis, level in zip(self.levels, levels, strict=True)
        )
        return share, hardness, alkalinity

    def water(self, place: tuple[int, int, int]) -> Target:
        """The water at a place of the grid.

        Parameters
        ----------
        place : tuple of int
            Place among the levels of each coordinate.
        """
        return water_target(
            np.array([axis[at] for axis, at in zip(self.levels, place, strict=True)])
        )

    @checked(ReadingError)
    def at(self, water: Target) -> MapPoint:
        """What is said of the water of the grid that is nearest to another one.

        Parameters
        ----------
        water : Target
            Any water.
        """
        place = self.place(water)
        here = self.water(place)
        above = self.chance_above_control
        return MapPoint(
            water=here,
            expected=float(self.expected[place]),
            low=float(self.low[place]),
            high=float(self.high[place]),
            chance_near_best=float(self.chance_near_best[place]),
            chance_above_best=float(self.chance_above_best[place]),
            chance_above_control=None
            if above is None or here == self.recommended.control
            else float(above[place]),
        )


_KEPT: Final[OrderedDict[tuple[Recommendation, bytes], WaterMap]] = OrderedDict()


@checked(ReadingError)
def water_map(scores: Scores, *, recommended: Recommendation | None = None) -> WaterMap:
    """The map of one coffee's waters after these scores; what was worked out once is kept.

    Parameters
    ----------
    scores : Scores
        Of one coffee, one attribute and one brew method, on a scale on which more is better.
    recommended : Recommendation, optional
        What was recommended from them; worked out unless given.

    Raises
    ------
    ReadingError
        If the scores cannot be read.
    """
    now = None
    if recommended is None:
        now = estimate(scores)
        recommended = recommended_by(now)
    key = (recommended, scores.recipe_waters.tobytes())
    if key not in _KEPT:
        now = estimate(scores, control=recommended.control) if now is None else now
        with one_thread():
            _KEPT[key] = _map_of(now, recommended, scores.recipe_waters)
    _KEPT.move_to_end(key)
    while len(_KEPT) > MOST_KEPT:
        _KEPT.popitem(last=False)
    return _KEPT[key]


def _map_of(now: Estimate, recommended: Recommendation, tasted: Floats) -> WaterMap:
    best = as_coordinates(recommended.water)
    control = as_coordinates(() if recommended.control is None else recommended.control)
    marked = np.vstack([best, control])
    axes = [
        _levels(name, tasted[:, place], marked[:, place]) for place, name in enumerate(COORDINATES)
    ]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    varied = [place for place, axis in enumerate(axes) if len(axis) > 1]
    lines = [_line(best[0], place, axes[place]) for place in varied]
    waters = np.vstack([grid, *lines])
    truths = now.truths(waters)
    expected = now.stated(now.told.expected(waters))
    low, high = now.stated(np.quantile(truths, [0.05, 0.95], axis=0))
    over, n = truths[:, : len(grid)], len(grid)
    margin = SMALL_LOSS * now.cups.points
    shape = tuple(map(len, axes))
    highest = over.max(axis=1, keepdims=True)

    def chance_above(water: Floats) -> Floats:
        place = int(np.argmin(np.abs(grid - water).sum(axis=1)))
        return np.asarray((differences(over, truths[:, [place]]) > 0).mean(axis=0).reshape(shape))

    slices = []
    for at, place in enumerate(varied):
        here = slice(n + at * SLICE_LEVELS, n + (at + 1) * SLICE_LEVELS)
        there = tasted.copy()
        others = [other for other in varied if other != place]
        there[:, others] = best[0, others]
        slices.append(
            Slice(
                factor=COORDINATES[place],
                levels=lines[at][:, place],
                expected=expected[here],
                low=low[here],
                high=high[here],
                moved=now.told.expected(there) - now.told.expected(tasted),
            )
        )
    found = WaterMap(
        recommended=recommended,
        levels=(axes[0], axes[1], axes[2]),
        expected=expected[:n].reshape(shape),
        low=low[:n].reshape(shape),
        high=high[:n].reshape(shape),
        where_best=np.zeros(shape),
        chance_near_best=(over >= highest - margin).mean(axis=0).reshape(shape),
        chance_above_best=chance_above(best[0]),
        chance_above_control=chance_above(control[0]) if len(control) else None,
        margin=margin,
        slices=tuple(slices),
        tasted=tuple(map(water_target, tasted)),
    )
    for water, chance in recommended.where:
        found.where_best[found.place(water)] += chance
    return found


def _levels(name: str, tasted: Floats, marked: Floats) -> Floats:
    """Levels of the dose grid within what was tasted, its ends and the marked ones among them."""
    least, most = float(tasted.min()), float(tasted.max())
    if most - least <= COORDINATE[name].settled:
        return np.unique(marked)[:1]
    usual = STANDARD_STEPS[name]
    at_most = MOST_LEVELS[COORDINATES.index(name)]
    step = usual * max(1.0, np.ceil((most - least) / ((at_most - 1) * usual) - 1e-9))
    if (most - least) / step < FEWEST_LEVELS - 1:
        step = (most - least) / (FEWEST_LEVELS - 1)
        even = np.linspace(least, most, FEWEST_LEVELS)
    else:
        even = np.arange(np.ceil(least / step - 1e-9), np.floor(most / step + 1e-9) + 1) * step
    fixed = np.unique(np.r_[marked, least, most].round(9))
    apart = np.abs(even[:, None] - fixed).min(axis=1)
    return np.unique(np.r_[even[apart > 0.4 * step], fixed].round(9))


def _line(best: Floats, place: int, levels: Floats) -> Floats:
    """Waters along one coordinate through the recommended one, shape (SLICE_LEVELS, 3)."""
    line = np.tile(best, (SLICE_LEVELS, 1))
    line[:, place] = np.linspace(levels[0], levels[-1], SLICE_LEVELS)
    return line
