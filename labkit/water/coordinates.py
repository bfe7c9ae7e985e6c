"""What a water is varied by: the one table of coordinates, and the one rule of the same water.

The three coordinates are searched. The shares of its salts stand beside them: they are asked for
or left to the bottles, compared in tastings of their own, and never searched.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labkit.boundary import checked, shown
from labkit.errors import WaterError


@dataclass(frozen=True, slots=True, kw_only=True)
class Coordinate:
    """One thing that waters are varied by."""

    name: str
    """Field of a :class:`labkit.water.Target` and column of every table of waters."""

    words: str
    """What the trade calls it in running text."""

    title: str
    """Words and unit for an axis or a column head."""

    unit: str
    """Unit after a number in running text; empty where there is none."""

    highest: float
    """Highest level a water can be asked for; the lowest is 0."""

    low: float
    """Low end of the range that brew waters are usually looked for in (common practice)."""

    high: float
    """High end of that range (common practice)."""

    step: float
    """Distance between neighbouring recipes of the dose grid."""

    digits: int
    """Digits after the point when a level is stated."""

    tolerance: float
    """Levels no further apart are the same: half of the last digit stated."""

    settled: float
    """A coordinate that moved no more than this over all waters did not vary: it is the
    pipette's rounding, no more."""

    @checked(WaterError)
    def state(self, level: float) -> str:
        """A level as a number with its unit: ``'80 mg/L'``.

        Parameters
        ----------
        level : float
            In the coordinate's own unit.
        """
        return f"{level:.{self.digits}f} {self.unit}".rstrip()


_TABLE: Final = (
    Coordinate(
        name="mg_share",
        words="Mg share",
        title="Mg share of hardness",
        unit="",
        highest=1.0,
        low=0.0,
        high=1.0,
        step=0.05,
        digits=2,
        tolerance=0.005,
        settled=0.02,
    ),
    Coordinate(
        name="hardness_mg_l_caco3",
        words="hardness",
        title="General hardness (mg/L as CaCO3)",
        unit="mg/L",
        highest=2000.0,  # far above any drink
        low=20.0,
        high=200.0,
        step=10.0,
        digits=0,
        tolerance=0.5,
        settled=2.0,
    ),
    Coordinate(
        name="alkalinity_mg_l_caco3",
        words="alkalinity",
        title="Alkalinity (mg/L as CaCO3)",
        unit="mg/L",
        highest=2000.0,
        low=0.0,
        high=60.0,
        step=5.0,
        digits=0,
        tolerance=0.5,
        settled=1.5,
    ),
)

_SALTS: Final = (
    Coordinate(
        name="sulfate_share",
        words="sulfate share",
        title="Sulfate share of chloride and sulfate",
        unit="",
        highest=1.0,
        low=0.0,
        high=1.0,
        step=0.25,
        digits=2,
        tolerance=0.005,
        settled=0.02,
    ),
    Coordinate(
        name="potassium_share",
        words="potassium share",
        title="Potassium share of sodium and potassium",
        unit="",
        highest=1.0,
        low=0.0,
        high=1.0,
        step=0.25,
        digits=2,
        tolerance=0.005,
        settled=0.02,
    ),
)

COORDINATE: Final[Mapping[str, Coordinate]] = MappingProxyType({one.name: one for one in _TABLE})
"""Each coordinate by its name, in the order of every array of waters."""

COORDINATES: Final = tuple(COORDINATE)
"""Names of the coordinates, in the order of every array of waters."""

SALT_SHARE: Final[Mapping[str, Coordinate]] = MappingProxyType({one.name: one for one in _SALTS})
"""What may be asked of a water's salts besides, by name: shares by charge (equivalents)."""

SALT_SHARES: Final = tuple(SALT_SHARE)
"""Names of the shares, in the order of every array of them."""

STANDARD_LOW: Final = np.array([one.low for one in _TABLE])
"""Low ends of the usual ranges, shape (n_coordinates,)."""

STANDARD_SPAN: Final = np.array([one.high - one.low for one in _TABLE])
"""Widths of the usual ranges, shape (n_coordinates,): the units in which distances are taken."""

TOLERANCE: Final = np.array([one.tolerance for one in _TABLE])
"""How far apart the levels of one water may be stated, shape (n_coordinates,)."""


_RECIPE_TOLERANCE: Final = np.array([one.tolerance for one in (*_TABLE, *_SALTS)])
_AS_IT_COMES: Final = -1.0  # stands for a share that nobody asked for: no share is negative


def as_coordinates(waters: object) -> NDArray[np.float64]:
    """Waters as an array, columns as ``COORDINATES``.

    Parameters
    ----------
    waters : Target, sequence of Target, DataFrame with the three columns, or (n, 3) array
        A single target or row gives shape (1, 3).

    Returns
    -------
    ndarray of float, shape (n, 3)

    Raises
    ------
    WaterError
        If these are not waters.
    """
    if hasattr(waters, "columns"):
        absent = [name for name in COORDINATES if name not in waters.columns]
        if absent:
            raise WaterError(
                f"waters must have the columns {', '.join(COORDINATES)}, got none called "
                f"{', '.join(absent)}. Name the three coordinates.",
                field="waters",
            )
        return _as_numbers(np.column_stack([np.asarray(waters[name]) for name in COORDINATES]))  # type: ignore[index]
    if hasattr(waters, COORDINATES[0]):
        waters = [waters]
    if isinstance(waters, Iterable) and not isinstance(waters, np.ndarray):
        waters = [
            [getattr(water, name) for name in COORDINATES]
            if hasattr(water, COORDINATES[0])
            else water
            for water in waters
        ]
    table = np.atleast_2d(_as_numbers(waters))
    if table.size == 0:
        return np.empty((0, len(COORDINATES)))
    if table.ndim != 2 or table.shape[1] != len(COORDINATES):
        raise WaterError(
            f"waters must have three coordinates each ({', '.join(COORDINATES)}), got an array "
            f"of shape {table.shape}. Give all three, also the ones that stay the same.",
            field="waters",
        )
    return table


def _as_numbers(waters: object) -> NDArray[np.float64]:
    if not isinstance(waters, str | bytes):
        with suppress(TypeError, ValueError, OverflowError):
            return np.asarray(waters, dtype=np.float64)
    raise WaterError(
        f"waters must be Targets, a table with the columns {', '.join(COORDINATES)}, or three "
        f"numbers each, got {shown(waters)}. Of a sweep give its targets.",
        field="waters",
    )


def _only(table: NDArray[np.float64]) -> NDArray[np.float64]:
    if len(table) != 1:
        raise WaterError(f"water must be one water, got {len(table)} of them.", field="water")
    return np.asarray(table[0])


def levels_of(water: object) -> tuple[float, ...]:
    """The levels of one water as plain numbers, in the order of ``COORDINATES``.

    Parameters
    ----------
    water : Target, one row of a DataFrame or array_like of shape (3,)
        One water, as :func:`as_coordinates` takes it.
    """
    return tuple(float(level) for level in _only(as_coordinates(water)))


def salt_shares_of(waters: object) -> NDArray[np.float64]:
    """The shares asked of waters' salts, columns as ``SALT_SHARES``.

    Parameters
    ----------
    waters : as for :func:`as_coordinates`
        A table without these columns, and an array of coordinates, asks for none.

    Returns
    -------
    ndarray of float, shape (n, 2)
        NaN where nothing is asked for: the bottles decide.

    Examples
    --------
    >>> salt_shares_of([(0.5, 80, 30)]).tolist()
    [[nan, nan]]
    """
    rows = len(as_coordinates(waters))
    if hasattr(waters, "columns"):
        columns = [
            np.asarray(waters[name] if name in waters.columns else np.full(rows, np.nan))  # type: ignore[index]
            for name in SALT_SHARES
        ]
        return np.column_stack([column.astype(np.float64) for column in columns])
    alone = hasattr(waters, COORDINATES[0]) or not isinstance(waters, Iterable)
    each = [waters] if alone or isinstance(waters, np.ndarray) else list(waters)  # type: ignore[call-overload]
    if len(each) != rows or not rows:
        return np.full((rows, len(SALT_SHARES)), np.nan)
    asked = [[getattr(water, name, None) for name in SALT_SHARES] for water in each]
    return np.array(asked, dtype=np.float64)


def water_order(water: object) -> tuple[float, ...]:
    """Where a water stands among others: by its levels, then by the shares of its salts.

    Parameters
    ----------
    water : Target, one row of a DataFrame or array_like of shape (3,)
        One water, as :func:`as_coordinates` takes it.
    """
    return tuple(map(float, _recipe(water)))


def same_water(one: object, other: object) -> bool:
    """Whether two waters are the same: each coordinate as stated, to half of its last digit.

    So is each share of their salts; one that is asked for is another water than one that is not.

    Parameters
    ----------
    one, other : Target, one row of a DataFrame or array_like of shape (3,)
        One water each, as :func:`as_coordinates` takes it.

    Examples
    --------
    >>> same_water((1 / 3, 80, 30), (0.333, 80.4, 30))
    True
    >>> same_water((1 / 3, 80, 30), (0.35, 80, 30))
    False
    """
    return bool(_alike(_recipe(one), _recipe(other)[None])[0])


def water_numbers(waters: object) -> NDArray[np.int_]:
    """Number waters, the same water under the same number.

    Parameters
    ----------
    waters : as for :func:`as_coordinates`
        Of shape (n, 3).

    Returns
    -------
    ndarray of int, shape (n,)
        For each water the place of the first one that is the same: each water is held against
        those that were first of their kind, in the order given.
    """
    table = _recipes(waters)
    exact, back = np.unique(table, axis=0, return_inverse=True)
    order = np.full(len(exact), len(table))
    np.minimum.at(order, back.ravel(), np.arange(len(table)))
    number = np.empty(len(exact), dtype=np.int_)
    firsts: list[int] = []  # rows of `exact`, in the order in which they came
    for row in np.argsort(order, kind="stable"):
        near = _alike(exact[row], exact[firsts]) if firsts else np.zeros(0, dtype=bool)
        if near.any():
            number[row] = number[firsts[int(np.argmax(near))]]
        else:
            firsts.append(int(row))
            number[row] = order[row]
    return np.asarray(number[back.ravel()])


def find_water(water: object, among: Sequence[object]) -> int | None:
    """The place of a water among others, by :func:`same_water`.

    Parameters
    ----------
    water : Target, one row of a DataFrame or array_like of shape (3,)
        One water, as :func:`as_coordinates` takes it.
    among : sequence of Target, DataFrame or array_like of shape (n, 3)
        Where to look.

    Returns
    -------
    int or None
        Counted from 0; None if it is not there.
    """
    near = np.flatnonzero(_alike(_recipe(water), _recipes(among)))
    return int(near[0]) if len(near) else None


def _alike(water: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which of ``others``, shape (n, 5), are ``water``, shape (5,)."""
    return np.asarray((np.abs(others - water) <= _RECIPE_TOLERANCE + 1e-9).all(axis=1))


def _recipe(water: object) -> NDArray[np.float64]:
    return _only(_recipes(water))


def _recipes(waters: object) -> NDArray[np.float64]:
    """Coordinates and shares side by side, shape (n, 5)."""
    shares = np.nan_to_num(salt_shares_of(waters), nan=_AS_IT_COMES)
    return np.hstack([as_coordinates(waters), shares])


@checked(WaterError)
def amount(name: str, level: float) -> str:
    """One level in words: ``'hardness 80 mg/L'``.

    Parameters
    ----------
    name : str
        One of ``COORDINATES``.
    level : float
        In its unit.
    """
    if name not in COORDINATE:
        raise WaterError(
            f"name must be one of {', '.join(COORDINATES)}, got {shown(name)}.", field="name"
        )
    return f"{COORDINATE[name].words} {COORDINATE[name].state(level)}"


@checked(WaterError)
def describe(water: ArrayLike, names: Sequence[str] = COORDINATES) -> str:
    """One water in words, naming the coordinates asked for.

    Parameters
    ----------
    water : array_like, shape (3,)
        Levels in the order and units of ``COORDINATES``.
    names : sequence of str
        Coordinates to name.
    """
    return ", ".join(
        amount(name, level)
        for name, level in zip(COORDINATES, levels_of(water), strict=True)
        if name in names
    )
