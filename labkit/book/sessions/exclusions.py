"""Who or what is left out of a coffee's reading: a choice that is written down and read back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final

from labkit.book.lab_book import LabBook
from labkit.book.people.renaming import renamed_since
from labkit.errors import BookError

if TYPE_CHECKING:
    import pandas as pd

HEAD: Final = "Left out of the reading: "
"""How such a remark begins."""

_NOBODY: Final = "nobody"


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """The choice that holds for a coffee; nothing is left out until one is recorded."""

    tasters: tuple[str, ...] = ()
    """Whose scores are not read."""

    sessions: tuple[str, ...] = ()
    """Which sessions are not read."""

    reason: str = ""
    """Why, in the lead's words."""

    recorded_at: datetime | None = None
    """When (UTC); None if nothing was ever recorded."""

    @property
    def names(self) -> tuple[str, ...]:
        """Tasters and sessions together."""
        return (*self.tasters, *self.sessions)

    @property
    def sentence(self) -> str:
        """The choice in words; empty if nothing is left out."""
        if not self.names or self.recorded_at is None:
            return ""
        return (
            f"Left out by choice, as recorded on {self.recorded_at:%Y-%m-%d}: "
            f"{', '.join(self.names)}. Why: {self.reason}"
        )

    def keep(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The rows of a scores frame that are read."""
        out = frame["taster"].isin(list(self.tasters)) | frame["session"].isin(list(self.sessions))
        return frame[~out]


def leave_out(
    book: LabBook,
    coffee: str,
    *,
    client: str,
    tasters: Sequence[str] = (),
    sessions: Sequence[str] = (),
    seen: str,
    reason: str,
) -> str:
    """Record what is left out from now on (nobody, if nothing is named), and give the record.

    Parameters
    ----------
    seen : str
        The attribute whose reading led to it.
    reason : str
        Why.

    Raises
    ------
    BookError
        If no reason is given, a name is unknown, or nothing of the coffee was tasted.
    """
    names = [*tasters, *sessions]
    who = ", ".join(names) or _NOBODY
    if not reason.strip():
        raise BookError(
            f"reason must say why {who} is left out, got nothing. Write it in a few words.",
            field="reason",
        )
    known = book.sessions(client=client, coffee=coffee)
    of_coffee = {one.name for one in known} | {name for one in known for name in one.tasters}
    strangers = [name for name in names if name not in of_coffee]
    if strangers or not known:
        raise BookError(
            f"who is left out must have tasted {coffee}, got {', '.join(strangers) or who}. "
            "Choose among its tasters and sessions."
        )
    text = f"{HEAD}{who} ({seen}). {reason.strip()}"
    for session in sessions or [known[-1].name]:
        book.add_remark(session, text)
    return text


def left_out(book: LabBook, coffee: str, *, client: str) -> LeftOut:
    """The choice recorded last for a coffee."""
    sessions = book.sessions(client=client, coffee=coffee)
    names = {one.name: True for one in sessions}
    names |= {taster: False for one in sessions for taster in one.tasters}
    events = [event for one in sessions for event in book.events(one.name)]
    records = [
        event for event in events if event.kind == "remark" and event.reason.startswith(HEAD)
    ]
    if not records:
        return LeftOut()
    last = max(records, key=lambda event: event.happened_at)
    renamed = renamed_since(events, last)
    names = dict.fromkeys(renamed, False) | names
    found, rest = _names_in(last.reason.removeprefix(HEAD), sorted(names, key=len, reverse=True))
    return LeftOut(
        tasters=tuple(dict.fromkeys(renamed.get(name, name) for name in found if not names[name])),
        sessions=tuple(name for name in found if names[name]),
        reason=rest.partition("). ")[2],
        recorded_at=last.happened_at,
    )


def keep_chosen(book: LabBook, frame: pd.DataFrame) -> pd.DataFrame:
    """The rows of a scores or words frame, of any number of coffees, that are read.

    For each coffee the choice recorded last for it holds.
    """
    dropped = [
        part.index.difference(left_out(book, str(coffee), client=str(client)).keep(part).index)
        for (client, coffee), part in frame.groupby(["client", "coffee"])
    ]
    return frame.drop([label for labels in dropped for label in labels])


def _names_in(text: str, known: Sequence[str]) -> tuple[list[str], str]:
    """The known names that a record begins with, and what follows them; names may hold commas."""
    found: list[str] = []
    while True:
        name = next((one for one in known if text.startswith((f"{one}, ", f"{one} ("))), None)
        if name is None:
            return found, text
        found.append(name)
        text = text.removeprefix(name)
        if text.startswith(" ("):
            return found, text
        text = text.removeprefix(", ")
