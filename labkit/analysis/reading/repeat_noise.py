"""How far a taster's scores of the same water lie apart, pooled over the panel, and tests by it.

With one hidden duplicate a taster has one degree of freedom, and whoever scores it alike has no
spread at all. So the spread is pooled over all tasters, and each one's own is drawn towards it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from labkit.analysis.model.coding import Floats
from labkit.analysis.reading.agreement import Cells

OWN_WEIGHT: Final = 12.0
"""Degrees of freedom that the panel's spread is worth against one taster's own, as in the search:
tasters whose SDs differ by about a fifth (the log of such variances varies like that of 12)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatNoise:
    """Spread of repeats, one entry a taster, in points squared.

    Notes
    -----
    A moderated variance: ``(w s0^2 + d s^2) / (w + d)`` of the taster's own ``s^2`` on `d` and the
    panel's ``s0^2`` on `D` degrees of freedom, tested with ``min(w + d, D)`` of them [1]_. `w` is
    assumed, as a panel of four with one repeat each cannot tell how unlike tasters are.

    References
    ----------
    .. [1] Smyth, G. K. (2004). Linear models and empirical Bayes methods for assessing
       differential expression in microarray experiments. Stat. Appl. Genet. Mol. Biol., 3, 3.
    """

    variance: Floats
    """Of one score of each taster, the panel's drawn in."""

    df: Floats
    """Its degrees of freedom; 0 if nobody scored a water twice."""

    @classmethod
    def of(cls, cells: Cells, *, least: float = 0.0, weight: float = OWN_WEIGHT) -> RepeatNoise:
        """Noise of the tasters of `cells`.

        Parameters
        ----------
        cells : Cells
            Scores by taster and water.
        least : float
            Variance below which no panel repeats itself, for `rounding`.
        weight : float
            Degrees of freedom of the panel's spread; with 0, each taster stands alone.
        """
        freedom = (cells.count - 1).clip(0).sum(axis=1)
        squares = cells.within.sum(axis=1)
        if not freedom.sum():
            return cls(variance=np.full(len(freedom), np.nan), df=np.zeros(len(freedom)))
        pooled = max(float(squares.sum() / freedom.sum()), least)
        with np.errstate(invalid="ignore"):
            variance = (weight * pooled + squares) / (weight + freedom)
        return cls(variance=variance, df=np.minimum(weight + freedom, freedom.sum()))

    def discrimination(self, row: int, cells: Cells) -> tuple[float, float]:
        """F of one taster's scores between waters over the noise, and its p-value.

        Parameters
        ----------
        row : int
            The taster's row in ``cells``.
        cells : Cells
            The means of all tasters.

        Returns
        -------
        f : float
            Spread between the waters over the taster's repeat noise.
        p_value : float
            Chance of such an F if the taster told no water apart.
        """
        scored = cells.count[row] > 0
        return self._spread(row, cells.mean[row, scored], 1 / cells.count[row, scored])

    def departure(self, row: int, cells: Cells) -> float:
        """p-value of 'this taster answers to the waters as the mean of the others does'.

        NaN where there is nothing to compare: no repeats, or neither noise nor a difference.

        Parameters
        ----------
        row : int
            The taster's row in ``cells``.
        cells : Cells
            The means of all tasters.
        """
        others, counts = np.delete(cells.mean, row, axis=0), np.delete(cells.count, row, axis=0)
        known = (cells.count[row] > 0) & (counts > 0).any(axis=0)
        mine = cells.mean[row, known]
        level = mine[:1]  # taken away first, so that scores that are all alike are exactly 0
        rest = np.nanmean(others[:, known] - level, axis=0) if known.any() else np.empty(0)
        with np.errstate(divide="ignore"):
            inverse = np.where(counts > 0, 1 / counts, 0.0)[:, known]
        theirs = (np.delete(self.variance, row)[:, None] * inverse).sum(axis=0)
        theirs /= (counts[:, known] > 0).sum(axis=0) ** 2
        if self.variance[row] > 0:
            theirs = theirs / self.variance[row]
        elif theirs.any():
            return float("nan")  # only the others' noise is known, not how it compares
        each = 1 / cells.count[row, known] + theirs
        return self._spread(row, mine - level - rest, each)[1]

    def _spread(self, row: int, values: Floats, each: Floats) -> tuple[float, float]:
        """Spread of values with variances `each`, in units of the taster's noise, as an F test."""
        noise, df = float(self.variance[row]), float(self.df[row])
        if df <= 0 or len(values) < 2:
            return float("nan"), float("nan")
        weights, values = 1 / each, values - values[0]
        middle = float(weights @ values / weights.sum())
        between = float(weights @ (values - middle) ** 2) / (len(values) - 1)
        if noise <= 0:
            return (float("inf"), 0.0) if between > 0 else (float("nan"), float("nan"))
        return between / noise, float(special.fdtrc(len(values) - 1, df, between / noise))


def rounding(scores: Floats) -> float:
    """Variance that the scale's steps alone give to a score: the smallest step squared over 12."""
    steps = np.diff(np.unique(scores))
    steps = steps[steps > 1e-9]
    return float(steps.min() ** 2 / 12) if len(steps) else 0.0
