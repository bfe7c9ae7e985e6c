"""What there is to know of a plan: its hidden checks with their cost, and what it cannot tell."""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING

from labkit.noted import Noted, noted
from labkit.tasting.vessels import Vessels

if TYPE_CHECKING:
    from labkit.tasting.plan import Design


class PlanNote(Enum):
    """What there is to know; in brackets the facts that come with it.

    The lab book keeps the values: none is ever changed.
    """

    CONTROL = "control"
    """A hidden control in every flight (cups: of each taster, that it costs)."""

    NO_CONTROL = "no control"
    """None: flights and days are linked by their waters only."""

    DUPLICATE = "duplicate"
    """A hidden duplicate (cups: of each taster, that it costs)."""

    NO_DUPLICATE = "no duplicate"
    """None: nothing tells how well a cup repeats."""

    MIXED_ONCE = "mixed once"
    """Each water comes from one jug, or one jug and bowl (serving)."""

    NEVER_MEET = "never meet"
    """Some waters never meet, not even through others."""

    IN_PART = "in part"
    """Not every water is in every flight (design: its kind, efficiency)."""

    ALONE = "alone"
    """One person prepares and tastes."""

    KEEP_SHEET = "keep the sheet"
    """The bench sheet is the way back if the passphrase is lost."""

    CODES_RETURN = "codes return"
    """Codes served less than a fortnight ago return (n, of, day, last: days as text, rested)."""

    PLANNED_ANEW = "planned anew"
    """Some flights were planned anew (flight: the first, absent, late: names)."""

    SETS = "sets"
    """It is a test of two waters (method: its name)."""

    MIXED_AGAIN = "mixed again"
    """Both waters of such a test are mixed and brewed again for each trial."""

    SETS_ALIKE = "sets alike"
    """Each taster has several sets of such a test, whose answers are alike."""

    AS_WRITTEN = "as written"
    """A sentence of a lab book from before notes were values (text)."""


def plan_notes(
    design: Design, serving: Vessels, *, alone: bool = False, free_control: bool = False
) -> tuple[Noted[PlanNote], ...]:
    """The checks, jugs and bowls of a plan, and its passphrase, one note each.

    Parameters
    ----------
    design : Design
        Counts of the plan.
    serving : {"shared bowls", "a cup each"}
        Whether tasters share bowls.
    alone : bool
        Whether one person prepares and tastes.
    free_control : bool
        Whether the control is one of the waters to taste, which have a cup anyway.
    """
    notes = []
    if design.control_cups:
        cost = design.control_cups - (round(design.repeats) if free_control else 0)
        notes.append(noted(PlanNote.CONTROL, cups=max(0, cost)))
    else:
        notes.append(noted(PlanNote.NO_CONTROL))
    if design.duplicate_cups:
        notes.append(noted(PlanNote.DUPLICATE, cups=design.duplicate_cups))
    else:
        notes.append(noted(PlanNote.NO_DUPLICATE))
    if design.repeats <= 1:
        notes.append(noted(PlanNote.MIXED_ONCE, serving=serving))
    if design.efficiency < 0.005 and design.n_waters > 2:
        notes.append(noted(PlanNote.NEVER_MEET))
    elif design.kind != "complete blocks":
        notes.append(noted(PlanNote.IN_PART, design=design.kind, efficiency=design.efficiency))
    if alone:
        notes.append(noted(PlanNote.ALONE))
    notes.append(noted(PlanNote.KEEP_SHEET))
    return tuple(notes)
