"""How one score is looked at and written: everything is checked before the row is.

Twelve tasters share one write lock on SQLite, so a good score costs three statements, made once.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final, NoReturn, get_args

from sqlalchemy import Row, bindparam, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from labkit.book.scores.entries import ENTRIES, last_entry, last_row, read_entry
from labkit.book.scores.score import (
    KeptScore,
    Score,
    check_value,
    clean_note,
    write_value,
)
from labkit.book.sessions.sessions import read_attribute
from labkit.book.store.columns import clean_name, clean_text, in_utc, now_utc
from labkit.book.store.lookups import (
    add_event,
    find_attribute,
    find_flight,
    find_serving,
    kept_taster,
    unknown,
)
from labkit.book.store.records import Source
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
class Placed:
    """A score that may be written, with where it belongs."""

    score: Score
    """As it will be kept: by the book's names, with both code and position of its cup."""

    value: float | str | tuple[str, ...] | None
    """Its value as it will be kept."""

    given_at: datetime
    """When it was touched (UTC)."""

    row: Row[*tuple[Any, ...]]
    """Flight, serving and attribute, as found."""

    state: str
    """State of the flight, which stays so until the commit."""

    @property
    def place(self) -> tuple[int, int, str]:
        """What two scores share when the later one corrects the earlier."""
        return self.row.serving_id, self.row.attribute_id, self.score.stage or ""

    def is_said_by(self, kept: KeptScore) -> bool:
        """Whether the lab book has this value already."""
        return kept.value == self.value


def find_place(db: Session, score: Score) -> Placed:
    """Check everything about a score, and find where it belongs.

    Raises
    ------
    BookError, ScaleError, LockError
        As ``record_score``.
    """
    session, taster = clean_name("session", score.session), clean_name("taster", score.taster)
    wanted = {
        "session": session,
        "flight": score.flight,
        "taster": taster,
        "attribute": score.attribute,
        "position": score.position,
        "blind_code": score.blind_code,
    }
    rows = db.connection().execute(_PLACE, wanted).all()
    if not rows and (kept := kept_taster(db, taster)) != taster:
        taster = kept
        rows = db.connection().execute(_PLACE, wanted | {"taster": taster}).all()
    if len(rows) != 1 or (score.position is None) == (score.blind_code is None):
        _say_what_is_unknown(db, score)
    row = rows[0]
    if (score.stage or "") not in (row.stages or [""]):
        raise unknown(
            f"stage of session {session!r}", score.stage, row.stages or ["None"], field="stage"
        )
    if score.source not in get_args(Source):
        raise unknown("source", score.source, get_args(Source))
    value = check_value(read_attribute(row), score.value)
    given_at = now_utc() if score.given_at is None else in_utc("given_at", score.given_at)
    as_kept = replace(
        score,
        session=session,
        taster=taster,
        position=row.position,
        blind_code=row.blind_code,
        stage=score.stage or None,
    )
    state = _hold(db, row)
    if state in {LOCKED, OPENED}:
        msg = (
            f"flight {score.flight} of session {session!r} is {state}: scores can no longer "
            "change; the lead can unlock it, with a reason."
        )
        raise LockError(msg, field="flight")
    return Placed(score=as_kept, value=value, given_at=given_at, row=row, state=state)


def take_score(db: Session, score: Score, entry_id: str) -> KeptScore:
    """Check a score and write its row, unless an entry of this id is there."""
    try:
        placed = find_place(db, score)
    except LabkitError:
        # If its answer got lost and the device sends again, it is safe already, lock or no lock.
        before = _kept_of_id(db, entry_id, score)
        if before is None:
            raise
        return before
    if score.yields:
        later = _given_later_elsewhere(db, placed)
        if later is not None:
            before = _kept_of_id(db, entry_id, score)
            if before is None:
                raise StaleError(later)
            return before
    replaced = last_entry(db, placed.place)
    received_at = now_utc()
    written = _row_of(placed, entry_id, received_at)
    connection = db.connection()
    if connection.scalar(_INSERT[connection.dialect.name], written) is None:
        before = _kept_of_id(db, entry_id, score)
        if before is not None:
            return before
        msg = f"entry {entry_id!r} could not be written; send it again."
        raise BookError(msg)
    if placed.state == PLANNED:
        begun = update(FlightRow).where(FlightRow.id == placed.row.flight_id)
        connection.execute(begun.values(state=BEING_TASTED))
        add_event(db, placed.row.session_id, "first score", flight_id=placed.row.flight_id)
    as_kept = placed.score
    return KeptScore(
        session=as_kept.session,
        flight=as_kept.flight,
        taster=as_kept.taster,
        attribute=as_kept.attribute,
        value=placed.value,
        blind_code=as_kept.blind_code,
        position=placed.row.position,
        stage=as_kept.stage,
        given_at=placed.given_at,
        entry_id=entry_id,
        source=as_kept.source,
        device=written["device"],
        entered_by=written["entered_by"] or as_kept.taster,
        received_at=received_at,
        is_new=True,
        replaced=replaced,
    )


def _row_of(placed: Placed, entry_id: str, received_at: datetime) -> dict[str, Any]:
    """The row of the table of scores."""
    score = placed.score
    number, words = write_value(placed.value)
    return {
        "entry_id": entry_id,
        "serving_id": placed.row.serving_id,
        "attribute_id": placed.row.attribute_id,
        "stage": score.stage or "",
        "value": number,
        "words": words,
        "is_cleared": placed.value is None,
        "given_at": placed.given_at,
        "received_at": received_at,
        "source": score.source,
        "device": clean_text("device", score.device),
        "entered_by": clean_text("entered_by", score.entered_by),
    }


def _hold(db: Session, row: Row[*tuple[Any, ...]]) -> str:
    """Keep the flight's state until the commit, so that lock and score cannot pass each other.

    On SQLite the write lock does it. On PostgreSQL scorers share the row; the first one takes it
    alone, as it will change it.
    """
    if db.get_bind().dialect.name == "sqlite":
        return str(row.state)
    query = _STATE.with_for_update(read=row.state != PLANNED)
    return str(db.connection().execute(query, {"flight_id": row.flight_id}).scalar_one())


def _say_what_is_unknown(db: Session, score: Score) -> NoReturn:
    """Raise the sentence that names what is not in the book."""
    flight = find_flight(db, score.session, score.flight)
    find_attribute(db, flight.session_id, score.attribute)
    find_serving(db, flight, score.taster, score.blind_code, score.position)
    msg = f"the cup of {score} cannot be found."
    raise BookError(msg)


def _given_later_elsewhere(db: Session, placed: Placed) -> str | None:
    """Say what another device gave later at the same place; None if the score is the last word.

    A device that was away brings what was touched meanwhile: by then, the taster may have said
    something else on another one.
    """
    score, last = placed.score, last_row(db, placed.place)
    if last is None or last.device == score.device or last.given_at <= placed.given_at:
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


def _kept_of_id(db: Session, entry_id: str, score: Score) -> KeptScore | None:
    """Give the entry of an id, after making sure that it is the score that was sent."""
    row = db.connection().execute(_OF_ID, {"entry_id": entry_id}).one_or_none()
    if row is None:
        return None
    entry = read_entry(row)
    names = clean_name("session", score.session), kept_taster(db, score.taster)
    sent = (names[0], score.flight, names[1], score.attribute, score.stage)
    is_same_place = sent == (row.session, entry.flight, entry.taster, entry.attribute, entry.stage)
    cup = row.position if score.blind_code is None else row.blind_code
    is_same_cup = cup == (score.position if score.blind_code is None else score.blind_code)
    if not (is_same_place and is_same_cup and _is_value(row, score.value)):
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
