"""Whether a figure that was given can be used at all."""

from __future__ import annotations

import math
from numbers import Real


def is_finite(value: object) -> bool:
    """Whether this is a number, and a finite one; text, None and NaN are not.

    Parameters
    ----------
    value : object
        Whatever was given.

    Examples
    --------
    >>> is_finite(1.5), is_finite("1.5"), is_finite(None), is_finite(float("nan"))
    (True, False, False, False)
    """
    try:
        return isinstance(value, Real) and math.isfinite(value)
    except OverflowError:  # a whole number that no float holds
        return False


def is_whole(value: object) -> bool:
    """Whether this is a whole number; True and False are none.

    Parameters
    ----------
    value : object
        Whatever was given.

    Examples
    --------
    >>> is_whole(3), is_whole(3.0), is_whole(3.5), is_whole("3"), is_whole(True)
    (True, True, False, False, False)
    """
    return is_finite(value) and not isinstance(value, bool) and value == int(value)  # type: ignore[call-overload]
