"""What an engine believes after the cups so far: joint draws of the score of every recipe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.analysis.coding import Floats
from labkit.analysis.region import STANDARD_SPAN, Region, coordinates
from labkit.analysis.suggest_cups import Cups


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """Joint draws of what the panel would score each recipe, and their exact mean."""

    recipes: Floats
    """The recipes of the region's grid, then others that are asked about, shape (n, 3)."""

    n_grid: int
    """How many of them are the region's own; only these are ever proposed."""

    mean: Floats
    """Expected score, shape (n,)."""

    draws: NDArray[np.float32]
    """Possible truths, equally likely, shape (n_draws, n); their mean over draws is ``mean``."""

    @property
    def leader(self) -> int:
        """Place of the recipe of the grid with the highest expected score."""
        return int(np.argmax(self.mean[: self.n_grid]))

    def places(self, targets: object) -> NDArray[np.int_]:
        """Places of targets among the recipes, the nearest where one is not among them."""
        waters = coordinates(targets)
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
        best = self.draws[:, : self.n_grid].max(axis=1)
        return float(np.mean(best - self.draws[:, place]))


def recipes_asked(region: Region, cups: Cups, others: object = ()) -> tuple[Floats, int]:
    """The grid, then waters tasted or asked about that are not on it; and the grid's size."""
    waters = np.vstack([cups.waters, coordinates(others)])
    extra = [water for water in np.unique(waters, axis=0) if not _holds(region.grid, water)]
    return np.vstack([region.grid, *extra]), len(region.grid)


def _holds(grid: Floats, water: Floats) -> bool:
    return bool((np.abs(grid - water) < 1e-6).all(axis=1).any())
