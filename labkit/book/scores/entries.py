"""Reading entries of scores, and which of them is current: the one the lab book took last."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final, cast

from sqlalchemy import Row, Select, bindparam, func, select
from sqlalchemy.orm import Session, aliased

from labkit.book.scores.score import KeptScore, read_value
from labkit.book.store.records import Missing, Stage
from labkit.book.store.schema import (
    AttributeRow,
    CupRow,
    FlightRow,
    ScoreRow,
    ServingRow,
    SessionRow,
    TasterRow,
)

ENTRIES: Final = (
    select(
        ScoreRow.entry_id,
        ScoreRow.stage,
        ScoreRow.value,
        ScoreRow.words,
        ScoreRow.is_cleared,
        ScoreRow.given_at,
        ScoreRow.received_at,
        ScoreRow.source,
        ScoreRow.device,
        ScoreRow.entered_by,
        ServingRow.position,
        SessionRow.name.label("session"),
        FlightRow.number.label("flight"),
        TasterRow.name.label("taster"),
        CupRow.blind_code,
        AttributeRow.name.label("attribute"),
        AttributeRow.kind,
    )
    .select_from(ScoreRow)
    .join(ServingRow, ScoreRow.serving_id == ServingRow.id)
    .join(FlightRow, ServingRow.flight_id == FlightRow.id)
    .join(SessionRow, FlightRow.session_id == SessionRow.id)
    .join(TasterRow, ServingRow.taster_id == TasterRow.id)
    .join(AttributeRow, ScoreRow.attribute_id == AttributeRow.id)
    .outerjoin(CupRow, ServingRow.cup_id == CupRow.id)
)
"""Every entry with the names of what it belongs to."""

_LAST: Final = (
    ENTRIES.where(
        ScoreRow.serving_id == bindparam("serving_id"),
        ScoreRow.attribute_id == bindparam("attribute_id"),
        ScoreRow.stage == bindparam("stage"),
    )
    .order_by(ScoreRow.id.desc())
    .limit(1)
)


def current_entries() -> Select[ScoreRow]:
    """Rows that are current: one for each cup, taster, attribute and stage of cooling.

    Last means last taken by the lab book, not last touched by the clock of a phone: a phone whose
    clock is slow would otherwise show a correction as saved and never have it counted.
    """
    return select(ScoreRow).join(ServingRow).where(is_current())


def is_current() -> Any:
    """The condition under which a row of ``ENTRIES`` is a current value."""
    return (ScoreRow.id == _last_id()) & ~ScoreRow.is_cleared


def last_entry(db: Session, place: tuple[int, int, str]) -> KeptScore | None:
    """Give the value that is current at a place; None if cleared or never given."""
    row = last_row(db, place)
    return None if row is None or row.is_cleared else read_entry(row)


def last_row(db: Session, place: tuple[int, int, str]) -> Row[*tuple[Any, ...]] | None:
    """Give the row taken last at a place, one that cleared it too."""
    names = ("serving_id", "attribute_id", "stage")
    return db.connection().execute(_LAST, dict(zip(names, place, strict=True))).first()


def read_entries(rows: Iterable[Row[*tuple[Any, ...]]]) -> tuple[KeptScore, ...]:
    """Give rows of ``ENTRIES`` as plain objects."""
    return tuple(read_entry(row) for row in rows)


def read_entry(row: Row[*tuple[Any, ...]]) -> KeptScore:
    """Give a row of ``ENTRIES`` as a plain object."""
    return KeptScore(
        session=row.session,
        flight=row.flight,
        taster=row.taster,
        attribute=row.attribute,
        value=read_value(row.kind, row.value, row.words, is_cleared=row.is_cleared),
        blind_code=row.blind_code,
        position=row.position,
        stage=cast("Stage | None", row.stage or None),
        given_at=row.given_at,
        entry_id=row.entry_id,
        source=row.source,
        device=row.device,
        entered_by=row.entered_by or row.taster,
        received_at=row.received_at,
    )


def _last_id() -> Any:
    later = aliased(ScoreRow)
    return (
        select(func.max(later.id))
        .where(
            later.serving_id == ScoreRow.serving_id,
            later.attribute_id == ScoreRow.attribute_id,
            later.stage == ScoreRow.stage,
        )
        .scalar_subquery()
    )


def missing_numbers(db: Session, flight: FlightRow) -> tuple[Missing, ...]:
    """Numbers that have not been given in a flight, by taster, cup and attribute."""
    servings = db.execute(
        select(ServingRow.id, ServingRow.position, TasterRow.name, CupRow.blind_code)
        .join(TasterRow, ServingRow.taster_id == TasterRow.id)
        .outerjoin(CupRow, ServingRow.cup_id == CupRow.id)
        .where(ServingRow.flight_id == flight.id)
        .order_by(TasterRow.name, ServingRow.position)
    ).all()
    attributes = db.execute(
        select(AttributeRow.id, AttributeRow.name)
        .where(AttributeRow.session_id == flight.session_id, AttributeRow.kind == "number")
        .order_by(AttributeRow.position)
    ).all()
    current = current_entries().where(ServingRow.flight_id == flight.id)
    given = {(row.serving_id, row.attribute_id, row.stage) for row in db.scalars(current)}
    return tuple(
        Missing(
            taster=taster, position=position, blind_code=code, attribute=name, stage=stage or None
        )
        for serving_id, position, taster, code in servings
        for attribute_id, name in attributes
        for stage in (flight.session.stages or [""])
        if (serving_id, attribute_id, stage) not in given
    )
