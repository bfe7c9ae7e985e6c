"""What sealed flights not yet mixed will take of each bottle, without looking into a key."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from labkit.book.schema import PLANNED
from labkit.errors import DosingError

if TYPE_CHECKING:
    from labkit.book.lab_book import LabBook
    from labkit.book.records import TastingSession
    from labkit.water import Mixing

JUG_ML: Final = 1000.0
"""Volume of a jug unless another is given (mL)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionNeed:
    """What the flights of a session that wait to be mixed take, at most."""

    session: str
    """The session."""

    flights: tuple[int, ...]
    """Flights planned and sealed, with nothing scored and no dose written down."""

    jugs: int
    """Jugs to mix for them."""

    most_ml: Mapping[str, float]
    """Bottle -> millilitres that suffice, whichever waters the keys hold."""

    remark: str = ""
    """Why it could not be worked out, if so."""


def session_needs(book: LabBook, *, jug_volume_ml: float = JUG_ML) -> tuple[SessionNeed, ...]:
    """What each planned session will take of the newest bottle of each salt.

    Parameters
    ----------
    book : LabBook
        Where plans and bottles are.
    jug_volume_ml : float
        Volume of a jug (mL).

    Returns
    -------
    needs : tuple of SessionNeed
        By session, oldest first; sessions with nothing left to mix are not in it.

    Notes
    -----
    The key stays sealed. The session's waters are known, and that each water of the plan is served
    at least once; jugs beyond those (hidden duplicates, the control again) are counted as the
    water that takes most of that bottle. So the figure is enough and says nothing of the draw.
    """
    taken = {
        (use.session, use.flight)
        for bottle in book.bottles(include_emptied=True)
        for use in bottle.uses
    }
    needs = []
    for session in book.sessions():
        waiting = tuple(
            flight.number
            for flight in book.flights(session.name)
            if flight.state == PLANNED and (session.name, flight.number) not in taken
        )
        if waiting:
            needs.append(_need(book, session, waiting, jug_volume_ml))
    return tuple(needs)


def _need(
    book: LabBook, session: TastingSession, flights: tuple[int, ...], jug_volume_ml: float
) -> SessionNeed:
    from labkit.water import mix

    plan = book.plan(session.name)
    design = plan.design
    if design.jugs:
        jugs = -(-design.jugs * len(flights) // design.flights)
    else:  # plans of older labkits did not count them: a code is a jug at most
        jugs = sum(len(plan.codes(flight)) for flight in flights)
    concentrates, base = book.concentrates(), book.start_water(session.held).water
    try:
        mixings = [
            mix(water.target, concentrates, volume_ml=jug_volume_ml, base=base)
            for water in session.waters
        ]
    except DosingError as error:
        return SessionNeed(
            session=session.name, flights=flights, jugs=jugs, most_ml={}, remark=str(error)
        )
    return SessionNeed(
        session=session.name,
        flights=flights,
        jugs=jugs,
        most_ml=_most(mixings, jugs, min(jugs, design.n_waters)),
    )


def _most(mixings: Sequence[Mixing], jugs: int, different: int) -> dict[str, float]:
    """Bottle -> the dearest waters once each, and the dearest again for every further jug."""
    doses: dict[str, list[float]] = {}
    for mixing in mixings:
        for dose in mixing.doses:
            doses.setdefault(dose.concentrate.name, []).append(dose.volume_ml)
    most = {}
    for name, each in doses.items():
        dearest = sorted(each, reverse=True)
        once = dearest[:different]
        most[name] = round(sum(once) + (jugs - len(once)) * dearest[0], 6)
    return most
