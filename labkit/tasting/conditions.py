"""What is held constant while only the water changes, and a note where it was not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date
from typing import TYPE_CHECKING, Any, Final, Literal, Protocol

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Weight = Literal["apart", "block", "note"]
"""Never pooled; may enter the model as a block; only said."""

_WORDS: Final[dict[str, str]] = {
    "brew_method": "brew method",
    "serving": "serving",
    "roast_date": "roast date",
    "dose_g": "dose (g)",
    "brew_ratio_g_l": "brew ratio (g/L)",
    "grind": "grind",
    "water_temperature_c": "water temperature (°C)",
    "contact_time_s": "contact time (s)",
    "vessel": "vessel",
    "base_water": "base water",
    "base_share_percent": "share of the base water (%)",
    "lead": "lead",
    "preparer": "preparer",
}
_WEIGHTS: Final[dict[str, Weight]] = {"brew_method": "apart", "serving": "note", "lead": "note"}
_REST_DAYS: Final = 7  # by how much the coffee may age before it is said, common practice


class TastedSession(Protocol):
    """What is read of a session, such as the lab book's."""

    @property
    def name(self) -> str:
        """The session's name."""

    @property
    def tasted_on(self) -> date:
        """Day of the tasting."""

    @property
    def brew_method(self) -> str:
        """Cupping, filter or espresso."""

    @property
    def serving(self) -> str:
        """Shared bowls or a cup each."""

    @property
    def held(self) -> DataclassInstance:
        """What was held constant, one field each; None or empty where not recorded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that was not held between two sessions of a coffee."""

    field: str
    """Name of the field that changed."""

    text: str
    """One sentence that says what changed and what it means for reading."""

    weight: Weight
    """Whether sessions are kept apart, may be blocked, or it is only said."""


def compare_conditions(earlier: TastedSession, later: TastedSession) -> tuple[Change, ...]:
    """What changed from one session of a coffee to a later one.

    A change of the brew method keeps sessions apart. Any other change of what touches the cup
    may enter a model as a block (:func:`condition_blocks`). What one session did not record
    cannot be compared, which is said.

    Parameters
    ----------
    earlier, later : TastedSession
        Two sessions of the same coffee, such as the lab book's.

    Returns
    -------
    tuple of Change
        Empty if all was held.
    """
    before, now = _conditions(earlier), _conditions(later)
    changes = []
    for field in dict.fromkeys((*before, *now)):
        old, new = before.get(field), now.get(field)
        if old == new:
            continue
        words = _WORDS.get(field, field.replace("_", " "))
        if _unrecorded(old) or _unrecorded(new):
            silent = earlier if _unrecorded(old) else later
            text = f"{words}: not recorded in '{silent.name}', so that a change would not be seen."
            changes.append(Change(field=field, text=text.capitalize(), weight="note"))
            continue
        weight = _WEIGHTS.get(field, "block")
        meaning = {
            "apart": "these sessions are never read together",
            "block": "a difference between the sessions may come from it and not from the water",
            "note": "the tasting may have felt different",
        }[weight]
        text = (
            f"{words.capitalize()} changed from {_said(old)} in '{earlier.name}' to {_said(new)} "
            f"in '{later.name}': {meaning}."
        )
        changes.append(Change(field=field, text=text, weight=weight))
    roasted = now.get("roast_date")
    if isinstance(roasted, date) and before.get("roast_date") == roasted:
        rested = [(session.tasted_on - roasted).days for session in (earlier, later)]
        if abs(rested[1] - rested[0]) > _REST_DAYS:
            text = (
                f"The same roast had rested {rested[0]} days in '{earlier.name}' and {rested[1]} "
                f"in '{later.name}': a difference between the sessions may come from its age."
            )
            changes.append(Change(field="tasted_on", text=text, weight="block"))
    return tuple(changes)


def condition_blocks(sessions: Sequence[TastedSession]) -> tuple[int, ...]:
    """Number of the block of each session: the same where all that matters was held.

    Sessions with different brew methods are in different blocks too, but should not be in one
    model at all.

    Parameters
    ----------
    sessions : sequence of TastedSession
        Sessions of one coffee.

    Returns
    -------
    tuple of int
        As many as sessions, counted from 1.
    """
    blocks: list[int] = []
    for i, session in enumerate(sessions):
        alike = (
            blocks[j]
            for j, other in enumerate(sessions[:i])
            if all(change.weight == "note" for change in compare_conditions(other, session))
        )
        blocks.append(next(alike, max(blocks, default=0) + 1))
    return tuple(blocks)


def _conditions(session: TastedSession) -> dict[str, Any]:
    held = session.held
    return {"brew_method": session.brew_method, "serving": session.serving} | {
        field.name: getattr(held, field.name) for field in fields(held)
    }


def _unrecorded(value: object) -> bool:
    return value is None or value == ""


def _said(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
