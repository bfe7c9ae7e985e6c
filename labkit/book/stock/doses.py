"""Doses of a flight: sealed to its key while that is closed, as their sums tell the waters.

Until the key opens the shelf counts a bound, which follows from the plan and not from the draw.
Sealing a plan reserves; a score, or who says that it is mixed, makes what is reserved taken.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Final, Literal

from sqlalchemy import ColumnElement, and_, delete, exists, not_, or_, select, update
from sqlalchemy.orm import Session

from labkit.book.stock.bottles import MOST_ML
from labkit.book.store.columns import clean_name, clean_number, today
from labkit.book.store.lookups import find_bottle, find_flight, find_session, is_opened
from labkit.book.store.schema import (
    BEING_TASTED,
    OPENED,
    PLANNED,
    BottleRow,
    BottleUseRow,
    FlightRow,
    ScoreRow,
    SealedDosesRow,
    SealedKeyRow,
    ServingRow,
    SessionRow,
)
from labkit.book.store.transactions import Part
from labkit.errors import BookError

DosesKept = Literal["exact", "sealed", "at most"]
"""How doses are kept: as they are, sealed until the key opens, or only what they cannot exceed."""

RESERVED: Final = "reserved when sealed"
"""Note of what is set aside for a flight until it is begun; what is let go keeps it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reservation:
    """What a flight will take of the bottles: as it may be seen, and as only its key tells."""

    at_most: Mapping[str, float]
    """Bottle -> millilitres that suffice for any draw."""

    token: bytes = field(repr=False)
    """The bench sheet's doses, sealed to the flight's key."""


class SealedDoses(Part):
    """The part of the lab book that keeps what was taken for sealed flights."""

    def seal_doses(
        self,
        session: str,
        flight: int,
        doses: Mapping[str, float],
        *,
        at_most: Mapping[str, float],
        used_on: date | None = None,
    ) -> DosesKept:
        """Write down what was taken for a flight, sealed as long as its key is closed.

        Parameters
        ----------
        session : str
            Name of the session.
        flight : int
            Number of the flight.
        doses : mapping of str to float
            Bottle -> what was taken (mL).
        at_most : mapping of str to float
            Bottle -> what suffices for any draw (mL): what the shelf counts until the key opens.
        used_on : date, optional
            Day; today if not given.

        Returns
        -------
        DosesKept
            "exact" if the key is open, else "sealed", or "at most" if the key is of a version that
            takes no doses: then they can be written down once it is open.

        Raises
        ------
        BookError
            If a bottle, the session or the flight is unknown, or a dose is not above 0.
        """
        # Imported here: the tasters' page needs no cryptography.
        from labkit.tasting import SealedKey

        taken = {
            clean_name("bottle", name): clean_number(name, dose, most=MOST_ML)
            for name, dose in doses.items()
        }
        day = used_on or today()

        def work(db: Session) -> DosesKept:
            for name in taken:
                find_bottle(db, name)
            row = find_flight(db, session, flight, lock="alone")
            key = db.get(SealedKeyRow, row.id)
            if key is None or is_opened(db, row):
                forget_bounds(db, row)
                _add_uses(db, row, taken, day, is_bound=False)
                return "exact"
            _take_bounds(db, row, at_most, day)
            if key.dose_lock is None:
                return "at most"
            lock = SealedKey(
                session=key.sealed_for, flight=flight, token=key.token, dose_lock=key.dose_lock
            )
            token = lock.seal_doses(taken)
            db.add(SealedDosesRow(flight_id=row.id, used_on=day, token=token))
            return "sealed"

        return self._store.write(work)

    def take_reserved(
        self, session: str, flight: int, *, at_most: Mapping[str, float], on: date | None = None
    ) -> None:
        """Count what was set aside for a flight as taken: it is mixed, though nobody scored yet.

        Parameters
        ----------
        session : str
            Name of the session.
        flight : int
            Number of the flight.
        at_most : mapping of str to float
            Bottle -> what suffices for any draw (mL), for a flight that nothing was reserved for.
        on : date, optional
            Day; today if not given.

        Raises
        ------
        BookError
            If the session or the flight is unknown.
        """

        def work(db: Session) -> None:
            row = find_flight(db, session, flight, lock="alone")
            if not is_opened(db, row):
                _take_bounds(db, row, at_most, on or today())

        self._store.write(work)

    def reserve(self, session: str, reserved: Mapping[int, Reservation]) -> None:
        """Set aside anew what flights take, such as of a bottle made since they were sealed.

        Parameters
        ----------
        session : str
            Name of the session.
        reserved : mapping of int to Reservation
            Flight -> what it takes; one that is mixed, or was begun, keeps what it has.

        Raises
        ------
        BookError
            If the session or a flight is unknown.
        """

        def work(db: Session) -> None:
            for number, reservation in reserved.items():
                row = find_flight(db, session, number, lock="alone")
                is_taken = db.scalar(select(BottleUseRow.id).where(*_uses(row), _TAKEN).limit(1))
                if row.state == PLANNED and is_taken is None and not is_opened(db, row):
                    reserve_for(db, row, reservation)

        self._store.write(work)

    def waiting_flights(self) -> tuple[tuple[str, int, bool], ...]:
        """The flights that nobody has mixed or begun, by session, oldest first.

        Returns
        -------
        tuple of (str, int, bool)
            Session, number of the flight, and whether what it takes is reserved.
        """
        of_flight = and_(
            BottleUseRow.session_id == FlightRow.session_id,
            BottleUseRow.flight == FlightRow.number,
        )
        reserved = exists().where(of_flight, BottleUseRow.note == RESERVED)
        sealed = exists().where(SealedDosesRow.flight_id == FlightRow.id)
        query = (
            select(SessionRow.name, FlightRow.number, reserved)
            .join(SessionRow, FlightRow.session_id == SessionRow.id)
            .where(
                FlightRow.state == PLANNED,
                not_(exists().where(of_flight, _TAKEN)),
                or_(reserved, not_(sealed)),
            )
            .order_by(SessionRow.id, FlightRow.number)
        )
        with self._store.reading() as db:
            return tuple((name, flight, there) for name, flight, there in db.execute(query))

    def reserved_ml(self, session: str) -> dict[int, dict[str, float]]:
        """What is set aside for the flights of a session that are not begun.

        Parameters
        ----------
        session : str
            Name of the session.

        Returns
        -------
        dict of int to dict of str to float
            Flight -> bottle -> millilitres, at most.
        """
        query = (
            select(BottleUseRow.flight, BottleRow.name, BottleUseRow.volume_ml)
            .join(BottleRow, BottleUseRow.bottle_id == BottleRow.id)
            .join(
                FlightRow,
                and_(
                    BottleUseRow.session_id == FlightRow.session_id,
                    BottleUseRow.flight == FlightRow.number,
                ),
            )
            .where(BottleUseRow.note == RESERVED, FlightRow.state == PLANNED)
            .order_by(BottleUseRow.id)
        )
        found: dict[int, dict[str, float]] = {}
        with self._store.reading() as db:
            of_session = BottleUseRow.session_id == find_session(db, session).id
            for flight, name, volume_ml in db.execute(query.where(of_session)):
                each = found.setdefault(int(flight or 0), {})
                each[name] = each.get(name, 0.0) + volume_ml
        return found

    def unknown_doses(self) -> tuple[tuple[str, int], ...]:
        """Flights with an open key for which only a bound is counted, as nothing could be read."""
        query = (
            select(SessionRow.name, FlightRow.number)
            .join(SessionRow, FlightRow.session_id == SessionRow.id)
            .join(
                BottleUseRow,
                and_(
                    BottleUseRow.session_id == FlightRow.session_id,
                    BottleUseRow.flight == FlightRow.number,
                ),
            )
            .where(BottleUseRow.is_bound.is_(True), FlightRow.state == OPENED)
            .distinct()
        )
        with self._store.reading() as db:
            return tuple(sorted((name, flight) for name, flight in db.execute(query)))


def write_opened_doses(
    db: Session, flight: FlightRow, doses: Mapping[int, tuple[Mapping[str, float], bool]]
) -> None:
    """Put what was taken in the place of its bounds, once the flight's key is open.

    Parameters
    ----------
    doses : mapping of int to (mapping of str to float, bool)
        Row of sealed doses -> bottle -> millilitres, and whether they are the bench sheet's: what
        was typed later stands in their place.
    """
    is_begun = flight.state == BEING_TASTED or is_scored(db, flight)
    is_taken = is_begun or not _is_only_reserved(db, flight)
    if not is_taken and flight.state != PLANNED:  # locked, and nobody mixed it
        forget_bounds(db, flight)
        return
    last_typed = max((number for number, (_, by_plan) in doses.items() if not by_plan), default=0)
    for number, (taken, by_plan) in doses.items():
        row = db.get(SealedDosesRow, number)
        if row is not None:  # else another opened it meanwhile
            if not by_plan or number > last_typed:
                note = "" if is_taken else RESERVED
                _add_uses(db, flight, taken, row.used_on, is_bound=False, note=note)
            db.delete(row)
    db.flush()
    left = select(SealedDosesRow.id).where(SealedDosesRow.flight_id == flight.id).limit(1)
    if doses and db.scalar(left) is None:
        forget_bounds(db, flight)


_TAKEN: Final = BottleUseRow.note != RESERVED


def _uses(flight: FlightRow) -> tuple[ColumnElement[bool], ...]:
    return BottleUseRow.session_id == flight.session_id, BottleUseRow.flight == flight.number


def _bounds(flight: FlightRow) -> tuple[ColumnElement[bool], ...]:
    return *_uses(flight), BottleUseRow.is_bound.is_(True)


def _has_bounds(db: Session, flight: FlightRow) -> bool:
    return db.scalar(select(BottleUseRow.id).where(*_bounds(flight)).limit(1)) is not None


def _is_only_reserved(db: Session, flight: FlightRow) -> bool:
    """Whether something was set aside for a flight and nothing taken."""
    notes = set(db.scalars(select(BottleUseRow.note).where(*_uses(flight)).distinct()))
    return notes == {RESERVED}


def is_scored(db: Session, flight: FlightRow) -> bool:
    """Whether anybody has scored in a flight."""
    scored = select(ScoreRow.id).join(ServingRow).where(ServingRow.flight_id == flight.id)
    return db.scalar(scored.limit(1)) is not None


def reserve_for(db: Session, flight: FlightRow, reserved: Reservation) -> None:
    """Set aside what a flight will take; what was set aside for it before is let go."""
    if _is_only_reserved(db, flight):
        forget_bounds(db, flight)
    _add_uses(db, flight, reserved.at_most, today(), is_bound=True, note=RESERVED)
    db.add(SealedDosesRow(flight_id=flight.id, used_on=today(), token=reserved.token))


def take_reserved_of(db: Session, flight: FlightRow) -> None:
    """Count what was set aside for a flight as taken: it is mixed."""
    reserved = BottleUseRow.note == RESERVED
    db.execute(update(BottleUseRow).where(*_uses(flight), reserved).values(note=""))


def _take_bounds(db: Session, flight: FlightRow, at_most: Mapping[str, float], day: date) -> None:
    """Count as taken what was set aside for a flight, or what suffices for any draw."""
    if _has_bounds(db, flight):
        take_reserved_of(db, flight)
    else:
        _add_uses(db, flight, at_most, day, is_bound=True)


def forget_bounds(db: Session, flight: FlightRow) -> None:
    """Drop what was counted and sealed of an open flight's doses: what is written now counts."""
    db.execute(delete(BottleUseRow).where(*_bounds(flight)))
    db.execute(delete(SealedDosesRow).where(SealedDosesRow.flight_id == flight.id))


def _add_uses(
    db: Session,
    flight: FlightRow,
    doses: Mapping[str, float],
    day: date,
    *,
    is_bound: bool,
    note: str = "",
) -> None:
    ids = dict(db.execute(select(BottleRow.name, BottleRow.id)).all())
    for name, volume_ml in doses.items():
        if name in ids:  # in a client's own book a bottle of the lab's may be missing
            db.add(
                BottleUseRow(
                    bottle_id=ids[name],
                    session_id=flight.session_id,
                    flight=flight.number,
                    used_on=day,
                    volume_ml=volume_ml,
                    note=note,
                    is_bound=is_bound,
                )
            )


def refuse_closed(db: Session, session: str, flight: int | None) -> None:
    """Refuse an open amount for what lies in a closed key: sums of doses tell the waters."""
    row = find_session(db, session)
    if flight is not None:
        flights = [find_flight(db, session, flight)]
    else:
        flights = list(db.scalars(select(FlightRow).where(FlightRow.session_id == row.id)))
    closed = [
        one.number
        for one in flights
        if db.get(SealedKeyRow, one.id) is not None and not is_opened(db, one)
    ]
    if closed:
        msg = (
            f"doses for flight {', '.join(map(str, closed))} of session {session!r} would tell "
            "what its closed key holds; write them down by flight with take_doses: it seals them."
        )
        raise BookError(msg)
