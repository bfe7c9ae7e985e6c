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

COMMON: Final = 0.5
"""Share of coffees that lie about the common centre, if any do; the others are like any coffee.
Never all: the next coffee may always be one of its own."""

COMMON_CHANCE: Final = 0.8
"""That any do."""

GROUPED: Final = 0.2
"""Chance, before the data, that coffees lie about a centre of their group and not of all."""


HOPELESS: Final = 40.0
"""Log chance below the highest from which a centre and spread are left out when one coffee is taken
out: what all of them hold together is less than rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is believed of a new coffee's best water before its first cup."""

    odds: Floats
    """By place of the standard grid, how many times as likely as without earlier coffees."""

    like_any: float
    """Chance that the new coffee is like any coffee, not like the earlier ones."""

    groups: Mapping[str, float]
    """By grouping, the chance that each group has a centre of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kernels:
    """The normal densities about every centre with every spread, or those that still matter."""

    axes: tuple[Floats, Floats, Floats]
    """Densities at each axis' levels, shape (n_levels, n_kernels) each."""

    base: Floats
    """Sums of the prior under them, shape (n_kernels,) * 3."""

    log_prior: Floats
    """Log chance of each that coffees are common and lie about it, of the same shape."""

    def only(self, kept: Sequence[NDArray[np.int_]]) -> _Kernels:
        """Those at some places of each axis."""
        x, y, z = (axis[:, some] for axis, some in zip(self.axes, kept, strict=True))
        block = np.ix_(*kept)
        return _Kernels(axes=(x, y, z), base=self.base[block], log_prior=self.log_prior[block])


class Pool:
    """Earlier coffees in sums by group, from which any one of them is taken out again at once.

    One coffee's likelihoods are as many numbers as the prior: those of hundreds are never held.

    Parameters
    ----------
    bests : sequence of ndarray, shape (n_places,)
        By earlier coffee, where its best water may lie, as :func:`log_likelihood` takes it.
    groups : mapping of str to ndarray of int
        By grouping, the group of each earlier coffee, 0 being the new coffee's.
    """

    def __init__(self, bests: Sequence[Floats], groups: Mapping[str, NDArray[np.int_]]) -> None:
        self._bests = bests
        self._models = {"": np.zeros(len(bests), dtype=int), **groups}
        whole = _kernels()
        sums = {
            name: {int(code): whole.log_prior.copy() for code in np.unique([0, *group])}
            for name, group in self._models.items()
        }
        for i, best in enumerate(bests):
            told = log_likelihood(best, whole)
            for name, group in self._models.items():
                sums[name][int(group[i])] += told
        learned = {
            name: {code: _learn(log) for code, log in of_group.items()}
            for name, of_group in sums.items()
        }
        self._evidence = {
            name: {code: evidence for code, (evidence, _) in of_group.items()}
            for name, of_group in learned.items()
        }
        self._told = {name: _predict(of[0][1], whole) for name, of in learned.items()}
        # A coffee more or less moves a log chance by a few: what is hopeless now stays so.
        matters = np.any(
            [
                log > _highest(log) - HOPELESS
                for of_group in sums.values()
                for log in of_group.values()
            ],
            axis=0,
        )
        others = ((1, 2), (0, 2), (0, 1))
        kept = [np.flatnonzero(matters.any(axis=axes)) for axes in others]
        self._kernels = whole.only(kept)
        self._sums = {
            name: {code: log[np.ix_(*kept)] for code, log in of_group.items()}
            for name, of_group in sums.items()
        }

    def prior(self, *, without: int | None = None) -> Prior:
        """Average the pooled model and the grouped ones by their marginal likelihoods.

        Parameters
        ----------
        without : int, optional
            An earlier coffee to leave out.
        """
        n_groupings = len(self._models) - 1
        out = None if without is None else log_likelihood(self._bests[without], self._kernels)
        logs, odds, like_any = [], [], []
        for name, group in self._models.items():
            evidence = sum(self._evidence[name].values())
            told, rest = self._told[name]
            if out is not None and without is not None:
                code = int(group[without])
                less, chances = _learn(self._sums[name][code] - out)
                evidence += less - self._evidence[name][code]
                if code == 0:
                    told, rest = _predict(chances, self._kernels)
            chance = GROUPED / n_groupings if name else 1 - GROUPED
            logs.append((np.log(chance) if n_groupings else 0.0) + evidence)
            odds.append(told)
            like_any.append(rest)
        weight = np.exp(np.array(logs) - max(logs))
        weight /= weight.sum()
        named = zip(self._models, weight, strict=True)
        return Prior(
            odds=np.asarray(weight @ np.array(odds)),
            like_any=float(weight @ np.array(like_any)),
            groups={name: float(one) for name, one in named if name},
        )


def log_likelihood(best: Floats, kernels: _Kernels) -> Floats:
    """Log marginal likelihood of one coffee if coffees are common, by centre and spread.

    With W the posterior of its best water without a head start, C the prior and k a normal density,
    it is ``1 - r + r sum(k W) / sum(k C)``, up to what no shape holds; 1 if they are not.

    Parameters
    ----------
    best : ndarray, shape (n_places,)
        W; it sums to less than 1 by the chance that no shape holds.
    kernels : _Kernels
        Centres and spreads.

    Returns
    -------
    log_likelihood : ndarray, shape (n_kernels,) * 3
    """
    common = _under(best, kernels.axes) / kernels.base
    return np.asarray(np.log1p(-COMMON * (best.sum() - common)))


def moved(one: Floats, other: Floats | float = 1.0) -> float:
    """Share of the belief that lies elsewhere under one set of odds than under another."""
    return float(base() @ np.abs(one - other)) / 2


def _highest(log: Floats) -> float:
    """The highest log chance of all, that coffees are not common among them."""
    return float(max(log.max(), np.log(1 - COMMON_CHANCE)))


def _learn(log: Floats) -> tuple[float, Floats]:
    """Log evidence, and the chance of each kernel after some coffees; the rest is not common."""
    highest = _highest(log)
    chance = np.exp(log - highest)
    total = chance.sum() + np.exp(np.log(1 - COMMON_CHANCE) - highest)
    return float(highest + np.log(total)), chance / total


def _predict(chance: Floats, kernels: _Kernels) -> tuple[Floats, float]:
    """Odds of each place to be a new coffee's best water, and the part like any coffee."""
    like_any = 1 - COMMON * float(chance.sum())
    x, y, z = kernels.axes
    inner = np.tensordot(COMMON * chance / kernels.base, z.T, axes=1)
    shaped = np.tensordot(x, np.matmul(y, inner), axes=1)
    return np.asarray(like_any + shaped.ravel()), like_any


def _under(mass: Floats, axes: tuple[Floats, Floats, Floats]) -> Floats:
    """Sums of the mass under every normal density, shape (n_kernels,) * 3."""
    x, y, z = axes
    cube = mass.reshape(len(x), len(y), len(z))
    return np.asarray(np.tensordot(x.T, np.matmul(y.T, np.matmul(cube, z)), axes=1))


@cache
def _kernels() -> _Kernels:
    """All centres with all spreads."""
    u = unit(places())
    pairs = np.array(list(product(SPREADS, CENTRES)))
    x, y, z = (
        np.exp(-(((np.unique(u[:, axis])[:, None] - pairs[:, 1]) / pairs[:, 0]) ** 2) / 2)
        for axis in range(3)
    )
    log = np.log(np.repeat(SPREAD_CHANCES, len(CENTRES)) / len(CENTRES))
    joint = log[:, None, None] + log[:, None] + log
    axes = (x, y, z)
    return _Kernels(axes=axes, base=_under(base(), axes), log_prior=np.log(COMMON_CHANCE) + joint)


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
