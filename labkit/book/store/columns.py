"""Column types and text rules that every table of the lab book shares."""

from __future__ import annotations

import unicodedata
from contextlib import suppress
from datetime import UTC, date, datetime
from numbers import Real
from typing import TYPE_CHECKING

from sqlalchemy import DateTime
from sqlalchemy.types import TypeDecorator

from labkit.boundary import checked
from labkit.errors import BookError

if TYPE_CHECKING:
    from sqlalchemy.engine import Dialect

NAME_LENGTH = 120
TEXT_LENGTH = 4000


class UtcDateTime(TypeDecorator[datetime]):
    """A moment, always with its time zone outside and always UTC inside.

    SQLite keeps no time zone, so a moment is stored there as naive UTC text.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn any aware moment into UTC."""
        if value is None:
            return None
        moment = value.astimezone(UTC)
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Give the moment back in UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def now_utc() -> datetime:
    """Say what time it is, with the time zone."""
    return datetime.now(UTC)


def today() -> date:
    """The day on the wall, not in Greenwich."""
    return now_utc().astimezone().date()


def in_utc(field: str, moment: datetime) -> datetime:
    """Give a moment in UTC.

    Raises
    ------
    BookError
        If it has no time zone: nobody could say later which hour was meant.
    """
    if moment.tzinfo is None:
        msg = f"{field} must have a time zone, got {moment.isoformat()}; use datetime.now(UTC)."
        raise BookError(msg, field=field)
    return moment.astimezone(UTC)


def clean_number(field: str, number: object, *, most: float) -> float:
    """Give a number as it is stored: above 0 and at most `most`.

    Raises
    ------
    BookError
        If it is no number, not finite, or out of bounds: what is stored has to be read for good.
    """
    if not isinstance(number, bool) and isinstance(number, Real):
        with suppress(OverflowError):
            kept = float(number)
            if 0 < kept <= most:
                return kept
    msg = f"{field} must be above 0 and at most {most:.0f}, got {number!r}; check the unit."
    raise BookError(msg, field=field)


def clean_name(field: str, text: object) -> str:
    """Give a name as it is stored: trimmed, one Unicode form, one line, not empty.

    Two spellings that look the same must be one name, hence the composed form (NFC).

    Raises
    ------
    BookError
        If the name is empty, longer than 120 characters, or holds control characters.
    """
    name = clean_text(field, text, NAME_LENGTH)
    if not name:
        msg = f"{field} must not be empty, got {text!r}; give a name."
        raise BookError(msg, field=field)
    if any(unicodedata.category(letter) in {"Cc", "Zl", "Zp"} for letter in name):
        msg = f"{field} must be one line without control characters, got {text!r}; retype it."
        raise BookError(msg, field=field)
    return name


def clean_person(field: str, text: object) -> str:
    """Give the name of a taster, client or coffee as it is stored: one space between words."""
    return " ".join(clean_name(field, text).split())


@checked(BookError)
def name_key(name: str) -> str:
    """What two spellings of one name share: capitals, spaces and forms of letters do not count.

    Parameters
    ----------
    name : str
        As it was typed.
    """
    folded = unicodedata.normalize("NFC", name).casefold()
    return unicodedata.normalize("NFC", " ".join(folded.split()))


def clean_text(field: str, text: object, longest: int = TEXT_LENGTH) -> str:
    """Give a free text as it is stored: trimmed, one Unicode form, storable everywhere.

    Raises
    ------
    BookError
        If the text is too long, or holds a character that no database can store.
    """
    if not isinstance(text, str):
        msg = f"{field} must be text, got {text!r}; put it in quotes."
        raise BookError(msg, field=field)
    cleaned = unicodedata.normalize("NFC", text).replace("\r\n", "\n").replace("\r", "\n").strip()
    if len(cleaned) > longest:
        msg = f"{field} must have at most {longest} characters, got {len(cleaned)}; shorten it."
        raise BookError(msg, field=field)
    # PostgreSQL refuses NUL, and half a surrogate pair has no UTF-8 form.
    if any(letter == "\0" or unicodedata.category(letter) == "Cs" for letter in cleaned):
        msg = f"{field} holds a character that cannot be stored, got {text!r}; retype it."
        raise BookError(msg, field=field)
    return cleaned
