"""How far whole flights and whole days lie apart, beyond what the waters of each explain.

Usually little. But a day on which everybody scored a point lower would, taken for usual, be read
as worse waters; so the spreads are weighed against the cups before anything else is. So is the
noise of one taster alone, whose cups nobody else scored.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Final

import numpy as np

from labkit.analysis.model.coding import Floats

# All in points of a 1-9 scale; other scales in proportion to their width (common practice: what
# small trained panels show on it; the wide ones are accidents: a new kettle, a cold, a changed
# use of the scale).
FLIGHT_SD: Final = 0.15
FLIGHT_SDS: Final = (FLIGHT_SD, 0.4, 1.0)
FLIGHT_CHANCES: Final = (0.92, 0.05, 0.03)
DAY_SDS: Final = (0.15, 0.4, 1.0)
DAY_CHANCES: Final = (0.5, 0.35, 0.15)

OWN_SDS: Final = (0.2, 0.3, 0.45, 0.65, 0.85, 1.1, 1.4, 1.8, 2.4)
"""To within what one taster may repeat a score, in even steps of its logarithm, nearly."""

LEVEL_SD: Final = 3.0
LIKING_SD: Final = 0.6
"""Between waters far apart."""
LIKING_LENGTH: Final = 0.5
"""Distance over which liking changes, in shares of the standard ranges."""


def shift_variances(
    value: Floats,
    noise: Floats,
    u: Floats,
    *,
    flights: Floats,
    days: Floats,
) -> tuple[float, float]:
    """Variances of whole flights and of whole days, averaged over what the cups make of them.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Values of the cups, in points of a 1-9 scale.
    noise : ndarray, shape (n, n)
        Their covariance without the shifts.
    u : ndarray, shape (n, 3)
        Waters in shares of the standard ranges.
    flights, days : ndarray of 0 and 1, shape (n, n_flights) and (n, n_days)
        Which flight and which day each cup belongs to.

    Notes
    -----
    Empirical Bayes over a small grid: what the waters are worth counts as a Gaussian process, so
    that each pair of spreads has a marginal likelihood in closed form.
    """
    rest = noise + _worth(u)
    by_flight, by_day = flights @ flights.T, days @ days.T
    sds = FLIGHT_SDS, DAY_SDS if days.shape[1] > 1 else (0.0,)
    chances = FLIGHT_CHANCES, DAY_CHANCES if days.shape[1] > 1 else (1.0,)
    variances = np.array(list(product(*sds))) ** 2
    logs = np.log([one * other for one, other in product(*chances)])
    for at, (flight, day) in enumerate(variances):
        logs[at] += _log_chance(value, rest + flight * by_flight + day * by_day)
    weights = np.exp(logs - logs.max())
    flight, day = weights @ variances / weights.sum()
    return float(flight), float(day)


def own_variance(
    heard: Callable[[float], tuple[Floats, Floats]], u: Floats, *, usual: float, weight: float
) -> float:
    """Repeat variance of one taster alone, averaged over what the cups make of it.

    Parameters
    ----------
    heard : callable
        Of a repeat variance: values of the cups, in points of a 1-9 scale, and their covariance,
        shape (n,) and (n, n).
    u : ndarray, shape (n, 3)
        Waters in shares of the standard ranges.
    usual : float
        The variance to expect, in points squared.
    weight : float
        Degrees of freedom that it is worth.

    Notes
    -----
    Nobody else scored the cups, and few waters are poured twice. But neighbours are liked alike, by
    the same Gaussian process as above, so that every cup tells something of the noise; the usual
    one is its scaled inverse chi-squared prior.
    """
    variances = np.array(OWN_SDS) ** 2
    logs = -weight / 2 * (np.log(variances) + usual / variances)
    worth = _worth(u)
    for at, variance in enumerate(variances.tolist()):
        value, noise = heard(variance)
        logs[at] += _log_chance(value, noise + worth)
    weights = np.exp(logs - logs.max())
    return float(weights @ variances / weights.sum())


def _worth(u: Floats) -> Floats:
    """Covariance of what waters are worth, shape (n, n)."""
    apart = ((u[:, None] - u) ** 2).sum(axis=2)
    return np.asarray(LEVEL_SD**2 + LIKING_SD**2 * np.exp(-apart / (2 * LIKING_LENGTH**2)))


def _log_chance(value: Floats, covariance: Floats) -> float:
    """Log density of values around their mean, but for what all covariances share."""
    root = np.linalg.cholesky(covariance)
    left = np.linalg.solve(root, value - value.mean())
    return float(-np.log(root.diagonal()).sum() - left @ left / 2)
