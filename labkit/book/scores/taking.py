"""How one score is looked at and written: everything is checked before the row is.

Twelve tasters share one write lock on SQLite, so a good score costs three statements, made once.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, NoReturn, get_args

from sqlalchemy import Row, bindparam, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from labkit.book.scores.touches import Touch, check_value, clean_note, read_value
from labkit.book.sessions.sessions import read_attribute
from labkit.book.store.columns import clean_name, clean_text, in_utc, now_utc
from labkit.book.store.entries import ENTRIES, last_entry, last_row, read_entry
from labkit.book.store.lookups import (
    add_event,
    find_attribute,
    find_flight,
    find_serving,
    kept_taster,
    unknown,
)
from labkit.book.store.records import Receipt, ScoreEntry, Source
from labkit.book.store.schema import (
    BEING_TASTED,
    LOCKED,
    OPENED,
    PLANNED,
    AttributeRow,
    CupRow,
    FlightRow,
    ScoreRow,
    ServingRow,
    SessionRow,
    TasterRow,
)
from labkit.errors import BookError, LabkitError, LockError, StaleError

_PLACE: Final = (
    select(
        FlightRow.id.label("flight_id"),
        FlightRow.session_id,
        FlightRow.state,
        SessionRow.stages,
        ServingRow.id.label("serving_id"),
        ServingRow.position,
        CupRow.blind_code,
        AttributeRow.id.label("attribute_id"),
        AttributeRow.name,
        AttributeRow.kind,
        AttributeRow.scale,
        AttributeRow.lowest,
        AttributeRow.highest,
        AttributeRow.step,
        AttributeRow.words,
        AttributeRow.is_middle_best,
        AttributeRow.choices,
    )
    .select_from(SessionRow)
    .join(FlightRow, FlightRow.session_id == SessionRow.id)
    .join(ServingRow, ServingRow.flight_id == FlightRow.id)
    .join(TasterRow, ServingRow.taster_id == TasterRow.id)
    .join(AttributeRow, AttributeRow.session_id == SessionRow.id)
    .outerjoin(CupRow, ServingRow.cup_id == CupRow.id)
    .where(
        SessionRow.name == bindparam("session"),
        FlightRow.number == bindparam("flight"),
        TasterRow.name == bindparam("taster"),
        AttributeRow.name == bindparam("attribute"),
        or_(
            ServingRow.position == bindparam("position"),
            CupRow.blind_code == bindparam("blind_code"),
        ),
    )
)
_STATE: Final = select(FlightRow.state).where(FlightRow.id == bindparam("flight_id"))
_OF_ID: Final = ENTRIES.where(ScoreRow.entry_id == bindparam("entry_id"))
_INSERT: Final = {
    dialect: insert(ScoreRow)
    .on_conflict_do_nothing(index_elements=["entry_id"])
    .returning(ScoreRow.id)
    for dialect, insert in (("sqlite", sqlite.insert), ("postgresql", postgresql.insert))
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A score that may be written, in the lab book's own terms."""

    row: Row[*tuple[Any, ...]]
    """Where it belongs, as found."""

    session: str
    """Name of the session, as kept."""

    taster: str
    """Name of the taster, as kept."""

    state: str
    """State of the flight, which stays so until the commit."""

    stage: str
    """Stage of cooling, or empty text."""

    value: float | None
    """A number."""

    words: str
    """A note, or descriptors as JSON."""

    given_at: datetime
    """When it was touched (UTC)."""

    @property
    def place(self) -> tuple[int, int, str]:
        """What two scores share when the later one corrects the earlier."""
        return self.row.serving_id, self.row.attribute_id, self.stage


def check_touch(db: Session, touch: Touch) -> Checked:
    """Check everything about a score.

    Raises
    ------
    BookError, ScaleError, LockError
        As :meth:`labkit.book.LabBook.record_score`.
    """
    session, taster = clean_name("session", touch.session), clean_name("taster", touch.taster)
    wanted = {
        "session": session,
        "flight": touch.flight,
        "taster": taster,
        "attribute": touch.attribute,
        "position": touch.position,
        "blind_code": touch.blind_code,
    }
    rows = db.connection().execute(_PLACE, wanted).all()
    if not rows and (kept := kept_taster(db, taster)) != taster:
        taster = kept
        rows = db.connection().execute(_PLACE, wanted | {"taster": taster}).all()
    if len(rows) != 1 or (touch.position is None) == (touch.blind_code is None):
        _say_what_is_unknown(db, touch)
    row = rows[0]
    stage = touch.stage or ""
    if stage not in (row.stages or [""]):
        raise unknown(
            f"stage of session {session!r}", touch.stage, row.stages or ["None"], field="stage"
        )
    if touch.source not in get_args(Source):
        raise unknown("source", touch.source, get_args(Source))
    value, words = check_value(read_attribute(row), touch.value)
    given_at = now_utc() if touch.given_at is None else in_utc("given_at", touch.given_at)
    state = _hold(db, row)
    if state in {LOCKED, OPENED}:
        msg = (
            f"flight {touch.flight} of session {session!r} is {state}: no score changes any more; "
            "the lead can unlock it, with a reason."
        )
        raise LockError(msg, field="flight")
    return Checked(
        row=row,
        session=session,
        taster=taster,
        state=state,
        stage=stage,
        value=value,
        words=words,
        given_at=given_at,
    )


def take_touch(db: Session, touch: Touch, entry_id: str) -> Receipt:
    """Check a score and write its row, unless an entry of this id is there."""
    try:
        checked = check_touch(db, touch)
    except LabkitError:
        # If its answer got lost and the device sends again, it is safe already, lock or no lock.
        before = _entry_of_id(db, entry_id, touch)
        if before is None:
            raise
        return Receipt(entry=before, is_new=False, replaced=None)
    if touch.yields:
        later = _given_later_elsewhere(db, checked, touch)
        if later is not None:
            before = _entry_of_id(db, entry_id, touch)
            if before is None:
                raise StaleError(later)
            return Receipt(entry=before, is_new=False, replaced=None)
    replaced = last_entry(db, checked.place)
    received_at = now_utc()
    kept = {
        "entry_id": entry_id,
        "serving_id": checked.row.serving_id,
        "attribute_id": checked.row.attribute_id,
        "stage": checked.stage,
        "value": checked.value,
        "words": checked.words,
        "is_cleared": touch.value is None,
        "given_at": checked.given_at,
        "received_at": received_at,
        "source": touch.source,
        "device": clean_text("device", touch.device),
        "entered_by": clean_text("entered_by", touch.entered_by),
    }
    connection = db.connection()
    if connection.scalar(_INSERT[connection.dialect.name], kept) is None:
        before = _entry_of_id(db, entry_id, touch)
        if before is not None:
            return Receipt(entry=before, is_new=False, replaced=None)
        msg = f"entry {entry_id!r} could not be written; send it again."
        raise BookError(msg)
    if checked.state == PLANNED:
        begun = update(FlightRow).where(FlightRow.id == checked.row.flight_id)
        connection.execute(begun.values(state=BEING_TASTED))
        add_event(db, checked.row.session_id, "first score", flight_id=checked.row.flight_id)
    entry = ScoreEntry(
        entry_id=entry_id,
        taster=checked.taster,
        flight=touch.flight,
        position=checked.row.position,
        blind_code=checked.row.blind_code,
        attribute=checked.row.name,
        stage=touch.stage,
        value=read_value(
            checked.row.kind, checked.value, checked.words, is_cleared=touch.value is None
        ),
        given_at=checked.given_at,
        received_at=received_at,
        source=touch.source,
        device=str(kept["device"]),
        entered_by=str(kept["entered_by"]) or checked.taster,
    )
    return Receipt(entry=entry, is_new=True, replaced=replaced)


def is_same(checked: Checked, entry: ScoreEntry) -> bool:
    """Whether an entry says what a score says."""
    sent = read_value(checked.row.kind, checked.value, checked.words, is_cleared=False)
    return entry.value == sent


def _hold(db: Session, row: Row[*tuple[Any, ...]]) -> str:
    """Keep the flight's state until the commit, so that lock and score cannot pass each other.

    On SQLite the write lock does it. On PostgreSQL scorers share the row; the first one takes it
    alone, as it will change it.
    """
    if db.get_bind().dialect.name == "sqlite":
        return str(row.state)
    query = _STATE.with_for_update(read=row.state != PLANNED)
    return str(db.connection().execute(query, {"flight_id": row.flight_id}).scalar_one())


def _say_what_is_unknown(db: Session, touch: Touch) -> NoReturn:
    """Raise the sentence that names what is not in the book."""
    flight = find_flight(db, touch.session, touch.flight)
    find_attribute(db, flight.session_id, touch.attribute)
    find_serving(db, flight, touch.taster, touch.blind_code, touch.position)
    msg = f"the cup of {touch} cannot be found."
    raise BookError(msg)


def _given_later_elsewhere(db: Session, checked: Checked, touch: Touch) -> str | None:
    """Say what another device gave later at the same place; None if the touch is the last word.

    A device that was away brings what was touched meanwhile: by then, the taster may have said
    something else on another one.
    """
    last = last_row(db, checked.place)
    if last is None or last.device == touch.device or last.given_at <= checked.given_at:
        return None
    shown = "taken back" if last.is_cleared else f"given as {_shown(read_entry(last).value)}"
    return (
        f"it was {shown} later, on another device or by the lead, and that stands; give it here "
        "again if that is wrong."
    )


def _shown(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(value) or "no word"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _entry_of_id(db: Session, entry_id: str, touch: Touch) -> ScoreEntry | None:
    """Give the entry of an id, after making sure that it is the score that was sent."""
    row = db.connection().execute(_OF_ID, {"entry_id": entry_id}).one_or_none()
    if row is None:
        return None
    entry = read_entry(row)
    names = clean_name("session", touch.session), kept_taster(db, touch.taster)
    sent = (names[0], touch.flight, names[1], touch.attribute, touch.stage)
    is_same_place = sent == (row.session, entry.flight, entry.taster, entry.attribute, entry.stage)
    cup = row.position if touch.blind_code is None else row.blind_code
    is_same_cup = cup == (touch.position if touch.blind_code is None else touch.blind_code)
    if not (is_same_place and is_same_cup and _is_value(row, touch.value)):
        msg = f"entry_id must be new for each score, but {entry_id!r} is another score's."
        raise BookError(msg, field="entry_id")
    return entry


def _is_value(row: Row[*tuple[Any, ...]], value: object) -> bool:
    """Whether a kept row says what is sent."""
    if value is None or row.is_cleared:
        return value is None and bool(row.is_cleared)
    if row.kind == "number":
        try:
            return math.isclose(float(str(value)), row.value, abs_tol=1e-9)
        except ValueError:
            return False
    if row.kind == "note":
        return isinstance(value, str) and clean_note(row.attribute, value) == row.words
    if isinstance(value, str) or not isinstance(value, Iterable):
        return False
    return set(value) == set(json.loads(row.words))
