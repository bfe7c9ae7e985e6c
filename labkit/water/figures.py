"""Numbers as they are stated: to so many significant digits, in per cent, rounded away from 0."""

from __future__ import annotations

import math
from typing import Final

_MEASURED_TO: Final = 3
"""Figures to which a water is measured with a jug, a cylinder or a scale (common practice)."""


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


def measured_step_ml(volume_ml: float) -> float:
    """Step to which so much water is measured (mL): three figures, no finer than 1 mL.

    Parameters
    ----------
    volume_ml : float
        How much it is (mL).

    Examples
    --------
    >>> measured_step_ml(914.5), measured_step_ml(4572), measured_step_ml(18290)
    (1.0, 10.0, 100.0)
    """
    if volume_ml < 1:
        return 1.0
    return max(1.0, 10.0 ** (math.floor(math.log10(volume_ml) + 1e-12) + 1 - _MEASURED_TO))


def measured_ml(volume_ml: float) -> float:
    """So much water as it is measured (mL), the one rounding of it: form and paper print this.

    Parameters
    ----------
    volume_ml : float
        How much it is (mL).

    Examples
    --------
    >>> measured_ml(914.5), measured_ml(4572.3), measured_ml(18290)
    (915.0, 4570.0, 18300.0)
    """
    step = measured_step_ml(volume_ml)
    return math.floor(volume_ml / step + 0.5 + 1e-9) * step


def litres(volume_ml: float) -> str:
    """So much water as it is measured and printed, in mL or in L.

    Parameters
    ----------
    volume_ml : float
        How much it is (mL).

    Examples
    --------
    >>> litres(914.5), litres(4572.3), litres(18290), litres(1000)
    ('915 mL', '4.57 L', '18.3 L', '1 L')
    """
    measured = measured_ml(volume_ml)
    return f"{measured:.0f} mL" if measured < 1000 else f"{measured / 1000:g} L"


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
