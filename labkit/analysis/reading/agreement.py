"""Agreement of a whole panel: intraclass correlations, Kendall's W, waters against interaction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from labkit.analysis.model.coding import Floats
from labkit.boundary import checked
from labkit.errors import ReadingError


@dataclass(frozen=True, slots=True, kw_only=True)
class IntraclassCorrelations:
    """Shrout and Fleiss's six coefficients of a complete table, rows rated by all columns.

    References
    ----------
    Shrout, P. E. and Fleiss, J. L. (1979). Intraclass correlations: uses in assessing rater
    reliability. Psychol. Bull., 86, 420-428. Intervals as in McGraw, K. O. and Wong, S. P. (1996).
    Psychol. Methods, 1, 30-46.
    """

    one_way: float
    """ICC(1,1)."""

    one_way_mean: float
    """ICC(1,k)."""

    agreement: float
    """ICC(2,1): one taster like these, in absolute scores."""

    agreement_lo: float
    """Lower end of its 95 % interval; NaN if each taster scores all rows alike."""

    agreement_hi: float
    """Upper end."""

    agreement_mean: float
    """ICC(2,k): the mean of this many tasters, in absolute scores."""

    agreement_mean_lo: float
    """Lower end of its 95 % interval."""

    agreement_mean_hi: float
    """Upper end."""

    consistency: float
    """ICC(3,1)."""

    consistency_mean: float
    """ICC(3,k)."""

    mean_squares: tuple[float, float, float, float]
    """Between rows, within rows, between columns, residual."""


@checked(ReadingError)
def intraclass_correlations(table: Floats) -> IntraclassCorrelations:
    """Coefficients of agreement of a complete table.

    Parameters
    ----------
    table : ndarray, shape (n_waters, n_tasters)
        Mean scores in points, without holes.

    Returns
    -------
    IntraclassCorrelations
        One-way and two-way coefficients, of one taster and of the panel's mean.

    Raises
    ------
    ReadingError
        If there are fewer than two rows or columns, or holes.
    """
    table = np.asarray(table, dtype=np.float64)
    n, k = table.shape
    if n < 2 or k < 2 or not np.isfinite(table).all():
        raise ReadingError(
            f"agreement needs two waters scored by two tasters without holes, got {n} waters and "
            f"{k} tasters. Compare waters that everyone tasted."
        )
    table = table - table[0, 0]  # scores that are all alike are 0 then, whatever their rounding
    columns = table.mean(axis=0)
    level = table - table[0]
    rows, grand = level.mean(axis=1), level.mean()
    between = k * float(((rows - grand) ** 2).sum()) / (n - 1)
    raters = n * float(((columns - columns.mean()) ** 2).sum()) / (k - 1)
    within = float(((table - table.mean(axis=1)[:, None]) ** 2).sum()) / (n * (k - 1))
    left = level - rows[:, None] - level.mean(axis=0)[None] + grand
    error = float((left**2).sum()) / ((n - 1) * (k - 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        one = np.float64(between - within) / (between + (k - 1) * within)
        two = np.float64(between - error) / (between + (k - 1) * error + k * (raters - error) / n)
        three = np.float64(between - error) / (between + (k - 1) * error)
        lo, hi = _agreement_interval(n, k, between, raters, error, float(two))
        return IntraclassCorrelations(
            one_way=float(one),
            one_way_mean=float(np.float64(between - within) / between),
            agreement=float(two),
            agreement_lo=lo,
            agreement_hi=hi,
            agreement_mean=float(np.float64(between - error) / (between + (raters - error) / n)),
            agreement_mean_lo=_of_mean(lo, k),
            agreement_mean_hi=_of_mean(hi, k),
            consistency=float(three),
            consistency_mean=float(np.float64(between - error) / between),
            mean_squares=(between, within, raters, error),
        )


def _of_mean(icc: float, k: int) -> float:
    """Spearman and Brown's step from one taster to the mean of `k`.

    At -1/(k-1) it falls to minus infinity, and beyond would come back from above: an end of an
    interval that lies there stays below everything.
    """
    return -float("inf") if icc * (k - 1) <= -1 else icc * k / (1 + icc * (k - 1))


def _agreement_interval(
    n: int, k: int, between: float, raters: float, error: float, icc: float
) -> tuple[float, float]:
    if max(raters, error) <= 0 or not np.isfinite(icc):
        return icc, icc
    if max(between, error) <= 0:
        return float("nan"), float("nan")  # each taster scores all alike: F is 0/0
    # Below 0 the degrees of freedom would weigh a mean square negatively, down to none of them.
    icc = max(icc, 0.0)
    rest = n * (1 + (k - 1) * icc) - k * icc
    top = (k - 1) * (n - 1) * (k * icc * raters + rest * error) ** 2
    bottom = (n - 1) * (k * icc * raters) ** 2 + (rest * error) ** 2
    df = top / bottom
    low, high = special.fdtri(n - 1, df, 0.975), special.fdtri(df, n - 1, 0.975)
    rest = k * raters + (k * n - k - n) * error
    return (
        float(n * (between - low * error) / (low * rest + n * between)),
        float(n * (high * between - error) / (rest + n * high * between)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Concordance:
    """Kendall's W: do tasters rank the waters alike."""

    w: float
    """0 (no agreement) to 1 (the same ranking), corrected for ties."""

    p_value: float
    """Of 'rankings are unrelated', by the F approximation that holds for few tasters."""


@checked(ReadingError)
def kendall_w(table: Floats) -> Concordance:
    """Concordance of a complete table, ranked within each column.

    Parameters
    ----------
    table : ndarray, shape (n_waters, n_tasters)
        Scores or ranks, without holes.

    Returns
    -------
    Concordance
        W from 0 to 1, corrected for ties, and its p-value; NaN with fewer than two waters or
        tasters, or if every taster put all waters alike.

    References
    ----------
    Kendall, M. G. and Babington Smith, B. (1939). The problem of m rankings. Ann. Math. Stat.,
    10, 275-287.
    """
    table = np.asarray(table, dtype=np.float64)
    n, m = table.shape
    ranks = stats.rankdata(table, axis=0)
    totals = ranks.sum(axis=1)
    ties = sum(
        float((count**3 - count).sum())
        for count in (np.unique(column, return_counts=True)[1] for column in table.T)
    )
    bottom = m**2 * (n**3 - n) - m * ties
    if n < 2 or m < 2 or bottom <= 0:
        return Concordance(w=float("nan"), p_value=float("nan"))
    w = float(12 * ((totals - totals.mean()) ** 2).sum() / bottom)
    df = n - 1 - 2 / m
    if w >= 1:
        return Concordance(w=1.0, p_value=0.0)
    p = float(special.fdtrc(df, (m - 1) * df, (m - 1) * w / (1 - w))) if df > 0 else float("nan")
    return Concordance(w=w, p_value=p)


@dataclass(frozen=True, slots=True, kw_only=True)
class WatersAgainstInteraction:
    """Analysis of variance of a complete table with tasters random."""

    ms_water: float
    """Mean square of waters."""

    ms_taster: float
    """Mean square of tasters."""

    ms_interaction: float
    """Mean square of taster by water."""

    ms_repeat: float
    """Mean square of repeats; NaN without repeats."""

    f_water: float
    """Waters against interaction."""

    p_water: float
    """Its p-value."""

    f_interaction: float
    """Interaction against repeats; NaN without repeats."""

    p_interaction: float
    """Its p-value."""

    shares: Floats
    """Share of the disagreement that each taster makes, shape (n_tasters,)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Scores gathered by taster (rows) and water (columns)."""

    tasters: tuple[str, ...]
    """Names of the rows."""

    waters: tuple[str, ...]
    """Names of the columns."""

    mean: Floats
    """Mean score; NaN where a taster did not score a water. Shape (n_tasters, n_waters)."""

    count: Floats
    """Number of scores."""

    within: Floats
    """Sum of squares of the scores around their mean."""

    @classmethod
    def of(cls, tasters: ArrayLike, waters: ArrayLike, scores: ArrayLike) -> Cells:
        """Cells of one score per row, given who, which water and how much.

        Parameters
        ----------
        tasters, waters : array_like of str, shape (n_scores,)
            Who scored, and which water.
        scores : array_like of float, shape (n_scores,)
            Points on the scale.

        Returns
        -------
        Cells
            One row a taster, one column a water, both in alphabetical order.
        """
        people, row = np.unique(np.asarray(tasters, dtype=str), return_inverse=True)
        labels, column = np.unique(np.asarray(waters, dtype=str), return_inverse=True)
        value = np.asarray(scores, dtype=np.float64)
        shape = (len(people), len(labels))
        place, size = row * len(labels) + column, len(people) * len(labels)
        count = np.bincount(place, minlength=size).astype(np.float64)
        first = np.zeros(size)
        first[place] = value
        # From one of its own scores: a cell scored alike has this mean and no spread, exactly.
        total = np.bincount(place, value - first[place], size)
        mean = first + np.divide(total, count, out=np.full(size, np.nan), where=count > 0)
        within = np.bincount(place, (value - mean[place]) ** 2, size).astype(np.float64)
        return cls(
            tasters=tuple(map(str, people)),
            waters=tuple(map(str, labels)),
            mean=mean.reshape(shape),
            count=count.reshape(shape),
            within=within.reshape(shape),
        )


def waters_against_interaction(cells: Cells) -> WatersAgainstInteraction | None:
    """Analysis of variance over taster by water; None unless every taster scored every water.

    Unequal numbers of repeats are averaged within a cell and weighted by their harmonic mean.
    """
    table = cells.mean
    n_tasters, n_waters = table.shape
    if not np.isfinite(table).all() or n_tasters < 2 or n_waters < 2:
        return None
    repeats = float(cells.count.size / (1 / cells.count).sum())
    by_water, by_taster, grand = table.mean(axis=0), table.mean(axis=1), table.mean()
    left = table - by_water[None] - by_taster[:, None] + grand
    df_water, df_taster = n_waters - 1, n_tasters - 1
    df_interaction = df_water * df_taster
    df_repeat = int((cells.count - 1).sum())
    total = float((left**2).sum())
    if total < 1e-18 * max(float((table**2).sum()), 1e-300):
        total, left = 0.0, np.zeros_like(left)
    ms_water = repeats * n_tasters * float(((by_water - grand) ** 2).sum()) / df_water
    ms_interaction = repeats * total / df_interaction
    ms_repeat = float(cells.within.sum()) / df_repeat if df_repeat else float("nan")
    f_water = ms_water / ms_interaction if ms_interaction > 0 else float("nan")
    f_interaction = ms_interaction / ms_repeat if ms_repeat > 0 else float("nan")
    return WatersAgainstInteraction(
        ms_water=ms_water,
        ms_taster=repeats * n_waters * float(((by_taster - grand) ** 2).sum()) / df_taster,
        ms_interaction=ms_interaction,
        ms_repeat=ms_repeat,
        f_water=f_water,
        p_water=float(special.fdtrc(df_water, df_interaction, f_water)),
        f_interaction=f_interaction,
        p_interaction=float(special.fdtrc(df_interaction, df_repeat, f_interaction)),
        shares=(left**2).sum(axis=1) / total if total > 0 else np.zeros(n_tasters),
    )
