"""A score: as it is given, and as the lab book keeps it; every field has one name all the way."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import cast
from unicodedata import category

from labkit.book.store.columns import clean_text
from labkit.book.store.records import Attribute, Source, Stage
from labkit.boundary import checked
from labkit.errors import BookError, ScaleError

Value = float | str | Sequence[str] | None
"""A number, a note, checked descriptors, or None to clear."""


@checked(BookError, but=("value",))
@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """One score on its way into the lab book."""

    session: str
    """Name of the session."""

    flight: int
    """Number of the flight."""

    taster: str
    """Whose score it is."""

    attribute: str
    """What is scored."""

    value: Value
    """A number, a note, checked descriptors, or None to clear."""

    blind_code: str | None = None
    """The cup by its code ..."""

    position: int | None = None
    """... or by its position in the taster's order."""

    stage: Stage | None = None
    """Stage of cooling, if the session scores them apart."""

    given_at: datetime | None = None
    """When it was touched, by the clock of the device; now if not said."""

    entry_id: str | None = None
    """Made by the sender, so that sending twice keeps one; made here if not said."""

    source: Source = "sheet"
    """Where it comes from."""

    device: str = ""
    """Which device sent it."""

    entered_by: str = ""
    """Who entered it, if not the taster."""

    yields: bool = False
    """Whether it gives way to what another device was given later, instead of replacing it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptScore:
    """One score as the lab book keeps it, on the disk."""

    session: str
    """Name of the session."""

    flight: int
    """Number of the flight."""

    taster: str
    """Whose score it is, by the name that the lab book has."""

    attribute: str
    """What was scored."""

    value: float | str | tuple[str, ...] | None
    """The number, the note or the checked descriptors; None if it was cleared."""

    blind_code: str | None
    """Code of the cup; None while it is not known."""

    position: int
    """Position of the cup in the taster's order."""

    stage: Stage | None
    """Stage of cooling."""

    given_at: datetime
    """When it was touched (UTC), by the clock of the device."""

    entry_id: str
    """Unique; made by the device that sent it, so that sending twice keeps one."""

    source: Source
    """Where it came from."""

    device: str
    """Which device sent it."""

    entered_by: str
    """Who entered it; the taster unless said otherwise."""

    received_at: datetime
    """When the lab book took it (UTC)."""

    is_new: bool = field(default=False, compare=False)
    """Whether it was taken just now; False if it had been taken before."""

    replaced: KeptScore | None = field(default=None, compare=False)
    """The value that was current until it was taken just now; it stays in the history."""


def check_value(attribute: Attribute, value: Value) -> float | str | tuple[str, ...] | None:
    """Give a value as it is kept; None for a cleared one.

    Raises
    ------
    ScaleError
        If the value does not fit the attribute.
    """
    if value is None:
        return None
    if attribute.scale is not None:
        return attribute.scale.check(cast("float", value))
    if attribute.kind == "note":
        if not isinstance(value, str):
            msg = f"{attribute.name} must be text, got {value!r}; write a note."
            raise ScaleError(msg)
        return clean_note(attribute.name, value)
    words = None if isinstance(value, str | int | float) else list(value)
    wrong = [w for w in words if w not in attribute.choices] if words is not None else [value]
    if words is None or wrong:
        msg = (
            f"{attribute.name} must be some of {', '.join(attribute.choices)}, got {wrong[0]!r}; "
            "check only words of the session's list."
        )
        raise ScaleError(msg)
    return tuple(word for word in attribute.choices if word in words)


def clean_note(field: str, note: str) -> str:
    """Give a note as it is kept, without the characters that no database can store.

    They come from a keyboard that failed or from pasting, never from what a taster means; half of
    a pair that makes one sign (a smiley, say) leaves the mark for an unreadable character.

    Raises
    ------
    BookError
        If it is too long.
    """
    storable = "".join(
        "\N{REPLACEMENT CHARACTER}" if category(letter) == "Cs" else letter
        for letter in note
        if category(letter) != "Cc" or letter in "\t\r\n"
    )
    return clean_text(field, storable)


def write_value(value: Value) -> tuple[float | None, str]:
    """Give a value that was checked as a row has it: a number, or text; neither if cleared."""
    if value is None or isinstance(value, float):
        return value, ""
    return None, value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def read_value(
    kind: str, number: float | None, words: str, *, is_cleared: bool
) -> float | str | tuple[str, ...] | None:
    """Give a value as it was given, of what a row has."""
    if is_cleared:
        return None
    if kind == "number":
        return number
    return words if kind == "note" else tuple(json.loads(words))
