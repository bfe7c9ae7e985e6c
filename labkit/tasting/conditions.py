"""What is held constant while only the water changes, and a note where it was not."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, Literal, Protocol

from labkit.boundary import checked
from labkit.errors import PlanError

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Weight = Literal["apart", "block", "note"]
"""Never pooled; may enter the model as a block; only said."""

_WEIGHTS: Final[dict[str, Weight]] = {"brew_method": "apart", "serving": "note", "lead": "note"}
_REST_DAYS: Final = 7  # by how much the coffee may age before it is said, common practice


class ChangeKind(StrEnum):
    """How a condition differs between two sessions."""

    CHANGED = "changed"
    UNRECORDED = "unrecorded"
    AGED = "aged"


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

    kind: ChangeKind
    """Whether it changed, was not recorded in one of them, or is the age of the roast."""

    weight: Weight
    """Whether sessions are kept apart, may be blocked, or it is only said."""

    before: Any
    """In the earlier session; days of rest for the age of the roast."""

    now: Any
    """In the later one."""

    earlier: str
    """Name of the earlier session."""

    later: str
    """Name of the later one."""

    @property
    def unrecorded_in(self) -> str | None:
        """The session that did not record it, the earlier one if neither did; None if both did."""
        if self.kind is not ChangeKind.UNRECORDED:
            return None
        return self.earlier if _unrecorded(self.before) else self.later


@checked(PlanError)
def compare_conditions(earlier: TastedSession, later: TastedSession) -> tuple[Change, ...]:
    """What changed from one session of a coffee to a later one.

    A change of the brew method keeps sessions apart. Any other change of what touches the cup
    may enter a model as a block. What one session did not record cannot be compared, which is
    said.

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
    names = {"earlier": earlier.name, "later": later.name}
    changes = []
    for field in dict.fromkeys((*before, *now)):
        old, new = before.get(field), now.get(field)
        if old == new:
            continue
        silent = _unrecorded(old) or _unrecorded(new)
        changes.append(
            Change(
                field=field,
                kind=ChangeKind.UNRECORDED if silent else ChangeKind.CHANGED,
                weight="note" if silent else _WEIGHTS.get(field, "block"),
                before=old,
                now=new,
                **names,
            )
        )
    roasted = now.get("roast_date")
    if isinstance(roasted, date) and before.get("roast_date") == roasted:
        rested = [(session.tasted_on - roasted).days for session in (earlier, later)]
        if abs(rested[1] - rested[0]) > _REST_DAYS:
            changes.append(
                Change(
                    field="tasted_on",
                    kind=ChangeKind.AGED,
                    weight="block",
                    before=rested[0],
                    now=rested[1],
                    **names,
                )
            )
    return tuple(changes)


def _conditions(session: TastedSession) -> dict[str, Any]:
    held = session.held
    return {"brew_method": session.brew_method, "serving": session.serving} | {
        field.name: getattr(held, field.name)
        for field in fields(held)
        if field.name != "language"  # tasters of one panel may read several
    }


def _unrecorded(value: object) -> bool:
    return value is None or value == ""
