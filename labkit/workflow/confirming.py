"""What a confirming test of a coffee's water would take, and which waters can be put into one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.analysis import (
    Answer,
    ConfirmingTest,
    Outcome,
    Reading,
    Recommendation,
    believe,
    confirming_test,
    water_target,
)
from labkit.book import LabBook
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.water import COORDINATES, Target
from labkit.workflow.readings import Findings, read


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A water that a test of two may compare."""

    name: str
    """``recommended``, or its label at the bench."""

    target: Target
    """The water."""

    is_control: bool
    """Whether it was the control."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirming:
    """Whether the recommended water beats the control: what was answered, or what it would take."""

    recommended: Recommendation
    """The water that should win."""

    answer: Answer | None
    """What the latest such test said; None while there was none."""

    test: ConfirmingTest | None
    """How many pairs show it; None without a control, if the control itself is recommended, or if
    the latest test has settled it."""


@checked(ReadingError)
def confirm(
    book: LabBook, coffee: str, *, client: str | None = None, brew_method: str | None = None
) -> Confirming:
    """What it takes to confirm a coffee's recommended water against its control.

    Parameters
    ----------
    book, coffee, client, brew_method : see there
        As for :func:`labkit.workflow.read`.

    Raises
    ------
    ReadingError
        If no water can be recommended.
    """
    found = read(book, coffee, client=client, brew_method=brew_method)
    return confirming(found)


def confirming(found: Findings) -> Confirming:
    """The same from what was read already."""
    recommended = None if found.reading is None else found.reading.recommended
    if found.reading is None or recommended is None:
        raise ReadingError(
            "a test must have a water that should win, but none can be recommended. Taste first."
        )
    test = None
    is_open = found.answer is None or found.answer.outcome is Outcome.NOT_SETTLED
    if recommended.over_control is not None and is_open:
        scores = found.reading.scores
        test = confirming_test(
            believe(scores),
            leader=recommended.water,
            served_as=scores.brew_method,
        )
    return Confirming(recommended=recommended, answer=found.answer, test=test)


@checked(ReadingError)
def waters_to_test(reading: Reading | None) -> tuple[Candidate, ...]:
    """The recommended water, the control, then the others tasted; none of them twice.

    Parameters
    ----------
    reading : Reading or None
        What the scores say; None while nothing was opened.
    """
    if reading is None:
        return ()
    offered: list[Candidate] = []
    recommended = reading.recommended
    if recommended is not None and not recommended.is_control:
        offered.append(Candidate(name="recommended", target=recommended.water, is_control=False))
    recipes = reading.scores.recipes.sort_values("is_control", ascending=False, kind="stable")
    for row in recipes.to_dict("records"):
        target = water_target(np.array([row[name] for name in COORDINATES], dtype=float))
        if target not in [known.target for known in offered]:
            is_control = bool(row["is_control"])
            offered.append(Candidate(name=str(row["recipe"]), target=target, is_control=is_control))
    return tuple(offered)
