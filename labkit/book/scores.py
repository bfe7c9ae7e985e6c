"""Scores: taken one by one, each on the disk before the call returns, never changed or dropped."""

from __future__ import annotations

import json
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import cast, get_args

from sqlalchemy import select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from labkit.book.columns import clean_name, clean_text, in_utc, now_utc
from labkit.book.current_scores import current_entries
from labkit.book.lookups import (
    add_event,
    find_attribute,
    find_flight,
    find_serving,
    find_session,
    unknown,
)
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
    TasterRow,
)
from labkit.book.sessions import read_attribute
from labkit.book.transactions import Transactions
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


class Scores(Transactions):
    """The part of the lab book that takes scores."""

    def record_score(
        self,
        session: str,
        flight: int,
        taster: str,
        attribute: str,
        value: Value,
        *,
        blind_code: str | None = None,
        position: int | None = None,
        stage: Stage | None = None,
        given_at: datetime | None = None,
        entry_id: str | None = None,
        source: Source = "sheet",
        device: str = "",
        entered_by: str = "",
    ) -> Receipt:
        """Take one score; it is on the disk when this returns.

        The cup is named by its code or its position. Giving the score again corrects it, None
        clears it; what was there before stays in the history.

        Raises
        ------
        ScaleError
            If the value is not on the attribute's scale.
        LockError
            If the flight is locked or opened.
        BookError
            If session, flight, taster, cup or attribute is unknown, or the book cannot be written.
        """
        touch = Touch(
            session=session,
            flight=flight,
            taster=taster,
            attribute=attribute,
            value=value,
            blind_code=blind_code,
            position=position,
            stage=stage,
            given_at=given_at,
            entry_id=entry_id,
            source=source,
            device=device,
            entered_by=entered_by,
        )
        return self.record_scores([touch])[0]

    def record_scores(self, touches: Sequence[Touch]) -> tuple[Receipt, ...]:
        """Take several scores together: all of them or, if one is refused, none."""
        # Named before the first try, so that a repeated transaction finds its own entries.
        entry_ids = [clean_name("entry_id", t.entry_id or uuid.uuid4().hex) for t in touches]

        def work(db: Session) -> tuple[Receipt, ...]:
            pairs = zip(touches, entry_ids, strict=True)
            return tuple(_take(db, touch, entry_id) for touch, entry_id in pairs)

        return self._write(work, is_repeatable=True)

    def current_scores(self, session: str, flight: int, taster: str) -> tuple[ScoreEntry, ...]:
        """What a taster's sheet shows: the current values of one flight."""
        with self._reading() as db:
            row = find_flight(db, session, flight)
            query = (
                current_entries()
                .join(TasterRow, ServingRow.taster_id == TasterRow.id)
                .where(
                    ServingRow.flight_id == row.id,
                    TasterRow.name == clean_name("taster", taster),
                )
            )
            return _entries(db, query.with_only_columns(ScoreRow.id))

    def history(
        self,
        session: str,
        *,
        flight: int | None = None,
        taster: str | None = None,
        attribute: str | None = None,
    ) -> tuple[ScoreEntry, ...]:
        """Every entry ever taken in a session, corrected and cleared ones too, oldest first."""
        with self._reading() as db:
            query = (
                select(ScoreRow.id)
                .join(ServingRow)
                .join(FlightRow)
                .join(TasterRow)
                .join(AttributeRow)
                .where(FlightRow.session_id == find_session(db, session).id)
            )
            if flight is not None:
                query = query.where(FlightRow.id == find_flight(db, session, flight).id)
            if taster is not None:
                query = query.where(TasterRow.name == clean_name("taster", taster))
            if attribute is not None:
                query = query.where(AttributeRow.name == attribute)
            return _entries(db, query)


def check_value(row: AttributeRow, value: Value) -> tuple[float | None, str]:
    """Give a value as it is kept: a number, or text.

    Raises
    ------
    ScaleError
        If the value does not fit the attribute.
    """
    attribute = read_attribute(row)
    if attribute.scale is not None:
        return attribute.scale.check(value), ""  # type: ignore[arg-type] (it checks the type)
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
    return None, json.dumps([w for w in attribute.choices if w in words], ensure_ascii=False)


def _take(db: Session, touch: Touch, entry_id: str) -> Receipt:
    """Check everything, then write one row."""
    before = db.scalar(select(ScoreRow.id).where(ScoreRow.entry_id == entry_id))
    if before is not None:
        # An answer got lost and the device sends again: it is safe already, lock or no lock.
        return Receipt(entry=_same_entry(db, before, touch), is_new=False, replaced=None)
    flight = find_flight(db, touch.session, touch.flight)
    # Held until the commit, so that a lock and a score cannot pass each other.
    hold = "alone" if flight.state == PLANNED else "shared"
    flight = find_flight(db, touch.session, touch.flight, lock=hold)
    serving = find_serving(db, flight, touch.taster, touch.blind_code, touch.position)
    attribute = find_attribute(db, flight.session_id, touch.attribute)
    stage = _stage(flight, touch.stage)
    if touch.source not in get_args(Source):
        raise unknown("source", touch.source, get_args(Source))
    is_cleared = touch.value is None
    value, words = (None, "") if is_cleared else check_value(attribute, touch.value)
    if flight.state in {LOCKED, OPENED}:
        msg = (
            f"flight {flight.number} of session {flight.session.name!r} is {flight.state}: no "
            "score changes any more; the lead can unlock it, with a reason."
        )
        raise LockError(msg)
    now = now_utc()
    given_at = now if touch.given_at is None else in_utc("given_at", touch.given_at)
    replaced = _current(db, serving.id, attribute.id, stage)
    insert = sqlite.insert if db.get_bind().dialect.name == "sqlite" else postgresql.insert
    db.execute(
        insert(ScoreRow)
        .values(
            entry_id=entry_id,
            serving_id=serving.id,
            attribute_id=attribute.id,
            stage=stage,
            value=value,
            words=words,
            is_cleared=is_cleared,
            given_at=given_at,
            received_at=now,
            source=touch.source,
            device=clean_text("device", touch.device),
            entered_by=clean_text("entered_by", touch.entered_by),
        )
        .on_conflict_do_nothing(index_elements=["entry_id"])
    )
    if flight.state == PLANNED:
        flight.state = BEING_TASTED
        add_event(db, flight.session_id, "first score", flight_id=flight.id)
    kept = db.scalars(select(ScoreRow.id).where(ScoreRow.entry_id == entry_id)).one()
    return Receipt(entry=_same_entry(db, kept, touch), is_new=True, replaced=replaced)


def _stage(flight: FlightRow, stage: str | None) -> str:
    allowed = flight.session.stages
    if stage is None and not allowed:
        return ""
    if stage not in allowed:
        raise unknown(f"stage of session {flight.session.name!r}", stage, allowed or ["None"])
    return str(stage)


def _same_entry(db: Session, row_id: int, touch: Touch) -> ScoreEntry:
    """Give the stored entry, after making sure that it is what was sent."""
    (entry,) = _entries(db, select(ScoreRow.id).where(ScoreRow.id == row_id))
    sent = (touch.flight, touch.attribute, touch.stage)
    if sent != (entry.flight, entry.attribute, entry.stage):
        msg = f"entry_id must be new for each score, but {entry.entry_id!r} is another score's."
        raise BookError(msg)
    return entry


def _current(db: Session, serving_id: int, attribute_id: int, stage: str) -> ScoreEntry | None:
    query = (
        select(ScoreRow.id)
        .where(
            ScoreRow.serving_id == serving_id,
            ScoreRow.attribute_id == attribute_id,
            ScoreRow.stage == stage,
        )
        .order_by(ScoreRow.id.desc())
        .limit(1)
    )
    last = db.scalar(query)
    if last is None:
        return None
    (entry,) = _entries(db, select(ScoreRow.id).where(ScoreRow.id == last))
    return None if entry.value is None else entry


def _entries(db: Session, ids: object) -> tuple[ScoreEntry, ...]:
    rows = db.execute(
        select(
            ScoreRow, ServingRow, FlightRow.number, TasterRow.name, CupRow.blind_code, AttributeRow
        )
        .join(ServingRow, ScoreRow.serving_id == ServingRow.id)
        .join(FlightRow, ServingRow.flight_id == FlightRow.id)
        .join(TasterRow, ServingRow.taster_id == TasterRow.id)
        .join(AttributeRow, ScoreRow.attribute_id == AttributeRow.id)
        .outerjoin(CupRow, ServingRow.cup_id == CupRow.id)
        .where(ScoreRow.id.in_(ids))  # type: ignore[arg-type]
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
