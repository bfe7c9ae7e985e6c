"""Where the work on a coffee stands and what is next, from facts that cost nothing to look up.

Nothing is fitted or searched for here: what was read already may be handed in, else what the lab
book kept of it counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from labkit.analysis import (
    CoffeeReading,
    Level,
    Outcome,
    Recommendation,
    StopKind,
    Verdict,
    VerdictKind,
)
from labkit.book import AbsentBook, Flight, LabBook, TastingSession
from labkit.boundary import checked
from labkit.errors import DosingError, ReadingError
from labkit.water import COORDINATE, Concentrate
from labkit.workflow.kept import reading_of
from labkit.workflow.next_flights import NextFlight
from labkit.workflow.readings import Findings


class Step(StrEnum):
    """The steps of the work, in their order."""

    BOTTLES = "bottles"
    PLAN = "plan"
    TASTE = "taste"
    VERDICT = "verdict"
    HAND_OVER = "hand over"
    ALL_COFFEES = "all coffees"


class NextThing(StrEnum):
    """What is to be done next."""

    CHOOSE_BOOK = "choose a lab book"
    ADD_COFFEE = "add a coffee"
    WEIGH_BOTTLES = "weigh the bottles"
    PLAN_FIRST = "plan the first flight"
    MIX_FLIGHT = "mix a flight"
    TAKE_SCORES = "take scores"
    LOCK_ALONE = "lock what one tasted alone"
    LOCK_FLIGHT = "lock and open a flight"
    OPEN_KEY = "open a key"
    READ_VERDICT = "read the verdict"
    PLAN_DIAL = "plan the next dial"
    PLAN_NEXT_FLIGHT = "plan the next flight"
    CONFIRM = "confirm"
    MAKE_CARD = "make the card"


STEP_OF: Final = {
    NextThing.CHOOSE_BOOK: Step.PLAN,
    NextThing.ADD_COFFEE: Step.PLAN,
    NextThing.WEIGH_BOTTLES: Step.BOTTLES,
    NextThing.PLAN_FIRST: Step.PLAN,
    NextThing.MIX_FLIGHT: Step.PLAN,
    NextThing.TAKE_SCORES: Step.TASTE,
    NextThing.LOCK_ALONE: Step.TASTE,
    NextThing.LOCK_FLIGHT: Step.VERDICT,
    NextThing.OPEN_KEY: Step.VERDICT,
    NextThing.READ_VERDICT: Step.VERDICT,
    NextThing.PLAN_DIAL: Step.PLAN,
    NextThing.PLAN_NEXT_FLIGHT: Step.VERDICT,
    NextThing.CONFIRM: Step.VERDICT,
    NextThing.MAKE_CARD: Step.HAND_OVER,
}
"""The step in which each thing is done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where the work on one coffee stands."""

    next: NextThing
    """What is to be done next."""

    client: str = ""
    """Whose coffee; empty if none is chosen."""

    coffee: str = ""
    """Its name; empty if none is chosen."""

    missing_bottles: tuple[str, ...] = ()
    """What no bottle on the shelf gives: calcium, magnesium, alkalinity."""

    session: str = ""
    """The session that is under way; empty if none is."""

    flight: int | None = None
    """The flight that is next in it."""

    n_flights: int = 1
    """Flights of the session that wait for the same, that one included."""

    n_scored: int = 0
    """Tasters who have scored all cups of that flight."""

    n_tasters: int = 0
    """Tasters who are served in it."""

    n_opened: int = 0
    """Flights of the coffee that are open, in all sessions."""

    dial: str = ""
    """Coordinate that no opened flight varied yet, the next of the dials; empty if none."""

    found: Findings | None = None
    """What the scores say, where that was read already."""

    kept: CoffeeReading | None = None
    """What the lab book kept of what they said, where they are the same and nothing was read."""

    @property
    def verdict(self) -> Verdict | None:
        """The plain answer, as far as it is known; None if nothing was read."""
        if self.found is not None:
            return None if self.found.reading is None else self.found.reading.verdict
        return None if self.kept is None else self.kept.verdict

    @property
    def recommended(self) -> Recommendation | None:
        """The water to serve, as far as it is known; None if none can be recommended."""
        if self.found is not None:
            return None if self.found.reading is None else self.found.reading.recommended
        return None if self.kept is None else self.kept.recommended

    @property
    def step(self) -> Step:
        """Where the next thing is done."""
        return STEP_OF[self.next]


@checked(ReadingError)
def where_it_stands(
    book: LabBook | AbsentBook,
    coffee: str | None = None,
    *,
    client: str | None = None,
    found: Findings | None = None,
    following: NextFlight | None = None,
) -> Standing:
    """Where the work on a coffee stands, without reading a score.

    Parameters
    ----------
    book : LabBook or AbsentBook
        The lab book, or what stands for one that could not be opened.
    coffee, client : str, optional
        Which coffee; None if none is chosen.
    found : Findings, optional
        What its scores say, if that is known already; what the lab book kept of it unless given:
        nothing is read for this.
    following : NextFlight, optional
        What comes next, if that was searched for already.

    Raises
    ------
    BookError
        If there is no such coffee.
    """
    if isinstance(book, AbsentBook):
        return Standing(next=NextThing.CHOOSE_BOOK)
    lacking = missing_bottles(book.stock.concentrates())
    if coffee is None:
        thing = NextThing.WEIGH_BOTTLES if lacking else NextThing.ADD_COFFEE
        if not book.people.coffees():
            thing = NextThing.ADD_COFFEE
        return Standing(next=thing, missing_bottles=lacking)
    about = book.people.coffee(coffee, client=client)
    sessions = book.sessions.all(client=about.client, coffee=about.name)
    planned = book.sessions.flights_by_session(client=about.client, coffee=about.name)
    flights = {one.name: planned.get(one.name, ()) for one in sessions}
    opened = [one for of_session in flights.values() for one in of_session if _is_open(one)]
    here = Standing(
        next=NextThing.READ_VERDICT,
        client=about.client,
        coffee=about.name,
        missing_bottles=lacking,
        n_opened=len(opened),
        found=found if opened else None,
        kept=_kept(book, about.client, about.name, sessions) if opened and found is None else None,
    )
    under_way = _under_way(sessions, flights)
    if under_way is not None:
        return _of_session(book, under_way, flights[under_way.name], here)
    if not opened:
        return replace(here, next=NextThing.WEIGH_BOTTLES if lacking else NextThing.PLAN_FIRST)
    scored = [one for one in sessions if not one.is_pair_test]
    dial = _next_dial([one for one in scored if any(map(_is_open, flights[one.name]))])
    thing = here.next if here.verdict is None and found is None else _after(here, following, dial)
    return replace(here, next=thing, dial=dial)


def _kept(
    book: LabBook, client: str, coffee: str, sessions: Sequence[TastingSession]
) -> CoffeeReading | None:
    """What was kept of a coffee's reading, where it says all that counts here."""
    if any(one.is_pair_test for one in sessions):
        return None  # their answer is read with the whole
    reading = reading_of(book, (client, coffee), is_kept=True)
    is_told = reading is not None and reading.recommended and reading.verdict.unread is None
    return reading if is_told else None


def _is_open(flight: Flight) -> bool:
    return flight.state == "opened"


@checked(DosingError)
def missing_bottles(bottles: Sequence[Concentrate]) -> tuple[str, ...]:
    """What none of the bottles gives: calcium, magnesium, alkalinity.

    Parameters
    ----------
    bottles : sequence of Concentrate
        Those on the shelf.
    """
    ions = {symbol for one in bottles for symbol, _ in one.salt.ions}
    alkaline = any(one.salt.alkalinity_mg_caco3_per_g > 0 for one in bottles)
    there = (("calcium", "Ca" in ions), ("magnesium", "Mg" in ions), ("alkalinity", alkaline))
    return tuple(name for name, is_there in there if not is_there)


def _under_way(
    sessions: Sequence[TastingSession], flights: dict[str, tuple[Flight, ...]]
) -> TastingSession | None:
    """The newest session that is not over.

    A plan older than what was opened last was given up.
    """
    for session in reversed(sessions):
        of_session = flights[session.name]
        if any(not _is_open(one) for one in of_session):
            return session
        if of_session:
            return None
    return None


def _of_session(
    book: LabBook, session: TastingSession, flights: Sequence[Flight], here: Standing
) -> Standing:
    """What is next in a session: it is tasted to its end before its keys are opened."""
    here = replace(here, session=session.name)
    progress = book.sessions.progress(session.name)
    lacking = progress[progress["missing"] > 0]
    tasted = [one for one in flights if one.state == "being tasted"]
    unfinished = [one for one in tasted if (lacking["flight"] == one.number).any()]
    planned = [one for one in flights if one.state == "planned"]
    locked = [one for one in flights if one.state == "locked"]
    flight = (unfinished or planned or tasted or locked)[0]
    here = replace(here, flight=flight.number)
    if flight in unfinished or flight in planned:
        rows = progress[progress["flight"] == flight.number]
        here = replace(here, n_scored=int((rows["missing"] == 0).sum()), n_tasters=len(rows))
        waiting = {(name, number) for name, number, _ in book.stock.waiting_flights()}
        waits = flight in planned and (session.name, flight.number) in waiting
        return replace(here, next=NextThing.MIX_FLIGHT if waits else NextThing.TAKE_SCORES)
    if not tasted:
        return replace(here, next=NextThing.OPEN_KEY, n_flights=len(locked))
    if book.sessions.plan(session.name).alone:
        return replace(here, next=NextThing.LOCK_ALONE)
    return replace(here, next=NextThing.LOCK_FLIGHT, n_flights=len(tasted) + len(locked))


def _next_dial(sessions: Sequence[TastingSession]) -> str:
    """The first coordinate in which the waters tasted so far do not differ."""
    targets = [water.target for one in sessions for water in one.waters]
    for name, coordinate in COORDINATE.items():
        levels = [getattr(target, name) for target in targets]
        if levels and max(levels) - min(levels) <= coordinate.settled:
            return name
    return ""


def _after(here: Standing, following: NextFlight | None, dial: str) -> NextThing:
    """What the scores ask for: a confirmed or settled water is handed over."""
    recommended, verdict = here.recommended, here.verdict
    answer = None if here.found is None else here.found.answer
    if recommended is None or verdict is None:
        return NextThing.PLAN_DIAL if dial else NextThing.PLAN_NEXT_FLIGHT
    if answer is not None and answer.outcome is Outcome.CONFIRMED:
        return NextThing.MAKE_CARD
    advice = None if following is None else following.advice
    if advice is not None and advice.verdict is StopKind.SETTLED:
        can_be_poured = advice.confirm is not None and advice.confirm.n_pairs is not None
        return NextThing.CONFIRM if can_be_poured else NextThing.MAKE_CARD
    if dial and verdict.kind is VerdictKind.FOUND:
        return NextThing.PLAN_DIAL
    if recommended.level is Level.SETTLED:
        return NextThing.MAKE_CARD
    # A likely leader is confirmed in the next flight, against the control, before any other test.
    return NextThing.PLAN_NEXT_FLIGHT
