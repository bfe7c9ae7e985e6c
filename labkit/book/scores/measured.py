"""What was measured in the cups: strength, masses, temperature, pH, by code and never by water."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from labkit.book.store.columns import clean_text, now_utc
from labkit.book.store.lookups import find_flight, find_session, is_opened, unknown
from labkit.book.store.schema import CupMeasurementRow, CupRow, FlightRow, SessionRow
from labkit.book.store.transactions import Part
from labkit.errors import BookError, LabkitError
from labkit.tasting import MEASURED, extraction_yield


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredCup:
    """What was measured in one cup, as it stands now."""

    session: str
    """Which session."""

    flight: int
    """Which flight of it."""

    blind_code: str
    """Which cup."""

    values: Mapping[str, float]
    """By quantity, as in ``MEASURED``; only what was measured."""

    measured_by: str
    """Who entered the latest of them."""

    entered_at: datetime
    """When the latest was entered (UTC)."""

    is_key_open: bool
    """Whether one of them was entered when the flight's key was open already."""

    @property
    def extraction_percent(self) -> float | None:
        """Extraction yield, percent of the dose; None if strength or a mass is missing."""
        return _extracted(self.values)


class CupMeasurements(Part):
    """The part of the lab book that keeps what was measured in cups."""

    def measure_cups(
        self,
        session: str,
        cups: Sequence[tuple[int, str, Mapping[str, float | None]]],
        *,
        measured_by: str = "",
    ) -> int:
        """Keep what was measured in cups: all of it or, if something is refused, nothing.

        A quantity measured again corrects it, None takes it back; what was there before stays in
        the lab book. What stands there already is not written again.

        Parameters
        ----------
        session : str
            Name of the session.
        cups : sequence of (int, str, mapping)
            Flight, code, and value by quantity (``MEASURED``).
        measured_by : str
            Who measured.

        Returns
        -------
        int
            How many values are new or other than before.

        Raises
        ------
        BookError
            If session, flight, code or quantity is unknown. Its ``place`` says at which cup.
        PlanError
            If a value cannot be one of its quantity.
        """
        who = clean_text("measured_by", measured_by)

        def work(db: Session) -> int:
            row = find_session(db, session)
            stand = _values_by_cup(db, _current().where(FlightRow.session_id == row.id))
            n_kept = 0
            for place, (number, code, values) in enumerate(cups):
                try:
                    n_kept += _measure(db, session, number, code, values, who, stand)
                except LabkitError as error:
                    error.place = place
                    raise
            return n_kept

        return self._store.write(work, is_repeatable=True)

    def measured_cups(self, session: str, *, flight: int | None = None) -> tuple[MeasuredCup, ...]:
        """The cups in which something was measured, by flight and code.

        Parameters
        ----------
        session : str
            Name of the session.
        flight : int, optional
            Only this one.
        """
        with self._store.reading() as db:
            row = find_session(db, session)
            query = _current().where(FlightRow.session_id == row.id)
            if flight is not None:
                query = query.where(FlightRow.id == find_flight(db, session, flight).id)
            found = [
                (number, code, one)
                for number, code, one in db.execute(
                    query.with_only_columns(
                        FlightRow.number, CupRow.blind_code, CupMeasurementRow
                    ).order_by(FlightRow.number, CupRow.blind_code, CupMeasurementRow.id)
                )
                if one.value is not None
            ]
            return tuple(
                _cup(session, number, code, [one for _, _, one in of_cup])
                for (number, code), of_cup in groupby(found, key=lambda one: one[:2])
            )


def _measure(
    db: Session,
    session: str,
    number: int,
    code: str,
    values: Mapping[str, float | None],
    who: str,
    stand: Mapping[int, Mapping[str, float]],
) -> int:
    """Add a row for each value of a cup that is not there yet."""
    flight = find_flight(db, session, number, lock="shared")
    cups = select(CupRow).where(CupRow.flight_id == flight.id)
    cup = db.scalar(cups.where(CupRow.blind_code == str(code)))
    if cup is None:
        codes = db.scalars(select(CupRow.blind_code).where(CupRow.flight_id == flight.id))
        raise unknown(
            f"code of flight {number} of session {session!r}", code, codes, field="blind_code"
        )
    if not values:
        raise BookError(
            f"what was measured in cup {code} must be a value at least, got none. "
            f"It may be {', '.join(MEASURED)}."
        )
    is_key_open, before = is_opened(db, flight), stand.get(cup.id, {})
    n_kept = 0
    for name, value in values.items():
        if name not in MEASURED:
            raise unknown("quantity measured in a cup", name, MEASURED, field=name)
        checked = None if value is None else MEASURED[name].check(value)
        if checked == before.get(name):
            continue
        n_kept += 1
        db.add(
            CupMeasurementRow(
                cup_id=cup.id,
                quantity=name,
                value=checked,
                measured_by=who,
                entered_at=now_utc(),
                is_key_open=is_key_open,
            )
        )
        db.flush()  # in the order given
    return n_kept


def values_of_cups(db: Session, session_ids: Select[int]) -> dict[int, dict[str, float]]:
    """What was measured in the cups of some sessions, yield included, by the cup's row."""
    found = _values_by_cup(db, _current().where(FlightRow.session_id.in_(session_ids)))
    for values in found.values():
        extracted = _extracted(values)
        if extracted is not None:
            values["extraction_percent"] = extracted
    return found


def _current() -> Select[CupMeasurementRow]:
    """The last row of each cup and quantity."""
    last = select(func.max(CupMeasurementRow.id)).group_by(
        CupMeasurementRow.cup_id, CupMeasurementRow.quantity
    )
    return (
        select(CupMeasurementRow)
        .join(CupRow, CupMeasurementRow.cup_id == CupRow.id)
        .join(FlightRow, CupRow.flight_id == FlightRow.id)
        .join(SessionRow, FlightRow.session_id == SessionRow.id)
        .where(CupMeasurementRow.id.in_(last))
    )


def _values_by_cup(db: Session, query: Select[CupMeasurementRow]) -> dict[int, dict[str, float]]:
    found: dict[int, dict[str, float]] = {}
    for row in db.scalars(query.order_by(CupMeasurementRow.id)):
        if row.value is not None:
            found.setdefault(row.cup_id, {})[row.quantity] = row.value
    return found


def _cup(session: str, flight: int, code: str, rows: Sequence[CupMeasurementRow]) -> MeasuredCup:
    values = {row.quantity: row.value for row in rows if row.value is not None}
    return MeasuredCup(
        session=session,
        flight=flight,
        blind_code=code,
        values={name: values[name] for name in MEASURED if name in values},
        measured_by=rows[-1].measured_by,
        entered_at=rows[-1].entered_at,
        is_key_open=any(row.is_key_open for row in rows),
    )


def _extracted(values: Mapping[str, float]) -> float | None:
    needed = ("strength_percent", "beverage_g", "dose_g")
    if any(name not in values for name in needed):
        return None
    return extraction_yield(*(values[name] for name in needed))
