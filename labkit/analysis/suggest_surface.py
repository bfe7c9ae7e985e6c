"""The first engine: a second-order surface with a mild prior, updated by the cups so far."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from labkit.analysis.coding import Floats, second_order_terms, term_matrix
from labkit.analysis.shapes import unit
from labkit.analysis.suggest_cups import Cups

TERMS: Final = [(), *second_order_terms(3)]
LEVEL_SD: Final = 3.0
SLOPE_SD: Final = 0.5
BEND_MEAN: Final = -0.35
"""There usually is a best somewhere: bends lean downwards."""
BEND_SD: Final = 0.4
TWIST_SD: Final = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceBelief:
    """A normal distribution of the coefficients of a second-order surface."""

    centre: float
    """Score around which the surface is told."""

    coefficients: Floats
    """Expected coefficients, in the order of ``TERMS``, standard ranges coded -1..1."""

    covariance: Floats
    """Of the coefficients."""

    def expected(self, waters: Floats) -> Floats:
        """Expected scores, shape (n,)."""
        return np.asarray(self.centre + _columns(waters) @ self.coefficients)

    def draws(
        self, waters: Floats, n_draws: int, *, rng: np.random.Generator
    ) -> NDArray[np.float32]:
        """Possible truths, equally likely, shape (n_draws, n)."""
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.clip(values, 0, None))
        drawn = self.coefficients + rng.normal(size=(n_draws, len(TERMS))) @ root.T
        return np.asarray(self.centre + drawn @ _columns(waters).T, dtype=np.float32)


def update_surface(cups: Cups) -> SurfaceBelief:
    """The mild prior, updated by the cups so far (conjugate normal)."""
    mean, sd = _prior(cups.points)
    centre = float(cups.value.mean()) if len(cups.value) else cups.usual
    X = _columns(cups.waters)
    gain = np.diag(sd**2) @ X.T @ np.linalg.inv((X * sd**2) @ X.T + cups.noise)
    covariance = np.diag(sd**2) - gain @ (X * sd**2)
    return SurfaceBelief(
        centre=centre,
        coefficients=mean + gain @ (cups.value - centre - X @ mean),
        covariance=(covariance + covariance.T) / 2,
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
