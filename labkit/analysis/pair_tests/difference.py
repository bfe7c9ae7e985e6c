"""Discrimination tests: can anyone taste the change, how large is it, is it small enough.

Triangle, duo-trio, tetrad, 2-AFC and 3-AFC with exact binomial tests; how many answers to ask for
lives in ``planning``, preferences in ``preference``, the methods in ``labkit.tasting``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import pandas as pd
from scipy import integrate, optimize, stats
from scipy.special import ndtr

from labkit.analysis.model.cleaning import must_be_filled, yes_or_no
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.tasting import DIFFERENCE_TESTS
from labkit.water import is_finite, is_whole

MOST_ANSWERS: Final = 100_000
"""Answers beyond which a count is a slip."""

LARGEST_DPRIME: Final = 12.0
"""Beyond this nobody is ever wrong."""

FEWEST_REPEATING: Final = 4
"""Tasters who answered several times below which no interval is given."""


def chance_of(method: str) -> float:
    """Chance of a right answer by guessing, or a sentence naming the difference tests."""
    if method not in DIFFERENCE_TESTS:
        raise ReadingError(
            f"method must be one of {', '.join(DIFFERENCE_TESTS)}, got {method!r}. "
            "Choose one of them.",
            field="method",
        )
    return DIFFERENCE_TESTS[method].guessing


def _density(z: float) -> float:
    return math.exp(-z * z / 2) / math.sqrt(2 * math.pi)


def _triangle(d: float) -> float:
    up, shift = math.sqrt(3), d * math.sqrt(2 / 3)

    def inner(z: float) -> float:
        return float(2 * (ndtr(shift - z * up) + ndtr(-shift - z * up)) * _density(z))

    return float(integrate.quad(inner, 0, 12, epsabs=1e-12)[0])


def _duo_trio(d: float) -> float:
    near, far = ndtr(d / math.sqrt(2)), ndtr(d / math.sqrt(6))
    return float(1 - near - far + 2 * near * far)


def _tetrad(d: float) -> float:
    def inner(z: float) -> float:
        shifted = ndtr(z - d)
        return float(_density(z) * (2 * ndtr(z) * shifted - shifted**2))

    return float(1 - 2 * integrate.quad(inner, -10, 10 + d, epsabs=1e-12, limit=200)[0])


def _three_afc(d: float) -> float:
    def inner(z: float) -> float:
        return float(_density(z - d) * ndtr(z) ** 2)

    return float(integrate.quad(inner, -10, 10 + d, epsabs=1e-12, limit=200)[0])


_RIGHT: Final[dict[str, Callable[[float], float]]] = {
    "triangle": _triangle,
    "duo-trio": _duo_trio,
    "tetrad": _tetrad,
    "2-AFC": lambda d: float(ndtr(d / math.sqrt(2))),
    "3-AFC": _three_afc,
}


@lru_cache(maxsize=4096)
def share_right(method: str, dprime: float) -> float:
    """Share of right answers at a difference of ``dprime`` (Thurstone's model).

    References
    ----------
    Ennis, D. M. (1993). The power of sensory discrimination methods. J. Sens. Stud., 8, 353-370;
    Ennis, J. M. and Jesionka, V. (2011). The power of sensory discrimination methods revisited.
    J. Sens. Stud., 26, 371-382 (tetrad).
    """
    chance = chance_of(method)
    if not ((is_finite(dprime) and dprime >= 0) or dprime == math.inf):
        raise ReadingError(
            f"dprime must be 0 or more, got {dprime!r}. Give the size alone.", field="dprime"
        )
    if dprime > LARGEST_DPRIME:
        return 1.0
    return chance if dprime == 0 else _RIGHT[method](dprime)


def dprime_of(method: str, share: float) -> float:
    """The difference at which this share of answers is right; 0 at or below chance, else inf."""
    chance = chance_of(method)
    if not (is_finite(share) and 0 <= share <= 1):
        raise ReadingError(
            f"share must be between 0 and 1, got {share!r}. Give the right answers over all.",
            field="share",
        )
    if share <= chance:
        return 0.0
    if share >= min(1.0, share_right(method, LARGEST_DPRIME - 0.01)):
        return float("inf")
    return float(
        optimize.brentq(
            lambda d: share_right(method, float(d)) - share, 0.0, LARGEST_DPRIME, xtol=1e-10
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Discrimination:
    """What the answers of one discrimination test say."""

    method: str
    """How the cups were served."""

    n: int
    """Answers."""

    correct: int
    """Right ones."""

    p_value: float
    """Chance of at least so many right answers by guessing (exact binomial)."""

    share: float
    """Share of right answers."""

    share_lo: float
    """Lower end of its 95 % interval (Clopper-Pearson); NaN if it cannot be given."""

    share_hi: float
    """Upper end."""

    dprime: float
    """Size of the difference in units of one cup's noise."""

    dprime_lo: float
    """Lower end of its 95 % interval."""

    dprime_hi: float
    """Upper end."""

    n_tasters: int
    """Who gave the answers."""

    @property
    def discriminators(self) -> float:
        """Share of tasters who truly tell the cups apart, guessing taken out."""
        return max(0.0, _beyond_chance(self.method, self.share))

    @property
    def discriminators_lo(self) -> float:
        """Lower end of its 95 % interval."""
        return max(0.0, _beyond_chance(self.method, self.share_lo))

    @property
    def discriminators_hi(self) -> float:
        """Upper end of its 95 % interval."""
        return max(0.0, _beyond_chance(self.method, self.share_hi))

    @property
    def dprime_se(self) -> float:
        """Standard error of d' by the delta method; NaN at chance and at all right."""
        if not (0 < self.dprime < np.inf):
            return float("nan")
        step = 1e-4
        slope = (
            share_right(self.method, self.dprime + step)
            - share_right(self.method, self.dprime - step)
        ) / (2 * step)
        return float(np.sqrt(self.share * (1 - self.share) / self.n) / slope)


def _beyond_chance(method: str, share: float) -> float:
    chance = DIFFERENCE_TESTS[method].guessing
    return (share - chance) / (1 - chance)


def exact_interval(correct: float, n: float) -> tuple[float, float]:
    """Clopper-Pearson interval of a share, 95 %."""
    outside = (1 - 0.95) / 2
    low = 0.0 if correct <= 0 else float(stats.beta.ppf(outside, correct, n - correct + 1))
    high = 1.0 if correct >= n else float(stats.beta.ppf(1 - outside, correct + 1, n - correct))
    return low, high


def check_count(name: str, value: object, *, least: int = 1) -> None:
    """Refuse what is no number of people or answers.

    Raises
    ------
    ReadingError
        If it is not a whole number, or beyond what any panel gives.
    """
    if not (is_whole(value) and least <= value <= MOST_ANSWERS):  # type: ignore[operator]
        raise ReadingError(
            f"{name} must be a whole number from {least} to {MOST_ANSWERS}, got {value!r}. "
            "Count again.",
            field=name,
        )


def check_share(name: str, value: object, usual: str) -> None:
    """Refuse what is no share strictly between 0 and 1.

    Raises
    ------
    ReadingError
        Naming the usual one.
    """
    if not (is_finite(value) and 0 < value < 1):  # type: ignore[operator]
        raise ReadingError(
            f"{name} must be above 0 and below 1, got {value!r}. "
            f"{usual} is usual (common practice).",
            field=name,
        )


def _checked(n: int, correct: int) -> None:
    check_count("n", n)
    check_count("correct", correct, least=0)
    if correct > n:
        raise ReadingError(
            f"correct must be between 0 and the number of answers, got {correct} of {n}. "
            "Count the answers again.",
            field="correct",
        )


@checked(ReadingError, own_numbers=True)
def difference_test(method: str, correct: int, n: int) -> Discrimination:
    """Exact test that nobody tells the cups apart, one answer per taster.

    Parameters
    ----------
    method : str
        A difference test, such as ``"triangle"``.
    correct, n : int
        Right answers, and answers in all.

    Returns
    -------
    Discrimination
        The exact one-sided binomial test, with the share of discriminators and d'.

    Raises
    ------
    ReadingError
        If the method is unknown or the counts are impossible.
    """
    chance = chance_of(method)
    _checked(n, correct)
    return _result(method, correct, n, chance, n_effective=float(n), n_tasters=n)


def _result(
    method: str, correct: int, n: int, chance: float, *, n_effective: float, n_tasters: int
) -> Discrimination:
    p = float(stats.binom.sf(correct - 1, n, chance))
    share = correct / n
    if np.isnan(n_effective):
        lo = hi = float("nan")
    else:
        lo, hi = exact_interval(share * n_effective, n_effective)
    dprime = dprime_of(method, share)
    return Discrimination(
        method=method,
        n=n,
        correct=correct,
        p_value=p,
        share=share,
        share_lo=lo,
        share_hi=hi,
        dprime=dprime,
        dprime_lo=float("nan") if np.isnan(lo) else dprime_of(method, lo),
        dprime_hi=float("nan") if np.isnan(hi) else dprime_of(method, hi),
        n_tasters=n_tasters,
    )


def read_discrimination(answers: pd.DataFrame, method: str) -> Discrimination:
    """Read the answers of a test in which tasters may have answered more than once.

    Parameters
    ----------
    answers : DataFrame
        ``taster`` and ``correct`` (true or false, also as text), one row an answer; unanswered
        rows are blank.
    method : str
        A key of ``labkit.tasting.DIFFERENCE_TESTS``.

    Raises
    ------
    ReadingError
        If the method is unknown, a taster is not named or an answer is neither true nor false.

    Notes
    -----
    Under 'nobody tells them apart' all answers are guesses, so the exact test holds also for
    repeated answers. For the interval, answers of one taster are alike: their number is divided
    by how much more the tasters' shares spread than single answers would (never below 1), and
    with fewer than four tasters no interval is given.
    """
    chance = chance_of(method)
    missing = [name for name in ("taster", "correct") if name not in answers.columns]
    if missing:
        raise ReadingError(
            f"answers must have the columns taster and correct, got none named "
            f"{', '.join(missing)}. Add them.",
            field="answers",
        )
    right = yes_or_no(answers["correct"])
    given = answers[right.notna()]
    if given.empty:
        raise ReadingError(
            "answers must hold at least one answer, got none. Serve the cups first.",
            field="answers",
        )
    must_be_filled(given, ["taster"], "answer")
    right = right.dropna().astype(bool)
    per_taster = right.groupby(given["taster"].astype(str)).agg(["sum", "size"])
    n, correct = int(per_taster["size"].sum()), int(per_taster["sum"].sum())
    people = len(per_taster)
    if per_taster["size"].max() == 1:
        return _result(method, correct, n, chance, n_effective=float(n), n_tasters=n)
    if people < FEWEST_REPEATING:
        return _result(method, correct, n, chance, n_effective=float("nan"), n_tasters=people)
    share = correct / n
    spread = 1.0
    if 0 < share < 1:
        expected = per_taster["size"] * share
        pearson = ((per_taster["sum"] - expected) ** 2 / (expected * (1 - share))).sum()
        spread = max(1.0, float(pearson) / (people - 1))
    return _result(method, correct, n, chance, n_effective=n / spread, n_tasters=people)


@dataclass(frozen=True, slots=True, kw_only=True)
class Similarity:
    """An exact test that fewer than a share of tasters tell the cups apart."""

    discriminators: float
    """The share."""

    n: int
    """Answers."""

    p_value: float
    """Chance of so few right answers if the share were just reached."""


@checked(ReadingError, own_numbers=True)
def similarity_test(
    method: str, correct: int, n: int, *, discriminators: float = 0.3
) -> Similarity:
    """Exact test that fewer than this share of tasters tell the cups apart.

    Parameters
    ----------
    method : str
        A difference test, such as ``"triangle"``.
    correct, n : int
        Right answers, and answers in all.
    discriminators : float
        Share of tasters, between 0 and 1, that would be too many.

    Raises
    ------
    ReadingError
        If the method is unknown or a figure is impossible.
    """
    chance = chance_of(method)
    _checked(n, correct)
    check_share("discriminators", discriminators, "0.3")
    limit = chance + discriminators * (1 - chance)
    p = float(stats.binom.cdf(correct, n, limit))
    return Similarity(discriminators=discriminators, n=n, p_value=p)
