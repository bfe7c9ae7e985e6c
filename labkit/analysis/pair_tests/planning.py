"""Before a discrimination test: how many answers it takes, and what a small panel can see."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from labkit.analysis.pair_tests.difference import (
    chance_of,
    check_count,
    check_share,
    share_right,
)
from labkit.analysis.pair_tests.preference import fewest_preferring
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.tasting import CONFIRMING, DIFFERENCE_TESTS, METHODS
from labkit.water import is_finite

MOST_LOOKED_AT: Final = 5000
"""Answers beyond which no sample size is looked for."""

ENOUGH: Final = 0.8
"""Usual chance of finding what is there (common practice)."""

SMALL: Final = 0.5
"""Below this chance a test is more likely to miss the difference than to find it."""

PREFERRING: Final = 0.75
"""Share of answers for the same water that a preference is foreseen for (common practice)."""


@checked(ReadingError, own_numbers=True)
def minimum_correct(method: str, n: int, alpha: float = 0.05) -> int | None:
    """Fewest right answers that beat guessing at this level.

    Parameters
    ----------
    method : str
        A difference test, such as ``"triangle"``.
    n : int
        Answers in all.
    alpha : float
        Level of the exact binomial test.

    Returns
    -------
    int or None
        None if not even all of them would do.

    Raises
    ------
    ReadingError
        If the method is unknown or a figure is impossible.
    """
    chance = chance_of(method)
    check_count("n", n)
    check_share("alpha", alpha, "0.05")
    return fewest_successes(n, chance, alpha)


@checked(ReadingError, own_numbers=True)
def fewest_successes(n: int, chance: float, alpha: float) -> int | None:
    """Smallest count whose exact upper tail is at most ``alpha``.

    Parameters
    ----------
    n : int
        Answers in all.
    chance : float
        Chance of a right answer by guessing.
    alpha : float
        Level of the test.

    Returns
    -------
    int or None
        None if not even ``n`` would do.
    """
    needed = int(critical_counts(np.array([n]), chance, alpha)[0])
    return needed if needed <= n else None


def critical_counts(n: NDArray[np.int_], chance: float, alpha: float) -> NDArray[np.int_]:
    """Smallest counts whose exact upper tail is at most ``alpha``; n + 1 where there is none."""
    counts = np.asarray(stats.binom.isf(alpha, n, chance), dtype=np.int_) + 1
    # isf may land one off where a tail equals alpha to the last digit.
    lower = stats.binom.sf(counts - 2, n, chance) <= alpha * (1 + 1e-12)
    return np.asarray(counts - lower, dtype=np.int_)


def _share_of_right(method: str, dprime: float | None, discriminators: float | None) -> float:
    chance = chance_of(method)
    if (dprime is None) == (discriminators is None):
        raise ReadingError(
            "the size must be given either as dprime or as discriminators, got "
            f"dprime={dprime} and discriminators={discriminators}. Give one of the two."
        )
    if dprime is not None:
        return share_right(method, dprime)
    if discriminators is None or not (is_finite(discriminators) and 0 <= discriminators <= 1):
        raise ReadingError(
            f"discriminators must be a share between 0 and 1, got {discriminators!r}. Give 0.3 "
            "for 30 %.",
            field="discriminators",
        )
    return chance + discriminators * (1 - chance)


def power(
    method: str,
    n: int,
    *,
    dprime: float | None = None,
    discriminators: float | None = None,
    alpha: float = 0.05,
) -> float:
    """Chance that ``n`` answers show a difference of this size (exact binomial)."""
    needed = minimum_correct(method, n, alpha)
    share = _share_of_right(method, dprime, discriminators)
    return 0.0 if needed is None else float(stats.binom.sf(needed - 1, n, share))


@checked(ReadingError, own_numbers=True)
def answers_needed(
    method: str,
    *,
    dprime: float | None = None,
    discriminators: float | None = None,
    alpha: float = 0.05,
    wanted: float = ENOUGH,
) -> tuple[int, int] | None:
    """Fewest answers with the wanted power, and the right ones it takes.

    The first number of answers that reaches the wanted power is given, as in the tables of
    ISO 4120 and ISO 10399; with a few answers more it may dip just below again.

    Parameters
    ----------
    method : str
        A difference test, such as ``"triangle"``.
    dprime, discriminators : float, optional
        The true difference: as d', or as the share (0 to 1) that tells the cups apart. One of the
        two.
    alpha : float
        Level of the test.
    wanted : float
        Power to reach, between 0 and 1.

    Returns
    -------
    tuple of int or None
        Answers, and how many of them must be right; None above 5000 answers.

    Raises
    ------
    ReadingError
        If the method is unknown or a figure is impossible.
    """
    share = _share_of_right(method, dprime, discriminators)
    chance = chance_of(method)
    check_share("alpha", alpha, "0.05")
    check_share("wanted", wanted, "0.8")
    return _fewest_answers(share, chance, alpha, wanted) if share > chance else None


@lru_cache(maxsize=128)  # a form asks for the same methods at each change
def _fewest_answers(
    share: float, chance: float, alpha: float, wanted: float
) -> tuple[int, int] | None:
    for first, last in ((1, 200), (201, MOST_LOOKED_AT)):
        n = np.arange(first, last + 1)
        counts = critical_counts(n, chance, alpha)
        enough = np.flatnonzero((counts <= n) & (stats.binom.sf(counts - 1, n, share) >= wanted))
        if len(enough):
            return int(n[enough[0]]), int(counts[enough[0]])
    return None


@checked(ReadingError, own_numbers=True)
def compare_tests(
    tasters: int, *, dprime: float = 1.0, answers_each: int = 1, alpha: float = 0.05
) -> pd.DataFrame:
    """What each method offers to a panel of this size.

    Parameters
    ----------
    tasters : int
        How many taste.
    dprime : float
        True difference that the test should see, as d'.
    answers_each : int
        Sets that each of them answers.
    alpha : float
        Level of the test.

    Returns
    -------
    DataFrame
        ``method, answers, cups, right_needed, chance_to_see, answers_for_80``, the most promising
        first. ``right_needed`` is missing if not even all right answers would do.

    Raises
    ------
    ReadingError
        If a count or a figure is impossible.
    """
    check_count("tasters", tasters)
    check_count("answers_each", answers_each)
    n = tasters * answers_each
    check_count("answers", n)
    rows = []
    for method in DIFFERENCE_TESTS.values():
        needed = minimum_correct(method.name, n, alpha)
        seen = power(method.name, n, dprime=dprime, alpha=alpha)
        enough = answers_needed(method.name, dprime=dprime, alpha=alpha)
        rows.append(
            {
                "method": method.name,
                "answers": n,
                "cups": n * method.cups,
                "right_needed": needed,
                "chance_to_see": seen,
                "answers_for_80": None if enough is None else enough[0],
            }
        )
    table = pd.DataFrame(rows).sort_values("chance_to_see", ascending=False, kind="stable")
    return table.reset_index(drop=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreseen:
    """What a test of two waters would likely tell with a panel."""

    method: str
    """How the cups are served."""

    counted: int
    """What would be counted: answers, pairs, or tasters in a paired preference."""

    needed: int | None
    """How many of them show something; None if not even all do."""

    chance: float
    """Chance that they do, if what is foreseen is there."""

    enough: int | None
    """How many have a chance of 80 %; None where that is not looked for, or above 5000."""

    share: float
    """What is foreseen: the share of right answers, or of those who prefer the same water."""


@checked(ReadingError, own_numbers=True)
def foresee(method: str, tasters: int, *, answers_each: int = 1, dprime: float = 1.0) -> Foreseen:
    """What a test would likely tell with this panel, for any method that is served.

    A paired preference counts each taster once, a confirming one each pair; both are foreseen for
    three in four preferring the same water, the others for a difference of ``dprime``.

    Parameters
    ----------
    method : str
        Any method that is served: a difference test, a paired or a confirming preference.
    tasters : int
        How many taste.
    answers_each : int
        Sets or pairs that each of them answers.
    dprime : float
        True difference that a difference test should see, as d'.

    Returns
    -------
    str
        One or two sentences.

    Raises
    ------
    ReadingError
        If the method is unknown or a count is impossible.
    """
    if method in DIFFERENCE_TESTS:
        check_count("tasters", tasters)
        check_count("answers_each", answers_each)
        n = tasters * answers_each
        check_count("answers", n)
        wanted = answers_needed(method, dprime=dprime)
        return Foreseen(
            method=method,
            counted=n,
            needed=minimum_correct(method, n),
            chance=power(method, n, dprime=dprime),
            enough=None if wanted is None else wanted[0],
            share=share_right(method, dprime),
        )
    if method == CONFIRMING:
        n = tasters * answers_each
        needed = fewest_preferring(n, first_named=True)
        seen = 0.0 if needed is None else float(stats.binom.sf(needed - 1, n, PREFERRING))
        return Foreseen(
            method=method, counted=n, needed=needed, chance=seen, enough=None, share=PREFERRING
        )
    if method not in METHODS:
        raise ReadingError(
            f"method must be one of {', '.join(METHODS)}, got {method!r}. Choose one of them.",
            field="method",
        )
    needed, seen = fewest_preferring(tasters), preference_power(tasters)
    enough = None
    if needed is not None and seen < ENOUGH:
        enough = next(n for n in range(tasters, MOST_LOOKED_AT) if preference_power(n) >= ENOUGH)
    return Foreseen(
        method=method, counted=tasters, needed=needed, chance=seen, enough=enough, share=PREFERRING
    )


def preference_power(tasters: int, *, alpha: float = 0.05) -> float:
    """Chance that so many tasters show a preference that three in four have (two-sided)."""
    needed = fewest_preferring(tasters, alpha)
    if needed is None:
        return 0.0
    right, wrong = stats.binom.sf(needed - 1, tasters, [PREFERRING, 1 - PREFERRING])
    return float(right + wrong)
