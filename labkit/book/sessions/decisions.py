"""Decisions about the reading of a coffee: who or what is left out, which scale counts, and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final

from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import Session, joinedload

from labkit.book.store.columns import clean_text, now_utc
from labkit.book.store.lookups import add_event, as_kept, find_coffee, unknown
from labkit.book.store.records import Decision
from labkit.book.store.schema import (
    AttributeRow,
    CoffeeRow,
    DecisionRow,
    SeatRow,
    SessionRow,
    TasterRow,
)
from labkit.book.store.transactions import Part
from labkit.boundary import checked
from labkit.errors import BookError

if TYPE_CHECKING:
    import pandas as pd

HEAD: Final = "Left out of the reading: "
"""How the remark begins that tells of such a decision among the events of a session."""


@checked(BookError)
@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Who and what is left out of a coffee's reading; nothing is until it was decided."""

    tasters: tuple[str, ...] = ()
    """Whose scores are not read."""

    sessions: tuple[str, ...] = ()
    """Which sessions are not read."""

    reason: str = ""
    """Why, in the lead's words."""

    recorded_at: datetime | None = None
    """When (UTC); None if nothing is left out."""

    @property
    def names(self) -> tuple[str, ...]:
        """Tasters and sessions together."""
        return (*self.tasters, *self.sessions)

    def keep(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The rows of a scores frame that are read.

        Parameters
        ----------
        frame : DataFrame
            With ``taster, session``, such as the scores frame.
        """
        out = frame["taster"].isin(list(self.tasters)) | frame["session"].isin(list(self.sessions))
        return frame[~out]


class Decisions(Part):
    """The part of the lab book that keeps what was decided about a coffee's reading."""

    def leave_out(
        self,
        coffee: str,
        *,
        client: str,
        tasters: Sequence[str] = (),
        sessions: Sequence[str] = (),
        seen: str,
        reason: str,
        done_by: str = "",
    ) -> str:
        """Decide who and what is left out from now on, and give the remark that tells of it.

        What was left out before and is not named again is read again from now on.

        Parameters
        ----------
        coffee, client : str
            Which coffee.
        tasters, sessions : sequence of str
            Who and what is left out; nobody if neither is given.
        seen : str
            The attribute whose reading led to it.
        reason : str
            Why.
        done_by : str
            Who decides.

        Raises
        ------
        BookError
            If no reason is given, a name is unknown, or nothing of the coffee was tasted.
        """
        who = ", ".join([*tasters, *sessions]) or "nobody"
        why = _asked_why(reason, f"{who} is left out")

        def work(db: Session) -> str:
            row = _hold_coffee(db, coffee, client)
            people, days = _who_tasted(db, row), _sessions_of(db, row)
            kept = list(dict.fromkeys(as_kept(name, people) for name in tasters))
            strangers = [one for one in kept if one not in people]
            strangers += [one for one in sessions if one not in days]
            if strangers or not days:
                msg = (
                    f"who is left out must have tasted {coffee}, got "
                    f"{', '.join(strangers) or who}. Choose among its tasters and sessions."
                )
                raise BookError(msg)
            _withdraw(db, row, _IS_LEFT_OUT, why, done_by)
            for name in kept:
                _decide(db, row, seen, why, done_by, taster_id=people[name])
            for name in dict.fromkeys(sessions):
                _decide(db, row, seen, why, done_by, session_id=days[name])
            names = ", ".join([*kept, *sessions]) or "nobody"
            told = clean_text("remark", f"{HEAD}{names} ({seen}). {why}")
            for name in dict.fromkeys(sessions or list(days)[-1:]):
                add_event(db, days[name], "remark", reason=told, done_by=done_by)
            return told

        return self._store.write(work)

    def left_out(self, coffee: str, *, client: str) -> LeftOut:
        """Who and what is left out of a coffee's reading now."""
        return _left_out_by(self.decisions(coffee, client=client))

    def keep_chosen(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The rows of a scores or words frame, of any number of coffees, that are read."""
        decided = self._holding()
        if not decided:
            return frame
        dropped: list[int] = []
        for (client, coffee), part in frame.groupby(["client", "coffee"]):
            holding = decided.get((str(client), str(coffee)), [])
            here = _left_out_by(holding).keep(part) if holding else part
            chosen = _scales_by(holding)
            dropped.extend(part.index.difference(on_chosen_scales(here, chosen).index))
        return frame[~frame.index.isin(dropped)]

    def _holding(self) -> dict[tuple[str, str], list[Decision]]:
        """Decisions that hold, of all coffees, by client and coffee: one question for all."""
        query = (
            select(DecisionRow)
            .where(DecisionRow.withdrawn_at.is_(None))
            .options(
                joinedload(DecisionRow.coffee).joinedload(CoffeeRow.client),
                joinedload(DecisionRow.taster),
                joinedload(DecisionRow.session),
            )
            .order_by(DecisionRow.id)
        )
        found: dict[tuple[str, str], list[Decision]] = {}
        with self._store.reading() as db:
            for row in db.scalars(query):
                key = row.coffee.client.name, row.coffee.name
                found.setdefault(key, []).append(_decision(row))
        return found

    def choose_scale(
        self,
        coffee: str,
        *,
        client: str,
        attribute: str,
        scale: str | None,
        reason: str = "",
        done_by: str = "",
    ) -> None:
        """Decide which scale of an attribute is read, where a coffee was scored on several.

        Parameters
        ----------
        scale : str or None
            Name of the scale; None to leave it to the reading again.
        reason, done_by : str
            Why, and who decides.

        Raises
        ------
        BookError
            If the attribute was never scored on that scale for the coffee.
        """
        why = clean_text("reason", reason)

        def work(db: Session) -> None:
            row = _hold_coffee(db, coffee, client)
            scales = db.scalars(
                select(AttributeRow.scale)
                .join(SessionRow, AttributeRow.session_id == SessionRow.id)
                .where(SessionRow.coffee_id == row.id, AttributeRow.name == attribute)
                .distinct()
            ).all()
            if scale is not None and scale not in scales:
                raise unknown(f"scale of {attribute} for {row.name}", scale, filter(None, scales))
            is_it = (DecisionRow.scale != "") & (DecisionRow.attribute == attribute)
            _withdraw(db, row, is_it, why, done_by)
            if scale is not None:
                _decide(db, row, attribute, why, done_by, scale=scale)

        self._store.write(work)

    def chosen_scales(self, coffee: str, *, client: str) -> dict[str, str]:
        """The scale that is read, by attribute, where one was chosen."""
        return _scales_by(self.decisions(coffee, client=client))

    def decisions(self, coffee: str, *, client: str | None = None) -> tuple[Decision, ...]:
        """All decisions about a coffee's reading, oldest first, those withdrawn too."""
        with self._store.reading() as db:
            row = find_coffee(db, coffee, client)
            found = select(DecisionRow).where(DecisionRow.coffee_id == row.id)
            rows = db.scalars(found.order_by(DecisionRow.id)).all()
            return tuple(_decision(one) for one in rows)


@checked(BookError)
def on_chosen_scales(frame: pd.DataFrame, chosen: Mapping[str, str]) -> pd.DataFrame:
    """The rows of a scores frame without those on another scale than the one that was chosen.

    Parameters
    ----------
    frame : DataFrame
        Scores of one coffee, or words, which have no scale.
    chosen : mapping of str to str
        Scales by attribute; one on which there is no score here changes nothing.
    """
    for attribute, scale in chosen.items() if "scale" in frame else ():
        of_it, on_it = frame["attribute"] == attribute, frame["scale"] == scale
        if (of_it & on_it).any():
            frame = frame[~of_it | on_it]
    return frame


def _left_out_by(decisions: Iterable[Decision]) -> LeftOut:
    holding = [one for one in decisions if one.holds and one.scale is None]
    if not holding:
        return LeftOut()
    return LeftOut(
        tasters=_once(one.taster for one in holding),
        sessions=_once(one.session for one in holding),
        reason="; ".join(dict.fromkeys(one.reason for one in holding)),
        recorded_at=max(one.decided_at for one in holding),
    )


def _scales_by(decisions: Iterable[Decision]) -> dict[str, str]:
    return {one.attribute: one.scale for one in decisions if one.holds and one.scale is not None}


_IS_LEFT_OUT: Final = or_(DecisionRow.taster_id.is_not(None), DecisionRow.session_id.is_not(None))


def _hold_coffee(db: Session, coffee: str, client: str) -> CoffeeRow:
    """Find the coffee, and let others who decide about it wait (PostgreSQL)."""
    row = find_coffee(db, coffee, client)
    db.execute(select(CoffeeRow.id).where(CoffeeRow.id == row.id).with_for_update())
    return row


def _asked_why(reason: str, act: str) -> str:
    why = clean_text("reason", reason)
    if not why:
        msg = f"reason must say why {act}, got nothing. Write it in a few words."
        raise BookError(msg, field="reason")
    return why


def _who_tasted(db: Session, coffee: CoffeeRow) -> dict[str, int]:
    rows = db.execute(
        select(TasterRow.name, TasterRow.id)
        .join(SeatRow, SeatRow.taster_id == TasterRow.id)
        .join(SessionRow, SeatRow.session_id == SessionRow.id)
        .where(SessionRow.coffee_id == coffee.id)
    )
    return dict(rows.all())


def _sessions_of(db: Session, coffee: CoffeeRow) -> dict[str, int]:
    rows = db.execute(
        select(SessionRow.name, SessionRow.id)
        .where(SessionRow.coffee_id == coffee.id)
        .order_by(SessionRow.tasted_on, SessionRow.id)
    )
    return dict(rows.all())


def _withdraw(
    db: Session, coffee: CoffeeRow, which: ColumnElement[bool], why: str, done_by: str
) -> None:
    holding = select(DecisionRow).where(
        DecisionRow.coffee_id == coffee.id, DecisionRow.withdrawn_at.is_(None), which
    )
    for row in db.scalars(holding).all():
        row.withdrawn_at = now_utc()
        row.withdrawn_by = clean_text("done_by", done_by)
        row.withdrawn_because = why


def _decide(
    db: Session,
    coffee: CoffeeRow,
    attribute: str,
    why: str,
    done_by: str,
    *,
    taster_id: int | None = None,
    session_id: int | None = None,
    scale: str = "",
) -> None:
    db.add(
        DecisionRow(
            coffee_id=coffee.id,
            taster_id=taster_id,
            session_id=session_id,
            scale=scale,
            attribute=clean_text("seen", attribute),
            reason=why,
            decided_by=clean_text("done_by", done_by),
            decided_at=now_utc(),
            withdrawn_at=None,
            withdrawn_by="",
            withdrawn_because="",
        )
    )
    db.flush()  # in the order given


def _once(names: Iterable[str | None]) -> tuple[str, ...]:
    """Each name once: two who became one may both have been left out."""
    return tuple(dict.fromkeys(name for name in names if name is not None))


def _decision(row: DecisionRow) -> Decision:
    return Decision(
        coffee=row.coffee.name,
        taster=None if row.taster is None else row.taster.name,
        session=None if row.session is None else row.session.name,
        scale=row.scale or None,
        attribute=row.attribute,
        reason=row.reason,
        decided_by=row.decided_by,
        decided_at=row.decided_at,
        withdrawn_at=row.withdrawn_at,
        withdrawn_by=row.withdrawn_by,
        withdrawn_because=row.withdrawn_because,
    )
