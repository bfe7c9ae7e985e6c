"""Flights: lock, unlock with a reason, open the key, and what is still missing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, TypeAlias

from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from labkit.book.scores.entries import missing_numbers
from labkit.book.sessions.found_codes import CODES_FOUND, asked_reason, codes_found
from labkit.book.stock.doses import is_scored, take_reserved_of, write_opened_doses
from labkit.book.store.lookups import (
    READ_FOR_SHEET,
    add_event,
    find_client,
    find_coffee,
    find_flight,
    find_session,
    is_opened,
)
from labkit.book.store.records import Event, Flight, Missing
from labkit.book.store.schema import (
    BEING_TASTED,
    LOCKED,
    OPENED,
    ClientRow,
    CoffeeRow,
    CupRow,
    EventRow,
    FlightRow,
    OpenedCupRow,
    SealedDosesRow,
    SealedKeyRow,
    ServingRow,
    SessionRow,
)
from labkit.book.store.transactions import Part
from labkit.errors import BookError, LockError, SealError

if TYPE_CHECKING:
    from labkit.tasting import KeyRow, OpenedFlight, SealedKey

_Opening: TypeAlias = "tuple[tuple[KeyRow, ...], Mapping[int, tuple[Mapping[str, float], bool]]]"
"""What was in the cups of a flight, and what was taken for it, by row number."""


class Flights(Part):
    """The part of the lab book that guards what is locked and what is open."""

    def flights(self, session: str) -> tuple[Flight, ...]:
        """The flights of a session, by number.

        Parameters
        ----------
        session : str
            Name of the session.
        """
        with self._store.reading() as db:
            row = find_session(db, session)
            flights = db.scalars(
                select(FlightRow).where(FlightRow.session_id == row.id).order_by(FlightRow.number)
            )
            return tuple(_flight(db, flight) for flight in flights.all())

    def flights_by_session(
        self,
        *,
        client: str | None = None,
        coffee: str | None = None,
        under_way: bool = False,
    ) -> dict[str, tuple[Flight, ...]]:
        """The flights of many sessions, in as many questions as of one.

        Parameters
        ----------
        client, coffee : str, optional
            Only sessions of these; of all unless given.
        under_way : bool
            Only sessions that have a flight which is not open yet.

        Returns
        -------
        dict of str to tuple of Flight
            By the name of the session, the earliest day first; sessions without a plan are not in
            it.
        """
        found = exists().where(EventRow.flight_id == FlightRow.id, EventRow.kind == CODES_FOUND)
        query = (
            select(SessionRow.name, FlightRow, SealedKeyRow.flight_id, found)
            .join(SessionRow, FlightRow.session_id == SessionRow.id)
            .join(CoffeeRow, SessionRow.coffee_id == CoffeeRow.id)
            .outerjoin(SealedKeyRow, SealedKeyRow.flight_id == FlightRow.id)
            .order_by(SessionRow.tasted_on, SessionRow.id, FlightRow.number)
        )
        if under_way:
            waiting = select(FlightRow.session_id).where(FlightRow.state != OPENED)
            query = query.where(SessionRow.id.in_(waiting))
        flights: dict[str, list[Flight]] = {}
        with self._store.reading() as db:
            if client is not None:
                query = query.where(CoffeeRow.client_id == find_client(db, client).id)
            if coffee is not None:
                query = query.where(CoffeeRow.id == find_coffee(db, coffee, client).id)
            for name, row, key, is_found in db.execute(query):
                flights.setdefault(name, []).append(
                    Flight(
                        session=name,
                        number=row.number,
                        state=row.state,
                        is_unblinded=row.is_unblinded,
                        has_key=key is not None,
                        codes_found=is_found,
                    )
                )
        return {name: tuple(of_session) for name, of_session in flights.items()}

    def opened_flights(
        self, *, client: str | None = None, coffee: str | None = None
    ) -> tuple[tuple[str, int, bool], ...]:
        """Which flights are locked and open: it changes as soon as other scores can be read.

        Parameters
        ----------
        client, coffee : str, optional
            Only those of this client, or of this coffee of theirs; of all unless given.

        Returns
        -------
        tuple of (str, int, bool)
            Session, number, and whether it counts as not blind.
        """
        query = (
            select(SessionRow.name, FlightRow.number, FlightRow.is_unblinded)
            .join(SessionRow, FlightRow.session_id == SessionRow.id)
            .join(CoffeeRow, SessionRow.coffee_id == CoffeeRow.id)
            .join(ClientRow, CoffeeRow.client_id == ClientRow.id)
            .where(FlightRow.state == OPENED)
            .order_by(SessionRow.id, FlightRow.number)
        )
        if client is not None:
            query = query.where(ClientRow.name == client)
        if coffee is not None:
            query = query.where(CoffeeRow.name == coffee)
        with self._store.reading() as db:
            return tuple((session, number, late) for session, number, late in db.execute(query))

    def flight(self, session: str, number: int) -> Flight:
        """One flight by number.

        Parameters
        ----------
        session : str
            Name of the session.
        number : int
            Number of the flight.

        Raises
        ------
        BookError
            If there is no such flight.
        """
        with self._store.reading() as db:
            return _flight(db, find_flight(db, session, number))

    def missing(self, session: str, flight: int) -> tuple[Missing, ...]:
        """Numbers that have not been given in a flight; notes and descriptors may stay empty.

        Parameters
        ----------
        session : str
            Name of the session.
        flight : int
            Number of the flight.
        """
        with self._store.reading() as db:
            return missing_numbers(db, find_flight(db, session, flight))

    def lock_flights(
        self, session: str, flights: Sequence[int], *, done_by: str = ""
    ) -> dict[int, tuple[Missing, ...]]:
        """Close flights for scores, all or none, and say which numbers each lacks.

        Parameters
        ----------
        session : str
            Name of the session.
        flights : sequence of int
            Their numbers.
        done_by : str
            Who locks them, for the record.

        Returns
        -------
        dict of int to tuple of Missing
            What is missing, by flight.

        Raises
        ------
        LockError
            If one is locked already.
        """

        def lock(db: Session, flight: int) -> tuple[Missing, ...]:
            row = find_flight(db, session, flight, lock="alone")
            if row.state in {LOCKED, OPENED}:
                msg = f"flight {flight} of session {session!r} is {row.state} already."
                raise LockError(msg, field="flight")
            if is_scored(db, row):  # it was mixed; else what was set aside for it is free again
                take_reserved_of(db, row)
            row.state = OPENED if is_opened(db, row) else LOCKED
            add_event(db, row.session_id, "locked", flight_id=row.id, done_by=done_by)
            return missing_numbers(db, row)

        return self._store.write(lambda db: {flight: lock(db, flight) for flight in flights})

    def unlock_flight(self, session: str, flight: int, *, reason: str, done_by: str = "") -> Flight:
        """Let scores in again.

        Once the key is open, or the codes under the cups of one who tasted alone were read off,
        what is scored from now on is not blind: the flight keeps that mark.

        Parameters
        ----------
        session : str
            Name of the session.
        flight : int
            Number of the flight.
        reason : str
            Why, for the record.
        done_by : str
            Who unlocks it, for the record.

        Raises
        ------
        LockError
            If it is not locked, or no reason is given.
        """
        why = asked_reason("unlocking a flight", reason)

        def work(db: Session) -> Flight:
            row = find_flight(db, session, flight, lock="alone")
            if row.state not in {LOCKED, OPENED}:
                msg = f"flight {flight} of session {session!r} is {row.state}, not locked."
                raise LockError(msg, field="flight")
            knows_cups = row.state == OPENED or codes_found(db, row)
            row.is_unblinded = row.is_unblinded or knows_cups
            row.state = BEING_TASTED
            add_event(db, row.session_id, "unlocked", flight_id=row.id, reason=why, done_by=done_by)
            return _flight(db, row)

        return self._store.write(work)

    def open_flights(
        self,
        session: str,
        flights: Sequence[int],
        passphrase: str,
        *,
        early_because: str | None = None,
        done_by: str = "",
    ) -> tuple[Flight, ...]:
        """Open the sealed keys of locked flights, all or none: their codes are joined to waters.

        Parameters
        ----------
        session : str
            Name of the session.
        flights : sequence of int
            Their numbers.
        passphrase : str
            The preparer's; used once, never stored.
        early_because : str, optional
            A reason to open before the lock. The act is recorded and the flights stay marked
            unblinded. Without it, only locked flights open.
        done_by : str
            Who opens them, for the record.

        Raises
        ------
        LockError
            If a flight is not locked and no reason to open early is given, or it was tasted
            alone and the codes under its cups are not entered yet.
        SealError
            If the passphrase is wrong or a key was changed.
        BookError
            If no key is stored.
        """
        # Imported here: the tasters' page never opens a key and should not load for it.
        from labkit.tasting import open_keys

        with self._store.reading() as db:
            for flight in flights:
                row = find_flight(db, session, flight)
                _may_open(row, early_because)
                _refuse_hidden_codes(db, row)
        # Turning a key takes a while, so no lock on the book is held meanwhile.
        keys = [self._key(session, flight) for flight in flights]
        openings: dict[int, _Opening] = {}
        masters: dict[tuple[int, bytes], bytes] = {}
        for key, opened in zip(keys, open_keys(keys, passphrase, masters=masters), strict=True):
            doses = {}
            for number, token in self._sealed_doses(session, key.flight):
                with suppress(SealError):  # sealed before the plan was made anew: the bound stays
                    doses[number] = key.open_doses(token, passphrase, masters=masters)
            openings[key.flight] = opened.rows, doses
        return self._store_openings(session, openings, early_because, done_by, "opened")

    def open_for_bench_sheets(
        self, session: str, flights: Sequence[int], passphrase: str, *, done_by: str = ""
    ) -> tuple[OpenedFlight, ...]:
        """Let the preparer read what goes into which jug, before or while it is served.

        The act is recorded. It joins nothing in the lab book and does not unblind a flight: the
        preparer has to know.

        Parameters
        ----------
        session : str
            Name of the session.
        flights : sequence of int
            Their numbers; all are read, or none.
        passphrase : str
            The preparer's; used once, never stored.
        done_by : str
            Who reads it, for the record.

        Returns
        -------
        tuple of OpenedFlight
            Which code is which water: for the preparer only.

        Raises
        ------
        SealError
            If the passphrase is wrong or a key was changed.
        BookError
            If no key is stored.
        """
        # Imported here: the tasters' page never opens a key and should not load for it.
        from labkit.tasting import open_keys

        opened = open_keys([self._key(session, flight) for flight in flights], passphrase)

        def work(db: Session) -> None:
            for flight in flights:
                row = find_flight(db, session, flight)
                add_event(db, row.session_id, READ_FOR_SHEET, flight_id=row.id, done_by=done_by)

        self._store.write(work)
        return tuple(opened)

    def _key(self, session: str, flight: int) -> SealedKey:
        """The sealed key of a flight."""
        # Imported here: the tasters' page never opens a key and should not load for it.
        from labkit.tasting import SealedKey

        with self._store.reading() as db:
            row = find_flight(db, session, flight)
            key = db.get(SealedKeyRow, row.id)
            if key is None:
                msg = f"flight {flight} of session {session!r} has no sealed key in the lab book."
                raise BookError(msg, field="flight")
            return SealedKey(session=key.sealed_for, flight=flight, token=key.token)

    def _sealed_doses(self, session: str, flight: int) -> list[tuple[int, bytes]]:
        """What was taken for a flight while its key was closed: row number, and token."""
        with self._store.reading() as db:
            of_flight = SealedDosesRow.flight_id == find_flight(db, session, flight).id
            query = select(SealedDosesRow.id, SealedDosesRow.token).where(of_flight)
            return [(number, token) for number, token in db.execute(query)]

    def open_flight_from_sheet(
        self,
        session: str,
        flight: int,
        rows: Iterable[KeyRow],
        *,
        reason: str,
        early_because: str | None = None,
        done_by: str = "",
    ) -> Flight:
        """Enter what was in the cups from the printed bench sheet, for a lost passphrase.

        Parameters
        ----------
        session : str
            Name of the session.
        flight : int
            Number of the flight.
        rows : iterable of KeyRow
            What stands on the bench sheet, one row a code.
        reason : str
            Why, for the record.
        early_because : str, optional
            A reason to open before the lock, as in :meth:`open_flights`.
        done_by : str
            Who opens it, for the record.

        Raises
        ------
        LockError
            If the flight is not locked, no reason is given, or codes under its cups are still to
            be found.
        SealError
            If the codes are not those of the flight.
        """
        why = asked_reason("opening from the bench sheet", reason)
        openings: dict[int, _Opening] = {flight: (tuple(rows), {})}
        (opened,) = self._store_openings(
            session, openings, early_because, done_by, "opened from sheet", why
        )
        return opened

    def _store_openings(
        self,
        session: str,
        openings: Mapping[int, _Opening],
        early_because: str | None,
        done_by: str,
        kind: str,
        reason: str = "",
    ) -> tuple[Flight, ...]:
        def store(db: Session, flight: int) -> Flight:
            rows, doses = openings[flight]
            contents = {row.blind_code: row for row in rows}
            row = find_flight(db, session, flight, lock="alone")
            early = _may_open(row, early_because)
            _refuse_hidden_codes(db, row)
            cups = {
                cup.blind_code: cup
                for cup in db.scalars(select(CupRow).where(CupRow.flight_id == row.id))
            }
            if set(cups) != set(contents):
                odd = ", ".join(sorted(set(cups) ^ set(contents)))
                msg = (
                    f"the key of flight {flight} of session {session!r} must name the codes of "
                    f"the flight, but they differ in {odd}; check the sheet or plan again."
                )
                raise SealError(msg)
            if not is_opened(db, row):
                for code in sorted(cups):
                    db.add(_opened_cup(cups[code].id, contents[code]))
            write_opened_doses(db, row, doses)
            if early:
                row.is_unblinded = True
                kind_done = f"{kind} before the lock"
            else:
                row.state = OPENED
                kind_done = kind
            add_event(
                db,
                row.session_id,
                kind_done,
                flight_id=row.id,
                reason=early_because or reason,
                done_by=done_by,
            )
            return _flight(db, row)

        return self._store.write(lambda db: tuple(store(db, flight) for flight in openings))

    def events(self, session: str) -> tuple[Event, ...]:
        """What happened in a session, oldest first.

        Parameters
        ----------
        session : str
            Name of the session.
        """
        with self._store.reading() as db:
            row = find_session(db, session)
            found = db.execute(
                select(EventRow, FlightRow.number)
                .outerjoin(FlightRow, EventRow.flight_id == FlightRow.id)
                .where(EventRow.session_id == row.id)
                .order_by(EventRow.id)
            )
            return tuple(
                Event(
                    session=row.name,
                    flight=number,
                    kind=event.kind,
                    reason=event.reason,
                    done_by=event.done_by,
                    happened_at=event.happened_at,
                )
                for event, number in found
            )


def _may_open(row: FlightRow, early_because: str | None) -> bool:
    """Whether this would be an early opening; refuses one that is not asked for."""
    if row.state in {LOCKED, OPENED}:
        return False
    if early_because is None:
        msg = (
            f"flight {row.number} of session {row.session.name!r} must be locked before its key "
            f"opens, but it is {row.state}; lock it first."
        )
        raise LockError(msg, field="flight")
    asked_reason("opening before the lock", early_because)
    return True


def _refuse_hidden_codes(db: Session, row: FlightRow) -> None:
    """Refuse to open a flight tasted alone while nobody knows which code stood where."""
    places = db.scalars(
        select(ServingRow.position)
        .where(ServingRow.flight_id == row.id, ServingRow.cup_id.is_(None))
        .order_by(ServingRow.position)
    ).all()
    if places:
        msg = (
            f"flight {row.number} of session {row.session.name!r} was tasted alone, and the codes "
            f"under cups {', '.join(map(str, places))} must be entered before its key opens; look "
            "under them once the flight is locked."
        )
        raise LockError(msg, field="flight")


def _opened_cup(cup_id: int, content: KeyRow) -> OpenedCupRow:
    return OpenedCupRow(
        cup_id=cup_id,
        jug=content.jug,
        bowl=content.bowl,
        water=content.water,
        mg_share=content.target.mg_share,
        hardness_mg_l_caco3=content.target.hardness_mg_l_caco3,
        alkalinity_mg_l_caco3=content.target.alkalinity_mg_l_caco3,
        is_control=content.is_control,
        is_duplicate=content.is_duplicate,
        sulfate_share=content.target.sulfate_share,
        potassium_share=content.target.potassium_share,
    )


def _flight(db: Session, row: FlightRow) -> Flight:
    return Flight(
        session=row.session.name,
        number=row.number,
        state=row.state,
        is_unblinded=row.is_unblinded,
        has_key=db.get(SealedKeyRow, row.id) is not None,
        codes_found=codes_found(db, row),
    )
