"""What sealed flights not yet mixed will take of each bottle, without looking into a key."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

from labkit.book.stock.bottles import MOST_ML
from labkit.book.store.columns import clean_number
from labkit.book.store.schema import PLANNED
from labkit.errors import DosingError

if TYPE_CHECKING:
    from labkit.book.lab_book import LabBook
    from labkit.book.stock.doses import DosesKept
    from labkit.book.store.records import TastingSession
    from labkit.tasting import CupPlan
    from labkit.water import Mixing

JUG_ML: Final = 1000.0
"""Volume of a jug unless another is given (mL)."""

_SHARED: Final = "shared bowls"


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionNeed:
    """What the flights of a session that wait to be mixed take, at most."""

    session: str
    """The session."""

    flights: tuple[int, ...]
    """Flights planned and sealed, with nothing scored and no dose written down."""

    jugs: int
    """Jugs to mix for them, at most where some of a plan's flights are left and each taster has a
    cup of their own."""

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
    The key stays sealed. The session's waters are known, that each water of a plan is served at
    least once, and that a flight holds a water once, or twice with its hidden duplicate. Whatever
    that leaves open is counted as the waters that take most of that bottle. So the figure is
    enough and says nothing of the draw. While some flights of a plan wait and others are mixed,
    the waters of those that wait are not known, and the figure is larger than their share.
    """
    taken = book.stock.mixed_flights()
    needs = []
    for session in book.sessions.all():
        waiting = tuple(
            flight.number
            for flight in book.sessions.flights(session.name)
            if flight.state == PLANNED and (session.name, flight.number) not in taken
        )
        if waiting:
            needs.append(_need(book, session, waiting, jug_volume_ml))
    return tuple(needs)


def take_doses(
    book: LabBook,
    session: str,
    flight: int,
    doses: Mapping[str, float],
    *,
    jug_volume_ml: float = JUG_ML,
    used_on: date | None = None,
) -> DosesKept:
    """Write down what was taken for a flight, without telling what its closed key holds.

    The doses are sealed to the key; until it opens the shelf counts what suffices for any draw,
    which anyone can work out from the plan.

    Parameters
    ----------
    book : LabBook
        Where it is written down.
    session : str
        Name of the session.
    flight : int
        Number of the flight.
    doses : mapping of str to float
        Bottle -> what was taken (mL).
    jug_volume_ml : float
        Volume of a jug (mL), for what suffices.
    used_on : date, optional
        Day; today if not given.

    Returns
    -------
    DosesKept
        As ``LabBook.stock.seal_doses`` gives it.

    Raises
    ------
    BookError
        As ``LabBook.stock.seal_doses``.
    """
    volume_ml = clean_number("jug_volume_ml", jug_volume_ml, most=MOST_ML)
    need = _need(
        book,
        book.sessions.session(session),
        (book.sessions.flight(session, flight).number,),
        volume_ml,
    )
    return book.stock.seal_doses(session, flight, doses, at_most=need.most_ml, used_on=used_on)


def _need(
    book: LabBook, session: TastingSession, flights: tuple[int, ...], jug_volume_ml: float
) -> SessionNeed:
    from labkit.water import mix

    plan = book.sessions.plan(session.name)
    concentrates, base = book.stock.concentrates(), book.stock.start_water(session.held).water
    jugs, remark, most_ml = _jugs(plan, flights), "", {}
    try:
        mixings = [
            mix(water.target, concentrates, volume_ml=jug_volume_ml, base=base)
            for water in session.waters
        ]
        most_ml = _most_ml(mixings, plan, flights, jugs)
    except DosingError as error:
        remark = str(error)
    return SessionNeed(
        session=session.name, flights=flights, jugs=jugs, most_ml=most_ml, remark=remark
    )


def _told_by_design(plan: CupPlan) -> bool:
    """Whether the design speaks of all flights of the plan: it is that of the last planning."""
    planned = {cup.flight for cup in plan.cups}
    return bool(plan.design.jugs) and plan.design.flights == len(planned)


def _most_in_flight(plan: CupPlan, flight: int) -> int:
    """Jugs of a flight, at most: a code is a jug, where tasters do not have cups of their own."""
    codes, design = len(plan.codes(flight)), plan.design
    if plan.serving == _SHARED or not _told_by_design(plan):
        return codes
    return min(codes, design.n_waters * (1 + bool(design.duplicate_cups)))


def _jugs(plan: CupPlan, flights: tuple[int, ...]) -> int:
    """Jugs of some flights, at most; exact for all of a plan, and where bowls are shared."""
    most = sum(_most_in_flight(plan, flight) for flight in flights)
    if not _told_by_design(plan):
        return most
    others = {cup.flight for cup in plan.cups}.difference(flights)
    fewest = [min(plan.design.cups_per_flight, _most_in_flight(plan, one)) for one in others]
    return min(most, plan.design.jugs - sum(fewest))


def _most_ml(
    mixings: Sequence[Mixing], plan: CupPlan, flights: tuple[int, ...], jugs: int
) -> dict[str, float]:
    """Bottle -> the least of what can be said from each flight, from the plan and from the jugs."""
    doses: dict[str, list[float]] = {}
    for mixing in mixings:
        for dose in mixing.doses:
            doses.setdefault(dose.concentrate.name, []).append(dose.volume_ml)
    return {
        name: round(_most(sorted(each, reverse=True), plan, flights, jugs), 6)
        for name, each in doses.items()
    }


def _most(dearest: list[float], plan: CupPlan, flights: tuple[int, ...], jugs: int) -> float:
    """Millilitres of one bottle that suffice, from its doses in every water, the dearest first."""
    design, told = plan.design, _told_by_design(plan)
    by_flight = 0.0
    for flight in flights:
        here = _most_in_flight(plan, flight)
        again = here // 2  # a water is in a flight once, and once more as its duplicate
        if told and plan.serving == _SHARED:
            again = min(again, -(-design.duplicate_cups // design.flights))
        again = max(again, here - len(dearest))
        by_flight += sum(dearest[: here - again]) + sum(dearest[:again])
    bounds = [by_flight, jugs * dearest[0]]
    if told:
        once = dearest[: min(design.jugs, design.n_waters)]
        bounds.append(sum(once) + (design.jugs - len(once)) * dearest[0])
    return min(bounds)
