"""Bottles of concentrate: what was weighed, what was measured, what has been used."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Final, cast, get_args

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session

from labkit.book.stock.bottles import (
    MOST_DAYS,
    MOST_DAYS_OF_A_BOTTLE,
    MOST_DIGIT_G,
    MOST_MG_L_PER_ML,
    MOST_ML,
    MOST_PERCENT,
    Bottle,
    BottleUse,
    Counts,
    Measurement,
    StrengthDecision,
    check_measured,
    readable_days,
    salt_g_l,
    whole_days,
)
from labkit.book.stock.doses import RESERVED, forget_bounds, refuse_closed
from labkit.book.store.columns import clean_name, clean_number, clean_text, today
from labkit.book.store.lookups import find_bottle, find_flight, find_session
from labkit.book.store.schema import (
    BEING_TASTED,
    PLANNED,
    AnswerRow,
    BottleRow,
    BottleUseRow,
    FactRow,
    FlightRow,
    MeasurementRow,
    SessionRow,
)
from labkit.book.store.transactions import Part
from labkit.boundary import shown
from labkit.errors import BookError

BICARBONATE_KEEPS_DAYS: Final = 4
"""Common practice: bicarbonate feeds bacteria and is made fresh every three to four days."""

_DAYS_FACT: Final = "bicarbonate_keeps_days"


class Stock(Part):
    """The part of the lab book that knows the bottles."""

    def add_bottle(
        self,
        name: str,
        *,
        salt: str,
        weighed_g: float,
        volume_ml: float,
        purity: float = 1.0,
        balance_g: float = 0.01,
        made_on: date | None = None,
        lot: str = "",
        keeper: str = "",
        keeps_days: int | None = None,
        note: str = "",
    ) -> Bottle:
        """Add a bottle as it was really made.

        Parameters
        ----------
        name : str
            What stands on the bottle; unique in the book.
        salt : str
            Formula or name of the salt as weighed.
        weighed_g : float
            Salt weighed in (g).
        volume_ml : float
            Finished volume of the solution (mL).
        purity : float
            1 = as labelled.
        balance_g : float
            Step of the balance (g).
        made_on : date, optional
            Day it was made; today if not given.
        lot : str
            Lot of the salt.
        keeper : str
            Who made it and answers for it.
        keeps_days : int, optional
            If not given, :meth:`bicarbonate_keeps_days` for a salt that adds alkalinity, else no
            limit.
        note : str
            Anything else.

        Raises
        ------
        SaltError, ConcentrateError
            If there is no such salt, or the figures are impossible.
        BookError
            If the name is taken, a figure is no number above 0, or ``keeps_days`` is no whole
            number of days.
        """
        from labkit.water import salt as known_salt

        if keeps_days is not None:
            keeps_days = whole_days(keeps_days, MOST_DAYS_OF_A_BOTTLE)
        if keeps_days is None and known_salt(salt).alkalinity_mg_caco3_per_g > 0:
            keeps_days = self.bicarbonate_keeps_days()
        bottle = Bottle(
            name=clean_name("bottle", name),
            salt=known_salt(salt).label,
            weighed_g=clean_number("weighed_g", weighed_g, most=MOST_ML),
            volume_ml=clean_number("volume_ml", volume_ml, most=MOST_ML),
            purity=clean_number("purity", purity, most=MOST_PERCENT),
            balance_g=clean_number("balance_g", balance_g, most=MOST_DIGIT_G),
            made_on=made_on or today(),
            lot=clean_text("lot", lot),
            keeper=clean_text("keeper", keeper),
            keeps_days=keeps_days,
            note=clean_text("note", note),
        )
        _ = bottle.concentrate  # refuses impossible figures before anything is written

        def work(db: Session) -> Bottle:
            taken = select(BottleRow.id).where(BottleRow.name == bottle.name)
            if db.scalar(taken) is not None:
                msg = (
                    f"bottle must be new, but {bottle.name!r} is in the lab book; add the day it "
                    "was made to the name."
                )
                raise BookError(msg, field="bottle")
            db.add(
                BottleRow(
                    name=bottle.name,
                    salt=bottle.salt,
                    lot=bottle.lot,
                    purity=bottle.purity,
                    weighed_g=bottle.weighed_g,
                    volume_ml=bottle.volume_ml,
                    balance_g=bottle.balance_g,
                    made_on=bottle.made_on,
                    keeper=bottle.keeper,
                    keeps_days=bottle.keeps_days,
                    emptied_on=None,
                    note=bottle.note,
                )
            )
            return bottle

        return self._store.write(work)

    def measure_bottle(
        self,
        name: str,
        *,
        method: str,
        strength_g_l: float | None = None,
        strength_mg_l_caco3_per_ml: float | None = None,
        uncertainty_percent: float | None = None,
        measured_on: date | None = None,
        measured_by: str = "",
        note: str = "",
    ) -> Bottle:
        """Write down a measured strength, in g/L of the salt or as what 1 mL adds to a litre.

        Parameters
        ----------
        name : str
            The bottle.
        method : str
            How it was measured.
        strength_g_l : float, optional
            Strength as salt (g/L); this or the next one.
        strength_mg_l_caco3_per_ml : float, optional
            What 1 mL in a litre adds (mg/L as CaCO3).
        uncertainty_percent : float, optional
            Expanded uncertainty, k = 2 (%), as ``labkit.water.strength_by_titration`` says it.
        measured_on : date, optional
            Day; today if not given.
        measured_by : str
            Who measured.
        note : str
            Anything else.

        Raises
        ------
        BookError
            If the bottle is unknown, not exactly one strength above 0 is given, or a figure is
            impossible: what is written down stays, and no dose could be counted with it.
        """
        given = [s for s in (strength_g_l, strength_mg_l_caco3_per_ml) if s is not None]
        if len(given) != 1:
            msg = (
                "one strength above 0 must be given, as strength_g_l or as "
                f"strength_mg_l_caco3_per_ml, got {strength_g_l} and {strength_mg_l_caco3_per_ml}."
            )
            raise BookError(msg)
        if strength_g_l is None:
            given_mg = clean_number("strength_mg_l_caco3_per_ml", given[0], most=MOST_MG_L_PER_ML)
            strength_g_l = salt_g_l(self.bottle(name), given_mg)
        check_measured(strength_g_l, uncertainty_percent)

        def work(db: Session) -> Bottle:
            row = find_bottle(db, name)
            db.add(
                MeasurementRow(
                    bottle_id=row.id,
                    measured_on=measured_on or today(),
                    strength_g_l=float(strength_g_l),
                    method=clean_name("method", method),
                    measured_by=clean_text("measured_by", measured_by),
                    note=clean_text("note", note),
                    uncertainty_percent=uncertainty_percent,
                )
            )
            db.flush()
            return _bottle(db, row)

        return self._store.write(work)

    def answer_strength(
        self, name: str, *, counts: Counts, answered_by: str = "", reason: str = ""
    ) -> Bottle:
        """Say which strength counts where the last measurement disagrees with the weighing.

        Parameters
        ----------
        name : str
            The bottle.
        counts : {"weighed", "measured"}
            Which strength doses are counted with.
        answered_by, reason : str
            Who says so, and why.

        Raises
        ------
        BookError
            If the bottle is unknown or was never measured, or there is no such strength.
        """
        if counts not in get_args(Counts):
            msg = f"counts must be 'weighed' or 'measured', got {counts!r}; choose one of them."
            raise BookError(msg, field="counts")

        def work(db: Session) -> Bottle:
            row = find_bottle(db, name)
            last = db.scalars(
                select(MeasurementRow)
                .where(MeasurementRow.bottle_id == row.id)
                .order_by(MeasurementRow.measured_on.desc(), MeasurementRow.id.desc())
            ).first()
            if last is None:
                msg = f"bottle {name!r} must have been measured, but it was not; measure it first."
                raise BookError(msg, field="bottle")
            db.add(
                AnswerRow(
                    bottle_id=row.id,
                    measurement_id=last.id,
                    answered_on=today(),
                    counts=counts,
                    answered_by=clean_text("answered_by", answered_by),
                    reason=clean_text("reason", reason),
                )
            )
            db.flush()
            return _bottle(db, row)

        return self._store.write(work)

    def bicarbonate_keeps_days(self) -> int:
        """How many days a bicarbonate bottle keeps in this lab: 4 unless it was set."""
        kept = readable_days(self._store.facts().get(_DAYS_FACT), MOST_DAYS)
        return BICARBONATE_KEEPS_DAYS if kept is None else kept

    def set_bicarbonate_keeps_days(self, days: int) -> None:
        """Set how many days bicarbonate keeps, for new bottles and those on the shelf.

        A bottle that was given a number of days of its own keeps it.

        Parameters
        ----------
        days : int
            1 to 60.

        Raises
        ------
        BookError
            If it is not 1 to 60 whole days.
        """
        from labkit.water import salt as known_salt

        days = whole_days(days, MOST_DAYS)
        before = self.bicarbonate_keeps_days()

        def work(db: Session) -> None:
            fact = db.get(FactRow, _DAYS_FACT)
            if fact is None:
                db.add(FactRow(name=_DAYS_FACT, value=str(days)))
            else:
                fact.value = str(days)
            for row in db.scalars(select(BottleRow).where(BottleRow.emptied_on.is_(None))):
                # One that is unreadable was never a number of days of the bottle's own.
                kept = readable_days(row.keeps_days, MOST_DAYS_OF_A_BOTTLE)
                is_readable = kept is not None and kept == row.keeps_days
                if known_salt(row.salt).alkalinity_mg_caco3_per_g > 0 and (
                    kept == before or not is_readable
                ):
                    row.keeps_days = days

        self._store.write(work)

    def use_bottles(
        self,
        doses: Mapping[str, float],
        *,
        session: str | None = None,
        flight: int | None = None,
        used_on: date | None = None,
        note: str = "",
    ) -> tuple[Bottle, ...]:
        """Write down what was taken from bottles: all of it, or nothing.

        Parameters
        ----------
        doses : mapping of str to float
            What was taken (mL), by bottle.
        session, flight : str and int, optional
            What it was taken for; a flight that something was taken for counts as mixed.
        used_on : date, optional
            Day; today if not given.
        note : str
            Anything else.

        Raises
        ------
        BookError
            If a bottle, the session or flight is unknown, a volume is not above 0, or the flight's
            key is closed: its doses would tell its waters, so that they are sealed
            (``labkit.book.take_doses``).
        """
        if flight is not None and session is None:
            msg = f"flight {flight} must be of a session, got none; name the session too."
            raise BookError(msg, field="flight")
        given: object = doses
        if not isinstance(given, Mapping) or not all(isinstance(name, str) for name in given):
            msg = f"doses must be a mapping from bottles to volumes, got {shown(doses)}."
            raise BookError(msg, field="doses")
        taken = {
            name: clean_number("volume_ml", volume_ml, most=MOST_ML)
            for name, volume_ml in doses.items()
        }

        def work(db: Session) -> tuple[Bottle, ...]:
            if session is not None:
                refuse_closed(db, session, flight)
                if flight is not None:
                    forget_bounds(db, find_flight(db, session, flight))
            rows = [find_bottle(db, name) for name in taken]
            for row, volume_ml in zip(rows, taken.values(), strict=True):
                db.add(
                    BottleUseRow(
                        bottle_id=row.id,
                        session_id=None if session is None else find_session(db, session).id,
                        flight=flight,
                        used_on=used_on or today(),
                        volume_ml=volume_ml,
                        note=clean_text("note", note),
                        is_bound=False,
                    )
                )
            db.flush()
            return tuple(_bottle(db, row) for row in rows)

        return self._store.write(work)

    def empty_bottle(self, name: str, *, on: date | None = None) -> Bottle:
        """Take a bottle off the shelf; its history stays.

        Parameters
        ----------
        name : str
            The bottle.
        on : date, optional
            Day; today if not given.

        Raises
        ------
        BookError
            If there is no such bottle.
        """

        def work(db: Session) -> Bottle:
            row = find_bottle(db, name)
            row.emptied_on = on or today()
            return _bottle(db, row)

        return self._store.write(work)

    def bottle(self, name: str) -> Bottle:
        """One bottle by name.

        Parameters
        ----------
        name : str
            What stands on it.

        Raises
        ------
        BookError
            If there is no such bottle.
        """
        with self._store.reading() as db:
            return _bottle(db, find_bottle(db, name))

    def bottles(self, *, include_emptied: bool = False) -> tuple[Bottle, ...]:
        """Bottles on the shelf, newest first.

        Parameters
        ----------
        include_emptied : bool
            Whether those taken off the shelf are listed too.
        """
        query = select(BottleRow).order_by(BottleRow.made_on.desc(), BottleRow.name)
        if not include_emptied:
            query = query.where(BottleRow.emptied_on.is_(None))
        with self._store.reading() as db:
            return tuple(_bottle(db, row) for row in db.scalars(query).all())


def _bottle(db: Session, row: BottleRow) -> Bottle:
    measured = db.scalars(
        select(MeasurementRow)
        .where(MeasurementRow.bottle_id == row.id)
        .order_by(MeasurementRow.measured_on, MeasurementRow.id)
    )
    answers: dict[int, list[StrengthDecision]] = {}
    for said in db.scalars(
        select(AnswerRow).where(AnswerRow.bottle_id == row.id).order_by(AnswerRow.id)
    ):
        answers.setdefault(said.measurement_id, []).append(
            StrengthDecision(
                counts=cast("Counts", said.counts),
                answered_on=said.answered_on,
                answered_by=said.answered_by,
                reason=said.reason,
            )
        )
    used = db.execute(
        select(BottleUseRow, SessionRow.name, FlightRow.state)
        .outerjoin(SessionRow, BottleUseRow.session_id == SessionRow.id)
        .outerjoin(
            FlightRow,
            and_(
                FlightRow.session_id == BottleUseRow.session_id,
                FlightRow.number == BottleUseRow.flight,
            ),
        )
        .where(
            BottleUseRow.bottle_id == row.id,
            # What was set aside for a flight that was locked untasted is free again.
            or_(
                BottleUseRow.note != RESERVED,
                BottleUseRow.flight.is_(None),
                FlightRow.state.in_([PLANNED, BEING_TASTED]),
            ),
        )
        .order_by(BottleUseRow.used_on, BottleUseRow.id)
    )
    return Bottle(
        name=row.name,
        salt=row.salt,
        weighed_g=row.weighed_g,
        volume_ml=row.volume_ml,
        made_on=row.made_on,
        purity=row.purity,
        balance_g=row.balance_g,
        lot=row.lot,
        keeper=row.keeper,
        keeps_days=readable_days(row.keeps_days, MOST_DAYS_OF_A_BOTTLE),
        emptied_on=row.emptied_on,
        note=row.note,
        measurements=tuple(
            Measurement(
                measured_on=found.measured_on,
                strength_g_l=found.strength_g_l,
                method=found.method,
                measured_by=found.measured_by,
                note=found.note,
                uncertainty_percent=found.uncertainty_percent,
                answers=tuple(answers.get(found.id, ())),
            )
            for found in measured
        ),
        uses=tuple(
            BottleUse(
                used_on=use.used_on,
                volume_ml=use.volume_ml,
                session=session,
                flight=use.flight,
                note="" if use.note == RESERVED else use.note,
                is_bound=use.is_bound,
                is_reserved=use.note == RESERVED and state == PLANNED,
            )
            for use, session, state in used
        ),
    )
