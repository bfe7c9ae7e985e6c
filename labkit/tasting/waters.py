"""The waters of a session under labels that say nothing of when they are served."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.water import (
    Target,
    describe,
    find_water,
    levels_of,
    same_water,
    water_numbers,
    water_order,
)

Control = Target | Literal["middle", "none"]
"""A water of its own, the middle one of those tasted, or none."""


@checked(PlanError)
@dataclass(frozen=True, slots=True, kw_only=True)
class SessionWater:
    """One water of a session; known to the lead, who does not know its codes."""

    label: str
    """W1, W2, ... by Mg share, then hardness, then alkalinity, then the shares of its salts."""

    target: Target
    """The recipe's coordinates."""

    is_control: bool
    """True for the water that is in every flight."""


@checked(PlanError)
def session_waters(
    targets: Sequence[Target],
    *,
    control: Control = "middle",
    known: Sequence[SessionWater] = (),
) -> tuple[SessionWater, ...]:
    """Label the waters of a session, the control among them.

    The order is that of the recipes, so that a list of waters tells nothing of the draw.

    Parameters
    ----------
    targets : sequence of Target
        The waters to taste, no two alike.
    control : Target or "middle" or "none"
        The control. The middle one of the targets costs no cup where all waters fit a flight.
    known : sequence of SessionWater
        Waters of this session's earlier flights: they keep label and control, and a water tasted
        again keeps its label. Then `control` is not used.

    Raises
    ------
    PlanError
        If there is no water, or the same water twice.
    """
    if not targets:
        raise PlanError(
            "targets must hold at least one water, got none. Add a water to taste.", field="targets"
        )
    asked = sorted(targets, key=water_order)
    numbers = water_numbers(asked)
    for place, first in enumerate(numbers):
        if first != place:
            raise PlanError(
                f"targets must differ, got {_named(asked[place])} twice. "
                "A repeat is asked for with duplicates.",
                field="targets",
            )
    if known:
        seen = [water.target for water in known]
        new = [target for target in asked if find_water(target, seen) is None]
        more = (
            SessionWater(label=f"W{len(known) + i}", target=target, is_control=False)
            for i, target in enumerate(new, start=1)
        )
        return (*known, *more)
    chosen = asked[len(asked) // 2] if control == "middle" else control
    if isinstance(chosen, Target) and find_water(chosen, asked) is None:
        asked = sorted([*asked, chosen], key=water_order)
    return tuple(
        SessionWater(
            label=f"W{i}",
            target=target,
            is_control=isinstance(chosen, Target) and same_water(target, chosen),
        )
        for i, target in enumerate(asked, start=1)
    )


@checked(PlanError)
def listed_waters(
    cups: Sequence[Target],
    *,
    control: Control = "middle",
    known: Sequence[SessionWater] = (),
) -> tuple[SessionWater, ...]:
    """Label the waters of a flight that is served as it is listed.

    Parameters
    ----------
    cups : sequence of Target
        What each cup holds; a water may be listed twice.
    control : Target or "middle" or "none"
        As for :func:`session_waters`, but a water that is not among the cups is none of theirs.
    known : sequence of SessionWater
        Waters of this session's earlier flights, as for :func:`session_waters`.

    Raises
    ------
    PlanError
        If there is no water.
    """
    distinct = [one for at, one in enumerate(cups) if find_water(one, cups) == at]
    absent = isinstance(control, Target) and find_water(control, distinct) is None
    return session_waters(distinct, control="none" if absent else control, known=known)


def _named(target: Target) -> str:
    return ", ".join(filter(None, (describe(levels_of(target)), target.salts_text)))
