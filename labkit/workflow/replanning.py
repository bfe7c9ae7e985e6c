"""A taster is late or away: what has not been served is planned anew."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np

from labkit.book import LabBook, TastingSession
from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.tasting import replan as plan_anew
from labkit.workflow.names import Planned, check_tasters, session_name
from labkit.workflow.planning import PlannedSession, prepare, with_jugs
from labkit.workflow.reserving import jug_of, reservations
from labkit.workflow.usual import resting_codes


@checked(PlanError)
def unserved_flights(book: LabBook, session: str) -> tuple[int, ...]:
    """The flights that nobody has begun.

    Parameters
    ----------
    book : LabBook
        The lab book.
    session : str
        Which session of the lab book.
    """
    return tuple(one.number for one in book.sessions.flights(session) if one.state == "planned")


@checked(PlanError)
def replan(
    book: LabBook,
    session: str | TastingSession | Planned,
    *,
    absent: Sequence[str] = (),
    late: Sequence[str] = (),
    first: int | None = None,
    passphrase: str | None = None,
    jug_volume_ml: float | None = None,
    even_if_short: bool = False,
    seed: int | np.random.Generator | None = None,
) -> PlannedSession:
    """Plan the flights that nobody has begun for those who are there; nobody else's order changes.

    Parameters
    ----------
    book, session : LabBook and str
        Which session of the lab book.
    absent, late : sequence of str
        Who stays away from now on, and who comes in.
    first : int, optional
        The first flight to plan anew; the first that nobody has begun if not given.
    passphrase : str, optional
        The preparer's; needed with a cup each, as cups come or go and the key with them.
    jug_volume_ml : float, optional
        Finished volume of each jug (mL); if not given, what its vessels take.
    even_if_short : bool
        Plan it though a bottle may not suffice.
    seed : int or numpy.random.Generator, optional
        For tests only.

    Returns
    -------
    PlannedSession
        Its preparation is None with shared bowls: the bench sheet holds.

    Raises
    ------
    PlanError
        If nothing changes, a name does not fit, or no flight is left.
    SealError
        If the passphrase is not the one that sealed the flights.
    StockError
        If a bottle may not suffice, with the grams to weigh.
    """
    name = session_name(session)
    unserved = [n for n in unserved_flights(book, name) if first is None or n >= first]
    if not unserved:
        raise PlanError(
            "session must have a flight not served yet. Add flights under Plan.", field="session"
        )
    if not late and not absent:
        raise PlanError(
            "late must name someone, or absent must: else nothing changes.", field="late"
        )
    before = book.sessions.plan(name)
    has_own_cups = before.serving == "a cup each"
    plan = plan_anew(
        before,
        served=[number for number in before.flights if number not in unserved],
        absent=check_tasters(before, absent),
        late=late,
        passphrase=passphrase if has_own_cups else None,
        recent_codes=resting_codes(book, date.today()),
        seed=seed,
    )
    session_now = book.sessions.session(name)
    held, prepared, reserved = session_now.held, None, None
    if has_own_cups and passphrase is not None:
        plan = with_jugs(plan, jug_of(plan, held, None, jug_volume_ml))
        prepared = prepare(book, plan, passphrase, book.stock.start_water(held))
        targets = [water.target for water in session_now.waters]
        reserved = reservations(book, plan, prepared, targets, even_if_short=even_if_short)
    book.sessions.store_plan(
        plan, sheet_read_by=None if prepared is None else held.preparer, reserved=reserved
    )
    return PlannedSession(session=book.sessions.session(name), plan=plan, preparation=prepared)
