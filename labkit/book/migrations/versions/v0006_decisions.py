"""Decisions about a coffee's reading are rows; what was written as remarks so far becomes some.

A remark that began "Left out of the reading: " was read back as a decision. Each that has exactly
the form that labkit wrote is read here for the last time, and stays where it is, as history.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final, NamedTuple

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

_HEAD: Final = "Left out of the reading: "
_NOBODY: Final = "nobody"
_ALL_ATTRIBUTES: Final = "(all, side by side)"
_MOVED: Final = re.compile(r'taster ("(?:[^"\\]|\\.)*") is now ("(?:[^"\\]|\\.)*")')


def upgrade() -> None:
    """Add the table, and fill it from the remarks."""
    op.create_table(
        "decisions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("coffee_id", sa.Integer(), nullable=False),
        sa.Column("taster_id", sa.Integer(), nullable=True),
        sa.Column("session_id", sa.Integer(), nullable=True),
        sa.Column("scale", sa.Text(), nullable=False),
        sa.Column("attribute", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("decided_by", sa.Text(), nullable=False),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.Text(), nullable=False),
        sa.Column("withdrawn_because", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["coffee_id"], ["coffees.id"], name="fk_decisions_coffee_id_coffees"
        ),
        sa.ForeignKeyConstraint(
            ["taster_id"], ["tasters.id"], name="fk_decisions_taster_id_tasters"
        ),
        sa.ForeignKeyConstraint(
            ["session_id"], ["sessions.id"], name="fk_decisions_session_id_sessions"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_decisions"),
    )
    op.create_index("ix_decisions_coffee_id", "decisions", ["coffee_id"], unique=False)
    _take_over_remarks(op.get_bind())


class _Event(NamedTuple):
    session_id: int
    flight_id: int | None
    kind: str
    reason: str
    done_by: str
    happened_at: datetime


class _Name(NamedTuple):
    """Whom or what a name in a remark meant: one of the two."""

    taster_id: int | None
    session_id: int | None


def _take_over_remarks(connection: sa.Connection) -> None:
    remarks = sa.table("events", sa.column("kind"), sa.column("reason"))
    some = sa.select(sa.literal(1)).where(
        remarks.c.kind == "remark", remarks.c.reason.startswith(_HEAD, autoescape=True)
    )
    if connection.scalar(some.limit(1)) is None:
        return  # as in every new book: looking at all tables takes as long as making them
    # Tables as they are at this version, whatever the code's tables become.
    tables = sa.MetaData()
    tables.reflect(connection)
    sessions, events = tables.tables["sessions"], tables.tables["events"]
    is_record = events.c.reason.startswith(_HEAD, autoescape=True)
    coffees = connection.scalars(
        sa.select(sessions.c.coffee_id)
        .join(events, events.c.session_id == sessions.c.id)
        .where(events.c.kind == "remark", is_record)
        .distinct()
        .order_by(sessions.c.coffee_id)
    ).all()
    for coffee_id in coffees:
        for row in _rows_of(connection, tables, coffee_id):
            connection.execute(sa.insert(tables.tables["decisions"]).values(row))


def _rows_of(
    connection: sa.Connection, tables: sa.MetaData, coffee_id: int
) -> Sequence[Mapping[str, Any]]:
    """The decisions about one coffee, each withdrawn by the next, as they were read until now."""
    sessions, seats = tables.tables["sessions"], tables.tables["session_tasters"]
    tasters, events = tables.tables["tasters"], tables.tables["events"]
    attributes = tables.tables["session_attributes"]
    of_coffee = sa.select(sessions.c.id).where(sessions.c.coffee_id == coffee_id)
    named_sessions = connection.execute(
        sa.select(sessions.c.name, sessions.c.id).where(sessions.c.coffee_id == coffee_id)
    ).all()
    people = connection.execute(
        sa.select(tasters.c.name, tasters.c.id)
        .join(seats, seats.c.taster_id == tasters.c.id)
        .where(seats.c.session_id.in_(of_coffee))
    ).all()
    seen = connection.scalars(
        sa.select(attributes.c.name).where(attributes.c.session_id.in_(of_coffee)).distinct()
    ).all()
    wanted = ("session_id", "flight_id", "kind", "reason", "done_by", "happened_at")
    found = connection.execute(
        sa.select(*(events.c[name] for name in wanted))
        .where(events.c.session_id.in_(of_coffee))
        .order_by(events.c.happened_at, events.c.id)
    )
    history = [_Event(*row) for row in found]
    ids = {name: _Name(taster_id, None) for name, taster_id in people}

    rows: list[dict[str, Any]] = []
    in_force: list[dict[str, Any]] = []
    last, also_in = "", set[int | None]()
    for place, event in enumerate(history):
        if event.kind != "remark" or event.flight_id is not None or event.done_by:
            continue  # the form wrote neither a flight nor a name beside its remark
        if event.reason == last and event.session_id in also_in:
            also_in.remove(event.session_id)  # one decision, written into each session it named
            continue
        renamed = _renamed(history[place:]).items()
        names = ids | {old: ids[new] for old, new in renamed if new in ids}
        names |= {name: _Name(None, session_id) for name, session_id in named_sessions}
        read = _read(event.reason, names, [*seen, _ALL_ATTRIBUTES])
        if read is None:
            continue
        out, attribute, reason = read
        last, also_in = event.reason, {one.session_id for one in out} - {event.session_id}
        for row in in_force:
            row |= {"withdrawn_at": event.happened_at, "withdrawn_because": reason}
        in_force = [
            {
                "coffee_id": coffee_id,
                "taster_id": one.taster_id,
                "session_id": one.session_id,
                "scale": "",
                "attribute": attribute,
                "reason": reason,
                "decided_by": "",
                "decided_at": event.happened_at,
                "withdrawn_at": None,
                "withdrawn_by": "",
                "withdrawn_because": "",
            }
            for one in out
        ]
        rows += in_force
    return rows


def _read(
    text: str, names: Mapping[str, _Name], attributes: Sequence[str]
) -> tuple[list[_Name], str, str] | None:
    """Who is left out, seen in which attribute, and why; None if labkit did not write it."""
    if not text.startswith(_HEAD):
        return None
    rest = text.removeprefix(_HEAD)
    found: dict[_Name, None] = {}
    if rest.startswith(f"{_NOBODY} (") and _NOBODY not in names:
        rest = rest.removeprefix(_NOBODY)
    while not rest.startswith(" ("):
        # The longest first, since names may hold commas and brackets.
        known = sorted(names, key=len, reverse=True)
        name = next((one for one in known if rest.startswith((f"{one}, ", f"{one} ("))), None)
        if name is None:
            return None
        found[names[name]] = None
        rest = rest.removeprefix(name).removeprefix(", ")
    for attribute in attributes:
        why = rest.removeprefix(f" ({attribute}). ")
        if why != rest and why:
            return list(found), attribute, why
    return None


def _renamed(later: Sequence[_Event]) -> dict[str, str]:
    """What tasters are called now who had another name before these events."""
    now: dict[str, str] = {}
    for event in later:
        found = _MOVED.match(event.reason) if event.kind in {"renamed", "merged"} else None
        if found is not None:
            old, new = map(json.loads, found.groups())
            now = {name: new if to == old else to for name, to in now.items()} | {old: new}
    return now
