"""How half-widths of what is read or believed add up to an expanded uncertainty."""

from __future__ import annotations

import math

COVERAGE = 2.0
"""Coverage factor k: about 95 in 100 true values lie inside."""

ANALYSIS_HALF_WIDTH_PERCENT = 5.0
"""How far a base water may be thinner or thicker than its analysis says (%), common practice: as
good as a drop kit. A supply may drift further over a year: analyse it again."""


def expanded(*half_widths: float) -> float:
    """Expanded uncertainty (k = 2) from the half-widths of rectangular distributions.

    Each half-width a counts as a / √3 and they add in quadrature (GUM, JCGM 100:2008, 4.3.7).

    >>> round(expanded(1.0), 3)
    1.155
    """
    return COVERAGE * math.hypot(*half_widths) / math.sqrt(3)
