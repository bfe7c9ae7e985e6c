"""The scale on which a surface is fitted (factors coded -1..1) and the terms of the surface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from labkit.tasting import Factor
from labkit.water import COORDINATE, COORDINATES

Floats: TypeAlias = NDArray[np.float64]
Bools: TypeAlias = NDArray[np.bool_]

Term: TypeAlias = tuple[int, ...]
"""Factors multiplied together: () the level, (0,) a slope, (0, 0) a bend, (0, 1) a twist."""


def to_frame(coordinates: ArrayLike) -> pd.DataFrame:
    """Coordinates of shape (n, 3) as a frame with named columns."""
    return pd.DataFrame(np.atleast_2d(np.asarray(coordinates)), columns=list(COORDINATES))


@dataclass(frozen=True, slots=True, kw_only=True)
class Coding:
    """The factors of a surface, each with the natural levels that are coded -1 and 1."""

    factors: tuple[Factor, ...]
    """Coordinates that varied, in the order of ``COORDINATES``, over the range tasted."""

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the factors."""
        return tuple(factor.name for factor in self.factors)

    @property
    def columns(self) -> list[int]:
        """Places of the factors among the three coordinates."""
        return [COORDINATES.index(name) for name in self.names]

    def code(self, waters: Floats) -> Floats:
        """Natural coordinates (n, 3) to coded levels (n, n_factors)."""
        coded = [
            factor.to_coded(waters[:, column])
            for factor, column in zip(self.factors, self.columns, strict=True)
        ]
        return np.column_stack(coded) if coded else np.empty((len(waters), 0))

    def decode(self, coded: Floats, held: Floats) -> Floats:
        """Coded levels (n, n_factors) to coordinates (n, 3), the other ones as in ``held``."""
        waters = np.tile(np.asarray(held, dtype=np.float64), (len(coded), 1))
        for place, (factor, column) in enumerate(zip(self.factors, self.columns, strict=True)):
            waters[:, column] = factor.to_natural(coded[:, place])
        return waters


def coding_of(waters: Floats) -> Coding:
    """The coding over the range of the waters tasted, shape (n, 3); what stayed put is left out."""
    factors = []
    for column, name in enumerate(COORDINATES):
        low, high = float(waters[:, column].min()), float(waters[:, column].max())
        if high - low > COORDINATE[name].settled:
            factors.append(Factor(name=name, low=low, high=high))
    return Coding(factors=tuple(factors))


def term_name(term: Term, names: Sequence[str]) -> str:
    """How a term is listed: ``'mg_share'``, ``'mg_share^2'``, ``'mg_share:hardness...'``."""
    if not term:
        return "level"
    if len(term) == 2 and term[0] == term[1]:
        return f"{names[term[0]]}^2"
    return ":".join(names[index] for index in term)


def second_order_terms(n_factors: int) -> list[Term]:
    """The terms of a second-order surface beside its level: slopes, bends, twists.

    Parameters
    ----------
    n_factors : int
        Coordinates that vary.

    Returns
    -------
    list of tuple of int
        For each term the coordinates multiplied: ``(0,)``, ``(0, 0)``, ``(0, 1)``.
    """
    slopes: list[Term] = [(i,) for i in range(n_factors)]
    bends: list[Term] = [(i, i) for i in range(n_factors)]
    twists: list[Term] = [(i, j) for i in range(n_factors) for j in range(i + 1, n_factors)]
    return slopes + bends + twists


def term_matrix(coded: Floats, terms: Sequence[Term]) -> Floats:
    """Model columns from coded levels.

    Parameters
    ----------
    coded : ndarray, shape (n, n_factors)
        Levels in coded units, -1 to 1 over what was tasted.
    terms : sequence of tuple of int
        As :func:`second_order_terms` gives them.

    Returns
    -------
    ndarray, shape (n, n_terms)
        Products of the levels, without the column of ones.
    """
    columns = [np.prod(coded[:, list(term)], axis=1) for term in terms]
    return np.column_stack(columns) if columns else np.empty((len(coded), 0))
