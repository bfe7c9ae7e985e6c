"""Doses taken for a flight: sealed to its key while that is closed, as their sums tell the waters.

Until the key opens the shelf counts a bound, which follows from the plan and not from the draw.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Literal

from sqlalchemy import ColumnElement, delete, select
from sqlalchemy.orm import Session

from labkit.book.stock.bottles import MOST_ML
from labkit.book.store.columns import clean_name, clean_number, today
from labkit.book.store.lookups import find_bottle, find_flight, find_session, is_opened
from labkit.book.store.schema import (
    BottleRow,
    BottleUseRow,
    FlightRow,
    SealedDosesRow,
    SealedKeyRow,
    SessionRow,
)
from labkit.book.store.transactions import Part
from labkit.errors import BookError

DosesKept = Literal["exact", "sealed", "at most"]
"""How doses are kept: as they are, sealed until the key opens, or only what they cannot exceed."""


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
            if not _has_bounds(db, row):
                _add_uses(db, row, at_most, day, is_bound=True)
            if key.dose_lock is None:
                return "at most"
            lock = SealedKey(
                session=key.sealed_for, flight=flight, token=key.token, dose_lock=key.dose_lock
            )
            token = lock.seal_doses(taken)
            db.add(SealedDosesRow(flight_id=row.id, used_on=day, token=token))
            return "sealed"

        return self._store.write(work)

    def mixed_flights(self) -> frozenset[tuple[str, int]]:
        """Session and number of the flights that something was taken for."""
        uses = select(SessionRow.name, BottleUseRow.flight).join(
            SessionRow, BottleUseRow.session_id == SessionRow.id
        )
        sealed = (
            select(SessionRow.name, FlightRow.number)
            .join(FlightRow, FlightRow.session_id == SessionRow.id)
            .join(SealedDosesRow, SealedDosesRow.flight_id == FlightRow.id)
        )
        with self._store.reading() as db:
            found = [*db.execute(uses), *db.execute(sealed)]
            return frozenset((name, flight) for name, flight in found if flight is not None)


def write_opened_doses(
    db: Session, flight: FlightRow, doses: Mapping[int, Mapping[str, float]]
) -> None:
    """Put what was taken in the place of its bounds, once the flight's key is open.

    Parameters
    ----------
    doses : mapping of int to mapping of str to float
        Row of sealed doses -> bottle -> millilitres.
    """
    for number, taken in doses.items():
        row = db.get(SealedDosesRow, number)
        if row is not None:  # else another opened it meanwhile
            _add_uses(db, flight, taken, row.used_on, is_bound=False)
            db.delete(row)
    db.flush()
    left = select(SealedDosesRow.id).where(SealedDosesRow.flight_id == flight.id).limit(1)
    if doses and db.scalar(left) is None:
        forget_bounds(db, flight)


def _bounds(flight: FlightRow) -> tuple[ColumnElement[bool], ...]:
    of_session = BottleUseRow.session_id == flight.session_id
    return of_session, BottleUseRow.flight == flight.number, BottleUseRow.is_bound.is_(True)


def _has_bounds(db: Session, flight: FlightRow) -> bool:
    return db.scalar(select(BottleUseRow.id).where(*_bounds(flight)).limit(1)) is not None


def forget_bounds(db: Session, flight: FlightRow) -> None:
    """Drop what was counted and sealed of an open flight's doses: what is written now counts."""
    db.execute(delete(BottleUseRow).where(*_bounds(flight)))
    db.execute(delete(SealedDosesRow).where(SealedDosesRow.flight_id == flight.id))


def _add_uses(
    db: Session, flight: FlightRow, doses: Mapping[str, float], day: date, *, is_bound: bool
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
                    note="",
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
