"""The bench sheet once more: the preparer reads a sealed key, and that is on record."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

from labkit.book import JUG_ML, LabBook, TastingSession
from labkit.boundary import checked
from labkit.errors import DosingError, PlanError, SealError
from labkit.workflow.keys import numbers_of
from labkit.workflow.names import Planned, session_name
from labkit.workflow.preparation import Preparation
from labkit.workflow.reserving import set_aside


@checked(PlanError)
def prepare_flights(
    book: LabBook,
    session: str | TastingSession | Planned,
    passphrase: str,
    flights: int | Sequence[int] | None = None,
    *,
    preparer: str,
    jug_volume_ml: float | None = None,
) -> Preparation:
    """What the preparer needs for flights that are planned, by the bottles on the shelf today.

    It joins nothing in the lab book and does not unblind a flight: the preparer has to know. What
    is set aside for flights that are not mixed yet follows the sheet.

    Parameters
    ----------
    book, session : LabBook and str
        Which session of the lab book.
    passphrase : str
        The preparer's.
    flights : int or sequence of int, optional
        Which ones; all if not given.
    preparer : str
        Who reads it; that is on record.
    jug_volume_ml : float, optional
        Finished volume of each jug (mL); that of the plan if not given.

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
    plan, session_now = book.sessions.plan(name), book.sessions.session(name)
    numbers = plan.flights if flights is None else numbers_of(flights)
    start = book.stock.start_water(session_now.held)
    opened = book.sessions.open_for_bench_sheets(name, numbers, passphrase, done_by=preparer)
    prepared = Preparation(
        opened=opened,
        bottles=book.stock.concentrates(),
        start=start,
        jug_volume_ml=plan.design.jug_ml or JUG_ML if jug_volume_ml is None else jug_volume_ml,
        lab_book=book.name,
    )
    waiting = {flight for session, flight, _ in book.stock.waiting_flights() if session == name}
    with suppress(DosingError):  # the sheet says why; nothing is set aside for what is not made
        targets = [water.target for water in session_now.waters]
        reserved = set_aside(plan, prepared, targets, flights=sorted(waiting & set(numbers)))
        book.stock.reserve(name, reserved)
    return prepared
