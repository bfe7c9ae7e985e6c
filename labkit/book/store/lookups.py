"""Finding rows by the names people use, with a sentence when there is none."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Final

from sqlalchemy import select, true
from sqlalchemy.orm import Session

from labkit.book.store.columns import clean_name, name_key, now_utc
from labkit.book.store.schema import (
    AttributeRow,
    BottleRow,
    ClientRow,
    CoffeeRow,
    CupRow,
    EventRow,
    FlightRow,
    OpenedCupRow,
    SeatRow,
    ServingRow,
    SessionRow,
    TasterRow,
)
from labkit.errors import BookError

READ_FOR_SHEET: Final = "opened for the bench sheet"
"""What the lab book calls it when the preparer reads a sealed key."""


def unknown(
    what: str, given: object, known: Iterable[str], *, field: str | None = None
) -> BookError:
    """Say that a name is not in the book, and which one may have been meant.

    Parameters
    ----------
    what : str
        What was looked for, in words.
    given : object
        What was given.
    known : iterable of str
        What there is.
    field : str, optional
        Name of the argument, where it is not `what`.
    """
    names = sorted(known)
    near = get_close_matches(str(given), names, n=1)
    if near:
        remedy = f"did you mean {near[0]!r}?"
    elif names:
        remedy = f"choose one of {', '.join(map(repr, names[:12]))}."
    else:
        remedy = "there is none yet; add it first."
    return BookError(
        f"{what} must be in the lab book, got {given!r}: {remedy}", field=field or what
    )


def as_kept(name: str, known: Iterable[str]) -> str:
    """The one known name that is written like this but for capitals and spaces, else `name`."""
    alike = [one for one in known if name_key(one) == name_key(name)]
    return name if name in alike or len(alike) != 1 else alike[0]


def kept_taster(db: Session, name: str) -> str:
    """A taster's name as the lab book has it; as given if it has none like it."""
    given = clean_name("taster", name)
    if db.scalar(select(TasterRow.id).where(TasterRow.name == given)) is not None:
        return given
    return as_kept(given, db.scalars(select(TasterRow.name)))


def find_taster(db: Session, name: str) -> TasterRow:
    """Find a taster by name."""
    row = db.scalar(select(TasterRow).where(TasterRow.name == kept_taster(db, name)))
    if row is None:
        raise unknown("taster", name, db.scalars(select(TasterRow.name)))
    return row


def find_client(db: Session, name: str) -> ClientRow:
    """Find a client by name."""
    kept = as_kept(clean_name("client", name), db.scalars(select(ClientRow.name)))
    row = db.scalar(select(ClientRow).where(ClientRow.name == kept))
    if row is None:
        raise unknown("client", name, db.scalars(select(ClientRow.name)))
    return row


def find_coffee(db: Session, name: str, client: str | None) -> CoffeeRow:
    """Find a coffee by name, within a client if two have one of that name.

    A coffee of another client is as unknown as one that does not exist, and never suggested.
    """
    within = true() if client is None else CoffeeRow.client_id == find_client(db, client).id
    names = select(CoffeeRow.name).where(within)
    kept = as_kept(clean_name("coffee", name), set(db.scalars(names)))
    rows = db.scalars(select(CoffeeRow).where(within, CoffeeRow.name == kept)).all()
    if not rows:
        raise unknown("coffee", name, db.scalars(names))
    if len(rows) > 1:
        msg = (
            f"coffee must be one coffee, got {name!r}, which {len(rows)} clients have; "
            "name the client too."
        )
        raise BookError(msg, field="coffee")
    return rows[0]


def find_session(db: Session, name: str) -> SessionRow:
    """Find a tasting session by name."""
    row = db.scalar(select(SessionRow).where(SessionRow.name == clean_name("session", name)))
    if row is None:
        raise unknown("session", name, db.scalars(select(SessionRow.name)))
    return row


def find_flight(db: Session, session: str, number: int, *, lock: str | None = None) -> FlightRow:
    """Find a flight; `lock` holds it "shared" or "alone" against other writers (PostgreSQL)."""
    row = find_session(db, session)
    query = select(FlightRow).where(FlightRow.session_id == row.id, FlightRow.number == number)
    if lock is not None:
        query = query.with_for_update(read=lock == "shared").execution_options(
            populate_existing=True
        )
    flight = db.scalar(query)
    if flight is None:
        numbers = db.scalars(select(FlightRow.number).where(FlightRow.session_id == row.id))
        raise unknown(f"flight of session {session!r}", number, map(str, numbers), field="flight")
    return flight


def is_opened(db: Session, flight: FlightRow) -> bool:
    """Whether the lab book knows what was in a flight's cups, locked or not."""
    query = select(OpenedCupRow.cup_id).join(CupRow).where(CupRow.flight_id == flight.id).limit(1)
    return db.scalar(query) is not None


def find_seat(db: Session, session: SessionRow, taster: str) -> SeatRow:
    """Find a taster's place in a session."""
    row = db.scalar(
        select(SeatRow)
        .join(TasterRow)
        .where(SeatRow.session_id == session.id, TasterRow.name == kept_taster(db, taster))
    )
    if row is None:
        names = select(TasterRow.name).join(SeatRow).where(SeatRow.session_id == session.id)
        raise unknown(
            f"taster of session {session.name!r}", taster, db.scalars(names), field="taster"
        )
    return row


def find_serving(
    db: Session, flight: FlightRow, taster: str, blind_code: str | None, position: int | None
) -> ServingRow:
    """Find the cup before a taster by its code or its position, exactly one of the two."""
    if (blind_code is None) == (position is None):
        msg = f"a cup is named by its code or its position, got {blind_code!r} and {position!r}."
        raise BookError(msg)
    query = (
        select(ServingRow)
        .join(TasterRow)
        .outerjoin(CupRow, ServingRow.cup_id == CupRow.id)
        .where(ServingRow.flight_id == flight.id, TasterRow.name == kept_taster(db, taster))
    )
    if blind_code is not None:
        rows = db.scalars(query.where(CupRow.blind_code == str(blind_code))).all()
    else:
        rows = db.scalars(query.where(ServingRow.position == position)).all()
    if len(rows) > 1:
        msg = f"code {blind_code} was served twice to {taster}; name the cup by its position."
        raise BookError(msg, field="blind_code")
    if rows:
        return rows[0]
    served = db.scalars(query.order_by(ServingRow.position)).all()
    where = f"flight {flight.number} of session {flight.session.name!r}"
    if not served:
        names = select(TasterRow.name).join(ServingRow).where(ServingRow.flight_id == flight.id)
        raise unknown(f"taster of {where}", taster, set(db.scalars(names)), field="taster")
    if blind_code is None:
        raise unknown(
            f"position of {taster}'s cups in {where}",
            position,
            map(str, range(1, len(served) + 1)),
            field="position",
        )
    codes = {row.cup.blind_code for row in served if row.cup is not None}
    raise unknown(f"code of {taster}'s cups in {where}", blind_code, codes, field="blind_code")


def find_attribute(db: Session, session_id: int, name: str) -> AttributeRow:
    """Find what is scored by name."""
    of_session = AttributeRow.session_id == session_id
    row = db.scalar(select(AttributeRow).where(of_session, AttributeRow.name == name))
    if row is None:
        raise unknown("attribute", name, db.scalars(select(AttributeRow.name).where(of_session)))
    return row


def find_bottle(db: Session, name: str) -> BottleRow:
    """Find a bottle by name."""
    row = db.scalar(select(BottleRow).where(BottleRow.name == clean_name("bottle", name)))
    if row is None:
        raise unknown("bottle", name, db.scalars(select(BottleRow.name)))
    return row


def add_event(
    db: Session,
    session_id: int,
    kind: str,
    *,
    flight_id: int | None = None,
    reason: str = "",
    done_by: str = "",
) -> None:
    """Write down that something happened."""
    db.add(
        EventRow(
            session_id=session_id,
            flight_id=flight_id,
            kind=kind,
            reason=reason,
            done_by=done_by,
            happened_at=now_utc(),
        )
    )
