"""Names that were typed wrong: renamed, put together or removed, with every score left as it is.

Scores hang on cups, cups on people: a name moves, no score is touched. What was moved stays written
down in each session that it concerns, so that it can be undone by hand.
"""

from __future__ import annotations

import json
from typing import Any, Final

from sqlalchemy import ColumnElement, delete, exists, func, or_, select, text
from sqlalchemy.orm import Session

from labkit.book.store.columns import clean_person, name_key
from labkit.book.store.lookups import add_event, find_client, find_coffee, find_taster
from labkit.book.store.schema import (
    BEING_TASTED,
    BaseWaterRow,
    ClientRow,
    CoffeeRow,
    DecisionRow,
    FlightRow,
    KeptReadingRow,
    SeatRow,
    ServingRow,
    SessionRow,
    TasterRow,
)
from labkit.book.store.transactions import Part
from labkit.errors import BookError

RENAMED: Final = "renamed"
MERGED: Final = "merged"


class Renaming(Part):
    """The part of the lab book that mends names."""

    def rename_taster(self, name: str, to: str, *, done_by: str = "") -> str:
        """Give a taster another name, in all sessions; the name as kept comes back.

        Parameters
        ----------
        name, to : str
            The present name and the new one.
        done_by : str
            Who says so, for the record.

        Raises
        ------
        BookError
            If the taster is unknown, the name taken, or a flight of theirs is being tasted.
        """

        def work(db: Session) -> str:
            row = find_taster(db, name)
            _refuse_while_tasting(db, row)
            kept = new_name(db, "taster", to, TasterRow, but=row.id)
            _write_down(db, _sat_in(row), RENAMED, "taster", row.name, kept, done_by)
            row.name = kept
            return kept

        return self._store.write(work)

    def merge_tasters(self, name: str, into: str, *, done_by: str = "") -> None:
        """Say that a taster is another one: all cups and scores of the first become the other's.

        Parameters
        ----------
        name, into : str
            Who goes, and who stays.
        done_by : str
            Who says so, for the record.

        Raises
        ------
        BookError
            If one is unknown, both tasted in the same flight (then they are two people), or a
            flight of theirs is being tasted.
        """

        def work(db: Session) -> None:
            row, other = find_taster(db, name), find_taster(db, into)
            _refuse_same("taster", row, other)
            for one in (row, other):
                _refuse_while_tasting(db, one)
            _refuse_both_served(db, row, other)
            flights = select(FlightRow.session_id, FlightRow.number).join(ServingRow)
            own = db.execute(flights.where(ServingRow.taster_id == row.id).distinct()).all()
            others = set(db.scalars(_sat_in(other)))
            for seat in db.scalars(select(SeatRow).where(SeatRow.taster_id == row.id)).all():
                numbers = sorted(number for session, number in own if session == seat.session_id)
                more = f" in flights {', '.join(map(str, numbers))}" if numbers else ""
                _note(db, seat.session_id, MERGED, "taster", row.name, other.name, done_by, more)
                if seat.session_id in others:
                    db.delete(seat)
                else:
                    seat.taster_id = other.id
            for serving in db.scalars(select(ServingRow).where(ServingRow.taster_id == row.id)):
                serving.taster_id = other.id
            decisions = select(DecisionRow).where(DecisionRow.taster_id == row.id)
            for decision in db.scalars(decisions).all():
                decision.taster_id = other.id
            db.flush()
            db.delete(row)

        self._store.write(work)

    def remove_taster(self, name: str) -> None:
        """Take out a taster who was never in a session.

        Parameters
        ----------
        name : str
            Whom to take out.

        Raises
        ------
        BookError
            If the taster is unknown or was in a session.
        """

        def work(db: Session) -> None:
            row = find_taster(db, name)
            _refuse_in_use(db, "taster", row.name, SeatRow.taster_id == row.id)
            db.delete(row)

        self._store.write(work)

    def rename_client(self, name: str, to: str, *, done_by: str = "") -> str:
        """Give a client another name; the name as kept comes back.

        Parameters
        ----------
        name, to : str
            The present name and the new one.
        done_by : str
            Who says so, for the record.

        Raises
        ------
        BookError
            If the client is unknown or the name taken.
        """

        def work(db: Session) -> str:
            row = find_client(db, name)
            kept = new_name(db, "client", to, ClientRow, but=row.id)
            coffees = CoffeeRow.client_id == row.id
            _write_down(db, _sessions_of(coffees), RENAMED, "client", row.name, kept, done_by)
            row.name = kept
            return kept

        return self._store.write(work)

    def merge_clients(self, name: str, into: str, *, done_by: str = "") -> None:
        """Say that a client is another one: coffees and waters of the first become the other's.

        Parameters
        ----------
        name, into : str
            Which goes, and which stays.
        done_by : str
            Who says so, for the record.

        Raises
        ------
        BookError
            If one is unknown, or both have a coffee of one name.
        """

        def work(db: Session) -> None:
            row, other = find_client(db, name), find_client(db, into)
            _refuse_same("client", row, other)
            mine = db.scalars(select(CoffeeRow).where(CoffeeRow.client_id == row.id)).all()
            theirs = select(CoffeeRow.name).where(CoffeeRow.client_id == other.id)
            keys = {name_key(one) for one in db.scalars(theirs)}
            double = next((one.name for one in mine if name_key(one.name) in keys), None)
            if double is not None:
                msg = (
                    f"client {row.name!r} and {other.name!r} both have a coffee {double!r}; rename "
                    "one of the two coffees first."
                )
                raise BookError(msg, field="client")
            coffees = CoffeeRow.client_id == row.id
            _write_down(db, _sessions_of(coffees), MERGED, "client", row.name, other.name, done_by)
            for coffee in mine:
                coffee.client = other
            for water in db.scalars(select(BaseWaterRow).where(BaseWaterRow.client_id == row.id)):
                water.client = other
            db.flush()
            db.delete(row)

        self._store.write(work)

    def remove_client(self, name: str) -> None:
        """Take out a client without coffees and waters.

        Parameters
        ----------
        name : str
            Whom to take out.

        Raises
        ------
        BookError
            If the client is unknown or has some.
        """

        def work(db: Session) -> None:
            row = find_client(db, name)
            used = (CoffeeRow.client_id == row.id, BaseWaterRow.client_id == row.id)
            _refuse_in_use(db, "client", row.name, *used)
            db.delete(row)

        self._store.write(work)

    def rename_coffee(self, name: str, to: str, *, client: str, done_by: str = "") -> str:
        """Give a coffee another name; sessions keep theirs, and the name as kept comes back.

        Parameters
        ----------
        name, to : str
            The present name and the new one.
        client : str
            Whose coffee it is.
        done_by : str
            Who says so, for the record.

        Raises
        ------
        BookError
            If the coffee is unknown or the client has one of that name.
        """

        def work(db: Session) -> str:
            row = find_coffee(db, name, client)
            of_client = CoffeeRow.client_id == row.client_id
            kept = new_name(db, "coffee", to, CoffeeRow, of_client, but=row.id)
            sessions = _sessions_of(CoffeeRow.id == row.id)
            _write_down(db, sessions, RENAMED, "coffee", row.name, kept, done_by)
            row.name = kept
            return kept

        return self._store.write(work)

    def merge_coffees(self, name: str, into: str, *, client: str, done_by: str = "") -> None:
        """Say that a coffee of a client is another one: its sessions become the other's.

        Parameters
        ----------
        name, into : str
            Which goes, and which stays.
        client : str
            Whose coffees they are.
        done_by : str
            Who says so, for the record.

        Raises
        ------
        BookError
            If one is unknown.
        """

        def work(db: Session) -> None:
            row, other = find_coffee(db, name, client), find_coffee(db, into, client)
            _refuse_same("coffee", row, other)
            fields = ("lot", "origin", "process", "roast_level", "roast_date", "note")
            known = {field: str(getattr(row, field) or "") for field in fields}
            told = [
                f"{field} {json.dumps(value, ensure_ascii=False)}"
                for field, value in known.items()
                if value
            ]
            more = f"; it had {', '.join(told)}" if told else ""
            of_coffee = _sessions_of(CoffeeRow.id == row.id)
            _write_down(db, of_coffee, MERGED, "coffee", row.name, other.name, done_by, more)
            for session in db.scalars(select(SessionRow).where(SessionRow.coffee_id == row.id)):
                session.coffee = other
            decisions = select(DecisionRow).where(DecisionRow.coffee_id == row.id)
            for decision in db.scalars(decisions).all():
                decision.coffee_id = other.id
            db.flush()
            _forget_readings(db, row)
            db.delete(row)

        self._store.write(work)

    def remove_coffee(self, name: str, *, client: str) -> None:
        """Take out a coffee that was never planned.

        Parameters
        ----------
        name : str
            What to take out.
        client : str
            Whose coffee it is.

        Raises
        ------
        BookError
            If the coffee is unknown or has a session.
        """

        def work(db: Session) -> None:
            row = find_coffee(db, name, client)
            _refuse_in_use(db, "coffee", row.name, SessionRow.coffee_id == row.id)
            _forget_readings(db, row)
            db.delete(row)

        self._store.write(work)


def _forget_readings(db: Session, coffee: CoffeeRow) -> None:
    db.execute(delete(KeptReadingRow).where(KeptReadingRow.coffee_id == coffee.id))


def new_name(
    db: Session,
    field: str,
    given: str,
    table: type[TasterRow | ClientRow | CoffeeRow],
    *within: ColumnElement[bool],
    but: int | None = None,
) -> str:
    """A name as it is kept, after making sure that no other row has it, however it is written.

    Raises
    ------
    BookError
        If it is empty or taken.
    """
    kept = clean_person(field, given)
    if db.get_bind().dialect.name == "postgresql":
        # Two at once could each find their own spelling free.
        db.execute(text(f"LOCK TABLE {table.__tablename__} IN SHARE ROW EXCLUSIVE MODE"))
    rows = db.execute(select(table.id, table.name).where(*within)).all()
    taken = next((n for i, n in rows if i != but and name_key(n) == name_key(kept)), None)
    if taken is not None:
        msg = (
            f"{field} must be new, but {taken!r} is in the lab book; use that, or choose another "
            "name."
        )
        raise BookError(msg, field=field)
    return kept


def _sat_in(taster: TasterRow) -> Any:
    return select(SeatRow.session_id).where(SeatRow.taster_id == taster.id)


def _sessions_of(condition: ColumnElement[bool]) -> Any:
    return select(SessionRow.id).join(CoffeeRow).where(condition)


def _write_down(
    db: Session,
    sessions: Any,
    kind: str,
    what: str,
    old: str,
    new: str,
    done_by: str,
    more: str = "",
) -> None:
    for session_id in db.scalars(sessions).all():
        _note(db, session_id, kind, what, old, new, done_by, more)


def _note(
    db: Session, session_id: int, kind: str, what: str, old: str, new: str, done_by: str, more: str
) -> None:
    names = [json.dumps(name, ensure_ascii=False) for name in (old, new)]
    reason = f"{what} {names[0]} is now {names[1]}{more}"
    add_event(db, session_id, kind, reason=reason, done_by=done_by)


def _refuse_same(field: str, row: Any, other: Any) -> None:
    if row.id == other.id:
        msg = f"{field} must be another one, got {row.name!r} for both; choose two."
        raise BookError(msg, field=field)


def _refuse_in_use(db: Session, field: str, name: str, *used: ColumnElement[bool]) -> None:
    if any(db.scalar(select(exists().where(condition))) for condition in used):
        msg = (
            f"{field} must be unused to be removed, but the lab book holds more of {name!r}; "
            "rename it, or merge it with another."
        )
        raise BookError(msg, field=field)


def _refuse_while_tasting(db: Session, taster: TasterRow) -> None:
    """A sheet that is open keeps what was touched under the taster's name."""
    found = db.execute(
        select(SessionRow.name, FlightRow.number)
        .join(FlightRow, FlightRow.session_id == SessionRow.id)
        .join(ServingRow, ServingRow.flight_id == FlightRow.id)
        .where(ServingRow.taster_id == taster.id, FlightRow.state == BEING_TASTED)
    ).first()
    if found is not None:
        msg = (
            f"taster {taster.name!r} must not be tasting while the name changes, but flight "
            f"{found.number} of {found.name!r} is being tasted; lock it first."
        )
        raise BookError(msg, field="taster")


def _refuse_both_served(db: Session, row: TasterRow, other: TasterRow) -> None:
    both = db.execute(
        select(SessionRow.name, FlightRow.number)
        .join(FlightRow, FlightRow.session_id == SessionRow.id)
        .join(ServingRow, ServingRow.flight_id == FlightRow.id)
        .where(or_(ServingRow.taster_id == row.id, ServingRow.taster_id == other.id))
        .group_by(SessionRow.name, FlightRow.number)
        .having(func.count(ServingRow.taster_id.distinct()) == 2)
    ).first()
    if both is not None:
        msg = (
            f"taster {row.name!r} must be the same person as {other.name!r}, but both were served "
            f"in flight {both.number} of {both.name!r}; rename one of them instead."
        )
        raise BookError(msg)
