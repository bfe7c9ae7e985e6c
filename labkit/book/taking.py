"""How one score is looked at and written: everything is checked before the first row."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import cast, get_args

from sqlalchemy import Select, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from labkit.book.columns import clean_name, clean_text, in_utc, now_utc
from labkit.book.lookups import add_event, find_attribute, find_flight, find_serving, unknown
from labkit.book.records import Receipt, ScoreEntry, Source, Stage
from labkit.book.schema import (
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
from labkit.book.sessions import read_attribute
from labkit.errors import BookError, LockError, ScaleError

Value = float | str | Sequence[str] | None
"""A number, a note, checked descriptors, or None to clear."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Touch:
    """One score on its way into the lab book."""

    session: str
    """Name of the session."""

    flight: int
    """Number of the flight."""

    taster: str
    """Whose score it is."""

    attribute: str
    """What is scored."""

    value: Value
    """A number, a note, checked descriptors, or None to clear."""

    blind_code: str | None = None
    """The cup by its code ..."""

    position: int | None = None
    """... or by its position in the taster's order."""

    stage: Stage | None = None
    """Stage of cooling, if the session scores them apart."""

    given_at: datetime | None = None
    """When it was touched; now if not said."""

    entry_id: str | None = None
    """Made by the sender, so that sending twice keeps one; made here if not said."""

    source: Source = "sheet"
    """Where it comes from."""

    device: str = ""
    """Which device sent it."""

    entered_by: str = ""
    """Who entered it, if not the taster."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A score that may be written, in the lab book's own terms."""

    flight: FlightRow
    """Its flight, held against the lock until the commit."""

    serving_id: int
    """The cup before the taster."""

    attribute_id: int
    """What is scored."""

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
        return self.serving_id, self.attribute_id, self.stage


def check_touch(db: Session, touch: Touch) -> Checked:
    """Check everything about a score.

    Raises
    ------
    BookError, ScaleError, LockError
        As :meth:`labkit.book.LabBook.record_score`.
    """
    flight = find_flight(db, touch.session, touch.flight)
    # Held until the commit, so that a lock and a score cannot pass each other.
    hold = "alone" if flight.state == PLANNED else "shared"
    flight = find_flight(db, touch.session, touch.flight, lock=hold)
    serving = find_serving(db, flight, touch.taster, touch.blind_code, touch.position)
    attribute = find_attribute(db, flight.session_id, touch.attribute)
    stage = _stage(flight, touch.stage)
    if touch.source not in get_args(Source):
        raise unknown("source", touch.source, get_args(Source))
    value, words = (None, "") if touch.value is None else check_value(attribute, touch.value)
    given_at = now_utc() if touch.given_at is None else in_utc("given_at", touch.given_at)
    if flight.state in {LOCKED, OPENED}:
        msg = (
            f"flight {flight.number} of session {flight.session.name!r} is {flight.state}: no "
            "score changes any more; the lead can unlock it, with a reason."
        )
        raise LockError(msg)
    return Checked(
        flight=flight,
        serving_id=serving.id,
        attribute_id=attribute.id,
        stage=stage,
        value=value,
        words=words,
        given_at=given_at,
    )


def take_touch(db: Session, touch: Touch, entry_id: str) -> Receipt:
    """Check a score and write its row, unless an entry of this id is there."""
    before = _entry_of_id(db, entry_id, touch)
    if before is not None:
        # An answer got lost and the device sends again: it is safe already, lock or no lock.
        return Receipt(entry=before, is_new=False, replaced=None)
    checked = check_touch(db, touch)
    replaced = current_entry(db, checked)
    insert = sqlite.insert if db.get_bind().dialect.name == "sqlite" else postgresql.insert
    new_id = db.scalar(
        insert(ScoreRow)
        .values(
            entry_id=entry_id,
            serving_id=checked.serving_id,
            attribute_id=checked.attribute_id,
            stage=checked.stage,
            value=checked.value,
            words=checked.words,
            is_cleared=touch.value is None,
            given_at=checked.given_at,
            received_at=now_utc(),
            source=touch.source,
            device=clean_text("device", touch.device),
            entered_by=clean_text("entered_by", touch.entered_by),
        )
        .on_conflict_do_nothing(index_elements=["entry_id"])
        .returning(ScoreRow.id)
    )
    if checked.flight.state == PLANNED:
        checked.flight.state = BEING_TASTED
        add_event(db, checked.flight.session_id, "first score", flight_id=checked.flight.id)
    entry = _entry_of_id(db, entry_id, touch)
    if entry is None:  # pragma: no cover (the row was written or was there)
        msg = f"entry {entry_id!r} could not be found after it was written; try again."
        raise BookError(msg)
    return Receipt(entry=entry, is_new=new_id is not None, replaced=replaced)


def current_entry(db: Session, checked: Checked) -> ScoreEntry | None:
    """Give the value that is current where a score wants to go; None if cleared or never given."""
    serving_id, attribute_id, stage = checked.place
    last = (
        select(ScoreRow.id)
        .where(
            ScoreRow.serving_id == serving_id,
            ScoreRow.attribute_id == attribute_id,
            ScoreRow.stage == stage,
        )
        .order_by(ScoreRow.id.desc())
        .limit(1)
    )
    entries = read_entries(db, last)
    return entries[0] if entries and entries[0].value is not None else None


def is_same(checked: Checked, entry: ScoreEntry) -> bool:
    """Whether an entry says what a score says."""
    if isinstance(entry.value, tuple):
        return checked.words == _words(entry.value)
    return entry.value == (checked.words if checked.value is None else checked.value)


def check_value(row: AttributeRow, value: Value) -> tuple[float | None, str]:
    """Give a value as it is kept: a number, or text.

    Raises
    ------
    ScaleError
        If the value does not fit the attribute.
    """
    attribute = read_attribute(row)
    if attribute.scale is not None:
        return attribute.scale.check(cast("float", value)), ""
    if attribute.kind == "note":
        if not isinstance(value, str):
            msg = f"{attribute.name} must be text, got {value!r}; write a note."
            raise ScaleError(msg)
        return None, clean_text(attribute.name, value)
    words = None if isinstance(value, str | int | float) or value is None else list(value)
    wrong = [w for w in words if w not in attribute.choices] if words is not None else [value]
    if words is None or wrong:
        msg = (
            f"{attribute.name} must be some of {', '.join(attribute.choices)}, got {wrong[0]!r}; "
            "check only words of the session's list."
        )
        raise ScaleError(msg)
    return None, _words(tuple(w for w in attribute.choices if w in words))


def _stage(flight: FlightRow, stage: str | None) -> str:
    allowed = flight.session.stages
    if stage is None and not allowed:
        return ""
    if stage not in allowed:
        raise unknown(f"stage of session {flight.session.name!r}", stage, allowed or ["None"])
    return str(stage)


def _words(checked: tuple[str, ...]) -> str:
    return json.dumps(checked, ensure_ascii=False)


def _entry_of_id(db: Session, entry_id: str, touch: Touch) -> ScoreEntry | None:
    """Give the entry of an id, after making sure that it is the score that was sent."""
    row = db.execute(
        select(ScoreRow.id, SessionRow.name)
        .join(ServingRow, ScoreRow.serving_id == ServingRow.id)
        .join(FlightRow, ServingRow.flight_id == FlightRow.id)
        .join(SessionRow, FlightRow.session_id == SessionRow.id)
        .where(ScoreRow.entry_id == entry_id)
    ).one_or_none()
    if row is None:
        return None
    (entry,) = read_entries(db, select(ScoreRow.id).where(ScoreRow.id == row.id))
    names = clean_name("session", touch.session), clean_name("taster", touch.taster)
    sent = (names[0], touch.flight, names[1], touch.attribute, touch.stage)
    if sent != (row.name, entry.flight, entry.taster, entry.attribute, entry.stage):
        msg = f"entry_id must be new for each score, but {entry_id!r} is another score's."
        raise BookError(msg)
    return entry


def read_entries(db: Session, ids: Select[int]) -> tuple[ScoreEntry, ...]:
    """Read entries by the ids of their rows, in the order the lab book took them."""
    rows = db.execute(
        select(
            ScoreRow, ServingRow, FlightRow.number, TasterRow.name, CupRow.blind_code, AttributeRow
        )
        .join(ServingRow, ScoreRow.serving_id == ServingRow.id)
        .join(FlightRow, ServingRow.flight_id == FlightRow.id)
        .join(TasterRow, ServingRow.taster_id == TasterRow.id)
        .join(AttributeRow, ScoreRow.attribute_id == AttributeRow.id)
        .outerjoin(CupRow, ServingRow.cup_id == CupRow.id)
        .where(ScoreRow.id.in_(ids))
        .order_by(ScoreRow.id)
    )
    return tuple(
        ScoreEntry(
            entry_id=score.entry_id,
            taster=taster,
            flight=number,
            position=serving.position,
            blind_code=code,
            attribute=attribute.name,
            stage=cast("Stage | None", score.stage or None),
            value=_value(score, attribute.kind),
            given_at=score.given_at,
            received_at=score.received_at,
            source=score.source,
            device=score.device,
            entered_by=score.entered_by or taster,
        )
        for score, serving, number, taster, code, attribute in rows
    )


def _value(score: ScoreRow, kind: str) -> float | str | tuple[str, ...] | None:
    if score.is_cleared:
        return None
    if kind == "number":
        return score.value
    return score.words if kind == "note" else tuple(json.loads(score.words))
