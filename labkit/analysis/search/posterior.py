"""What an engine believes after the cups so far: joint draws of the score of every recipe."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from labkit.analysis.model.coding import Floats
from labkit.analysis.region import Region
from labkit.analysis.search.cups import Cups
from labkit.water import STANDARD_SPAN, as_coordinates

FEW_RECIPES: Final = 1000
"""So many are all looked at."""

N_BEST: Final = 6
"""Rough best recipes around which every level is looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """Joint draws of what the panel would score each recipe, and their exact mean."""

    recipes: Floats
    """Recipes that the region allows, then others that are asked about, shape (n, 3)."""

    n_allowed: int
    """How many of them the region allows; only these are ever proposed."""

    mean: Floats
    """Expected score, shape (n,)."""

    draws: NDArray[np.float32]
    """Possible truths, equally likely, shape (n_draws, n); their mean over draws is ``mean``."""

    loss_scale: float = 1.0
    """By what the loss that draws expect is multiplied, so that it is the one to come true."""

    gain_scale: float = 1.0
    """By what the gain that draws expect of a flight is multiplied, likewise."""

    @property
    def leader(self) -> int:
        """Place of the allowed recipe with the highest expected score."""
        return int(np.argmax(self.mean[: self.n_allowed]))

    def places(self, targets: object) -> NDArray[np.int_]:
        """Places of targets among the recipes, the nearest where one is not among them."""
        waters = as_coordinates(targets)
        away = (waters[:, None, :] - self.recipes[None]) / STANDARD_SPAN
        return np.asarray(np.argmin((away**2).sum(axis=-1), axis=1))

    def interval(self, place: int, level: float = 0.9) -> tuple[float, float]:
        """Central interval of one recipe's score."""
        low, high = np.quantile(self.draws[:, place], [(1 - level) / 2, (1 + level) / 2])
        return float(low), float(high)

    def chance_above(self, place: int, other: int) -> float:
        """Probability that one recipe is truly better than another."""
        if place == other:
            return 0.0
        return float(np.mean(self.draws[:, place] > self.draws[:, other]))

    def loss_of(self, place: int) -> float:
        """Expected points given away by settling on this recipe: the best one less this one."""
        best = self.draws[:, : self.n_allowed].max(axis=1)
        return self.loss_scale * float(np.mean(best - self.draws[:, place]))


def posterior_of(
    region: Region,
    cups: Cups,
    others: Floats,
    *,
    expected: Callable[[Floats], Floats],
    draws: Callable[[Floats], NDArray[np.float32]],
    loss_scale: float,
    gain_scale: float,
) -> Posterior:
    """What an engine believes about recipes worth looking at.

    That is every other level of the grid, all levels around the best of those, and what was
    tasted: a surface that a handful of cups can tell has no room for a surprise in between.

    Parameters
    ----------
    region : Region
        Where to look.
    cups : Cups
        What was tasted; a water that the region allows may be proposed again.
    others : ndarray, shape (n, 3)
        Further waters that are asked about; those that the region allows may be proposed.
    expected, draws : callable
        Of waters of shape (n, 3): expected scores (n,), and drawn ones (n_draws, n).
    loss_scale, gain_scale : float
        By what the loss, and a flight's gain, that draws expect are multiplied.
    """
    rough = every_other_level(region.grid)
    mean = expected(region.grid[rough])
    near = np.setdiff1d(
        around(region.grid, rough[np.argsort(-mean, kind="stable")[:N_BEST]]), rough
    )
    grid = region.grid[np.concatenate([rough, near])]
    more = _missing(grid, np.vstack([cups.waters, others]))
    may = region.contains(more)
    allowed = np.vstack([grid, more[may]])
    recipes = np.vstack([allowed, more[~may]])
    mean = np.concatenate([mean, expected(recipes[len(rough) :])])
    told = moved_to(mean, draws(recipes))
    return Posterior(
        recipes=recipes,
        n_allowed=len(allowed),
        mean=mean,
        draws=told.astype(np.float32),
        loss_scale=loss_scale,
        gain_scale=gain_scale,
    )


def moved_to(mean: Floats, draws: NDArray[np.floating[Any]]) -> Floats:
    """Draws of the scores of some waters, moved so that their mean is the expected score.

    The mean of draws strays by chance: they lend their spread only. A draw in which all waters are
    equal stays where it is, since moved it would call one of them better on no ground.

    Parameters
    ----------
    mean : ndarray, shape (n,)
        Expected scores.
    draws : ndarray, shape (n_draws, n)
        Possible truths.
    """
    moved = draws.astype(float)
    off = mean - moved.mean(axis=0)
    differ = draws.min(axis=1) < draws.max(axis=1)
    if differ.any():
        moved[differ] += off / differ.mean()
    else:
        moved += off
    return np.asarray(moved)


def every_other_level(grid: Floats) -> NDArray[np.int_]:
    """Rows of the grid at every second level of each coordinate, and at the last one."""
    if len(grid) <= FEW_RECIPES:
        return np.arange(len(grid))
    keep = np.ones(len(grid), dtype=bool)
    for at, last in zip(*_levels(grid), strict=True):
        keep &= (at % 2 == 0) | (at == last)
    if keep.sum() < FEW_RECIPES // 4:  # a region of odd shape
        keep[:: len(grid) // FEW_RECIPES] = True
    return np.flatnonzero(keep)


def around(grid: Floats, rows: NDArray[np.int_]) -> NDArray[np.int_]:
    """Rows of the grid at most one level of each coordinate away from one of `rows`."""
    levels = np.column_stack(_levels(grid)[0])
    apart = np.abs(levels[:, None, :] - levels[rows])
    return np.flatnonzero((apart <= 1).all(axis=2).any(axis=1))


def _levels(grid: Floats) -> tuple[list[NDArray[np.int_]], list[int]]:
    codes = [np.unique(level, return_inverse=True)[1] for level in grid.T]
    return codes, [int(code.max()) for code in codes]


def _missing(there: Floats, waters: Floats) -> Floats:
    """Distinct rows of `waters` that are not yet there."""
    distinct = np.unique(waters, axis=0)
    apart = np.abs(distinct[:, None, :] - there).max(axis=2)
    return np.asarray(distinct[(apart > 1e-6).all(axis=1)])
