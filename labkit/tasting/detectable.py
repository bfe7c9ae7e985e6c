"""The smallest difference between two waters that a tasting shows.

One reckoning for the plan, which assumes its noise, and for the reading, whose cups estimate it.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from scipy import optimize, special

LARGEST: Final = 200.0
"""Standard errors beyond which a difference is not called detectable."""

FAR: Final = 35.0
"""Standard errors beyond which a difference counts as this many: the tables of t end near it."""

MANY: Final = 1e4
"""Degrees of freedom beyond which a variance counts as known."""

PARTS: Final = 40
"""Equally likely parts into which the uncertainty of a standard error is cut."""

ALPHA: Final = 0.05
"""Chance that a test claims a difference, of waters, tasters or words, where there is none."""


def detectable_difference(
    se: float,
    df: float,
    df_top: float,
    df_bottom: float,
    chance: float = 0.8,
    *,
    known: bool = False,
    alpha: float = ALPHA,
    span: float = math.inf,
) -> float:
    """Smallest difference that such cups call a winner with the given chance, score units.

    Parameters
    ----------
    se, df : float
        Standard error of the difference and the degrees of freedom it is judged with.
    df_top, df_bottom : float
        Of the F test.
    chance : float
        Of seeing it.
    known : bool
        Whether `se` is what the plan assumes, or else what the cups themselves estimate.
    alpha : float
        Of both tests.
    span : float
        Points from the lowest to the highest score of the scale.

    Returns
    -------
    float
        Infinite if no difference that fits on the scale would be seen.

    Notes
    -----
    A winner takes both tests of the reading, so the less likely of the two counts. Of all
    surfaces in which this comparison makes the difference, the one that is hardest to see has the
    non-centrality ``(difference / se)^2``; the others are seen at least as often. A standard
    error that is itself an estimate may be off: the chance is averaged over how far (chi-squared
    with ``df``), without which three tasters saw in half of the cases what was promised for 80 %.
    """
    df, df_bottom = min(df, MANY), min(df_bottom, MANY)
    critical_f = float(special.fdtri(df_top, df_bottom, 1 - alpha))
    critical_t = float(special.stdtrit(df, 1 - alpha / 2))
    places = (np.arange(PARTS) + 0.5) / PARTS
    off = np.ones(1) if known else np.sqrt(special.chdtri(df, 1 - places) / df)

    def short_of(size: float) -> float:
        root = np.minimum(size * off, FAR)
        by_f = 1 - special.ncfdtr(df_top, df_bottom, root**2, critical_f)
        by_t = 1 - special.nctdtr(df, root, critical_t)
        return float(np.minimum(by_f, by_t).mean()) - chance

    high = 4.0
    while not short_of(high) >= 0:
        high *= 2
        if high > LARGEST:
            return math.inf
    found = float(optimize.brentq(short_of, 1e-6, high, xtol=1e-4)) * se
    return found if found <= span else math.inf
