"""Whether a figure that was given can be used at all."""

from __future__ import annotations

import math
from numbers import Real


def is_finite(value: object) -> bool:
    """Whether this is a number, and a finite one; text, None and NaN are not.

    >>> is_finite(1.5), is_finite("1.5"), is_finite(None), is_finite(float("nan"))
    (True, False, False, False)
    """
    return isinstance(value, Real) and math.isfinite(value)
