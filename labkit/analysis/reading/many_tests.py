"""p-values of several tests at once, so that chance is not taken for one of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from labkit.analysis.model.coding import Floats


def for_all(p_values: ArrayLike) -> Floats:
    """Holm's adjustment of those p-values that are known; NaN for the others.

    By hand, as statsmodels' collects all garbage at each call: up to a tenth of a second.
    """
    found = np.array(p_values, dtype=np.float64)
    order = np.argsort(found)[: int(np.isfinite(found).sum())]
    steps = found[order] * np.arange(len(order), 0, -1)
    found[order] = np.maximum.accumulate(steps).clip(max=1)
    return found
