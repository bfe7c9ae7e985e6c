"""The first engine: a second-order surface with a mild prior, updated by the cups so far."""

from __future__ import annotations

from typing import Final

import numpy as np

from labkit.analysis.coding import Floats, second_order_terms, term_matrix
from labkit.analysis.region import STANDARD_LOW, STANDARD_SPAN
from labkit.analysis.suggest_cups import Cups
from labkit.analysis.suggest_posterior import Posterior

TERMS: Final = [(), *second_order_terms(3)]
LEVEL_SD: Final = 3.0
SLOPE_SD: Final = 0.5
BEND_MEAN: Final = -0.35
"""There usually is a best somewhere: bends lean downwards."""
BEND_SD: Final = 0.4
TWIST_SD: Final = 0.3


def unit(waters: Floats) -> Floats:
    """Natural coordinates as shares of the standard ranges, shape (n, 3)."""
    return np.asarray((waters - STANDARD_LOW) / STANDARD_SPAN)


def surface_posterior(
    cups: Cups, recipes: Floats, n_grid: int, *, rng: np.random.Generator, n_draws: int = 512
) -> Posterior:
    """Posterior of a second-order surface in the three coordinates (conjugate normal)."""
    mean, sd = _prior(cups.points)
    centre = float(cups.value.mean()) if len(cups.value) else cups.usual
    X = _columns(cups.waters)
    gain = np.diag(sd**2) @ X.T @ np.linalg.inv((X * sd**2) @ X.T + cups.noise)
    coefficients = mean + gain @ (cups.value - centre - X @ mean)
    covariance = np.diag(sd**2) - gain @ (X * sd**2)
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    root = vectors * np.sqrt(np.clip(values, 0, None))
    chance = rng.normal(size=(n_draws, len(TERMS)))
    chance -= chance.mean(axis=0)
    on_recipes = _columns(recipes)
    draws = centre + (coefficients + chance @ root.T) @ on_recipes.T
    return Posterior(
        recipes=recipes,
        n_grid=n_grid,
        mean=centre + on_recipes @ coefficients,
        draws=draws.astype(np.float32),
    )


def _columns(waters: Floats) -> Floats:
    return term_matrix(2 * unit(waters) - 1, TERMS)


def _prior(points: float) -> tuple[Floats, Floats]:
    mean, sd = [], []
    for term in TERMS:
        bend = len(term) == 2 and term[0] == term[1]
        mean.append(BEND_MEAN if bend else 0.0)
        sd.append(
            LEVEL_SD if not term else BEND_SD if bend else SLOPE_SD if len(term) == 1 else TWIST_SD
        )
    return points * np.array(mean), points * np.array(sd)
