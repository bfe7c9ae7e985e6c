"""Bottles of concentrate: what was weighed, what was measured, what has been used."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from numbers import Real
from typing import Final, Literal, cast, get_args

from sqlalchemy import ColumnElement, delete, select
from sqlalchemy.orm import Session

from labkit.book.bottles import Answer, Bottle, BottleUse, Counts, Measurement, check_measured
from labkit.book.columns import clean_name, clean_number, clean_text, now_utc
from labkit.book.lookups import find_bottle, find_flight, find_session, is_opened
from labkit.book.schema import (
    AnswerRow,
    BottleRow,
    BottleUseRow,
    FactRow,
    FlightRow,
    MeasurementRow,
    SealedDosesRow,
    SealedKeyRow,
    SessionRow,
)
from labkit.book.transactions import Transactions
from labkit.errors import BookError

BICARBONATE_KEEPS_DAYS: Final = 4
"""Common practice: bicarbonate feeds bacteria and is made fresh every three to four days."""

MOST_DAYS: Final = 60
"""Longest that a lab may let bicarbonate stand."""

MOST_ML: Final = 1e6
"""A thousand litres: no bottle holds more, and nobody takes more from one."""

MOST_PERCENT: Final = 100.0
"""A purity may come as percent by mistake: the concentrate says how to give it."""

MOST_MG_L_PER_ML: Final = 1e5
"""Above what 1 mL of any salt adds to a litre (mg/L as CaCO3); grams have a bound of their own."""

MOST_DIGIT_G: Final = 100.0
"""Coarsest balance that is believed (g)."""

MOST_DAYS_OF_A_BOTTLE: Final = 3650
"""Ten years: a bottle that is said to keep longer was mistyped."""

DosesKept = Literal["exact", "sealed", "at most"]
"""How doses are kept: as they are, sealed until the key opens, or only what they cannot exceed."""

_DAYS_FACT: Final = "bicarbonate_keeps_days"


class Stock(Transactions):
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
        keeps_days : int, optional
            If not given, :meth:`bicarbonate_keeps_days` for a salt that adds alkalinity, else no
            limit.

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
            keeps_days = _whole_days(keeps_days, MOST_DAYS_OF_A_BOTTLE)
        if keeps_days is None and known_salt(salt).alkalinity_mg_caco3_per_g > 0:
            keeps_days = self.bicarbonate_keeps_days()
        bottle = Bottle(
            name=clean_name("bottle", name),
            salt=known_salt(salt).label,
            weighed_g=clean_number("weighed_g", weighed_g, most=MOST_ML),
            volume_ml=clean_number("volume_ml", volume_ml, most=MOST_ML),
            purity=clean_number("purity", purity, most=MOST_PERCENT),
            balance_g=clean_number("balance_g", balance_g, most=MOST_DIGIT_G),
            made_on=made_on or _today(),
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
                raise BookError(msg)
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

        return self._write(work)

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
        uncertainty_percent : float, optional
            Expanded uncertainty, k = 2 (%), as ``labkit.water.strength_by_titration`` says it.

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
            strength_g_l = _salt_g_l(self.bottle(name), given_mg)
        check_measured(strength_g_l, uncertainty_percent)

        def work(db: Session) -> Bottle:
            row = find_bottle(db, name)
            db.add(
                MeasurementRow(
                    bottle_id=row.id,
                    measured_on=measured_on or _today(),
                    strength_g_l=float(strength_g_l),
                    method=clean_name("method", method),
                    measured_by=clean_text("measured_by", measured_by),
                    note=clean_text("note", note),
                    uncertainty_percent=uncertainty_percent,
                )
            )
            db.flush()
            return _bottle(db, row)

        return self._write(work)

    def answer_strength(
        self, name: str, *, counts: Counts, answered_by: str = "", reason: str = ""
    ) -> Bottle:
        """Say which strength counts where the last measurement disagrees with the weighing.

        Raises
        ------
        BookError
            If the bottle is unknown or was never measured, or there is no such strength.
        """
        if counts not in get_args(Counts):
            msg = f"counts must be 'weighed' or 'measured', got {counts!r}; choose one of them."
            raise BookError(msg)

        def work(db: Session) -> Bottle:
            row = find_bottle(db, name)
            last = db.scalars(
                select(MeasurementRow)
                .where(MeasurementRow.bottle_id == row.id)
                .order_by(MeasurementRow.measured_on.desc(), MeasurementRow.id.desc())
            ).first()
            if last is None:
                msg = f"bottle {name!r} must have been measured, but it was not; measure it first."
                raise BookError(msg)
            db.add(
                AnswerRow(
                    bottle_id=row.id,
                    measurement_id=last.id,
                    answered_on=_today(),
                    counts=counts,
                    answered_by=clean_text("answered_by", answered_by),
                    reason=clean_text("reason", reason),
                )
            )
            db.flush()
            return _bottle(db, row)

        return self._write(work)

    def bicarbonate_keeps_days(self) -> int:
        """How many days a bicarbonate bottle keeps in this lab: 4 unless it was set."""
        kept = _readable_days(self.facts().get(_DAYS_FACT), MOST_DAYS)
        return BICARBONATE_KEEPS_DAYS if kept is None else kept

    def set_bicarbonate_keeps_days(self, days: int) -> None:
        """Set how many days bicarbonate keeps, for new bottles and those on the shelf.

        A bottle that was given a number of days of its own keeps it.

        Raises
        ------
        BookError
            If it is not 1 to 60 whole days.
        """
        from labkit.water import salt as known_salt

        days = _whole_days(days, MOST_DAYS)
        before = self.bicarbonate_keeps_days()

        def work(db: Session) -> None:
            fact = db.get(FactRow, _DAYS_FACT)
            if fact is None:
                db.add(FactRow(name=_DAYS_FACT, value=str(days)))
            else:
                fact.value = str(days)
            for row in db.scalars(select(BottleRow).where(BottleRow.emptied_on.is_(None))):
                # One that is unreadable was never a number of days of the bottle's own.
                kept = _readable_days(row.keeps_days, MOST_DAYS_OF_A_BOTTLE)
                is_readable = kept is not None and kept == row.keeps_days
                if known_salt(row.salt).alkalinity_mg_caco3_per_g > 0 and (
                    kept == before or not is_readable
                ):
                    row.keeps_days = days

        self._write(work)

    def use_bottle(
        self,
        name: str,
        volume_ml: float,
        *,
        session: str | None = None,
        flight: int | None = None,
        used_on: date | None = None,
        note: str = "",
    ) -> Bottle:
        """Write down what was taken from a bottle.

        Parameters
        ----------
        session, flight : str and int, optional
            What it was taken for; a flight that something was taken for counts as mixed.

        Raises
        ------
        BookError
            If the bottle, session or flight is unknown, the volume is not above 0, or the flight's
            key is closed: its doses would tell its waters, so that they are sealed
            (``labkit.book.needs.take_doses``).
        """
        if flight is not None and session is None:
            msg = f"flight {flight} must be of a session, got none; name the session too."
            raise BookError(msg)
        volume_ml = clean_number("volume_ml", volume_ml, most=MOST_ML)

        def work(db: Session) -> Bottle:
            row = find_bottle(db, name)
            if session is not None:
                _refuse_closed(db, session, flight)
                if flight is not None:
                    _forget_bounds(db, find_flight(db, session, flight))
            db.add(
                BottleUseRow(
                    bottle_id=row.id,
                    session_id=None if session is None else find_session(db, session).id,
                    flight=flight,
                    used_on=used_on or _today(),
                    volume_ml=volume_ml,
                    note=clean_text("note", note),
                    is_bound=False,
                )
            )
            db.flush()
            return _bottle(db, row)

        return self._write(work)

    def seal_doses(
        self,
        session: str,
        flight: int,
        doses: Mapping[str, float],
        *,
        at_most: Mapping[str, float],
        used_on: date | None = None,
    ) -> DosesKept:
        """Write down what was taken for a flight, sealed as long as its key is closed.

        Parameters
        ----------
        doses : mapping of str to float
            Bottle -> what was taken (mL).
        at_most : mapping of str to float
            Bottle -> what suffices for any draw (mL): what the shelf counts until the key opens.

        Returns
        -------
        DosesKept
            "exact" if the key is open, else "sealed", or "at most" if the key is of a version that
            takes no doses: then they can be written down once it is open.

        Raises
        ------
        BookError
            If a bottle, the session or the flight is unknown, or a dose is not above 0.
        """
        # Imported here: the tasters' page needs no cryptography.
        from labkit.tasting.seal import SealedKey

        taken = {
            clean_name("bottle", name): clean_number(name, dose, most=MOST_ML)
            for name, dose in doses.items()
        }
        day = used_on or _today()

        def work(db: Session) -> DosesKept:
            for name in taken:
                find_bottle(db, name)
            row = find_flight(db, session, flight, lock="alone")
            key = db.get(SealedKeyRow, row.id)
            if key is None or is_opened(db, row):
                _forget_bounds(db, row)
                _add_uses(db, row, taken, day, is_bound=False)
                return "exact"
            if not _has_bounds(db, row):
                _add_uses(db, row, at_most, day, is_bound=True)
            if key.dose_lock is None:
                return "at most"
            lock = SealedKey(
                session=key.sealed_for, flight=flight, token=key.token, dose_lock=key.dose_lock
            )
            token = lock.seal_doses(taken)
            db.add(SealedDosesRow(flight_id=row.id, used_on=day, token=token))
            return "sealed"

        return self._write(work)

    def mixed_flights(self) -> frozenset[tuple[str, int]]:
        """Session and number of the flights that something was taken for."""
        uses = select(SessionRow.name, BottleUseRow.flight).join(
            SessionRow, BottleUseRow.session_id == SessionRow.id
        )
        sealed = (
            select(SessionRow.name, FlightRow.number)
            .join(FlightRow, FlightRow.session_id == SessionRow.id)
            .join(SealedDosesRow, SealedDosesRow.flight_id == FlightRow.id)
        )
        with self._reading() as db:
            found = [*db.execute(uses), *db.execute(sealed)]
            return frozenset((name, flight) for name, flight in found if flight is not None)

    def empty_bottle(self, name: str, *, on: date | None = None) -> Bottle:
        """Take a bottle off the shelf; its history stays."""

        def work(db: Session) -> Bottle:
            row = find_bottle(db, name)
            row.emptied_on = on or _today()
            return _bottle(db, row)

        return self._write(work)

    def bottle(self, name: str) -> Bottle:
        """One bottle by name."""
        with self._reading() as db:
            return _bottle(db, find_bottle(db, name))

    def bottles(self, *, include_emptied: bool = False) -> tuple[Bottle, ...]:
        """Bottles on the shelf, newest first; emptied ones too if asked."""
        query = select(BottleRow).order_by(BottleRow.made_on.desc(), BottleRow.name)
        if not include_emptied:
            query = query.where(BottleRow.emptied_on.is_(None))
        with self._reading() as db:
            return tuple(_bottle(db, row) for row in db.scalars(query).all())


def write_opened_doses(
    db: Session, flight: FlightRow, doses: Mapping[int, Mapping[str, float]]
) -> None:
    """Put what was taken in the place of its bounds, once the flight's key is open.

    Parameters
    ----------
    doses : mapping of int to mapping of str to float
        Row of sealed doses -> bottle -> millilitres.
    """
    for number, taken in doses.items():
        row = db.get(SealedDosesRow, number)
        if row is not None:  # else another opened it meanwhile
            _add_uses(db, flight, taken, row.used_on, is_bound=False)
            db.delete(row)
    db.flush()
    left = select(SealedDosesRow.id).where(SealedDosesRow.flight_id == flight.id).limit(1)
    if doses and db.scalar(left) is None:
        _forget_bounds(db, flight)


def _bounds(flight: FlightRow) -> tuple[ColumnElement[bool], ...]:
    of_session = BottleUseRow.session_id == flight.session_id
    return of_session, BottleUseRow.flight == flight.number, BottleUseRow.is_bound.is_(True)


def _has_bounds(db: Session, flight: FlightRow) -> bool:
    return db.scalar(select(BottleUseRow.id).where(*_bounds(flight)).limit(1)) is not None


def _forget_bounds(db: Session, flight: FlightRow) -> None:
    """Drop what was counted and sealed of an open flight's doses: what is written now counts."""
    db.execute(delete(BottleUseRow).where(*_bounds(flight)))
    db.execute(delete(SealedDosesRow).where(SealedDosesRow.flight_id == flight.id))


def _add_uses(
    db: Session, flight: FlightRow, doses: Mapping[str, float], day: date, *, is_bound: bool
) -> None:
    ids = dict(db.execute(select(BottleRow.name, BottleRow.id)).all())
    for name, volume_ml in doses.items():
        if name in ids:  # in a client's own book a bottle of the lab's may be missing
            db.add(
                BottleUseRow(
                    bottle_id=ids[name],
                    session_id=flight.session_id,
                    flight=flight.number,
                    used_on=day,
                    volume_ml=volume_ml,
                    note="",
                    is_bound=is_bound,
                )
            )


def _refuse_closed(db: Session, session: str, flight: int | None) -> None:
    """Refuse an open amount for what lies in a closed key: sums of doses tell the waters."""
    row = find_session(db, session)
    if flight is not None:
        flights = [find_flight(db, session, flight)]
    else:
        flights = list(db.scalars(select(FlightRow).where(FlightRow.session_id == row.id)))
    closed = [
        one.number
        for one in flights
        if db.get(SealedKeyRow, one.id) is not None and not is_opened(db, one)
    ]
    if closed:
        msg = (
            f"doses for flight {', '.join(map(str, closed))} of session {session!r} would tell "
            "what its closed key holds; write them down by flight with take_doses: it seals them."
        )
        raise BookError(msg)


def _today() -> date:
    """The day on the wall, not in Greenwich."""
    return now_utc().astimezone().date()


def _whole_days(days: object, most: int) -> int:
    """Give a number of days as it is kept.

    Raises
    ------
    BookError
        If it is no whole number from 1 to `most`.
    """
    if not isinstance(days, bool) and isinstance(days, Real):
        kept = _readable_days(days, most)
        if kept is not None and kept == days:
            return kept
    remedy = "common practice is 3 to 4" if most == MOST_DAYS else "leave it out if it keeps"
    msg = f"keeps_days must be 1 to {most} days, got {days!r}; give whole days, {remedy}."
    raise BookError(msg)


def _readable_days(kept: object, most: int) -> int | None:
    """Read a number of days, as an earlier version may have kept it: parts of a day are dropped."""
    try:
        days = float(str(kept))  # as text: a number of any size and type
    except ValueError:
        return None
    return int(days) if 1 <= days <= most else None


def _salt_g_l(bottle: Bottle, strength_mg_l_caco3_per_ml: float) -> float:
    from labkit.water import Concentrate, salt

    return Concentrate.of_strength(
        salt=salt(bottle.salt), strength_mg_l_caco3_per_ml=strength_mg_l_caco3_per_ml
    ).strength_g_l


def _bottle(db: Session, row: BottleRow) -> Bottle:
    measured = db.scalars(
        select(MeasurementRow)
        .where(MeasurementRow.bottle_id == row.id)
        .order_by(MeasurementRow.measured_on, MeasurementRow.id)
    )
    answers: dict[int, list[Answer]] = {}
    for said in db.scalars(
        select(AnswerRow).where(AnswerRow.bottle_id == row.id).order_by(AnswerRow.id)
    ):
        answers.setdefault(said.measurement_id, []).append(
            Answer(
                counts=cast("Counts", said.counts),
                answered_on=said.answered_on,
                answered_by=said.answered_by,
                reason=said.reason,
            )
        )
    used = db.execute(
        select(BottleUseRow, SessionRow.name)
        .outerjoin(SessionRow, BottleUseRow.session_id == SessionRow.id)
        .where(BottleUseRow.bottle_id == row.id)
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
        keeps_days=_readable_days(row.keeps_days, MOST_DAYS_OF_A_BOTTLE),
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
                note=use.note,
                is_bound=use.is_bound,
            )
            for use, session in used
        ),
    )
