"""The alkalinity at which acidity is neither too sharp nor too flat, from just-about-right answers.

Answers are read as -1 (too flat), 0 (just right), 1 (too sharp). The mean of that is the share that
says too sharp less the share that says too flat: where it crosses zero, the two balance.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from labkit.analysis.model.noted import Note
from labkit.analysis.model.scores import attributes_of, gather_scores
from labkit.analysis.model.surface import fit_surface
from labkit.analysis.one_thread import one_thread
from labkit.analysis.reading import views
from labkit.analysis.reading.coffee import SEED
from labkit.analysis.reading.special_scales import (
    SIDES,
    just_about_right,
)
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.noted import Noted, noted
from labkit.shown import Shown
from labkit.tasting import SCALES

FACTOR: Final = "alkalinity_mg_l_caco3"
FLAT: Final = "too flat"
RIGHT: Final = "just right"
SHARP: Final = "too sharp"
OF_ACIDITY: Final = dict(zip(SIDES, (FLAT, RIGHT, SHARP), strict=True))
"""The sides of the scale in the words of acidity."""

POINTS: Final = 241
"""Alkalinities at which the curve is drawn and the interval is looked for."""

CUP: Final = ["session", "flight", "taster", "jug", "position", "blind_code"]


class BalanceKind(StrEnum):
    """What the answers tell of the alkalinity that balances acidity."""

    TOLD = "told"
    ANY_LEVEL = "any level tasted may be it"
    LIES_ABOVE = "above what was tasted"
    LIES_BELOW = "below what was tasted"
    NOT_TOLD = "not told"
    NO_CURVE = "no curve"


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance(Shown):
    """How sharp and how flat one coffee tasted, and the alkalinity that balances the two."""

    coffee: str
    """Which coffee."""

    attribute: str
    """The just-about-right question."""

    shares: pd.DataFrame
    """One row an alkalinity tasted and side: ``alkalinity_mg_l_caco3, n_answers, side, n, share,
    lo, hi`` (Wilson; tasters' own levels not allowed for)."""

    penalties: pd.DataFrame
    """One row a side: ``side, n, share, drop, drop_lo, drop_hi, net_effect``. ``drop`` is
    the mean liking of 'just right' less that of the side; missing below 20 % of the answers, and
    its interval with a single taster."""

    curve: pd.DataFrame
    """Share too sharp less share too flat along alkalinity: ``alkalinity_mg_l_caco3, mean, lo,
    hi``, the other coordinates at the middle of what was tasted. Empty if there was no curve."""

    alkalinity_mg_l_caco3: float
    """Where the two balance; NaN if these cups do not tell."""

    lo: float
    """Lower end of its 95 % interval (the levels at which balance is not refuted); NaN where it
    reaches the end of what was tasted, so that none is known."""

    hi: float
    """Upper end, likewise."""

    kind: BalanceKind
    """What the answers tell."""

    crossing: float
    """Where the curve crosses zero, told or not; NaN where it does not."""

    share_sharp: float
    """Share of all answers that are too sharp."""

    share_flat: float
    """Share that is too flat."""

    n_tasters: int
    """Who answered."""

    cannot_tell: tuple[Noted[Note], ...]
    """What kept a curve from being drawn, one sentence each."""


@checked(ReadingError)
def right_questions(frame: pd.DataFrame) -> list[str]:
    """Just-about-right attributes of a scores frame, those about acidity first.

    Parameters
    ----------
    frame : DataFrame
        A scores frame.
    """
    middle = [name for name, scale in SCALES.items() if scale.middle_is_best]
    asked = attributes_of(frame[frame["scale"].astype(str).isin(middle)]) if len(frame) else []
    return sorted(asked, key=lambda name: "acid" not in name.lower())


@checked(ReadingError)
def balance_acidity(
    frame: pd.DataFrame,
    attribute: str | None = None,
    *,
    liking: str = "overall",
    seed: int | np.random.Generator | None = None,
) -> Balance:
    """Read the just-about-right answers on acidity of one coffee.

    Parameters
    ----------
    frame : DataFrame
        The scores frame of one coffee.
    attribute : str, optional
        The just-about-right question; the first one about acidity unless given.
    liking : str
        The attribute that penalties are counted in.
    seed : int or numpy.random.Generator, optional
        For the bootstrap behind the penalties; a fixed seed unless given.

    Raises
    ------
    ReadingError
        If nobody answered such a question.

    Notes
    -----
    The curve is the same mixed model as of any score (tasters, flights and jugs as chance); the
    interval is the set of levels at which its 95 % band holds zero: Fieller's, with small-sample
    errors [1]_. A bootstrap over four to eight tasters would draw few different panels, and would
    hide an interval without an end.

    References
    ----------
    .. [1] Fieller, E. C. (1954). Some problems in interval estimation. J. R. Stat. Soc. B, 16,
       175-185.
    """
    rng = np.random.default_rng(SEED if seed is None else seed)
    asked = right_questions(frame)
    name = attribute if attribute is not None else (asked[0] if asked else "")
    if name not in asked:
        raise ReadingError(
            f"attribute must be a just-about-right question that was answered, got {name!r}; "
            f"answered: {', '.join(asked) or 'none'}. Ask one in a session, lock and open it.",
            field="attribute",
        )
    answers = gather_scores(frame, name)
    side = np.sign(answers.score - 3)
    curve, cannot_tell = _curve(frame, name)
    kind, at, lo, hi, crossing = _crossing(curve)
    return Balance(
        coffee=str(answers.frame["coffee"].iloc[0]),
        attribute=name,
        shares=_shares(answers.frame.assign(side=side)),
        penalties=_penalties(answers.frame, frame, liking, rng),
        curve=curve,
        alkalinity_mg_l_caco3=at,
        lo=lo,
        hi=hi,
        kind=kind,
        crossing=crossing,
        share_sharp=float(np.mean(side > 0)),
        share_flat=float(np.mean(side < 0)),
        n_tasters=len(np.unique(answers.tasters)),
        cannot_tell=tuple(dict.fromkeys(cannot_tell)),
    )


def _shares(frame: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for level, part in frame.groupby(frame[FACTOR].round(0), sort=True):
        for value, name in zip((-1, 0, 1), (FLAT, RIGHT, SHARP), strict=True):
            n = int((part["side"] == value).sum())
            lo, hi = proportion_confint(n, len(part), method="wilson")
            rows.append(
                {
                    FACTOR: float(str(level)),
                    "n_answers": len(part),
                    "side": name,
                    "n": n,
                    "share": n / len(part),
                    "lo": float(lo),
                    "hi": float(hi),
                }
            )
    return pd.DataFrame(rows)


def _penalties(
    answered: pd.DataFrame, frame: pd.DataFrame, liking: str, rng: np.random.Generator
) -> pd.DataFrame:
    """Penalties over all cups, by the sides of acidity."""
    # The mean of a cup that was asked about at several stages may lie between two answers.
    answers = answered[CUP].assign(water="every water", score=np.sign(answered["score"] - 3) + 3)
    try:
        liked = gather_scores(frame, liking).frame[[*CUP, "score"]]
    except ReadingError:
        pass  # shares can be told without liking
    else:
        liked = liked.rename(columns={"score": "liking"})
        answers = answers.merge(liked, on=CUP, how="left")
    table = just_about_right(answers, seed=rng)
    table["side"] = table["side"].map(OF_ACIDITY)
    return table[["side", "n", "share", "drop", "drop_lo", "drop_hi", "net_effect"]]


def _curve(frame: pd.DataFrame, name: str) -> tuple[pd.DataFrame, tuple[Noted[Note], ...]]:
    """Too sharp less too flat along alkalinity, and what could not be told on the way."""
    empty = pd.DataFrame(columns=[FACTOR, "mean", "lo", "hi"], dtype=np.float64)
    own = frame[frame["attribute"].astype(str) == name]
    signs = gather_scores(own.assign(score=np.sign(own["score"] - 3), scale=""), name)
    if np.ptp(signs.score) == 0:
        return empty, ()
    try:
        with one_thread():
            surface = fit_surface(signs)
    except (ReadingError, np.linalg.LinAlgError) as error:
        return empty, (noted(Note.NO_CURVE, why=str(error)),)
    names = surface.coding.names
    if FACTOR not in names or not any(names.index(FACTOR) in term for term in surface.terms):
        return empty, surface.model.cannot_tell
    drawn = views.curve(surface, FACTOR, n=POINTS)
    return drawn[[FACTOR, "mean", "lo", "hi"]], ()


def _crossing(curve: pd.DataFrame) -> tuple[BalanceKind, float, float, float, float]:
    """What the curve tells, where it balances with the ends of the interval, where it crosses.

    It balances where it falls through zero; the interval are the levels at which its band holds
    zero.
    """
    nan = float("nan")
    if curve.empty:
        return BalanceKind.NO_CURVE, nan, nan, nan, nan
    level, mean, lo, hi = curve.to_numpy(dtype=np.float64).T
    apart = (lo > 0) | (hi < 0)
    falls = np.flatnonzero((mean[:-1] > 0) & (mean[1:] <= 0))
    if not len(falls):
        kind = BalanceKind.NOT_TOLD
        kind = BalanceKind.LIES_ABOVE if (lo > 0).all() else kind
        kind = BalanceKind.LIES_BELOW if (hi < 0).all() else kind
        return kind, nan, nan, nan, nan
    first = int(falls[0])
    part = mean[first] / (mean[first] - mean[first + 1])
    at = float(level[first] + part * (level[first + 1] - level[first]))
    below = np.flatnonzero(apart[: first + 1])
    above = np.flatnonzero(apart[first + 1 :]) + first + 1
    start = float(level[below[-1]]) if len(below) else nan
    stop = float(level[above[0]]) if len(above) else nan
    if np.isnan(start) and np.isnan(stop):
        return BalanceKind.ANY_LEVEL, nan, nan, nan, at
    return BalanceKind.TOLD, at, start, stop, at
