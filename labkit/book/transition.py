"""Names from before the lab book had parts, for callers that are not rewritten yet."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from labkit.book.parts import People, ScorePart, SessionPart, StockPart
from labkit.book.scores.score import Score as Touch
from labkit.book.store.records import TastingSession

__all__ = ["PART_OF", "CallableSessions", "OldNames", "Touch"]

_PARTS: Final = {
    "people": People,
    "sessions": SessionPart,
    "scores": ScorePart,
    "stock": StockPart,
}

PART_OF: Final = {
    name: part
    for part, holder in _PARTS.items()
    for name in dir(holder)
    if not name.startswith("_") and name != "all"
}
"""In which part a method of the lab book is now."""


class CallableSessions(SessionPart):
    """Sessions, that can still be asked for by calling them."""

    def __call__(
        self, *, client: str | None = None, coffee: str | None = None
    ) -> tuple[TastingSession, ...]:
        """Sessions of a client or a coffee, or all, by day."""
        return self.all(client=client, coffee=coffee)


if TYPE_CHECKING:

    class OldNames(People, SessionPart, ScorePart, StockPart):
        """Every method of every part."""

else:

    class OldNames:
        """Every method of every part, handed on to it."""

    def _hand_on(part: str, name: str) -> Callable[..., Any]:
        def method(self: Any, *given: Any, **named: Any) -> Any:
            return getattr(getattr(self, part), name)(*given, **named)

        method.__name__ = name
        method.__doc__ = getattr(_PARTS[part], name).__doc__
        return method

    for _name, _part in PART_OF.items():
        setattr(OldNames, _name, _hand_on(_part, _name))
