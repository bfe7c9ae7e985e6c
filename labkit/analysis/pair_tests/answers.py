"""The answers of served discrimination tests, read from the opened scores: one test a session.

On every cup of a set the sheet asks the method's question, and the taster marks 'no' (0) or 'this
one' (1); the scale's name is the method. Only a set with exactly one marked cup is an answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, stats

from labkit.analysis.model.cleaning import (
    WATER_RULE,
    blanks,
    impossible_waters,
    must_be_filled,
    numbers,
    yes_or_no,
)
from labkit.analysis.pair_tests.difference import (
    Discrimination,
    Similarity,
    read_discrimination,
    similarity_test,
)
from labkit.analysis.pair_tests.planning import ENOUGH, fewest_successes
from labkit.analysis.pair_tests.preference import (
    PreferenceTest,
    fewest_preferring,
    paired_preference,
)
from labkit.analysis.region import water_target
from labkit.boundary import checked
from labkit.errors import PlanError, ReadingError
from labkit.shown import Shown
from labkit.tasting import ALPHA, CONFIRMING, DIFFERENCE_TESTS, METHODS, right_place
from labkit.water import COORDINATES, SALT_SHARES, Target, levels_of

_NOTHING_CHOSEN = "no preference"


class Outcome(StrEnum):
    """What a confirming test came to."""

    CONFIRMED = "confirmed"
    NOT_CONFIRMED = "not confirmed"
    NOT_SETTLED = "not settled"


class WhyNoAnswer(StrEnum):
    """Why what came back from one set is no answer."""

    OTHER_MARK = "a mark was neither 'no' (0) nor 'this one' (1)"
    PART_MARKED = "not every cup of the set was marked 'no' or 'this one'"
    TWO_MARKED = "more than one cup was marked"
    NONE_MARKED = "no cup was marked; the question wants one even as a guess"
    REFERENCE_MARKED = "the reference itself was marked"
    NO_SET = "the cups served make no set of this test"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Whether a test confirmed that the leader is preferred to the control."""

    outcome: Outcome
    """One of the three."""

    preferred: int
    """Answers for the leader."""

    n: int
    """Answers that counted."""

    p_value: float
    """Of 'the leader is not preferred to the control'."""

    leader: Target
    """The water that was to be shown better."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairReading(Shown):
    """What the answers of one session's discrimination test say."""

    session: str
    """Which session."""

    method: str
    """How the cups were served."""

    question: str
    """What the tasters were asked."""

    targets: tuple[Target, Target]
    """The two waters; for a named attribute, the one expected to have more first."""

    sets: pd.DataFrame
    """One row a set: ``flight, taster, answer`` (the water or ``no preference``; None if there is
    no answer), ``correct`` (None where no answer is right or wrong), ``why_not``."""

    result: Discrimination | PreferenceTest | None
    """The exact test; None without an answer, or when nobody preferred either."""

    n_answers: int
    """Answers given."""

    n_counted: int
    """What was counted of them: tasters, or answers where each counts; both with neither."""

    needed: int | None = None
    """Of a preference: how many for the same water would show it; None if not even all."""

    detectable_share: float | None = None
    """Of a test with a right answer: the share of right ones that would have been seen with 80 %
    chance; None if not even all right would show anything."""

    similarity: Similarity | None = None
    """Of such a test that showed no difference: whether the waters are as good as alike."""

    def answer_on(self, leader: Target, control: Target) -> Answer | None:
        """What this test says of whether the leader is preferred to the control.

        None if it compared other waters, or asked for something else than preference. Not to be
        preferred in more than half of the answers is an answer too; between that and what shows a
        preference nothing is settled.

        Parameters
        ----------
        leader, control : Target
            The water that should win, and the one that it is compared with.

        Returns
        -------
        Answer or None
            None if this test has nothing to say of the two.
        """
        if not isinstance(self.result, PreferenceTest) or set(self.targets) != {leader, control}:
            return None
        first = self.targets[0] == leader
        mine, theirs = self.result.first, self.result.second
        mine, theirs = (mine, theirs) if first else (theirs, mine)
        n = mine + theirs
        outcome = Outcome.NOT_SETTLED
        if mine > theirs and self.result.p_value <= ALPHA:
            # Named beforehand, the control's victory would be no finding of this test.
            outcome = Outcome.CONFIRMED if first or self.method != CONFIRMING else outcome
        elif mine <= theirs:
            outcome = Outcome.NOT_CONFIRMED
        return Answer(
            outcome=outcome, preferred=mine, n=n, p_value=self.result.p_value, leader=leader
        )


@checked(ReadingError)
def scored_only(frame: pd.DataFrame) -> pd.DataFrame:
    """The scores frame without the marks of discrimination tests, which are no scores.

    Parameters
    ----------
    frame : DataFrame
        A scores frame.
    """
    return frame[~frame["scale"].astype(str).isin(list(METHODS))]


@checked(ReadingError)
def read_tests(frame: pd.DataFrame) -> tuple[PairReading, ...]:
    """Every discrimination test among the opened scores of one coffee, in order of session.

    Parameters
    ----------
    frame : DataFrame
        The opened scores of one coffee.

    Returns
    -------
    tuple of PairReading
        Empty if there was no test.

    Raises
    ------
    ReadingError
        If columns are missing, a name, place or water is blank or cannot be, or a test does not
        compare two waters.
    """
    needed = ("session", "flight", "taster", "position", "water", "attribute", "scale", "score")
    missing = [name for name in (*needed, *COORDINATES, "is_control") if name not in frame.columns]
    if missing:
        raise ReadingError(
            f"frame must have the columns of the scores frame, got none named "
            f"{', '.join(missing)}. Take it from the lab book's opened scores.",
            field="frame",
        )
    marks = frame[frame["scale"].astype(str).isin(list(METHODS)) & ~blanks(frame["score"])]
    positions = numbers(marks["position"])
    waters = np.column_stack([numbers(marks[name]) for name in COORDINATES])
    if not np.isfinite(waters).all() or impossible_waters(waters).any():
        raise ReadingError(
            f"the waters of a test must be known ({WATER_RULE}), got one that is not. Correct it."
        )
    marks = marks.assign(
        position=positions,
        is_control=yes_or_no(marks["is_control"]).eq(True),
        **dict(zip(COORDINATES, waters.T, strict=True)),
        **{name: numbers(marks[name]) for name in SALT_SHARES if name in marks.columns},
    )
    must_be_filled(marks, ("session", "flight", "taster", "position", "water", "attribute"), "mark")
    groups = marks.groupby(["session", "scale", "attribute"], sort=False)
    return tuple(_read(str(s), str(m), str(q), rows) for (s, m, q), rows in groups)


@checked(ReadingError)
def last_answer(frame: pd.DataFrame, leader: Target, control: Target) -> Answer | None:
    """What the latest test of a leader against the control says.

    Parameters
    ----------
    frame : DataFrame
        The opened scores of one coffee.
    leader, control : Target
        The two waters.

    Returns
    -------
    Answer or None
        None if no test compared the two.
    """
    if not frame["scale"].astype(str).isin(list(METHODS)).any():
        return None
    answers = [one.answer_on(leader, control) for one in read_tests(frame)]
    return next((one for one in reversed(answers) if one is not None), None)


def confirmed_water(frame: pd.DataFrame) -> Target | None:
    """The water that the latest confirming test confirmed; None if none, or a later one did not.

    A test that cannot be read confirms nothing here: whoever asks for the tests is told.
    """
    if "scale" not in frame or not frame["scale"].astype(str).isin(list(METHODS)).any():
        return None
    try:
        tests = read_tests(frame)
    except ReadingError:
        return None
    confirmed = None
    for one in tests:
        if levels_of(one.targets[0]) == levels_of(one.targets[1]):
            continue  # they differed in their salts alone
        for leader, other in (one.targets, one.targets[::-1]):
            answer = one.answer_on(leader, other)
            if answer is None:
                continue
            if answer.outcome is Outcome.CONFIRMED:
                confirmed = leader
            elif answer.outcome is Outcome.NOT_CONFIRMED and confirmed == leader:
                confirmed = None
    return confirmed


def _read(session: str, method: str, question: str, marks: pd.DataFrame) -> PairReading:
    shares = [name for name in SALT_SHARES if name in marks.columns]
    recipes = marks.groupby("water", sort=True).agg(
        {**dict.fromkeys((*COORDINATES, *shares), "first"), "is_control": "max"}
    )
    if len(recipes) != 2:
        raise ReadingError(
            f"waters of the {method} test in {session!r} must be two, got {len(recipes)}. "
            "Its cups were scored in part only; complete the sheets from paper."
        )
    # The water expected to have more, or simply the one that is no control, comes first.
    recipes = recipes.sort_values("is_control", kind="stable")
    levels = recipes[list(COORDINATES)].to_numpy(dtype=np.float64)
    first, second = map(str, recipes.index)
    sets = pd.DataFrame(
        [
            {"flight": flight, "taster": str(taster), **_answer(method, rows, first)}
            for (flight, taster), rows in marks.groupby(["flight", "taster"], sort=True)
        ]
    )
    read = _discrimination if method in DIFFERENCE_TESTS else _preference
    return PairReading(
        session=session,
        method=method,
        question=question,
        targets=(
            replace(water_target(levels[0]), **_asked(recipes[shares].iloc[0])),
            replace(water_target(levels[1]), **_asked(recipes[shares].iloc[1])),
        ),
        sets=sets,
        **read(method, sets, (first, second)),
    )


def _asked(shares: pd.Series[float]) -> dict[str, Any]:
    """What was asked of a water's salts, by name."""
    return {str(name): float(share) for name, share in shares.items() if np.isfinite(share)}


def _answer(method: str, rows: pd.DataFrame, stronger: str) -> dict[str, object]:
    """What one taster answered to one set, or why that is no answer."""

    def nothing(why: WhyNoAnswer) -> dict[str, object]:
        return {"answer": None, "correct": None, "why_not": why}

    rows = rows.sort_values("position")
    waters = rows["water"].astype(str).tolist()
    given = numbers(rows["score"])
    if not np.isin(given, [0, 1]).all():
        return nothing(WhyNoAnswer.OTHER_MARK)
    marked = np.flatnonzero(given)
    if len(rows) != METHODS[method].cups:
        return nothing(WhyNoAnswer.PART_MARKED)
    if len(marked) > 1:
        return nothing(WhyNoAnswer.TWO_MARKED)
    if method not in DIFFERENCE_TESTS:
        chosen = waters[marked[0]] if len(marked) else _NOTHING_CHOSEN
        return {"answer": chosen, "correct": None, "why_not": None}
    if not len(marked):
        return nothing(WhyNoAnswer.NONE_MARKED)
    if method in ("duo-trio", "tetrad") and marked[0] == 0:
        return nothing(WhyNoAnswer.REFERENCE_MARKED)
    try:
        right = right_place(method, waters, stronger)
    except (PlanError, ValueError):
        return nothing(WhyNoAnswer.NO_SET)
    return {
        "answer": waters[marked[0]],
        "correct": bool(marked[0] == right),
        "why_not": None,
    }


def _discrimination(method: str, sets: pd.DataFrame, pair: tuple[str, str]) -> dict[str, Any]:
    del pair  # right is right, whichever water it was
    n = int(sets["correct"].notna().sum())
    if not n:
        return {"result": None, "n_answers": 0, "n_counted": 0}
    found = read_discrimination(sets, method)
    read: dict[str, Any] = {"result": found, "n_answers": n, "n_counted": n}
    if found.p_value < ALPHA:
        return read
    return read | {
        "detectable_share": detectable_share(method, found.n),
        "similarity": similarity_test(method, found.correct, found.n),
    }


def detectable_share(method: str, n: int) -> float | None:
    """Smallest share of right answers that ``n`` show with a chance of 80 %; None if none."""
    guess = DIFFERENCE_TESTS[method].guessing
    needed = fewest_successes(n, guess, 0.05)
    if needed is None:
        return None
    return float(
        optimize.brentq(lambda share: stats.binom.sf(needed - 1, n, share) - ENOUGH, guess, 1.0)
    )


def _preference(method: str, sets: pd.DataFrame, pair: tuple[str, str]) -> dict[str, Any]:
    given = sets.dropna(subset=["answer"])
    named = method == CONFIRMING
    if named:
        # With each taster's own taste fixed, the sum over a panel that is of two minds varies less
        # than a binomial one: counting every pair never claims too much of this very panel.
        people = given["answer"]
    else:
        people = given.groupby("taster")["answer"].agg(lambda said: _leaning(list(said), pair))
    counts = [int((people == water).sum()) for water in pair]
    read: dict[str, Any] = {"result": None, "n_answers": len(given), "n_counted": len(people)}
    if not sum(counts):
        return read
    found = paired_preference(
        counts[0], counts[1], len(people) - sum(counts), rule="left out", first_named=named
    )
    needed = fewest_preferring(sum(counts), ALPHA, first_named=named)
    return read | {"result": found, "needed": needed}


def _leaning(said: Sequence[str], pair: tuple[str, str]) -> str:
    """The water that one taster preferred more often."""
    one, two = (said.count(water) for water in pair)
    return _NOTHING_CHOSEN if one == two else pair[0] if one > two else pair[1]
