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
    """Record what is left out from now on (nobody, if nothing is named), and give the record.

    Parameters
    ----------
    book : LabBook
        Where it is recorded.
    coffee, client : str
        Whose reading it is.
    tasters, sessions : sequence of str
        Names to leave out; what was left out before is not kept.
    seen : str
        The attribute whose reading led to it.
    reason : str
        Why.

    Raises
    ------
    BookError
        If no reason is given, a name is unknown, or nothing of the coffee was tasted.
    """
    return book.sessions.leave_out(
        coffee, client=client, tasters=tasters, sessions=sessions, seen=seen, reason=reason
    )


def left_out(book: LabBook, coffee: str, *, client: str) -> LeftOut:
    """The choice recorded last for a coffee.

    Parameters
    ----------
    book : LabBook
        Where it is recorded.
    coffee, client : str
        Whose reading it is.
    """
    return book.sessions.left_out(coffee, client=client)


def keep_chosen(book: LabBook, frame: pd.DataFrame) -> pd.DataFrame:
    """The rows of a scores or words frame, of any number of coffees, that are read.

    For each coffee the choice recorded last for it holds.

    Parameters
    ----------
    book : LabBook
        Where the choices are recorded.
    frame : DataFrame
        With ``client, coffee, session, taster``, such as the scores frame.
    """
    return book.sessions.keep_chosen(frame)
