"""Scales whose means say nothing: just about right, check all that apply, ranks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.contingency_tables import mcnemar
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from labkit.analysis.model.cleaning import blanks, must_be_filled, numbers, yes_or_no
from labkit.analysis.model.coding import Floats
from labkit.analysis.reading.agreement import kendall_w
from labkit.analysis.reading.many_tests import for_all
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.shown import Shown

ENOUGH_SHARE: Final = 0.2
"""Share of answers on one side from which its penalty is looked at (common practice)."""

ENOUGH_TASTERS: Final = 30
"""Tasters below which a penalty is not to be relied on (common practice)."""

PERMUTATIONS: Final = 10_000
"""Shuffles within tasters behind an exact-like p-value."""

FEW_ROWS: Final = 24
"""Tasters below which the chi-squared approximation gives way to shuffles."""

SIDES: Final = ("too little", "just right", "too much")


def _columns(frame: pd.DataFrame, names: tuple[str, ...]) -> None:
    missing = [name for name in names if name not in frame.columns]
    if missing or frame.empty:
        what = f"no column {', '.join(missing)}" if missing else "no row"
        raise ReadingError(
            f"answers must have the columns {', '.join(names)} and at least one row, got {what}. "
            "Add them."
        )
    must_be_filled(frame, [name for name in names if name in ("taster", "water", "term")], "answer")


@checked(ReadingError)
def just_about_right(answers: pd.DataFrame, *, seed: int | np.random.Generator) -> pd.DataFrame:
    """Shares of too little, just right and too much per water, and what each side costs.

    Parameters
    ----------
    answers : DataFrame
        ``taster, water, score`` (1..5, 3 = just right) and, if liking was asked, ``liking``.
    seed : int or numpy.random.Generator
        For the bootstrap over tasters.

    Returns
    -------
    DataFrame
        ``water, side, n, share, lo, hi, drop, drop_lo, drop_hi, net_effect, n_tasters``. Intervals
        of shares are Wilson's. ``drop`` is the mean liking of 'just right' minus that of the
        side, over all waters, given only where a side holds 20 % or more, its interval only with
        two tasters or more; ``net_effect`` is the drop times the share. No mean of the answers is
        ever given.

    Raises
    ------
    ReadingError
        If columns are missing, or a score is not 1 to 5.
    """
    rng = np.random.default_rng(seed)
    _columns(answers, ("taster", "water", "score"))
    answers = answers[~blanks(answers["score"])]
    wrong = ~answers["score"].isin([1, 2, 3, 4, 5])
    if wrong.any():
        raise ReadingError(
            "score must be 1 to 5 on a just-about-right scale (3 = just right), got "
            f"{answers.loc[wrong, 'score'].iloc[0]}. Correct it."
        )
    place = np.sign(answers["score"].to_numpy(dtype=np.float64) - 3).astype(int) + 1
    answers = answers.assign(side=np.array(SIDES)[place])
    n_tasters = answers["taster"].nunique()
    drops = {side: _drop(answers, side, rng) for side in (SIDES[0], SIDES[2])}
    overall = answers["side"].value_counts(normalize=True)
    rows = []
    for water, group in answers.groupby("water", sort=True):
        for side in SIDES:
            count = int((group["side"] == side).sum())
            lo, hi = proportion_confint(count, len(group), method="wilson")
            share = count / len(group)
            drop, drop_lo, drop_hi = drops.get(side, (np.nan,) * 3)
            if float(overall.get(side, 0.0)) < ENOUGH_SHARE:
                drop, drop_lo, drop_hi = (np.nan,) * 3
            rows.append(
                {
                    "water": water,
                    "side": side,
                    "n": count,
                    "share": share,
                    "lo": float(lo),
                    "hi": float(hi),
                    "drop": drop,
                    "drop_lo": drop_lo,
                    "drop_hi": drop_hi,
                    "net_effect": drop * share,
                    "n_tasters": n_tasters,
                }
            )
    return pd.DataFrame(rows)


@checked(ReadingError)
def with_liking(frame: pd.DataFrame, attribute: str) -> pd.DataFrame:
    """A just-about-right question out of a scores frame, ``overall`` beside it as ``liking``.

    Parameters
    ----------
    frame : DataFrame
        A scores frame.
    attribute : str
        The question, such as ``"acidity"``.

    Returns
    -------
    DataFrame
        ``taster, water, score, liking``, one row an answer; ``liking`` is NaN where the cup has
        no overall score.
    """
    cup = ["session", "flight", "taster", "position", "stage"]
    asked = frame[frame["attribute"].astype(str) == attribute]
    liked = frame[frame["attribute"].astype(str) == "overall"]
    liked = liked[[*cup, "score"]].rename(columns={"score": "liking"}).drop_duplicates(cup)
    joined = asked[[*cup, "water", "score"]].merge(liked, on=cup, how="left")
    return joined[["taster", "water", "score", "liking"]]


def _drop(answers: pd.DataFrame, side: str, rng: np.random.Generator) -> tuple[float, float, float]:
    nothing = (float("nan"),) * 3
    if "liking" not in answers.columns:
        return nothing
    known = answers.dropna(subset=["liking"])
    tasters = known["taster"].unique()
    sums = np.zeros((len(tasters), 4))
    for row, (_, group) in enumerate(known.groupby("taster", sort=False)):
        for column, which in ((0, SIDES[1]), (2, side)):
            liked = group.loc[group["side"] == which, "liking"]
            sums[row, column : column + 2] = liked.sum(), len(liked)
    total = sums.sum(axis=0)
    if total[1] == 0 or total[3] == 0:
        return nothing
    drop = float(total[0] / total[1] - total[2] / total[3])
    if len(tasters) == 1:  # always the same panel: an interval without a width
        return drop, *nothing[:2]
    picks = rng.integers(0, len(tasters), size=(2000, len(tasters)))
    drawn = sums[picks].sum(axis=1)
    drawn = drawn[(drawn[:, 1] > 0) & (drawn[:, 3] > 0)]
    values = drawn[:, 0] / drawn[:, 1] - drawn[:, 2] / drawn[:, 3]
    low, high = np.quantile(values, [0.025, 0.975])
    return drop, float(low), float(high)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedTerms(Shown):
    """Check-all-that-apply: which terms were ticked for which water."""

    shares: pd.DataFrame
    """``term, water, n, share, lo, hi`` with Wilson intervals."""

    terms: pd.DataFrame
    """``term, q, df, p, p_adjusted``: Cochran's Q over waters within tasters, corrected for the
    number of terms (Benjamini-Hochberg)."""

    pairs: pd.DataFrame
    """``term, water, other, p, p_adjusted``: exact McNemar tests, Holm within a term."""

    @property
    def apart(self) -> list[str]:
        """The terms that tell the waters apart."""
        return self.terms.loc[self.terms["p_adjusted"] < 0.05, "term"].astype(str).tolist()


@checked(ReadingError)
def check_all_that_apply(answers: pd.DataFrame, *, seed: int | np.random.Generator) -> CheckedTerms:
    """Analyse ticks, each taster on each water.

    Tasters who missed a water are left out of that term's test. A tick that is missing is not
    evidence of absence.

    Parameters
    ----------
    answers : DataFrame
        One row an answer: ``taster, water, term, ticked`` (bool).
    seed : int or numpy.random.Generator
        For the shuffles behind Cochran's Q, where there are few tasters.

    Returns
    -------
    CheckedTerms
        Shares with Wilson intervals, Cochran's Q of each term, McNemar's test of each pair.

    Raises
    ------
    ReadingError
        If columns are missing or all answers are blank.

    References
    ----------
    Cochran, W. G. (1950). The comparison of percentages in matched samples. Biometrika, 37,
    256-266; McNemar, Q. (1947). Note on the sampling error of the difference between correlated
    proportions or percentages. Psychometrika, 12, 153-157 (both from memory).
    """
    rng = np.random.default_rng(seed)
    _columns(answers, ("taster", "water", "term", "ticked"))
    ticked = yes_or_no(answers["ticked"])
    answers = answers.assign(ticked=ticked)[ticked.notna()].astype({"ticked": bool})
    if answers.empty:
        raise ReadingError("ticked must be given at least once, got blanks only. Fill it in.")
    shares, terms, pairs = [], [], []
    for term, group in answers.groupby("term", sort=True):
        table = group.pivot_table(
            index="taster", columns="water", values="ticked", aggfunc="max"
        ).astype(np.float64)
        for water in table.columns:
            ticks = table[water].dropna()
            lo, hi = proportion_confint(int(ticks.sum()), len(ticks), method="wilson")
            shares.append(
                {
                    "term": term,
                    "water": water,
                    "n": int(ticks.sum()),
                    "share": float(ticks.mean()),
                    "lo": float(lo),
                    "hi": float(hi),
                }
            )
        whole = table.dropna()
        q, p = cochran_q(whole.to_numpy(), rng=rng)
        terms.append({"term": term, "q": q, "df": whole.shape[1] - 1, "p": p})
        pairs += _mcnemar_pairs(str(term), whole)
    found = pd.DataFrame(terms)
    known = found["p"].notna()
    found["p_adjusted"] = np.nan
    if known.any():
        found.loc[known, "p_adjusted"] = multipletests(found.loc[known, "p"], method="fdr_bh")[1]
    columns = ["term", "water", "other", "p", "p_adjusted"]
    return CheckedTerms(
        shares=pd.DataFrame(shares), terms=found, pairs=pd.DataFrame(pairs, columns=columns)
    )


def _mcnemar_pairs(term: str, table: pd.DataFrame) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    waters = list(table.columns)
    values = table.to_numpy(dtype=bool)
    for i in range(len(waters)):
        for j in range(i + 1, len(waters)):
            one, two = values[:, i], values[:, j]
            p = _mcnemar(int((one & ~two).sum()), int((~one & two).sum()))
            rows.append({"term": term, "water": waters[i], "other": waters[j], "p": p})
    if rows:
        adjusted = for_all([float(str(row["p"])) for row in rows])
        for row, value in zip(rows, adjusted, strict=True):
            row["p_adjusted"] = float(value)
    return rows


@cache
def _mcnemar(only_one: int, only_other: int) -> float:
    """Exact p-value of how often one water alone was ticked, and the other: few differ."""
    return float(mcnemar([[0, only_one], [only_other, 0]], exact=True).pvalue)


def cochran_q(ticks: Floats, *, rng: np.random.Generator) -> tuple[float, float]:
    """Cochran's Q of a table of 0 and 1 (tasters x waters), and its p-value.

    With fewer than 24 tasters whose ticks differ, p comes from shuffles within tasters.
    """
    ticks = np.asarray(ticks, dtype=np.float64)
    ticks = ticks[(ticks.sum(axis=1) > 0) & (ticks.sum(axis=1) < ticks.shape[1])]
    k = ticks.shape[1]
    if not len(ticks) or k < 2:
        return float("nan"), float("nan")
    row = ticks.sum(axis=1)
    bottom = float((row * (k - row)).sum())

    def statistic(columns: Floats) -> Floats:
        spread = ((columns - columns.mean(axis=-1, keepdims=True)) ** 2).sum(axis=-1)
        return np.asarray(k * (k - 1) * spread / bottom)

    q = float(statistic(ticks.sum(axis=0)))
    if len(ticks) >= FEW_ROWS:
        return q, float(stats.chi2.sf(q, k - 1))
    return q, _shuffled_p(ticks, q, statistic, rng)


def _shuffled_p(table: Floats, seen: float, statistic, rng: np.random.Generator) -> float:  # type: ignore[no-untyped-def]
    shuffled = rng.permuted(np.broadcast_to(table, (PERMUTATIONS, *table.shape)), axis=2)
    values = statistic(shuffled.sum(axis=1))
    return float((1 + (values >= seen - 1e-9).sum()) / (1 + PERMUTATIONS))


@dataclass(frozen=True, slots=True, kw_only=True)
class RankTest:
    """Do tasters rank the waters differently from chance."""

    test: str
    """``'Friedman'`` (everyone ranked every water) or ``'Skillings-Mack'`` (incomplete blocks;
    for balanced ones it is Durbin's test)."""

    statistic: float
    """Chi-squared distributed when many tasters ranked."""

    df: int
    """Waters minus one."""

    p_value: float
    """From shuffles within tasters when there are fewer than 24, else chi-squared."""

    w: float
    """Kendall's W; NaN for incomplete blocks."""

    rank_sums: pd.Series[float]
    """Sum of ranks per water (1 = first place); for incomplete blocks, of weighted ranks."""


@checked(ReadingError)
def rank_test(ranks: pd.DataFrame, *, seed: int | np.random.Generator) -> RankTest:
    """Test ranks given by tasters.

    Parameters
    ----------
    ranks : DataFrame
        One row a rank: ``taster, water, rank`` (1 = first place, ties averaged).
    seed : int or numpy.random.Generator
        For the shuffles, where there are few tasters.

    Returns
    -------
    RankTest
        Friedman's test of a complete table, Skillings and Mack's of one with holes.

    Raises
    ------
    ReadingError
        If columns are missing, a rank is no number, or there are too few tasters or waters.

    References
    ----------
    Friedman, M. (1937). J. Am. Stat. Assoc., 32, 675-701; Durbin, J. (1951). Br. J. Psychol., 4,
    85-90; Skillings, J. H. and Mack, G. A. (1981). Technometrics, 23, 171-177.
    """
    rng = np.random.default_rng(seed)
    _columns(ranks, ("taster", "water", "rank"))
    places = numbers(ranks["rank"])
    if (~np.isfinite(places) & ~blanks(ranks["rank"])).any():
        raise ReadingError("rank must be a number, 1 for the first place, got text. Correct it.")
    ranks = ranks.assign(rank=places)
    table = ranks.pivot_table(index="taster", columns="water", values="rank")
    table = table[table.notna().sum(axis=1) > 1]
    if len(table) < 2 or table.shape[1] < 2:
        raise ReadingError(
            f"ranks must come from two tasters or more on two waters or more, got {len(table)} "
            f"and {table.shape[1]}. Ask more tasters.",
            field="ranks",
        )
    n_waters = table.shape[1]
    if table.notna().all().all():
        values = stats.rankdata(table.to_numpy(dtype=np.float64), axis=1)
        sums = pd.Series(values.sum(axis=0), index=table.columns)
        statistic = _friedman(values)
        p = float(stats.chi2.sf(statistic, n_waters - 1))
        if len(values) < FEW_ROWS:
            scale = statistic / max(float(((sums - sums.mean()) ** 2).sum()), 1e-300)

            def again(columns: Floats) -> Floats:
                spread = ((columns - columns.mean(axis=-1, keepdims=True)) ** 2).sum(axis=-1)
                return np.asarray(scale * spread)

            p = _shuffled_p(values, statistic, again, rng) if statistic > 0 else 1.0
        return RankTest(
            test="Friedman",
            statistic=statistic,
            df=n_waters - 1,
            p_value=p,
            w=kendall_w(values.T).w,
            rank_sums=sums,
        )
    return _skillings_mack(table, rng)


def _friedman(values: Floats) -> float:
    """Friedman's statistic with ties corrected; 0 if every taster tied everything."""
    if all(np.ptp(row) == 0 for row in values):
        return 0.0
    if values.shape[1] < 3:
        n, totals = len(values), values.sum(axis=0)
        top = 2 * ((totals - totals.mean()) ** 2).sum()
        bottom = n - (values[:, 0] == values[:, 1]).sum()
        return float(top / bottom)
    return float(stats.friedmanchisquare(*values.T).statistic)


def _skillings_mack(table: pd.DataFrame, rng: np.random.Generator) -> RankTest:
    values = table.to_numpy(dtype=np.float64)
    present = np.isfinite(values)
    sizes = present.sum(axis=1)
    scores = np.zeros_like(values)
    for row, here in enumerate(present):
        ranks = stats.rankdata(values[row, here])
        scores[row, here] = np.sqrt(12 / (sizes[row] + 1)) * (ranks - (sizes[row] + 1) / 2)
    together = present.astype(np.float64).T @ present
    covariance = -together
    np.fill_diagonal(covariance, together.sum(axis=1) - np.diag(together))
    inverse = np.linalg.pinv(covariance, hermitian=True)
    df = int(np.linalg.matrix_rank(covariance))

    def statistic(columns: Floats) -> Floats:
        return np.asarray(np.einsum("...i,ij,...j->...", columns, inverse, columns))

    totals = scores.sum(axis=0)
    seen = float(statistic(totals))
    p = float(stats.chi2.sf(seen, df))
    if len(values) < FEW_ROWS:
        drawn = np.zeros((PERMUTATIONS, values.shape[1]))
        for row, here in enumerate(present):
            own = np.broadcast_to(scores[row, here], (PERMUTATIONS, int(here.sum())))
            drawn[:, here] += rng.permuted(own, axis=1)
        p = float((1 + (statistic(drawn) >= seen - 1e-9).sum()) / (1 + PERMUTATIONS))
    return RankTest(
        test="Skillings-Mack",
        statistic=seen,
        df=df,
        p_value=p,
        w=float("nan"),
        rank_sums=pd.Series(totals, index=table.columns),
    )
