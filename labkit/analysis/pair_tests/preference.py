"""Paired preference, with 'no preference' allowed: which of two waters do tasters prefer."""

from __future__ import annotations

from dataclasses import dataclass

from scipy import stats

from labkit.analysis.pair_tests.difference import check_count, check_share, exact_interval
from labkit.boundary import checked
from labkit.errors import ReadingError


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferenceTest:
    """What the answers of one paired preference test say."""

    first: int
    """Answers for the first water."""

    second: int
    """Answers for the second water."""

    neither: int
    """Answers 'no preference'."""

    rule: str
    """How they were counted: ``'left out'`` or ``'split'``, as declared before the test."""

    p_value: float
    """Exact binomial p-value of 'both are preferred equally often': one-sided if the first water
    was named beforehand, two-sided if not."""

    share_first: float
    """Share of the counted answers for the first water."""

    share_lo: float
    """Lower end of its 95 % interval (Clopper-Pearson)."""

    share_hi: float
    """Upper end."""

    @property
    def counted(self) -> tuple[int, int]:
        """Answers that counted for each water, with their half of 'no preference' if split."""
        half = self.neither // 2 if self.rule == "split" else 0
        return self.first + half, self.second + half


@checked(ReadingError, own_numbers=True)
def paired_preference(
    first: int,
    second: int,
    neither: int = 0,
    *,
    rule: str,
    first_named: bool = False,
) -> PreferenceTest:
    """Exact test of a preference (ISO 5495).

    Parameters
    ----------
    first, second, neither : int
        Answers for each water and for 'no preference'.
    rule : str
        What happens to 'no preference', declared before the test: ``'left out'`` or ``'split'``
        evenly (an odd one is left out).
    first_named : bool
        Whether it was fixed before the test that the first water should win: the test is then
        one-sided, and never speaks for the second.

    Raises
    ------
    ReadingError
        If the counts are impossible, the rule is unknown or nobody has a preference.
    """
    for name, count in (("first", first), ("second", second), ("neither", neither)):
        check_count(name, count, least=0)
    if first + second + neither < 1:
        raise ReadingError(
            f"answers must be at least one, got {first}, {second} and {neither}. Count them again."
        )
    if rule not in ("left out", "split"):
        raise ReadingError(
            f"rule must be 'left out' or 'split', got {rule!r}. Declare it before the test.",
            field="rule",
        )
    half = neither // 2 if rule == "split" else 0
    one, two = first + half, second + half
    n = one + two
    if n == 0:
        raise ReadingError(
            f"at least one taster must prefer a water, got {neither} times 'no preference'. "
            "That is an answer too: no preference was found."
        )
    side = "greater" if first_named else "two-sided"
    p = float(stats.binomtest(one, n, 0.5, alternative=side).pvalue)
    lo, hi = exact_interval(one, n)
    return PreferenceTest(
        first=first,
        second=second,
        neither=neither,
        rule=rule,
        p_value=p,
        share_first=one / n,
        share_lo=lo,
        share_hi=hi,
    )


@checked(ReadingError, own_numbers=True)
def fewest_preferring(n: int, alpha: float = 0.05, *, first_named: bool = False) -> int | None:
    """Fewest answers for one water that show a preference.

    Two-sided, or one-sided where the water that should win was named before the test.

    Parameters
    ----------
    n : int
        Answers in all.
    alpha : float
        Level of the exact binomial test.
    first_named : bool
        Whether the water that should win was named before the test.

    Returns
    -------
    int or None
        None if not even all of them would show it.

    Raises
    ------
    ReadingError
        If a figure is impossible.
    """
    check_count("n", n)
    check_share("alpha", alpha, "0.05")
    side = "greater" if first_named else "two-sided"
    for count in range(n // 2 + 1, n + 1):
        if stats.binomtest(count, n, 0.5, alternative=side).pvalue <= alpha:
            return count
    return None
