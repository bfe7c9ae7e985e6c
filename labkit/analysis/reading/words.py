"""Words and minerals: which descriptors go with Mg share, hardness or alkalinity.

Each word is a logistic regression on the three coordinates with a level for each coffee, fitted by
generalised estimating equations with tasters as exchangeable clusters, bias-reduced errors and
Student's t; the same with jugs as clusters, and the wider of the two counts. In simulations with
four to twelve tasters this called 0 to 3 % of words linked where none was. A mixed logistic model
(statsmodels' variational fit) called 7 to 14 % of them linked: too many.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from importlib import resources
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit
from statsmodels.genmod.cov_struct import Exchangeable
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_estimating_equations import GEE
from statsmodels.stats.multitest import multipletests

from labkit.analysis.model.cleaning import (
    WATER_RULE,
    impossible_waters,
    must_be_filled,
    name_blanks,
    numbers,
    yes_or_no,
)
from labkit.analysis.model.coding import Bools, Floats
from labkit.analysis.one_thread import one_thread
from labkit.analysis.reading.many_tests import for_all
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.shown import Shown
from labkit.tasting import ALPHA
from labkit.water import COORDINATE, COORDINATES

NEEDED: Final = ("coffee", "session", "flight", "taster", "jug", "word", "is_checked", *COORDINATES)

STEPS: Final = {"mg_share": 0.5, "hardness_mg_l_caco3": 50.0, "alkalinity_mg_l_caco3": 20.0}
"""What an odds ratio is stated for: half the calcium replaced, so much more of the others."""

FEWEST_TASTERS: Final = 3
"""Tasters below which the spread between tasters cannot be judged."""

FEWEST_CHECKS: Final = 8
"""Cups with and cups without a word that it takes to fit three coordinates."""

SEPARATED: Final = 12.0
"""Log odds per coded unit beyond which a word is split by the coordinate without a mistake."""


def trade_sayings() -> pd.DataFrame:
    """What the trade says of minerals, in our own words; a row of one's own tests it too.

    All are marked "common practice": none has a single source, and none is taken as true.

    Returns
    -------
    DataFrame
        ``saying``; the ``factor`` it speaks of (less Mg share is more calcium); whether its words
        become likelier with ``more`` or ``less`` of it (``direction``); those ``words``, parted by
        semicolons, of which a cup must have one; and ``mark``, where the saying comes from.
    """
    with resources.files("labkit.analysis").joinpath("data", "sayings.csv").open() as file:
        return pd.read_csv(file)


class SayingVerdict(StrEnum):
    """What the cups make of a saying."""

    SUPPORTED = "supported"
    CONTRADICTED = "contradicted"
    UNKNOWN = "unknown"


class WhyUnlinked(StrEnum):
    """Why a word is not set against the minerals."""

    FEW_CUPS = "too few cups with or without it"
    FEW_TASTERS = "too few tasters"
    NOT_VARIED = "no coordinate varied"
    TOGETHER = "coordinates moved together"
    SPLIT = "split without an exception"
    NOT_OFFERED = "none of its words was offered"
    FACTOR_NOT_VARIED = "its coordinate did not vary"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlinked:
    """Why an answer cannot be set against the coordinates."""

    why: WhyUnlinked
    """The reason."""

    n: int = 0
    """How few cups or tasters there are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WordReadings(Shown):
    """Which words go with which mineral, and what that makes of the trade's sayings."""

    words: pd.DataFrame
    """One row a word and coordinate: ``word, factor, cups, checked, tasters, odds_ratio, lo, hi``
    (per step of ``STEPS``), ``p, p_adjusted`` (Benjamini-Hochberg over all rows), ``low, high``
    (levels of the coffees that tell), ``share_low, share_high`` (of cups expected to be checked
    there), and where there is no link ``why`` (a `WhyUnlinked`) and ``few``: how few."""

    sayings: pd.DataFrame
    """One row a saying: ``saying, factor, direction, words`` (those that were offered), ``named``
    (all of them), ``verdict`` (a `SayingVerdict`), then as in ``words``; ``p_adjusted`` is Holm's
    over all sayings."""

    n_tasters: int
    """Who checked words."""

    n_cups: int
    """Cups and tasters on which words were checked."""

    @property
    def linked(self) -> pd.DataFrame:
        """The rows of ``words`` that go together by more than chance."""
        return self.words[self.words["p_adjusted"] < ALPHA]


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """How one answer (checked or not) goes with one coordinate."""

    log_odds: float
    """Per natural unit of the coordinate."""

    se: float
    """Its standard error: the larger of those with tasters and with jugs as clusters."""

    df: float
    """Degrees of freedom of its t distribution."""

    low: float
    """Lowest level tasted of the coffees that tell: those with and without a check."""

    high: float
    """Highest level of them."""

    share_low: float
    """Share of their cups expected to be checked at the lowest level, all else as it was."""

    share_high: float
    """The same at the highest."""

    @property
    def p_value(self) -> float:
        """Of 'the word does not go with the coordinate'."""
        return float(2 * stats.t.sf(abs(self.log_odds) / self.se, self.df))

    def odds_ratio(self, step: float) -> tuple[float, float, float]:
        """Odds ratio per step, with its 95 % interval."""
        reach = float(stats.t.ppf(0.975, self.df)) * self.se
        ends = np.array([self.log_odds, self.log_odds - reach, self.log_odds + reach])
        one, lo, hi = np.exp(np.clip(ends * step, -20, 20))
        return float(one), float(lo), float(hi)


def link_factors(checked: Bools, cups: pd.DataFrame) -> dict[str, Link] | Unlinked:
    """Fit one answer against the coordinates that varied within a coffee.

    Parameters
    ----------
    checked : ndarray of bool, shape (n,)
        Whether the word was checked.
    cups : DataFrame, n rows
        ``client, coffee, session, taster, jug`` and the coordinates of each cup.

    Returns
    -------
    dict of str to Link, or Unlinked
        One link per coordinate that varied; why not if nothing can be fitted.

    References
    ----------
    Liang, K.-Y. and Zeger, S. L. (1986). Longitudinal data analysis using generalized linear
    models. Biometrika, 73, 13-22. Mancl, L. A. and DeRouen, T. A. (2001). A covariance estimator
    for GEE with improved small-sample properties. Biometrics, 57, 126-134.
    """
    coffee = cups["client"].astype(str) + " / " + cups["coffee"].astype(str)
    share = pd.Series(checked, index=cups.index).groupby(coffee).transform("mean").to_numpy()
    told = (share > 0) & (share < 1)
    y, cups, coffee = checked[told].astype(np.float64), cups[told], coffee[told]
    fewest = min(int(y.sum()), int(len(y) - y.sum()))
    if fewest < FEWEST_CHECKS:
        return Unlinked(why=WhyUnlinked.FEW_CUPS, n=fewest)
    people = cups["taster"].nunique()
    if people < FEWEST_TASTERS:
        return Unlinked(why=WhyUnlinked.FEW_TASTERS, n=people)
    natural = cups[list(COORDINATES)].to_numpy(dtype=np.float64)
    middles = cups[list(COORDINATES)].groupby(coffee).transform("mean").to_numpy()
    varied = [
        i
        for i, name in enumerate(COORDINATES)
        if np.ptp(natural[:, i] - middles[:, i]) > COORDINATE[name].settled
    ]
    if not varied:
        return Unlinked(why=WhyUnlinked.NOT_VARIED)
    spans = np.ptp(natural[:, varied], axis=0) / 2
    coded = (natural[:, varied] - natural[:, varied].mean(axis=0)) / spans
    levels = pd.get_dummies(coffee).to_numpy(dtype=np.float64)
    design = np.column_stack([levels, coded])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return Unlinked(why=WhyUnlinked.TOGETHER)
    jugs = cups["session"].astype(str) + " / " + cups["jug"].astype(str)
    by_taster = fit_words(y, design, cups["taster"].astype(str).to_numpy())
    by_jug = fit_words(y, design, jugs.to_numpy())
    if by_taster is None or np.abs(by_taster[0][-len(varied) :]).max() > SEPARATED:
        return Unlinked(why=WhyUnlinked.SPLIT)
    beta, covariance = by_taster
    links = {}
    for place, column in enumerate(varied):
        at = levels.shape[1] + place
        se, df = float(np.sqrt(covariance[at, at])), float(people - 1)
        if by_jug is not None:
            other, other_df = float(np.sqrt(by_jug[1][at, at])), float(jugs.nunique() - len(beta))
            if other_df > 0 and stats.t.ppf(0.975, other_df) * other > stats.t.ppf(0.975, df) * se:
                se, df = other, other_df
        shares = []
        for end in (coded[:, place].min(), coded[:, place].max()):
            moved = design.copy()
            moved[:, at] = end
            shares.append(float(expit(moved @ beta).mean()))
        links[COORDINATES[column]] = Link(
            log_odds=float(beta[at] / spans[place]),
            se=se / float(spans[place]),
            df=df,
            low=float(natural[:, column].min()),
            high=float(natural[:, column].max()),
            share_low=shares[0],
            share_high=shares[1],
        )
    return links


def fit_words(y: Floats, design: Floats, groups: Any) -> tuple[Floats, Floats] | None:
    """Coefficients and bias-reduced covariance with these clusters; None if it does not settle."""
    order = np.argsort(groups, kind="stable")
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        try:
            model = GEE(
                y[order],
                design[order],
                groups=groups[order],
                family=Binomial(),
                cov_struct=Exchangeable(),
            )
            fitted = model.fit(cov_type="bias_reduced", maxiter=100)
        except (np.linalg.LinAlgError, ValueError, FloatingPointError):
            return None
    beta, covariance = np.asarray(fitted.params), np.asarray(fitted.cov_params())
    settled = np.isfinite(beta).all() and np.isfinite(covariance).all()
    return (beta, covariance) if settled and (np.diag(covariance) > 0).all() else None


@checked(ReadingError)
def read_words(frame: pd.DataFrame, sayings: pd.DataFrame | None = None) -> WordReadings:
    """Test every word, and the trade's sayings, on the cups of one or more coffees.

    Parameters
    ----------
    frame : DataFrame
        The words frame: a row a cup, taster and word that could be checked, with ``word``,
        ``is_checked`` and the water of the cup (``LabBook.scores.opened_words``).
    sayings : DataFrame, optional
        ``saying, factor, direction`` ('more' or 'less'), ``words`` (parted by semicolons).

    Raises
    ------
    ReadingError
        If no word was offered, a column is missing, or a saying names no coordinate.
    """
    missing = [name for name in NEEDED if name not in frame]
    if missing or frame.empty:
        what = f"no column {', '.join(missing)}" if missing else "no row"
        raise ReadingError(
            f"words must have the columns of the words frame and at least one row, got {what}. "
            "Let tasters check descriptors in a session, lock and open it.",
            field="words",
        )
    must_be_filled(frame, ("session", "flight", "taster", "jug", "word"), "word")
    waters = np.column_stack([numbers(frame[name]) for name in COORDINATES])
    if not np.isfinite(waters).all() or impossible_waters(waters).any():
        raise ReadingError(
            f"the waters behind the words must be known ({WATER_RULE}), got one that is not. "
            "Correct it, or leave its rows out."
        )
    checked = yes_or_no(frame["is_checked"])
    frame = frame.assign(
        **dict(zip(COORDINATES, waters.T, strict=True)), is_checked=checked.eq(True)
    )[checked.notna()]
    if frame.empty:
        raise ReadingError(
            "is_checked must be given for at least one word, got none. Fill it in.",
            field="is_checked",
        )
    frame = frame.assign(
        coffee=name_blanks(frame["coffee"]).astype(str),
        client=name_blanks(frame["client"]).astype(str) if "client" in frame else "",
        word=frame["word"].astype(str).str.strip().str.lower(),
    )
    with one_thread():
        words = _corrected(
            [
                row
                for word, part in frame.groupby("word", sort=True)
                for row in _rows(str(word), part)
            ],
            "fdr_bh",
        )
        told = _sayings(frame, sayings)
    return WordReadings(
        words=words,
        sayings=told,
        n_tasters=frame["taster"].nunique(),
        n_cups=len(_cups(frame)),
    )


def _cups(frame: pd.DataFrame) -> pd.DataFrame:
    """One row a cup and taster, ``is_checked`` if any of the frame's words was checked on it."""
    keys = ["client", "coffee", "session", "flight", "taster", "jug", *COORDINATES]
    keys += [name for name in ("position", "blind_code") if name in frame]
    checked = frame.groupby(keys, sort=False, dropna=False)["is_checked"].any()
    return checked.reset_index()


def _rows(word: str, part: pd.DataFrame) -> list[dict[str, object]]:
    cups = _cups(part)
    checked = cups["is_checked"].to_numpy(dtype=bool)
    links = link_factors(checked, cups)
    about = {
        "word": word,
        "cups": len(cups),
        "checked": int(checked.sum()),
        "tasters": cups["taster"].nunique(),
    }
    if isinstance(links, Unlinked):
        return [about | {"factor": "", **_nothing(links)}]
    return [about | {"factor": factor, **_numbers(factor, link)} for factor, link in links.items()]


_NUMBERS: Final = (
    *("odds_ratio", "lo", "hi", "p", "p_adjusted", "low", "high", "share_low", "share_high"),
)


def _nothing(links: Unlinked) -> dict[str, object]:
    return {**dict.fromkeys(_NUMBERS, float("nan")), "why": links.why, "few": links.n}


def _numbers(factor: str, link: Link) -> dict[str, object]:
    ratio, lo, hi = link.odds_ratio(STEPS[factor])
    return {
        "odds_ratio": ratio,
        "lo": lo,
        "hi": hi,
        "p": link.p_value,
        "p_adjusted": float("nan"),
        "low": link.low,
        "high": link.high,
        "share_low": link.share_low,
        "share_high": link.share_high,
        "why": "",
        "few": 0,
    }


def _corrected(rows: Sequence[dict[str, object]], method: str) -> pd.DataFrame:
    table = pd.DataFrame(
        rows, columns=["word", "factor", "cups", "checked", "tasters", *_NUMBERS, "why", "few"]
    )
    known = table["p"].notna()
    if known.any():
        table.loc[known, "p_adjusted"] = multipletests(table.loc[known, "p"], method=method)[1]
    return table


def _sayings(frame: pd.DataFrame, sayings: pd.DataFrame | None) -> pd.DataFrame:
    columns = ["saying", "factor", "direction", "words", "named", "verdict", *_NUMBERS]
    columns += ["why", "few"]
    if sayings is None or sayings.empty:
        return pd.DataFrame(columns=columns)
    offered = set(frame["word"])
    rows = []
    for one in sayings.to_dict("records"):
        factor, direction = str(one["factor"]), str(one["direction"])
        if factor not in COORDINATES or direction not in ("more", "less"):
            raise ReadingError(
                f"sayings must name one of {', '.join(COORDINATES)} and 'more' or 'less', got "
                f"{factor!r} and {direction!r}. Correct the row '{one['saying']}'.",
                field="sayings",
            )
        named = [w for w in (w.strip().lower() for w in str(one["words"]).split(";")) if w]
        used = [word for word in named if word in offered]
        row = {"saying": one["saying"], "factor": factor, "direction": direction}
        row |= {"words": "; ".join(used), "named": "; ".join(named)}
        rows.append(row | _saying(frame, factor, used))
    table = pd.DataFrame(rows, columns=[c for c in columns if c != "verdict"])
    table["p_adjusted"] = for_all(table["p"])
    rises = table["odds_ratio"] > 1
    agrees = rises == (table["direction"] == "more")
    seen = table["p_adjusted"] < ALPHA
    shown = np.where(agrees, SayingVerdict.SUPPORTED, SayingVerdict.CONTRADICTED)
    table.insert(5, "verdict", np.where(seen, shown, SayingVerdict.UNKNOWN))
    return table


def _saying(frame: pd.DataFrame, factor: str, used: Sequence[str]) -> dict[str, object]:
    if not used:
        return _nothing(Unlinked(why=WhyUnlinked.NOT_OFFERED))
    cups = _cups(frame[frame["word"].isin(used)])
    links = link_factors(cups["is_checked"].to_numpy(dtype=bool), cups)
    if isinstance(links, Unlinked):
        return _nothing(links)
    if factor not in links:
        return _nothing(Unlinked(why=WhyUnlinked.FACTOR_NOT_VARIED))
    return _numbers(factor, links[factor])
