"""The bench sheet once more: the preparer reads a sealed key, and that is on record."""

from __future__ import annotations

from collections.abc import Sequence

from labkit.book import LabBook, TastingSession
from labkit.errors import SealError
from labkit.workflow.keys import numbers_of
from labkit.workflow.names import Planned, session_name
from labkit.workflow.planning import Preparation


def prepare_flights(
    book: LabBook,
    session: str | TastingSession | Planned,
    passphrase: str,
    flights: Sequence[int] | None = None,
    *,
    preparer: str,
    jug_volume_ml: float = 1000.0,
) -> Preparation:
    """What the preparer needs for flights that are planned, by the bottles on the shelf today.

    It joins nothing in the lab book and does not unblind a flight: the preparer has to know.

    Parameters
    ----------
    book, session : LabBook and str
        Which session of the lab book.
    passphrase : str
        The preparer's.
    flights : sequence of int, optional
        Which ones; all if not given.
    preparer : str
        Who reads it; that is on record.
    jug_volume_ml : float
        Finished volume of each jug (mL).

    Raises
    ------
    SealError
        If nobody is named, or the passphrase does not open every one of them.
    """
    if not preparer.strip():
        raise SealError(
            "preparer must have a name, got ''. It is recorded who had the sheet.", field="preparer"
        )
    name = session_name(session)
    numbers = book.sessions.plan(name).flights if flights is None else numbers_of(flights)
    start = book.stock.start_water(book.sessions.session(name).held)
    opened = book.sessions.open_for_bench_sheets(name, numbers, passphrase, done_by=preparer)
    return Preparation(
        opened=opened,
        bottles=book.stock.concentrates(),
        start=start,
        jug_volume_ml=jug_volume_ml,
        lab_book=book.name,
    )
