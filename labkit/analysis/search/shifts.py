"""How far whole flights and whole days lie apart, beyond what the waters of each explain.

Usually little. But a day on which everybody scored a point lower would, taken for usual, be read
as worse waters; so the spreads are weighed against the cups before anything else is.
"""

from __future__ import annotations

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
    apart = ((u[:, None] - u) ** 2).sum(axis=2)
    waters = LIKING_SD**2 * np.exp(-apart / (2 * LIKING_LENGTH**2))
    rest = noise + LEVEL_SD**2 + waters
    by_flight, by_day = flights @ flights.T, days @ days.T
    sds = FLIGHT_SDS, DAY_SDS if days.shape[1] > 1 else (0.0,)
    chances = FLIGHT_CHANCES, DAY_CHANCES if days.shape[1] > 1 else (1.0,)
    variances = np.array(list(product(*sds))) ** 2
    logs = np.log([one * other for one, other in product(*chances)])
    centred = value - value.mean()
    for at, (flight, day) in enumerate(variances):
        root = np.linalg.cholesky(rest + flight * by_flight + day * by_day)
        logs[at] -= np.log(root.diagonal()).sum()
        logs[at] -= (np.linalg.solve(root, centred) ** 2).sum() / 2
    weights = np.exp(logs - logs.max())
    flight, day = weights @ variances / weights.sum()
    return float(flight), float(day)
