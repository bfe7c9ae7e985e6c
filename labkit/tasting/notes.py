"""What a plan says in words: its hidden checks with their cost, and what it cannot tell."""

from __future__ import annotations

from labkit.tasting.plan import Design
from labkit.tasting.vessels import Vessels
from labkit.water import percent


def plan_notes(
    design: Design, serving: Vessels, *, alone: bool = False, free_control: bool = False
) -> tuple[str, ...]:
    """One sentence each on the checks, on jugs and bowls, and on the passphrase.

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
        notes.append(
            "Hidden control: the same water in every flight links flights and days; costs each "
            f"taster {_cups(cost)}."
        )
    else:
        notes.append("No hidden control: flights and days can be compared only by their waters.")
    if design.duplicate_cups:
        notes.append(
            "Hidden duplicate: a water mixed and brewed separately shows how well cups repeat; "
            f"costs each taster {_cups(design.duplicate_cups)}."
        )
    else:
        notes.append("No hidden duplicate: nothing will tell how well a cup repeats.")
    vessel = "jug and bowl" if serving == "shared bowls" else "jug"
    if design.repeats <= 1:
        notes.append(
            f"Each water comes from one {vessel} but for control and duplicate: a slip in mixing "
            "or brewing looks like its water, and this plan cannot tell them apart."
        )
    if design.efficiency < 0.005 and design.n_waters > 2:
        notes.append(
            "Some waters never meet, not even through others: they cannot be compared within "
            "flights. Add a control, repeats or flights."
        )
    elif design.kind != "complete blocks":
        notes.append(
            f"Not every water is in every flight ({design.kind}): differences between waters keep "
            f"{percent(design.efficiency)} of what full flights would tell."
        )
    if alone:
        notes.append(
            "Alone: stick the codes under identical cups, have them shuffled until you have lost "
            "track, and score by place. Positions are then balanced by chance only."
        )
    notes.append(
        "Print the bench sheet and keep it from the tasters: it is the only way back if the "
        "passphrase is lost."
    )
    return tuple(notes)


def _cups(number: int) -> str:
    return "no cup" if number <= 0 else "1 cup" if number == 1 else f"{number} cups"
