"""Tasting sessions: what is tasted, by whom, how it is scored, and the blind plan of its cups."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, fields
from datetime import date
from math import inf
from typing import TYPE_CHECKING, Any, Final, get_args

from sqlalchemy import Row, Select, select
from sqlalchemy.orm import Session, contains_eager

from labkit.book.sessions.plans import store_cups
from labkit.book.sessions.seats_and_waters import add_waters, seat
from labkit.book.stock.doses import Reservation
from labkit.book.store.columns import clean_name, clean_number, clean_text, now_utc
from labkit.book.store.lookups import (
    add_event,
    find_client,
    find_coffee,
    find_flight,
    find_session,
    unknown,
)
from labkit.book.store.records import (
    Attribute,
    BrewMethod,
    Held,
    SessionSheet,
    Stage,
    TastingSession,
)
from labkit.book.store.schema import (
    AttributeRow,
    CoffeeRow,
    SeatRow,
    SessionRow,
    WaterRow,
)
from labkit.book.store.transactions import Part
from labkit.errors import BookError
from labkit.tasting import Scale, Vessels

if TYPE_CHECKING:
    from labkit.tasting import CupPlan, SessionWater


class Sessions(Part):
    """The part of the lab book that plans sessions."""

    def start_session(
        self,
        name: str,
        *,
        coffee: str,
        client: str | None = None,
        attributes: Sequence[Attribute],
        tasters: Sequence[str],
        waters: Iterable[SessionWater] = (),
        plan: CupPlan | None = None,
        sheet_read_by: str | None = None,
        reserved: Mapping[int, Reservation] | None = None,
        tasted_on: date | None = None,
        serving: Vessels = "shared bowls",
        brew_method: BrewMethod = "cupping",
        stages: Sequence[Stage] = (),
        held: Held | None = None,
        note: str = "",
    ) -> TastingSession:
        """Begin a session of one coffee.

        Parameters
        ----------
        name : str
            Unique in the book; the sealed keys are bound to it.
        coffee, client : str
            Which coffee; `client` is needed where two clients have one of that name.
        attributes : sequence of Attribute
            What is scored, in the order of the sheet, at least one.
        tasters : sequence of str
            Who tastes; names that are new to the book are added.
        waters : iterable of SessionWater
            Waters that take part, as ``labkit.tasting.session_waters`` labels them.
        plan, sheet_read_by, reserved : CupPlan, str and mapping of int to Reservation, optional
            The session's cups, as in ``store_plan``: all are in the lab book, or none.
        tasted_on : date, optional
            Day; today if not given.
        serving : {"shared bowls", "a cup each"}
            How cups stand before the tasters.
        brew_method : {"cupping", "filter", "espresso"}
            How the coffee is brewed.
        stages : sequence of {"hot", "warm", "cool"}
            When each cup is scored; once if none is given.
        held : Held, optional
            What is held constant.
        note : str
            Anything else.

        Raises
        ------
        BookError
            If the name is taken, or anything named is unknown, missing or double.
        """
        kept_stages = _choices("stages", stages, Stage)
        _choices("serving", [serving], Vessels)
        _choices("brew_method", [brew_method], BrewMethod)
        _refuse_doubles("attributes", [attribute.name for attribute in attributes])
        people = [clean_name("taster", taster) for taster in tasters]
        _refuse_doubles("tasters", people)
        if not attributes or not people:
            msg = (
                f"a session must have attributes and tasters, got {len(attributes)} and "
                f"{len(people)}; name at least one of each."
            )
            raise BookError(msg)

        def work(db: Session) -> TastingSession:
            kept = clean_name("session", name)
            if db.scalar(select(SessionRow.id).where(SessionRow.name == kept)) is not None:
                msg = f"session must be new, but {kept!r} is in the lab book; choose another name."
                raise BookError(msg, field="session")
            if plan is not None and clean_name("session", plan.session) != kept:
                msg = f"plan must be of session {kept!r}, got one of {plan.session!r}."
                raise BookError(msg, field="plan")
            row = SessionRow(
                coffee=find_coffee(db, coffee, client),
                name=kept,
                tasted_on=tasted_on or now_utc().astimezone().date(),
                serving=serving,
                brew_method=brew_method,
                stages=kept_stages,
                held=_held_out(held or Held()),
                design={},
                plan_notes=[],
                note=clean_text("note", note),
                created_at=now_utc(),
            )
            db.add(row)
            db.flush()
            for position, attribute in enumerate(attributes, start=1):
                db.add(_attribute_row(row.id, position, attribute))
            seat(db, row.id, people)
            add_waters(db, row, waters)
            add_event(db, row.id, "session started")
            if plan is not None:
                store_cups(db, row, plan, sheet_read_by, reserved)
            return _session(db, row)

        return self._store.write(work)

    def add_remark(
        self, session: str, text: str, *, flight: int | None = None, done_by: str = ""
    ) -> None:
        """Write down what happened or was chosen, so that it stays with the session.

        Parameters
        ----------
        session : str
            Name of the session.
        text : str
            What happened.
        flight : int, optional
            The flight it is about.
        done_by : str
            Who says so.

        Raises
        ------
        BookError
            If the text is empty, or session or flight are unknown.
        """
        remark = clean_text("remark", text)
        if not remark:
            msg = f"a remark must not be empty, got {text!r}; say it in a few words."
            raise BookError(msg, field="text")

        def work(db: Session) -> None:
            row = find_session(db, session)
            flight_id = None if flight is None else find_flight(db, session, flight).id
            add_event(db, row.id, "remark", flight_id=flight_id, reason=remark, done_by=done_by)

        self._store.write(work)

    def sheet(self, session: str) -> SessionSheet:
        """What a taster's sheet of a session needs, and no more.

        Parameters
        ----------
        session : str
            Name of the session.
        """
        with self._store.reading() as db:
            row = find_session(db, session)
            return SessionSheet(
                name=row.name,
                tasters=_tasters(db, row.id),
                attributes=_attributes(db, row.id),
                stages=tuple(row.stages),
                language=_held_in(row.held).language,
            )

    def session(self, name: str) -> TastingSession:
        """One session by name.

        Parameters
        ----------
        name : str
            Its name in the book.

        Raises
        ------
        BookError
            If there is no such session.
        """
        with self._store.reading() as db:
            return _session(db, find_session(db, name))

    def all(
        self, *, client: str | None = None, coffee: str | None = None
    ) -> tuple[TastingSession, ...]:
        """Sessions of a client or a coffee, or all, by day."""
        query = (
            select(SessionRow)
            .join(SessionRow.coffee)
            .join(CoffeeRow.client)
            .options(contains_eager(SessionRow.coffee).contains_eager(CoffeeRow.client))
        )
        with self._store.reading() as db:
            if client is not None:
                query = query.where(CoffeeRow.client_id == find_client(db, client).id)
            if coffee is not None:
                query = query.where(CoffeeRow.id == find_coffee(db, coffee, client).id)
            rows = db.scalars(query.order_by(SessionRow.tasted_on, SessionRow.id)).all()
            return _sessions(db, rows)

    def names(self, *, beginning: str = "") -> tuple[str, ...]:
        """What the sessions are called, the earliest day first.

        Parameters
        ----------
        beginning : str
            Only those whose name begins with this.
        """
        query = select(SessionRow.name).order_by(SessionRow.tasted_on, SessionRow.id)
        if beginning:
            query = query.where(SessionRow.name.startswith(beginning, autoescape=True))
        with self._store.reading() as db:
            return tuple(name for name in db.scalars(query) if name.startswith(beginning))

    def latest(self) -> TastingSession | None:
        """The session of the latest day, of whatever coffee; None in an empty lab book."""
        query = select(SessionRow).order_by(SessionRow.tasted_on.desc(), SessionRow.id.desc())
        with self._store.reading() as db:
            row = db.scalar(query.limit(1))
            return None if row is None else _session(db, row)


def _choices(field: str, given: Sequence[str], allowed: Any) -> list[str]:
    wrong = [word for word in given if word not in get_args(allowed)]
    if wrong:
        raise unknown(field, wrong[0], get_args(allowed))
    return list(given)


def _refuse_doubles(field: str, names: Sequence[str]) -> None:
    double = next((name for name in names if names.count(name) > 1), None)
    if double is not None:
        msg = f"{field} must differ from each other, got {double!r} twice; name each once."
        raise BookError(msg, field=field)


MOST_HELD: Final = 1e5
"""Above every dose, ratio, temperature and time that is held in a session."""


def _held_out(held: Held) -> dict[str, Any]:
    """Give what is held as it is kept; what could not be read again is refused."""
    out: dict[str, Any] = {}
    for name, value in asdict(held).items():
        if isinstance(getattr(Held(), name), str):
            out[name] = clean_text(name, value)
        elif name == "roast_date" or value is None:
            out[name] = value
        else:
            most = 100.0 if name == "base_share_percent" else MOST_HELD
            out[name] = clean_number(name, value, most=most)
    out["roast_date"] = held.roast_date.isoformat() if held.roast_date else None
    return out


def _held_in(kept: dict[str, Any]) -> Held:
    known = {field.name: kept[field.name] for field in fields(Held) if field.name in kept}
    day = known.get("roast_date")
    # An earlier version kept what is no number; it reads as not recorded.
    is_number = {name for name, value in known.items() if isinstance(value, int | float)}
    known |= dict.fromkeys(name for name in is_number if not 0 < known[name] < inf)
    return Held(**known | {"roast_date": date.fromisoformat(day) if day else None})


def _attribute_row(session_id: int, position: int, attribute: Attribute) -> AttributeRow:
    scale = attribute.scale
    return AttributeRow(
        session_id=session_id,
        position=position,
        name=clean_name("attribute", attribute.name),
        kind=attribute.kind,
        scale=scale.name if scale else "",
        lowest=scale.lowest if scale else None,
        highest=scale.highest if scale else None,
        step=scale.step if scale else None,
        words=[[score, word] for score, word in scale.words] if scale else [],
        is_middle_best=scale.middle_is_best if scale else False,
        choices=[clean_name("descriptor", choice) for choice in attribute.choices],
    )


def read_attribute(row: AttributeRow | Row[*tuple[Any, ...]]) -> Attribute:
    """Give an attribute as it was on the day of its session."""
    scale = None
    if row.lowest is not None and row.highest is not None and row.step is not None:
        scale = Scale(
            name=row.scale,
            lowest=row.lowest,
            highest=row.highest,
            step=row.step,
            words=tuple((float(score), str(word)) for score, word in row.words),
            middle_is_best=row.is_middle_best,
        )
    return Attribute(name=row.name, scale=scale, kind=row.kind, choices=tuple(row.choices))


def _attributes(db: Session, session_id: int) -> tuple[Attribute, ...]:
    return _attributes_of(db, [session_id]).get(session_id, ())


def _attributes_of(db: Session, ids: Sequence[int]) -> dict[int, tuple[Attribute, ...]]:
    query = select(AttributeRow).order_by(AttributeRow.position)
    rows = _by_session(db, query, AttributeRow.session_id, ids)
    return {number: tuple(map(read_attribute, some)) for number, some in rows.items()}


def _tasters(db: Session, session_id: int) -> tuple[str, ...]:
    return _tasters_of(db, [session_id]).get(session_id, ())


def _tasters_of(db: Session, ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    query = (
        select(SeatRow)
        .join(SeatRow.taster)
        .options(contains_eager(SeatRow.taster))
        .order_by(SeatRow.id)
    )
    rows = _by_session(db, query, SeatRow.session_id, ids)
    return {number: tuple(one.taster.name for one in some) for number, some in rows.items()}


MOST_NAMED: Final = 100
"""Sessions up to which their numbers are named in a question; of more, all rows are asked for."""


def _by_session(
    db: Session, query: Select[Any], column: Any, ids: Sequence[int]
) -> dict[int, list[Any]]:
    """Rows of some sessions in one question, by session."""
    if len(ids) <= MOST_NAMED:
        query = query.where(column.in_(ids))
    wanted, found = set(ids), defaultdict[int, list[Any]](list)
    for row in db.scalars(query):
        if row.session_id in wanted:
            found[row.session_id].append(row)
    return found


def _session(db: Session, row: SessionRow) -> TastingSession:
    (session,) = _sessions(db, [row])
    return session


def _sessions(db: Session, rows: Sequence[SessionRow]) -> tuple[TastingSession, ...]:
    """Sessions with what belongs to them: as many questions for hundreds as for one."""
    ids = [row.id for row in rows]
    query = select(WaterRow).order_by(WaterRow.position)
    waters = _by_session(db, query, WaterRow.session_id, ids)
    attributes, tasters = _attributes_of(db, ids), _tasters_of(db, ids)
    return tuple(
        _with_all(
            row,
            waters=waters.get(row.id, []),
            attributes=attributes.get(row.id, ()),
            tasters=tasters.get(row.id, ()),
        )
        for row in rows
    )


def _with_all(
    row: SessionRow,
    *,
    waters: Sequence[WaterRow],
    attributes: tuple[Attribute, ...],
    tasters: tuple[str, ...],
) -> TastingSession:
    # Imported here: a taster's sheet needs no waters, nor the arrays that come with them.
    from labkit.tasting import SessionWater
    from labkit.water import Target

    return TastingSession(
        name=row.name,
        client=row.coffee.client.name,
        coffee=row.coffee.name,
        tasted_on=row.tasted_on,
        serving=row.serving,
        brew_method=row.brew_method,
        attributes=attributes,
        waters=tuple(
            SessionWater(
                label=water.label,
                target=Target(
                    mg_share=water.mg_share,
                    hardness_mg_l_caco3=water.hardness_mg_l_caco3,
                    alkalinity_mg_l_caco3=water.alkalinity_mg_l_caco3,
                    sulfate_share=water.sulfate_share,
                    potassium_share=water.potassium_share,
                ),
                is_control=water.is_control,
            )
            for water in waters
        ),
        tasters=tasters,
        stages=tuple(row.stages),
        held=_held_in(row.held),
        note=row.note,
    )
