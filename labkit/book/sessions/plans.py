"""The blind plan of a session's cups: codes in serving order, and the sealed keys."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from labkit.book.sessions.seats_and_waters import add_waters, seat
from labkit.book.stock.doses import Reservation, reserve_for
from labkit.book.store.columns import clean_name, clean_text
from labkit.book.store.lookups import READ_FOR_SHEET, add_event, find_session, kept_taster
from labkit.book.store.records import ServedCup
from labkit.book.store.schema import (
    PLANNED,
    AttributeRow,
    CupMeasurementRow,
    CupRow,
    EventRow,
    FlightRow,
    ScoreRow,
    SealedKeyRow,
    ServingRow,
    SessionRow,
    TasterRow,
)
from labkit.book.store.transactions import Part
from labkit.errors import BookError
from labkit.noted import Noted, noted

if TYPE_CHECKING:
    from labkit.tasting import CupPlan, PlanNote, SessionWater

_LABELS: Final = "cup labels laid out"


class Plans(Part):
    """The part of the lab book that keeps who is served which code when."""

    def store_plan(
        self,
        plan: CupPlan,
        *,
        waters: Iterable[SessionWater] = (),
        sheet_read_by: str | None = None,
        reserved: Mapping[int, Reservation] | None = None,
    ) -> None:
        """Store the blind plan of one or more flights of a session that has been started.

        Flights that are in the book already are replaced as long as nobody has scored in them; so
        a late taster, or a flight chosen from what the last one showed, is one more plan. When
        one tastes alone, the codes stand under the cups, which are shuffled: positions get their
        codes only after the lock (``enter_found_codes``).

        Parameters
        ----------
        plan : CupPlan
            Codes by taster and position, with the sealed keys.
        waters : iterable of SessionWater
            The session's waters, if the plan brings new ones; known ones may be among them.
        sheet_read_by : str, optional
            Who is handed the bench sheet of these flights at once ("" if nobody is named): that is
            on record, as by ``open_for_bench_sheets``. None if nobody is.
        reserved : mapping of int to Reservation, optional
            Flight -> what it will take of the bottles; where it is not given, what was reserved
            for the flight before stays.

        Raises
        ------
        BookError
            If the session is unknown, a flight has scores already, or the plan is for a test of two
            waters and the session's sheet is not, or the other way round.
        """

        def work(db: Session) -> None:
            session = find_session(db, plan.session)
            add_waters(db, session, waters)
            store_cups(db, session, plan, sheet_read_by, reserved)

        self._store.write(work)

    def record_labels(self, session: str, paper: str) -> None:
        """Write down for which paper a session's cup labels were laid out.

        Parameters
        ----------
        session : str
            Name of the session.
        paper : str
            What the packet says.
        """

        def work(db: Session) -> None:
            row = find_session(db, session)
            add_event(db, row.id, _LABELS, reason=clean_text("paper", paper))

        self._store.write(work)

    def label_paper(self, session: str | None = None) -> str:
        """The paper that cup labels were last laid out for; empty if none were.

        Parameters
        ----------
        session : str, optional
            Only the labels of this session.
        """
        query = select(EventRow.reason).where(EventRow.kind == _LABELS)
        with self._store.reading() as db:
            if session is not None:
                query = query.where(EventRow.session_id == find_session(db, session).id)
            return db.scalar(query.order_by(EventRow.id.desc()).limit(1)) or ""

    def plan(self, session: str) -> CupPlan:
        """The blind plan of all flights so far, as a value of the tasting room.

        Parameters
        ----------
        session : str
            Name of the session.

        Raises
        ------
        BookError
            If nothing has been planned yet.
        """
        # Imported here: the tasters' page needs neither pandas nor cryptography.
        from labkit.tasting import CupPlan, Design, SealedKey, Serving

        query = (
            select(FlightRow.number, TasterRow.name, ServingRow.position, CupRow.blind_code)
            .join(ServingRow, ServingRow.flight_id == FlightRow.id)
            .join(TasterRow, ServingRow.taster_id == TasterRow.id)
            .outerjoin(CupRow, ServingRow.cup_id == CupRow.id)
            .order_by(FlightRow.number, TasterRow.name, ServingRow.position)
        )
        coded = (
            select(FlightRow.number, CupRow.blind_code)
            .join(CupRow, CupRow.flight_id == FlightRow.id)
            .order_by(FlightRow.number, CupRow.blind_code)
        )
        keys = select(FlightRow.number, SealedKeyRow).join(SealedKeyRow).order_by(FlightRow.number)
        with self._store.reading() as db:
            row = find_session(db, session)
            served = db.execute(query.where(FlightRow.session_id == row.id)).all()
            codes = db.execute(coded.where(FlightRow.session_id == row.id)).all()
            sealed = db.execute(keys.where(FlightRow.session_id == row.id)).all()
            serving, design, notes = row.serving, dict(row.design), row.plan_notes
        if not served:
            msg = f"session {session!r} must have a plan, but none is stored; plan the tasting."
            raise BookError(msg, field="session")
        hidden = {flight for flight, _, _, code in served if not code}
        spreads = tuple((str(name), int(few), int(most)) for name, few, most in design["spreads"])
        return CupPlan(
            session=sealed[0][1].sealed_for,
            tasters=tuple(dict.fromkeys(taster for _, taster, _, _ in served)),
            serving=serving,
            cups=tuple(
                Serving(flight=flight, taster=taster, position=position, blind_code=code or "")
                for flight, taster, position, code in served
            ),
            keys=tuple(
                SealedKey(
                    session=key.sealed_for,
                    flight=flight,
                    token=key.token,
                    dose_lock=key.dose_lock,
                )
                for flight, key in sealed
            ),
            design=Design(**design | {"spreads": spreads}),
            notes=tuple(_noted(one) for one in notes),
            under_cups=tuple((flight, code) for flight, code in codes if flight in hidden),
        )

    def last_planned(self) -> tuple[str, int] | None:
        """Session and number of the flight that was planned last; None if none was."""
        query = (
            select(SessionRow.name, FlightRow.number)
            .join(FlightRow, FlightRow.session_id == SessionRow.id)
            .join(SealedKeyRow, SealedKeyRow.flight_id == FlightRow.id)
            .order_by(FlightRow.id.desc())
            .limit(1)
        )
        with self._store.reading() as db:
            found = db.execute(query).one_or_none()
            return None if found is None else (found[0], found[1])

    def served_cups(self, session: str, flight: int, taster: str) -> tuple[ServedCup, ...]:
        """The cups before a taster in their own order; codes and positions only.

        Parameters
        ----------
        session : str
            Name of the session.
        flight : int
            Number of the flight.
        taster : str
            Whose cups.
        """
        query = (
            select(ServingRow.position, CupRow.blind_code)
            .join(FlightRow, ServingRow.flight_id == FlightRow.id)
            .join(TasterRow, ServingRow.taster_id == TasterRow.id)
            .outerjoin(CupRow, ServingRow.cup_id == CupRow.id)
            .where(FlightRow.number == flight)
            .order_by(ServingRow.position)
        )
        with self._store.reading() as db:
            query = query.where(FlightRow.session_id == find_session(db, session).id)
            rows = db.execute(query.where(TasterRow.name == kept_taster(db, taster)))
            return tuple(ServedCup(position=place, blind_code=code) for place, code in rows)

    def codes_served(self, *, since: date) -> dict[str, date]:
        """Blind codes used from a day on and when last, so that a new plan can avoid them.

        Parameters
        ----------
        since : date
            The first day that counts.
        """
        query = (
            select(CupRow.blind_code, func.max(SessionRow.tasted_on))
            .join(FlightRow, CupRow.flight_id == FlightRow.id)
            .join(SessionRow, FlightRow.session_id == SessionRow.id)
            .where(SessionRow.tasted_on >= since)
            .group_by(CupRow.blind_code)
        )
        with self._store.reading() as db:
            return dict(db.execute(query).all())


def _kept(note: Noted[PlanNote]) -> dict[str, Any] | str:
    """A note of a plan as the lab book keeps it: its kind and facts, or the sentence it was."""
    from labkit.tasting import PlanNote

    facts = dict(note.facts)
    return facts["text"] if note.kind is PlanNote.AS_WRITTEN else {"kind": note.kind.value} | facts


def _noted(kept: Mapping[str, Any] | str) -> Noted[PlanNote]:
    """A note as it was planned; sentences are of lab books from before notes were values."""
    from labkit.tasting import PlanNote

    if isinstance(kept, str):
        return noted(PlanNote.AS_WRITTEN, text=kept)
    facts = {name: tuple(v) if isinstance(v, list) else v for name, v in kept.items()}
    return noted(PlanNote(facts.pop("kind")), **facts)


def store_cups(
    db: Session,
    session: SessionRow,
    plan: CupPlan,
    sheet_read_by: str | None = None,
    reserved: Mapping[int, Reservation] | None = None,
) -> None:
    """Store the flights of a plan, as ``store_plan`` says it; the waters are there already."""
    _check_question(db, session, plan.design.kind)
    session.design = asdict(plan.design)
    session.plan_notes = [_kept(one) for one in plan.notes]
    tokens = {key.flight: key for key in plan.keys}
    seats = seat(db, session.id, sorted({cup.taster for cup in plan.cups}))
    for number in sorted({cup.flight for cup in plan.cups}):
        flight = _fresh_flight(db, session, number)
        served = [cup for cup in plan.cups if cup.flight == number]
        # By code: the order of planning could tell which cups share a jug.
        cups = {code: CupRow(flight_id=flight.id, blind_code=code) for code in plan.codes(number)}
        db.add_all(cups.values())
        db.flush()
        for cup in served:
            db.add(
                ServingRow(
                    flight_id=flight.id,
                    taster_id=seats[clean_name("taster", cup.taster)],
                    position=cup.position,
                    cup_id=cups[cup.blind_code].id if cup.blind_code else None,
                )
            )
        key = tokens[number]
        db.add(
            SealedKeyRow(
                flight_id=flight.id,
                sealed_for=key.session,
                token=key.token,
                dose_lock=key.dose_lock,
            )
        )
        if reserved is not None and number in reserved:
            reserve_for(db, flight, reserved[number])
        if sheet_read_by is not None:
            add_event(db, session.id, READ_FOR_SHEET, flight_id=flight.id, done_by=sheet_read_by)


def _check_question(db: Session, session: SessionRow, design: str) -> None:
    """Refuse cups for which the session's sheet has no question."""
    from labkit.tasting import METHODS  # pandas: not for the tasters' kernel

    asked = db.scalars(select(AttributeRow.scale).where(AttributeRow.session_id == session.id))
    tests = [name for name in asked if name in METHODS]
    if tests == ([design] if design in METHODS else []):
        return
    sheet = (
        f"asks the question of a test of two waters ({tests[0]})" if tests else "asks for scores"
    )
    cups = f"for a test of two waters ({design})" if design in METHODS else "for scores"
    raise BookError(
        f"plan must fit the sheet of '{session.name}', which {sheet}, but its cups are {cups}. "
        "Start a new session for them."
    )


def _fresh_flight(db: Session, session: SessionRow, number: int) -> FlightRow:
    """Make a flight, or empty one in which nobody has scored."""
    query = select(FlightRow).where(FlightRow.session_id == session.id, FlightRow.number == number)
    flight = db.scalar(query.with_for_update())
    if flight is None:
        flight = FlightRow(session_id=session.id, number=number, state=PLANNED, is_unblinded=False)
        db.add(flight)
        db.flush()
        add_event(db, session.id, "flight planned", flight_id=flight.id)
        return flight
    scored = select(ScoreRow.id).join(ServingRow).where(ServingRow.flight_id == flight.id)
    measured = select(CupMeasurementRow.id).join(CupRow).where(CupRow.flight_id == flight.id)
    begun = (db.scalar(one.limit(1)) for one in (scored, measured))
    if flight.state != PLANNED or any(one is not None for one in begun):
        is_begun = flight.state == PLANNED
        msg = (
            f"flight {number} of session {session.name!r} must be unserved to be planned again, "
            f"but {'its cups were served already' if is_begun else f'it is {flight.state}'}; plan "
            "the flights after it."
        )
        raise BookError(msg, field="flight")
    for table in (SealedKeyRow, ServingRow, CupRow):
        db.execute(delete(table).where(table.flight_id == flight.id))
    flight.is_unblinded = False
    add_event(db, session.id, "flight planned anew", flight_id=flight.id)
    return flight
