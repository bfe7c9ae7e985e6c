"""What there is to know of a plan: its hidden checks with their cost, and what it cannot tell."""

from __future__ import annotations

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.noted import Noted, noted
from labkit.tasting.plan import Design, PlanNote
from labkit.tasting.vessels import Vessels


@checked(PlanError)
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
