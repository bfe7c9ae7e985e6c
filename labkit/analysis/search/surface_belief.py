"""The first engine: the fitted second-order surface, and a mild prior on what it cannot tell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from labkit.analysis.model.coding import Floats, second_order_terms, term_matrix
from labkit.analysis.model.surface import Surface
from labkit.analysis.search.cups import Cups
from labkit.analysis.search.shapes import unit

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

    @property
    def loss_scale(self) -> float:
        """The loss that its draws expect is stated as it is."""
        return 1.0

    @property
    def gain_scale(self) -> float:
        """So is the gain of a flight."""
        return 1.0

    def expected(self, waters: Floats) -> Floats:
        """Expected scores, shape (n,)."""
        return np.asarray(self.centre + _columns(waters) @ self.coefficients)

    def draws(
        self, waters: Floats, n_draws: int, *, rng: np.random.Generator
    ) -> NDArray[np.float32]:
        """Possible truths, equally likely, shape (n_draws, n)."""
        values, vectors = np.linalg.eigh(self.covariance)
        # The symmetric root: any other would turn with the vectors that a processor chooses.
        root = (vectors * np.sqrt(np.clip(values, 0, None))) @ vectors.T
        drawn = self.coefficients + rng.normal(size=(n_draws, len(TERMS))) @ root
        return np.asarray(self.centre + drawn @ _columns(waters).T, dtype=np.float32)


def surface_belief(cups: Cups, fitted: Surface | None) -> SurfaceBelief:
    """The mild prior, updated by a fitted surface, or by the cups where nothing could be fitted.

    A fitted surface may have fewer terms than there are coefficients. What it estimates is then
    its own terms and their share of the others (the alias matrix [1]_); the prior tells the rest.

    References
    ----------
    .. [1] Box, G. E. P., Wilson, K. B. (1951). On the experimental attainment of optimum
       conditions. J. Royal Statist. Soc. B, 13, 1-45.
    """
    mean, sd = _prior(cups.points)
    centre = float(cups.value.mean()) if len(cups.value) else cups.usual
    if fitted is None:
        told, seen, noise = cups.value - centre, _columns(cups.waters), cups.noise
    else:
        n = len(fitted.coefficients)
        seen = (np.linalg.pinv(fitted.model.fixed) @ _columns(fitted.scores.waters))[:n]
        told = fitted.coefficients - centre * np.eye(n)[0]
        noise = _panel_covariance(fitted, len(cups.tasters))
    gain = np.diag(sd**2) @ seen.T @ np.linalg.pinv((seen * sd**2) @ seen.T + noise)
    covariance = np.diag(sd**2) - gain @ (seen * sd**2)
    return SurfaceBelief(
        centre=centre,
        coefficients=mean + gain @ (told - seen @ mean),
        covariance=(covariance + covariance.T) / 2,
    )


def _panel_covariance(fitted: Surface, n_tasters: int) -> Floats:
    """Covariance of the coefficients for this very panel: its own mean level is no chance."""
    covariance = fitted.covariance.copy()
    names = [component.name for component in fitted.fit.components]
    if "taster" in names:
        level = fitted.fit.variance_of("taster") / n_tasters
        covariance[0, 0] = max(covariance[0, 0] - level, 0.1 * covariance[0, 0])
    return covariance


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
