"""Numbers as they are stated: to so many significant digits, in per cent, rounded away from 0."""

from __future__ import annotations

import math


def percent(share: float) -> str:
    """A share of 1 in whole per cent.

    Parameters
    ----------
    share : float
        Between 0 and 1.

    Examples
    --------
    >>> percent(0.275)
    '28 %'
    """
    return f"{100 * share:.0f} %"


def counted(number: int, thing: str) -> str:
    """So many things, with the plural where there is not one.

    Parameters
    ----------
    number : int
        How many.
    thing : str
        One of them, with a regular plural.

    Examples
    --------
    >>> counted(1, "cup"), counted(3, "cup"), counted(0, "cup")
    ('1 cup', '3 cups', '0 cups')
    """
    return f"{number} {thing}{'s' * (number != 1)}"


def figure(value: float, digits: int = 3) -> str:
    """A number to so many significant digits, without an exponent.

    Parameters
    ----------
    value : float
        The number.
    digits : int
        Significant digits; whole numbers keep all of theirs.

    Examples
    --------
    >>> figure(1468.8), figure(0.0123456), figure(0.0), figure(80.0)
    ('1469', '0.0123', '0', '80')
    """
    if value == 0:
        return "0"
    rounded = float(f"{value:.{digits - 1}e}")
    text = f"{value:.0f}" if abs(rounded) >= 10 ** (digits - 1) else f"{rounded:.10f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def up(bound: float) -> float:
    """A bound to two significant digits, rounded away from 0: less would not hold it.

    Parameters
    ----------
    bound : float
        At least 0.

    Examples
    --------
    >>> up(0.0912), up(9.95), up(17.06), up(0.0)
    (0.092, 10.0, 18.0, 0.0)
    """
    if bound <= 0:
        return 0.0
    digits = 1 - math.floor(math.log10(bound))
    step = 10.0**-digits
    return round(math.ceil(bound / step - 1e-9) * step, max(digits, 0))
