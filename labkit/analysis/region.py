"""Where the search may go: the dose grid over the three coordinates, and what is kept out of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import ReadingError, RegionError
from labkit.tasting import Factor
from labkit.water import (
    COORDINATE,
    COORDINATES,
    PURE_WATER,
    STANDARD_SPAN,
    Concentrate,
    Target,
    Water,
    as_coordinates,
)

STANDARD_FACTORS: Final = tuple(
    Factor(name=one.name, low=one.low, high=one.high) for one in COORDINATE.values()
)
"""The ranges that brew waters are usually looked for in (common practice)."""

STANDARD_STEPS: Final[Mapping[str, float]] = MappingProxyType(
    {name: one.step for name, one in COORDINATE.items()}
)
"""Distance between neighbouring recipes of the dose grid."""

HALF_STEP: Final = np.array([STANDARD_STEPS[name] for name in COORDINATES]) / 2

MOST_RECIPES: Final = 40_000
"""More recipes than this make a suggestion slow without making it better."""


@checked(ReadingError)
def water_target(water: NDArray[np.float64]) -> Target:
    """One row of coordinates as a target.

    Parameters
    ----------
    water : ndarray, shape (3,)
        In the order and units of ``labkit.water.COORDINATES``.

    Returns
    -------
    Target
        The same water.
    """
    return Target(**dict(zip(COORDINATES, map(float, water), strict=True)))


@checked(RegionError)
@dataclass(frozen=True, slots=True, kw_only=True)
class Excluded:
    """A block of waters that shall not be tasted: inside all of the stated ranges at once."""

    ranges: Mapping[str, tuple[float, float]]
    """Lowest and highest natural level by coordinate; a coordinate left out is not limited."""

    reason: str = "left out by you"
    """Why, in words."""

    def __post_init__(self) -> None:
        for name, (low, high) in self.ranges.items():
            if name not in COORDINATES or not low <= high:
                raise RegionError(
                    f"ranges must give a lowest and a highest level of {', '.join(COORDINATES)}, "
                    f"got {name!r} from {low} to {high}. Correct the name or swap the ends.",
                    field="ranges",
                )

    def holds(self, waters: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which waters of shape (n, 3) lie in the block, shape (n,).

        Parameters
        ----------
        waters : ndarray, shape (n, 3)
            In the order and units of ``labkit.water.COORDINATES``.

        Returns
        -------
        ndarray of bool, shape (n,)
            True for waters that lie in the block, its edges included.
        """
        inside = np.ones(len(waters), dtype=bool)
        for name, (low, high) in self.ranges.items():
            level = waters[:, COORDINATES.index(name)]
            inside &= (level >= low - 1e-9) & (level <= high + 1e-9)
        return inside


@checked(RegionError)
@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """The recipes that may be proposed.

    Examples
    --------
    Alkalinity fixed at 30, nothing hard and all magnesium, and only what the bottles can make:

    >>> region = Region(
    ...     locked={"alkalinity_mg_l_caco3": 30},
    ...     excluded=(Excluded(ranges={"mg_share": (0.8, 1), "hardness_mg_l_caco3": (120, 200)}),),
    ...     allowed=lambda waters: waters[:, 1] >= waters[:, 2],
    ... )
    >>> len(region.grid), region.varied
    (333, ('mg_share', 'hardness_mg_l_caco3'))
    """

    factors: tuple[Factor, ...] = STANDARD_FACTORS
    """The range of each of the three coordinates; one that is locked may be left out."""

    steps: Mapping[str, float] = field(default_factory=lambda: STANDARD_STEPS)
    """Distance between neighbouring recipes by coordinate, in its unit."""

    locked: Mapping[str, float] = field(default_factory=dict)
    """Coordinates that stay at one level."""

    excluded: tuple[Excluded, ...] = ()
    """Blocks of waters that shall not be tasted."""

    allowed: Callable[[NDArray[np.float64]], NDArray[np.bool_]] | None = None
    """Of waters of shape (n, 3), which can be made; all of them if None."""

    grid: NDArray[np.float64] = field(init=False, repr=False, compare=False)
    """Every recipe that may be proposed, shape (n, 3), read only."""

    def __post_init__(self) -> None:
        by_name = {factor.name: factor for factor in self.factors}
        for name, level in self.locked.items():
            if name not in COORDINATES or not np.isfinite(level) or level < 0:
                raise RegionError(
                    f"locked must give levels of {', '.join(COORDINATES)}, got {name!r} at "
                    f"{level}. Correct the name or the level.",
                    field="locked",
                )
        axes = []
        for name in COORDINATES:
            if name in self.locked:
                axes.append(np.array([float(self.locked[name])]))
                continue
            if name not in by_name:
                raise RegionError(
                    f"factors must give the range of {name} unless it is locked, got "
                    f"{', '.join(by_name) or 'none'}. Add the factor or lock its level.",
                    field="factors",
                )
            axes.append(_levels(by_name[name], self.steps.get(name, STANDARD_STEPS[name])))
        size = int(np.prod([len(axis) for axis in axes]))
        if size > MOST_RECIPES:
            raise RegionError(
                f"steps must leave at most {MOST_RECIPES} recipes, got {size}. "
                "Take wider steps or a smaller region.",
                field="steps",
            )
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        grid = grid[self._may(grid)]
        if not len(grid):
            raise RegionError(
                f"the region must hold at least one water, got none of {size}. Loosen what is "
                "locked or excluded, make concentrates that reach these waters, or start from a "
                "base water that holds less."
            )
        grid.flags.writeable = False
        object.__setattr__(self, "grid", grid)

    @property
    def varied(self) -> tuple[str, ...]:
        """Coordinates with more than one level left."""
        return tuple(
            name for name, level in zip(COORDINATES, self.grid.T, strict=True) if np.ptp(level) > 0
        )

    def _may(self, waters: NDArray[np.float64]) -> NDArray[np.bool_]:
        may = np.ones(len(waters), dtype=bool)
        for block in self.excluded:
            may &= ~block.holds(waters)
        if self.allowed is not None and may.any():
            may[may] = np.asarray(self.allowed(waters[may]), dtype=bool)
        return may

    def contains(self, targets: object) -> NDArray[np.bool_]:
        """Which targets lie within the ranges and are neither excluded nor out of reach.

        They need not lie on the grid: a water tasted earlier may be repeated as it was.

        Parameters
        ----------
        targets : Target, sequence of Target, DataFrame or array_like of shape (n, 3)
            The waters.

        Returns
        -------
        ndarray of bool, shape (n,)
            True for waters that may be tasted.
        """
        waters = as_coordinates(targets)
        inside = np.ones(len(waters), dtype=bool)
        by_name = {factor.name: factor for factor in self.factors}
        for level, name in zip(waters.T, COORDINATES, strict=True):
            if name in self.locked:
                inside &= np.abs(level - self.locked[name]) < 1e-6
            else:
                factor = by_name[name]
                inside &= (level >= factor.low - 1e-9) & (level <= factor.high + 1e-9)
        if inside.any():
            inside[inside] = self._may(waters[inside])
        return inside

    def nearest(self, targets: object) -> NDArray[np.float64]:
        """The recipe of the grid nearest to each target, in standard units.

        Parameters
        ----------
        targets : Target, sequence of Target, DataFrame or array_like of shape (n, 3)
            The waters.

        Returns
        -------
        ndarray, shape (n, 3)
            Rows of ``grid``.
        """
        waters = as_coordinates(targets)
        away = (waters[:, None, :] - self.grid[None]) / STANDARD_SPAN
        return np.asarray(self.grid[np.argmin((away**2).sum(axis=-1), axis=1)])


def _levels(factor: Factor, step: float) -> NDArray[np.float64]:
    if not np.isfinite(step) or step <= 0:
        raise RegionError(
            f"steps must be above 0, got {step} for {factor.name}. "
            "Give the distance between neighbouring recipes."
        )
    n = int(np.floor(min((factor.high - factor.low) / step + 1e-9, MOST_RECIPES)))
    return np.round(factor.low + step * np.arange(n + 1), 9)


@checked(RegionError)
def makeable(
    concentrates: Sequence[Concentrate],
    *,
    base: Water = PURE_WATER,
    volume_ml: float = 1000.0,
    pipette_ml: float = 0.1,
) -> Callable[[NDArray[np.float64]], NDArray[np.bool_]]:
    """What ``Region.allowed`` needs to know of the bottles at hand.

    A water can be made if it is a blend of the base and the bottles (a point of the convex hull
    of their calcium, magnesium and alkalinity), and if doses rounded to the pipette still come
    within half a step of the dose grid.

    Parameters
    ----------
    concentrates : sequence of Concentrate
        The bottles at hand.
    base : Water
        What they are dosed into.
    volume_ml : float
        Finished volume of a jug.
    pipette_ml : float
        Step to which doses are rounded.

    Examples
    --------
    >>> from labkit.water import salt
    >>> bottles = [Concentrate.of_strength(salt=salt(f)) for f in ("CaCl2·2H2O", "KHCO3")]
    >>> makeable(bottles)(np.array([[0.0, 80, 30], [0.5, 80, 30]])).tolist()
    [True, False]
    """
    waters = [Water.of_vector(bottle.vector) for bottle in concentrates]
    parts = np.array([_three(water) for water in (base, *waters)]).T

    def allowed(wanted: NDArray[np.float64]) -> NDArray[np.bool_]:
        share, hardness, alkalinity = wanted.T
        three = np.array([(1 - share) * hardness, share * hardness, alkalinity])
        doses = _least_doses(parts, three)
        rounded = np.round(doses * volume_ml / pipette_ml) * pipette_ml / volume_ml
        calcium, magnesium, reached = parts[:, :1] + (parts[:, 1:] - parts[:, :1]) @ rounded
        hard = calcium + magnesium
        off = np.abs(
            [magnesium - share * hard, hard - hardness, reached - alkalinity]
        ).T / np.column_stack([np.maximum(hard, 1e-9), np.ones((len(wanted), 2))])
        return np.asarray((off <= HALF_STEP).all(axis=1))  # False where a dose is NaN

    return allowed


def _three(water: Water) -> tuple[float, float, float]:
    """Calcium hardness, magnesium hardness and alkalinity (mg/L as CaCO3)."""
    hardness = water.hardness_mg_l_caco3
    magnesium = water.mg_share * hardness
    return hardness - magnesium, magnesium, water.alkalinity_mg_l_caco3


def _least_doses(parts: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of each bottle in the blends that need least of all, NaN where there is no blend.

    A blend of least dose is a corner of a linear programme: it uses at most four of the waters.

    Parameters
    ----------
    parts : ndarray, shape (3, 1 + n_bottles)
        Calcium hardness, magnesium hardness, alkalinity of the base, then of each bottle (mg/L).
    wanted : ndarray, shape (3, n)
        The same of the waters wanted.
    """
    blend = np.vstack([parts / 1000, np.ones(parts.shape[1])])
    right = np.vstack([wanted / 1000, np.ones(wanted.shape[1])])
    doses = np.full((parts.shape[1] - 1, wanted.shape[1]), np.nan)
    least = np.full(wanted.shape[1], np.inf)
    for size in range(1, min(4, parts.shape[1]) + 1):
        for some in combinations(range(parts.shape[1]), size):
            shares = np.zeros((parts.shape[1], wanted.shape[1]))
            shares[list(some)] = np.linalg.pinv(blend[:, some]) @ right
            dose = shares[1:].sum(axis=0)
            better = (
                (shares >= -1e-9).all(axis=0)
                & (np.abs(blend @ shares - right) < 1e-7).all(axis=0)
                & (dose < least - 1e-12)
            )
            doses[:, better], least[better] = shares[1:, better], dose[better]
    return doses
