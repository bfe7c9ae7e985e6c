"""The answers of served discrimination tests, read from the opened scores: one test a session.

On every cup of a set the sheet asks the method's question, and the taster marks «no» (0) or «this
one» (1); the scale's name is the method. Only a set with exactly one marked cup is an answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Final, Literal, TypeAlias

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
from labkit.analysis.model.coding import p_text
from labkit.analysis.pair_tests.difference import METHODS as WITH_RIGHT_ANSWER
from labkit.analysis.pair_tests.difference import (
    Discrimination,
    read_discrimination,
    similarity_test,
)
from labkit.analysis.pair_tests.planning import ENOUGH, fewest_successes
from labkit.analysis.pair_tests.preference import Preference, fewest_preferring, paired_preference
from labkit.analysis.region import water_target
from labkit.analysis.search.recommendation import Recommendation
from labkit.errors import PlanError, ReadingError
from labkit.tasting import CONFIRMING, METHODS, right_place
from labkit.water import COORDINATES, Target, describe, percent

ALPHA: Final = 0.05
"""Level at which a test of two waters shows something."""

_NOTHING_CHOSEN = "no preference"


Outcome: TypeAlias = Literal["confirmed", "not confirmed", "not settled"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Whether a test confirmed that the leader is preferred to the control."""

    outcome: Outcome
    """One of the three."""

    preferred: int
    """Answers for the leader."""

    n: int
    """Answers that counted."""

    sentence: str
    """In words with numbers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairReading:
    """What the answers of one session's discrimination test say."""

    session: str
    """Which session."""

    method: str
    """How the cups were served."""

    question: str
    """What the tasters were asked."""

    waters: tuple[str, str]
    """The two waters in words; for a named attribute, the one expected to have more first."""

    targets: tuple[Target, Target]
    """The same two waters, in the same order."""

    sets: pd.DataFrame
    """One row a set: ``flight, taster, answer`` (the water or ``no preference``; None if there is
    no answer), ``correct`` (None where no answer is right or wrong), ``why_not``."""

    result: Discrimination | Preference | None
    """The exact test; None without an answer, or when nobody preferred either."""

    verdict: str
    """The plain answer, one or two sentences."""

    notes: tuple[str, ...]
    """What was left out or must be minded, one sentence each."""

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
        if not isinstance(self.result, Preference) or set(self.targets) != {leader, control}:
            return None
        first = self.targets[0] == leader
        mine, theirs = self.result.first, self.result.second
        mine, theirs = (mine, theirs) if first else (theirs, mine)
        n = mine + theirs
        outcome: Outcome = "not settled"
        if mine > theirs and self.result.p_value <= ALPHA:
            # Named beforehand, the control's victory would be no finding of this test.
            outcome = "confirmed" if first or self.method != CONFIRMING else outcome
        elif mine <= theirs:
            outcome = "not confirmed"
        said = f"{mine} of {n} answers for {leader.text}, against the control"
        words = {
            "confirmed": f"Confirmed in blind pairs: {said} ({p_text(self.result.p_value)}).",
            "not confirmed": f"Not confirmed in blind pairs: only {said}.",
            "not settled": f"Not settled in blind pairs: {said} ({p_text(self.result.p_value)}).",
        }
        return Answer(outcome=outcome, preferred=mine, n=n, sentence=words[outcome])

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        method = f"{self.method[0].upper()}{self.method[1:]}"
        return (
            f"<p><strong>{escape(self.verdict)}</strong></p>"
            f"<p>{escape(method)}: {escape(self.waters[0])} against "
            f"{escape(self.waters[1])}. Asked: «{escape(self.question)}»</p><ul>{notes}</ul>"
        )


def scored_only(frame: pd.DataFrame) -> pd.DataFrame:
    """The scores frame without the marks of discrimination tests, which are no scores.

    Parameters
    ----------
    frame : DataFrame
        A scores frame.
    """
    return frame[~frame["scale"].astype(str).isin(list(METHODS))]


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
    )
    must_be_filled(marks, ("session", "flight", "taster", "position", "water", "attribute"), "mark")
    groups = marks.groupby(["session", "scale", "attribute"], sort=False)
    return tuple(_read(str(s), str(m), str(q), rows) for (s, m, q), rows in groups)


def last_answer(frame: pd.DataFrame, leader: Target, control: Target) -> Answer | None:
    """What the latest test of leader against control among the opened scores says; None if none."""
    if not frame["scale"].astype(str).isin(list(METHODS)).any():
        return None
    answers = [one.answer_on(leader, control) for one in read_tests(frame)]
    return next((one for one in reversed(answers) if one is not None), None)


def answer_on(frame: pd.DataFrame, recommended: Recommendation) -> Answer | None:
    """What the last test says of the recommended water against its control.

    Parameters
    ----------
    frame : DataFrame
        The opened scores of one coffee.
    recommended : Recommendation
        The water to confirm, and its control.

    Returns
    -------
    Answer or None
        None if there is no control, or no test compared the two.
    """
    if recommended.control is None or recommended.is_control:
        return None
    return last_answer(frame, recommended.water, recommended.control)


def _read(session: str, method: str, question: str, marks: pd.DataFrame) -> PairReading:
    recipes = marks.groupby("water", sort=True).agg(
        {**dict.fromkeys(COORDINATES, "first"), "is_control": "max"}
    )
    if len(recipes) != 2:
        raise ReadingError(
            f"waters of the {method} test in {session!r} must be two, got {len(recipes)}. "
            "Its cups were scored in part only; complete the sheets from paper."
        )
    # The water expected to have more, or simply the one that is no control, comes first.
    recipes = recipes.sort_values("is_control", kind="stable")
    levels = recipes[list(COORDINATES)].to_numpy(dtype=np.float64)
    apart = [name for name, one, two in zip(COORDINATES, *levels, strict=True) if one != two]
    words = {
        str(label): describe(row, apart) for label, row in zip(recipes.index, levels, strict=True)
    }
    first, second = map(str, recipes.index)
    sets = pd.DataFrame(
        [
            {"flight": flight, "taster": str(taster), **_answer(method, rows, first)}
            for (flight, taster), rows in marks.groupby(["flight", "taster"], sort=True)
        ]
    )
    result, verdict, notes = (_preference if method not in WITH_RIGHT_ANSWER else _discrimination)(
        method, sets, (first, second), words
    )
    left_out = sets.dropna(subset=["why_not"]).groupby("why_not").size()
    notes += [f"{count} of {len(sets)} sets left out: {why}." for why, count in left_out.items()]
    return PairReading(
        session=session,
        method=method,
        question=question,
        waters=(words[first], words[second]),
        targets=(water_target(levels[0]), water_target(levels[1])),
        sets=sets,
        result=result,
        verdict=verdict,
        notes=tuple(notes),
    )


def _answer(method: str, rows: pd.DataFrame, stronger: str) -> dict[str, object]:
    """What one taster answered to one set, or why that is no answer."""

    def nothing(why: str) -> dict[str, object]:
        return {"answer": None, "correct": None, "why_not": why}

    rows = rows.sort_values("position")
    waters = rows["water"].astype(str).tolist()
    given = numbers(rows["score"])
    if not np.isin(given, [0, 1]).all():
        return nothing("a mark was neither «no» (0) nor «this one» (1)")
    marked = np.flatnonzero(given)
    if len(rows) != METHODS[method].cups:
        return nothing("not every cup of the set was marked «no» or «this one»")
    if len(marked) > 1:
        return nothing("more than one cup was marked")
    if method not in WITH_RIGHT_ANSWER:
        chosen = waters[marked[0]] if len(marked) else _NOTHING_CHOSEN
        return {"answer": chosen, "correct": None, "why_not": None}
    if not len(marked):
        return nothing("no cup was marked; the question wants one even as a guess")
    if method in ("duo-trio", "tetrad") and marked[0] == 0:
        return nothing("the reference itself was marked")
    try:
        right = right_place(method, waters, stronger)
    except (PlanError, ValueError):
        return nothing(f"the cups served make no {method} set")
    return {
        "answer": waters[marked[0]],
        "correct": bool(marked[0] == right),
        "why_not": None,
    }


def _discrimination(
    method: str, sets: pd.DataFrame, pair: tuple[str, str], words: dict[str, str]
) -> tuple[Discrimination | None, str, list[str]]:
    del pair, words  # right is right, whichever water it was
    if not sets["correct"].notna().any():
        return None, "No answer was given: this test says nothing.", []
    found = read_discrimination(sets, method)
    notes = [_size(found)]
    if found.p_value < 0.05:
        return found, found.sentence, notes
    smallest = detectable_share(method, found.n)
    if smallest is None:
        verdict = (
            f"{found.sentence} So few answers cannot show any difference: not even all right would "
            "beat guessing."
        )
    else:
        verdict = (
            f"{found.sentence} A difference that {percent(smallest)} of answers get right "
            f"(guessing gives {percent(WITH_RIGHT_ANSWER[method].chance)}) would have been seen "
            "with 80 % chance; smaller ones may be there."
        )
    return found, verdict, [*notes, similarity_test(method, found.correct, found.n)[1]]


def _size(found: Discrimination) -> str:
    """How large the difference is, with its interval where one can be given."""
    share = f"{percent(found.share)} right"
    if np.isnan(found.share_lo):
        return f"{share}; no interval can be given."
    shares = f"{share} (95 %: {100 * found.share_lo:.0f} to {percent(found.share_hi)})"
    if np.isinf(found.dprime):
        return f"{shares}; at least {found.dprime_lo:.1f} times one cup's noise apart (d')."
    high = "no upper end" if np.isinf(found.dprime_hi) else f"{found.dprime_hi:.1f}"
    return (
        f"{shares}; the waters lie {found.dprime:.1f} times one cup's noise apart (d', 95 %: "
        f"{found.dprime_lo:.1f} to {high})."
    )


def detectable_share(method: str, n: int, *, chance: float = ENOUGH) -> float | None:
    """Smallest share of right answers that ``n`` of them show with this chance; None if none."""
    guess = WITH_RIGHT_ANSWER[method].chance
    needed = fewest_successes(n, guess, 0.05)
    if needed is None:
        return None
    return float(
        optimize.brentq(lambda share: stats.binom.sf(needed - 1, n, share) - chance, guess, 1.0)
    )


def _preference(
    method: str, sets: pd.DataFrame, pair: tuple[str, str], words: dict[str, str]
) -> tuple[Preference | None, str, list[str]]:
    given = sets.dropna(subset=["answer"])
    if given.empty:
        return None, "No answer was given: this test says nothing.", []
    notes = ["«No preference» is left out of the count, as declared before the test."]
    named = method == CONFIRMING
    if named:
        # With each taster's own taste fixed, the sum over a panel that is of two minds varies less
        # than a binomial one: counting every pair never claims too much of this very panel.
        people = given["answer"]
        notes.append(
            "The water that should win was named before, so the test is one-sided; every pair "
            "counts, and what it shows it shows for this panel."
        )
    else:
        people = given.groupby("taster")["answer"].agg(lambda said: _leaning(list(said), pair))
        if len(people) < len(given):
            notes.append(
                f"{len(people)} tasters gave {len(given)} answers: each counts once, for the water "
                "that they preferred more often."
            )
    counts = [int((people == water).sum()) for water in pair]
    neither = len(people) - sum(counts)
    if not sum(counts):
        return None, f"No preference: in all {neither} answers both were liked alike.", notes
    names = (words[pair[0]], words[pair[1]])
    found = paired_preference(
        counts[0], counts[1], neither, rule="left out", names=names, first_named=named
    )
    needed = fewest_preferring(sum(counts), ALPHA, first_named=named)
    who = "answers" if named else "tasters"
    if found.p_value >= 0.05:
        notes.append(
            f"{sum(counts)} {who} with a preference cannot show one, even if all agree."
            if needed is None
            else f"It would take {needed} of {sum(counts)} for the same water to show a preference."
        )
    return found, found.sentence, notes


def _leaning(said: Sequence[str], pair: tuple[str, str]) -> str:
    """The water that one taster preferred more often."""
    one, two = (said.count(water) for water in pair)
    return _NOTHING_CHOSEN if one == two else pair[0] if one > two else pair[1]
