"""The tables of the lab book, as typed ORM classes; nothing outside this room sees them.

Text columns are never NULL ("" means not given), so that a CSV copy of a table loses nothing.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Final

from sqlalchemy import (
    JSON,
    ForeignKey,
    Index,
    LargeBinary,
    MetaData,
    Text,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from labkit.book.store.columns import UtcDateTime
from labkit.book.store.records import AttributeKind, BrewMethod, FlightState, Source
from labkit.tasting import Vessels

PLANNED: Final = "planned"
BEING_TASTED: Final = "being tasted"
LOCKED: Final = "locked"
OPENED: Final = "opened"


class Base(DeclarativeBase):
    """Root of all tables; constraints get names, which migrations on SQLite need."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 (SQLAlchemy reads it as a plain class attribute)
        str: Text(),
        datetime: UtcDateTime(),
        bytes: LargeBinary(),
        list[Any]: JSON(),
        dict[str, Any]: JSON(),
    }


class FactRow(Base):
    """What marks the database as a lab book: one fact a row."""

    __tablename__ = "lab_book"

    name: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[str]


class ClientRow(Base):
    """Whose coffee it is."""

    __tablename__ = "clients"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)


class CoffeeRow(Base):
    """A coffee of one client; its name is unique within the client."""

    __tablename__ = "coffees"
    __table_args__ = (UniqueConstraint("client_id", "name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    client_id: Mapped[int] = mapped_column(ForeignKey("clients.id"))
    name: Mapped[str]
    lot: Mapped[str]
    origin: Mapped[str]
    process: Mapped[str]
    roast_level: Mapped[str]
    roast_date: Mapped[date | None]
    note: Mapped[str]

    client: Mapped[ClientRow] = relationship()


class BottleRow(Base):
    """A bottle of concentrate as it was made."""

    __tablename__ = "bottles"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    salt: Mapped[str]
    lot: Mapped[str]
    purity: Mapped[float]
    weighed_g: Mapped[float]
    volume_ml: Mapped[float]
    balance_g: Mapped[float]
    made_on: Mapped[date]
    keeper: Mapped[str]
    keeps_days: Mapped[int | None]
    emptied_on: Mapped[date | None]
    note: Mapped[str]


class MeasurementRow(Base):
    """A strength measured in a bottle; the weighed strength stays beside it."""

    __tablename__ = "bottle_measurements"

    id: Mapped[int] = mapped_column(primary_key=True)
    bottle_id: Mapped[int] = mapped_column(ForeignKey("bottles.id"), index=True)
    measured_on: Mapped[date]
    strength_g_l: Mapped[float]
    method: Mapped[str]
    measured_by: Mapped[str]
    note: Mapped[str]
    uncertainty_percent: Mapped[float | None]


class AnswerRow(Base):
    """Which strength counts where weighed and measured disagree; the last answer holds."""

    __tablename__ = "bottle_answers"

    id: Mapped[int] = mapped_column(primary_key=True)
    bottle_id: Mapped[int] = mapped_column(ForeignKey("bottles.id"), index=True)
    measurement_id: Mapped[int] = mapped_column(ForeignKey("bottle_measurements.id"))
    answered_on: Mapped[date]
    counts: Mapped[str]
    answered_by: Mapped[str]
    reason: Mapped[str]


class BaseWaterRow(Base):
    """A water to start from, with its analysis as it was reported."""

    __tablename__ = "base_waters"

    id: Mapped[int] = mapped_column(primary_key=True)
    client_id: Mapped[int | None] = mapped_column(ForeignKey("clients.id"))
    name: Mapped[str] = mapped_column(unique=True)
    sampled_on: Mapped[date | None]
    source: Mapped[str]
    analysis: Mapped[dict[str, Any]]
    fill_gap: Mapped[bool]
    note: Mapped[str]

    client: Mapped[ClientRow | None] = relationship()


class TasterRow(Base):
    """A person who tastes."""

    __tablename__ = "tasters"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)


class SessionRow(Base):
    """One tasting session of one coffee and what was held constant in it."""

    __tablename__ = "sessions"

    id: Mapped[int] = mapped_column(primary_key=True)
    coffee_id: Mapped[int] = mapped_column(ForeignKey("coffees.id"), index=True)
    name: Mapped[str] = mapped_column(unique=True)
    tasted_on: Mapped[date]
    serving: Mapped[Vessels] = mapped_column(Text)
    brew_method: Mapped[BrewMethod] = mapped_column(Text)
    stages: Mapped[list[Any]]
    held: Mapped[dict[str, Any]]
    design: Mapped[dict[str, Any]]
    plan_notes: Mapped[list[Any]]
    note: Mapped[str]
    created_at: Mapped[datetime]

    coffee: Mapped[CoffeeRow] = relationship()


class BottleUseRow(Base):
    """Millilitres taken from a bottle, for a session or not; a bound while its key is closed."""

    __tablename__ = "bottle_uses"

    id: Mapped[int] = mapped_column(primary_key=True)
    bottle_id: Mapped[int] = mapped_column(ForeignKey("bottles.id"), index=True)
    session_id: Mapped[int | None] = mapped_column(ForeignKey("sessions.id"))
    flight: Mapped[int | None]
    used_on: Mapped[date]
    volume_ml: Mapped[float]
    note: Mapped[str]
    is_bound: Mapped[bool]


class AttributeRow(Base):
    """What is scored in a session, with its scale as it was on that day."""

    __tablename__ = "session_attributes"
    __table_args__ = (UniqueConstraint("session_id", "name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"))
    position: Mapped[int]
    name: Mapped[str]
    kind: Mapped[AttributeKind] = mapped_column(Text)
    scale: Mapped[str]
    lowest: Mapped[float | None]
    highest: Mapped[float | None]
    step: Mapped[float | None]
    words: Mapped[list[Any]]
    is_middle_best: Mapped[bool]
    choices: Mapped[list[Any]]


class WaterRow(Base):
    """A water that takes part in a session, labelled by recipe: no cup, no code."""

    __tablename__ = "session_waters"
    __table_args__ = (UniqueConstraint("session_id", "label"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"))
    position: Mapped[int]
    label: Mapped[str]
    mg_share: Mapped[float]
    hardness_mg_l_caco3: Mapped[float]
    alkalinity_mg_l_caco3: Mapped[float]
    is_control: Mapped[bool]
    sulfate_share: Mapped[float | None]
    potassium_share: Mapped[float | None]


class SeatRow(Base):
    """A taster in a session, and the hash of their personal link's secret."""

    __tablename__ = "session_tasters"
    __table_args__ = (UniqueConstraint("session_id", "taster_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"))
    taster_id: Mapped[int] = mapped_column(ForeignKey("tasters.id"))
    link_sha256: Mapped[str] = mapped_column(index=True)
    seen_at: Mapped[datetime | None]

    taster: Mapped[TasterRow] = relationship()
    session: Mapped[SessionRow] = relationship()


class FlightRow(Base):
    """Cups tasted side by side; locked and opened as one."""

    __tablename__ = "flights"
    __table_args__ = (UniqueConstraint("session_id", "number"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"))
    number: Mapped[int]
    state: Mapped[FlightState] = mapped_column(Text)
    is_unblinded: Mapped[bool]

    session: Mapped[SessionRow] = relationship()


class SealedKeyRow(Base):
    """The encrypted key of one flight, as the tasting room sealed it."""

    __tablename__ = "sealed_keys"

    flight_id: Mapped[int] = mapped_column(ForeignKey("flights.id"), primary_key=True)
    sealed_for: Mapped[str]
    token: Mapped[bytes]
    dose_lock: Mapped[bytes | None]


class SealedDosesRow(Base):
    """What was taken for a flight whose key is closed, sealed to that key."""

    __tablename__ = "sealed_doses"

    id: Mapped[int] = mapped_column(primary_key=True)
    flight_id: Mapped[int] = mapped_column(ForeignKey("flights.id"), index=True)
    used_on: Mapped[date]
    token: Mapped[bytes]


class CupRow(Base):
    """A blind code of a flight; what was in the cup is not here."""

    __tablename__ = "cups"
    __table_args__ = (UniqueConstraint("flight_id", "blind_code"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    flight_id: Mapped[int] = mapped_column(ForeignKey("flights.id"))
    blind_code: Mapped[str]


class ServingRow(Base):
    """One cup before one taster; the cup is unknown at first when one tastes alone."""

    __tablename__ = "servings"
    __table_args__ = (UniqueConstraint("flight_id", "taster_id", "position"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    flight_id: Mapped[int] = mapped_column(ForeignKey("flights.id"))
    taster_id: Mapped[int] = mapped_column(ForeignKey("tasters.id"), index=True)
    position: Mapped[int]
    cup_id: Mapped[int | None] = mapped_column(ForeignKey("cups.id"), index=True)

    taster: Mapped[TasterRow] = relationship()
    cup: Mapped[CupRow | None] = relationship()


class OpenedCupRow(Base):
    """What was in a cup; written by opening the flight's key, never before."""

    __tablename__ = "opened_cups"

    cup_id: Mapped[int] = mapped_column(ForeignKey("cups.id"), primary_key=True)
    jug: Mapped[str]
    bowl: Mapped[str]
    water: Mapped[str]
    mg_share: Mapped[float]
    hardness_mg_l_caco3: Mapped[float]
    alkalinity_mg_l_caco3: Mapped[float]
    is_control: Mapped[bool]
    is_duplicate: Mapped[bool]
    sulfate_share: Mapped[float | None]
    potassium_share: Mapped[float | None]


class CupMeasurementRow(Base):
    """One quantity measured in a cup; the last row of cup and quantity holds, rows are only added.

    A value that is NULL takes the ones before it back.
    """

    __tablename__ = "cup_measurements"

    id: Mapped[int] = mapped_column(primary_key=True)
    cup_id: Mapped[int] = mapped_column(ForeignKey("cups.id"), index=True)
    quantity: Mapped[str]
    value: Mapped[float | None]
    measured_by: Mapped[str]
    entered_at: Mapped[datetime]
    is_key_open: Mapped[bool]


class ScoreRow(Base):
    """One score; rows are only ever added, triggers refuse anything else."""

    __tablename__ = "scores"
    __table_args__ = (Index("ix_scores_current", "serving_id", "attribute_id", "stage", "id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    entry_id: Mapped[str] = mapped_column(unique=True)
    serving_id: Mapped[int] = mapped_column(ForeignKey("servings.id"))
    attribute_id: Mapped[int] = mapped_column(ForeignKey("session_attributes.id"))
    stage: Mapped[str]
    value: Mapped[float | None]
    words: Mapped[str]
    is_cleared: Mapped[bool]
    given_at: Mapped[datetime]
    received_at: Mapped[datetime]
    source: Mapped[Source] = mapped_column(Text)
    device: Mapped[str]
    entered_by: Mapped[str]


class EventRow(Base):
    """Something that happened to a flight and must stay visible."""

    __tablename__ = "events"

    id: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"), index=True)
    flight_id: Mapped[int | None] = mapped_column(ForeignKey("flights.id"))
    kind: Mapped[str]
    reason: Mapped[str]
    done_by: Mapped[str]
    happened_at: Mapped[datetime]


class DecisionRow(Base):
    """What is read of a coffee by choice: who or which session is left out, or which scale counts.

    One of taster, session and scale is given. A row is withdrawn, never changed or deleted.
    """

    __tablename__ = "decisions"

    id: Mapped[int] = mapped_column(primary_key=True)
    coffee_id: Mapped[int] = mapped_column(ForeignKey("coffees.id"), index=True)
    taster_id: Mapped[int | None] = mapped_column(ForeignKey("tasters.id"))
    session_id: Mapped[int | None] = mapped_column(ForeignKey("sessions.id"))
    scale: Mapped[str]
    attribute: Mapped[str]
    reason: Mapped[str]
    decided_by: Mapped[str]
    decided_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]
    withdrawn_by: Mapped[str]
    withdrawn_because: Mapped[str]

    coffee: Mapped[CoffeeRow] = relationship()
    taster: Mapped[TasterRow | None] = relationship()
    session: Mapped[SessionRow | None] = relationship()


class KeptReadingRow(Base):
    """What was read of a coffee's opened scores: it can always be made again from them."""

    __tablename__ = "kept_readings"

    coffee_id: Mapped[int] = mapped_column(ForeignKey("coffees.id"), primary_key=True)
    kind: Mapped[str] = mapped_column(primary_key=True)
    made_from: Mapped[str]
    made_by: Mapped[str]
    content: Mapped[bytes]
