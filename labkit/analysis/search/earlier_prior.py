"""Where the best water of a new coffee lies, given where those of earlier coffees may lie.

All in closed form on the places of the standard grid: common best waters scatter normally about a
centre, and centre, spreads and the share of common coffees are averaged over, as the earlier
coffees make them likely.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from labkit.analysis.model.coding import Floats
from labkit.analysis.region import Region
from labkit.analysis.search.shape_library import shape_library
from labkit.analysis.search.shapes import Singles, unit

CENTRES: Final = np.linspace(0, 1, 11)
"""Where the common centre may lie on an axis, in shares of the standard range, all as likely."""

SPREADS: Final = np.array([0.08, 0.15, 0.3, 0.6])
"""SD of best waters about the centre, on each axis by itself."""

SPREAD_CHANCES: Final = np.array([0.3, 0.3, 0.25, 0.15])

COMMON: Final = np.array([0.0, 0.5])
"""Share of coffees that lie about the common centre; the others are like any coffee. Never all:
the next coffee may always be one of its own."""

COMMON_CHANCES: Final = np.array([0.2, 0.8])

GROUPED: Final = 0.2
"""Chance, before the data, that coffees lie about a centre of their group and not of all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is believed of a new coffee's best water before its first cup."""

    odds: Floats
    """By place of the standard grid, how many times as likely as without earlier coffees."""

    like_any: float
    """Chance that the new coffee is like any coffee, not like the earlier ones."""

    groups: Mapping[str, float]
    """By grouping, the chance that each group has a centre of its own."""


def combine(
    log_likelihoods: Sequence[Floats],
    groups: Mapping[str, NDArray[np.int_]],
    *,
    without: int | None = None,
) -> Prior:
    """Average the pooled model and the grouped ones by their marginal likelihoods.

    Parameters
    ----------
    log_likelihoods : sequence of ndarray
        Of :func:`log_likelihood`, one an earlier coffee.
    groups : mapping of str to ndarray of int
        By grouping, the group of each earlier coffee, 0 being the new coffee's.
    without : int, optional
        An earlier coffee to leave out.
    """
    models = {"": np.zeros(len(log_likelihoods), dtype=int), **groups}
    logs, odds, like_any = [], [], []
    for name, group in models.items():
        members = [
            [one for i, one in enumerate(log_likelihoods) if group[i] == code and i != without]
            for code in np.unique([0, *group])
        ]
        learned = [_learn(some) for some in members]
        chance = (GROUPED / len(groups) if name else 1 - GROUPED) if groups else 1.0
        logs.append(np.log(chance) + sum(evidence for evidence, _ in learned))
        told, rest = _predict(learned[0][1])
        odds.append(told)
        like_any.append(rest)
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    return Prior(
        odds=np.asarray(weight @ np.array(odds)),
        like_any=float(weight @ np.array(like_any)),
        groups={name: float(one) for name, one in zip(models, weight, strict=True) if name},
    )


def log_likelihood(best: Floats) -> Floats:
    """Log marginal likelihood of one coffee under every share, centre and spread.

    With W the posterior of its best water without a head start, C the prior and k a normal density,
    it is ``1 - r + r sum(k W) / sum(k C)``, up to what no shape holds.

    Parameters
    ----------
    best : ndarray, shape (n_places,)
        W; it sums to less than 1 by the chance that no shape holds.

    Returns
    -------
    log_likelihood : ndarray, shape (n_common, n_kernels ** 3)
    """
    common = (_under_kernels(best) / _base_under_kernels()).ravel()
    return np.asarray(np.log(1 - COMMON[:, None] * (best.sum() - common)))


def moved(one: Floats, other: Floats | float = 1.0) -> float:
    """Share of the belief that lies elsewhere under one set of odds than under another."""
    return float(base() @ np.abs(one - other)) / 2


def _learn(log_likelihoods: Sequence[Floats]) -> tuple[float, Floats]:
    """Log evidence, and the chances of share, centre and spreads after these coffees."""
    log = _log_hyperprior() + sum(log_likelihoods)
    highest = log.max()
    chance = np.exp(log - highest)
    return float(highest + np.log(chance.sum())), chance / chance.sum()


def _predict(chance: Floats) -> tuple[Floats, float]:
    """Odds of each place to be a new coffee's best water, and the part like any coffee."""
    like_any = float((1 - COMMON) @ chance.sum(axis=1))
    common = (COMMON @ chance).reshape(_base_under_kernels().shape) / _base_under_kernels()
    x, y, z = _kernels()
    shaped = np.einsum("abc,xa,yb,zc->xyz", common, x, y, z, optimize=True)
    return np.asarray(like_any + shaped.ravel()), like_any


@cache
def _log_hyperprior() -> Floats:
    axis = np.log(np.repeat(SPREAD_CHANCES, len(CENTRES)) / len(CENTRES))
    joint = axis[:, None, None] + axis[:, None] + axis
    return np.asarray(np.log(COMMON_CHANCES)[:, None] + joint.ravel())


def _under_kernels(mass: Floats) -> Floats:
    """Sums of the mass under every normal density, shape (n_kernels,) * 3."""
    x, y, z = _kernels()
    cube = mass.reshape(len(x), len(y), len(z))
    return np.asarray(np.einsum("xyz,xa,yb,zc->abc", cube, x, y, z, optimize=True))


@cache
def _base_under_kernels() -> Floats:
    return _under_kernels(base())


@cache
def _kernels() -> tuple[Floats, Floats, Floats]:
    """Normal densities at each axis' levels, about every centre with every spread."""
    u = unit(places())
    pairs = np.array(list(product(SPREADS, CENTRES)))
    x, y, z = (
        np.exp(-(((np.unique(u[:, axis])[:, None] - pairs[:, 1]) / pairs[:, 0]) ** 2) / 2)
        for axis in range(3)
    )
    return x, y, z


@cache
def places() -> Floats:
    """The standard grid, shape (n_places, 3), the last coordinate running fastest."""
    return Region().grid


@cache
def best_places() -> NDArray[np.int_]:
    """Place where each shape of the library is highest, shape (n_shapes,)."""
    library = shape_library()
    parts = np.array_split(np.arange(len(library)), max(1, len(library) // 500))
    return np.concatenate([library.heights(places(), part).argmax(axis=1) for part in parts])


@cache
def base() -> Floats:
    """Chance of each place to be the best before any coffee was tasted, shape (n_places,)."""
    return per_place(np.full(len(best_places()), 1 / len(best_places())))


def per_place(weights: Floats | Singles) -> Floats:
    """Weights of the library's shapes, summed by where they are highest, shape (n_places,)."""
    return np.asarray(np.bincount(best_places(), weights, len(places())), dtype=float)
