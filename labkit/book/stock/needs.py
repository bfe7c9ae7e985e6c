"""What sealed flights not yet mixed take of each bottle, without looking into a key.

And what follows for the shelf: what is short, what has to be weighed, how many flights it lasts.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

from labkit.book.stock.bottles import MOST_ML
from labkit.book.store.columns import clean_number
from labkit.boundary import checked
from labkit.errors import BookError, DosingError

if TYPE_CHECKING:
    from labkit.book.lab_book import LabBook
    from labkit.book.stock.bottles import Bottle
    from labkit.book.stock.doses import DosesKept
    from labkit.book.store.records import TastingSession
    from labkit.tasting import CupPlan
    from labkit.water import Concentrate, Mixing, Target, Water, Weighing

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


@checked(BookError)
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
    What was reserved when the flights were sealed is read; it is worked out anew for flights of
    earlier versions. The key stays sealed. The session's waters are known, that each water of a
    plan is served at least once, and that a flight holds a water once, or twice with its hidden
    duplicate. Whatever that leaves open is counted as the waters that take most of that bottle. So
    the figure is enough and says nothing of the draw. While some flights of a plan wait and others
    are mixed, the waters of those that wait are not known, and the figure is larger than their
    share.
    """
    waiting: dict[str, dict[int, bool]] = {}
    for name, flight, is_reserved in book.stock.waiting_flights():
        waiting.setdefault(name, {})[flight] = is_reserved
    needs = []
    for name, flights in waiting.items():
        session, numbers = book.sessions.session(name), tuple(flights)
        unknown = tuple(number for number, is_reserved in flights.items() if not is_reserved)
        if len(unknown) == len(flights):
            needs.append(_need(book, session, numbers, jug_volume_ml))
            continue
        most_ml: dict[str, float] = {}
        remark = ""
        amounts = [book.stock.reserved_ml(name)[number] for number in flights if flights[number]]
        if unknown:
            need = _need(book, session, unknown, jug_volume_ml)
            remark = need.remark
            amounts.append(dict(need.most_ml))
        for each in amounts:
            for bottle, volume_ml in each.items():
                most_ml[bottle] = most_ml.get(bottle, 0.0) + volume_ml
        plan = book.sessions.plan(name)
        needs.append(
            SessionNeed(
                session=name,
                flights=numbers,
                jugs=_jugs(plan, numbers),
                most_ml={bottle: round(ml, 6) for bottle, ml in most_ml.items()},
                remark=remark,
            )
        )
    return tuple(needs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortage:
    """A bottle that holds less than may be taken of it, and what to weigh for more."""

    bottle: str
    """The bottle."""

    needed_ml: float
    """What may be taken of it (mL)."""

    free_ml: float
    """What is left of it and not set aside for others (mL)."""

    is_at_least: bool
    """Whether more may be left, as doses are sealed and the most they can be is counted."""

    weighing: Weighing
    """What to weigh for as strong a bottle of the same salt that holds what is needed."""

    @property
    def text(self) -> str:
        """What is short, and the grams to weigh, in two sentences."""
        from labkit.water import digits_of

        least = "at least " if self.is_at_least else ""
        weighing, digits = self.weighing, digits_of(self.weighing.balance_g)
        return (
            f"'{self.bottle}' is short: up to {math.ceil(self.needed_ml - 1e-6)} mL are needed, "
            f"{least}{math.floor(self.free_ml + 1e-6)} mL are free. Weigh "
            f"{weighing.mass_g:.{digits}f} g of {weighing.salt.label}, make it up to "
            f"{weighing.volume_ml:g} mL with pure water, and keep it as a new bottle."
        )


@checked(BookError)
def shortages(
    book: LabBook, needed_ml: Mapping[str, float], *, apart_from: Collection[tuple[str, int]] = ()
) -> tuple[Shortage, ...]:
    """Which bottles hold less than is needed, beside what is set aside for other flights.

    Parameters
    ----------
    book : LabBook
        Where the bottles are.
    needed_ml : mapping of str to float
        Bottle -> what may be taken of it (mL).
    apart_from : collection of (str, int)
        Session and number of flights, the reservations of which are among what is needed.

    Returns
    -------
    tuple of Shortage
        By bottle, in the order given; empty if nothing is short.
    """
    found = []
    for name, volume_ml in needed_ml.items():
        bottle = book.stock.bottle(name)
        own = sum(
            use.volume_ml
            for use in bottle.uses
            if use.is_reserved and (use.session, use.flight) in apart_from
        )
        free = max(0.0, bottle.left_ml - bottle.reserved_ml + own)
        if volume_ml > free + 1e-6:
            found.append(
                Shortage(
                    bottle=name,
                    needed_ml=volume_ml,
                    free_ml=free,
                    is_at_least=bottle.is_left_at_least,
                    weighing=_weighing(bottle, volume_ml),
                )
            )
    return tuple(found)


def _weighing(bottle: Bottle, volume_ml: float) -> Weighing:
    """What to weigh for the same solution, as many whole bottles as are needed."""
    from labkit.water import Weighing, salt

    bottles = max(1, math.ceil(volume_ml / bottle.volume_ml - 1e-9))
    return Weighing(
        salt=salt(bottle.salt),
        purity=bottle.purity,
        volume_ml=bottles * bottle.volume_ml,
        exact_g=bottles * bottle.weighed_g,
        balance_g=bottle.balance_g,
    )


@checked(BookError)
def flights_left(book: LabBook) -> dict[str, int]:
    """For how many flights like the last one planned each bottle suffices, beside those sealed.

    Parameters
    ----------
    book : LabBook
        Where the bottles and plans are.

    Returns
    -------
    dict of str to int
        Bottle -> whole flights; without those that such a flight takes nothing of, and empty where
        nothing is planned yet or the bottles do not make its waters.
    """
    last = book.sessions.last_planned()
    if last is None:
        return {}
    session, flight = book.sessions.session(last[0]), last[1]
    plan = book.sessions.plan(session.name)
    each = _need(book, session, (flight,), plan.design.jug_ml or JUG_ML).most_ml
    return {
        name: math.floor(book.stock.bottle(name).free_ml / volume_ml + 1e-9)
        for name, volume_ml in each.items()
        if volume_ml > 0
    }


@checked(BookError)
def take_doses(
    book: LabBook,
    session: str,
    flight: int,
    doses: Mapping[str, float],
    *,
    jug_volume_ml: float | None = None,
    used_on: date | None = None,
) -> DosesKept:
    """Write down what was taken for a flight, without telling what its closed key holds.

    The doses are sealed to the key; until it opens the shelf counts what suffices for any draw,
    which anyone can work out from the plan. They stand in the place of what the bench sheet says.

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
    jug_volume_ml : float, optional
        Volume of a jug (mL), for what suffices; that of the plan if not given.
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
    at_most = _most_of_flight(book, session, flight, jug_volume_ml)
    return book.stock.seal_doses(session, flight, doses, at_most=at_most, used_on=used_on)


@checked(BookError)
def take_reserved(book: LabBook, session: str, flight: int, *, on: date | None = None) -> None:
    """Count what is set aside for a flight as taken: it is mixed, though nobody scored yet.

    Parameters
    ----------
    book : LabBook
        Where it is written down.
    session : str
        Name of the session.
    flight : int
        Number of the flight.
    on : date, optional
        Day; today if not given.

    Raises
    ------
    BookError
        If the session or the flight is unknown.
    """
    at_most = _most_of_flight(book, session, flight, None)
    book.stock.take_reserved(session, flight, at_most=at_most, on=on)


def _most_of_flight(
    book: LabBook, session: str, flight: int, jug_volume_ml: float | None
) -> Mapping[str, float]:
    """What suffices for a flight, whatever was drawn."""
    about = book.sessions.session(session)
    number = book.sessions.flight(session, flight).number
    if jug_volume_ml is None:
        jug_volume_ml = book.sessions.plan(session).design.jug_ml or JUG_ML
    volume_ml = clean_number("jug_volume_ml", jug_volume_ml, most=MOST_ML)
    return _need(book, about, (number,), volume_ml).most_ml


def _need(
    book: LabBook, session: TastingSession, flights: tuple[int, ...], jug_volume_ml: float
) -> SessionNeed:
    plan = book.sessions.plan(session.name)
    remark, most_ml = "", {}
    try:
        most_ml = most_needed(
            plan,
            [water.target for water in session.waters],
            book.stock.concentrates(),
            flights=flights,
            jug_volume_ml=jug_volume_ml,
            base=book.stock.start_water(session.held).water,
        )
    except DosingError as error:
        remark = str(error)
    return SessionNeed(
        session=session.name,
        flights=flights,
        jugs=_jugs(plan, flights),
        most_ml=most_ml,
        remark=remark,
    )


@checked(BookError)
def most_needed(
    plan: CupPlan,
    targets: Sequence[Target],
    concentrates: Sequence[Concentrate],
    *,
    flights: tuple[int, ...],
    jug_volume_ml: float,
    base: Water,
) -> dict[str, float]:
    """What flights of a plan take of each bottle at most, whichever waters their keys hold.

    Parameters
    ----------
    plan : CupPlan
        The plan, of which only what lies open is read.
    targets : sequence of Target
        The session's waters.
    concentrates : sequence of Concentrate
        The bottles.
    flights : tuple of int
        Which flights.
    jug_volume_ml : float
        Volume of a jug (mL).
    base : Water
        What the doses go into.

    Returns
    -------
    dict of str to float
        Bottle -> millilitres.

    Raises
    ------
    DosingError
        If a water cannot be made from these bottles.
    """
    from labkit.water import mix

    mixings = [mix(target, concentrates, volume_ml=jug_volume_ml, base=base) for target in targets]
    return _most_ml(mixings, plan, flights, _jugs(plan, flights))


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
