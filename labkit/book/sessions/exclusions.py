"""Who or what is left out of a coffee's reading, asked of a lab book."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from labkit.book.lab_book import LabBook
from labkit.book.sessions.decisions import LeftOut

if TYPE_CHECKING:
    import pandas as pd


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
    """As the method of the lab book."""
    return book.sessions.leave_out(
        coffee, client=client, tasters=tasters, sessions=sessions, seen=seen, reason=reason
    )


def left_out(book: LabBook, coffee: str, *, client: str) -> LeftOut:
    """As the method of the lab book."""
    return book.sessions.left_out(coffee, client=client)


def keep_chosen(book: LabBook, frame: pd.DataFrame) -> pd.DataFrame:
    """As the method of the lab book."""
    return book.sessions.keep_chosen(frame)
