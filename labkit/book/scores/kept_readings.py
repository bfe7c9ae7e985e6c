"""What was read of coffees, kept until the scores or decisions that it was read from change."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import case, delete, func, insert, select
from sqlalchemy.orm import Session

from labkit.book.store.lookups import find_client, find_coffee
from labkit.book.store.schema import (
    OPENED,
    ClientRow,
    CoffeeRow,
    CupMeasurementRow,
    CupRow,
    DecisionRow,
    FlightRow,
    KeptReadingRow,
    ScoreRow,
    SeatRow,
    ServingRow,
    SessionRow,
    TasterRow,
)
from labkit.book.store.transactions import Part

Key = tuple[str, str]
"""Client and name of a coffee."""


class KeptReadings(Part):
    """The part of the lab book that keeps what was read: nothing that could not be read again."""

    def marks(self, *, client: str | None = None, coffee: str | None = None) -> dict[Key, str]:
        """A mark of all that can be read of each coffee; another one as soon as that changes.

        Scores are only ever added and decisions only made or withdrawn, so that counts and highest
        numbers tell a change without a score being read.

        Parameters
        ----------
        client, coffee : str, optional
            Only these; all if neither is given.

        Returns
        -------
        dict of (client, coffee) to str
            Of the coffees of which a blind flight is open.
        """
        opened = (FlightRow.state == OPENED) & ~FlightRow.is_unblinded
        with self._store.reading() as db:
            which = _which(db, client, coffee)
            scores = (
                select(SessionRow.coffee_id, func.count(), func.max(ScoreRow.id))
                .select_from(ScoreRow)
                .join(ServingRow, ScoreRow.serving_id == ServingRow.id)
                .join(FlightRow, ServingRow.flight_id == FlightRow.id)
                .join(SessionRow, FlightRow.session_id == SessionRow.id)
                .where(opened)
                .group_by(SessionRow.coffee_id)
            )
            # Codes are found and people merged after the tasting: who and which cup of each place.
            servings = (
                select(
                    SessionRow.coffee_id,
                    func.count(ServingRow.cup_id),
                    func.sum(ServingRow.id * ServingRow.taster_id),
                    func.sum(ServingRow.id * func.coalesce(ServingRow.cup_id, 0)),
                )
                .select_from(ServingRow)
                .join(FlightRow, ServingRow.flight_id == FlightRow.id)
                .join(SessionRow, FlightRow.session_id == SessionRow.id)
                .where(opened)
                .group_by(SessionRow.coffee_id)
            )
            flights = (
                select(SessionRow.coffee_id, SessionRow.id, SessionRow.tasted_on, FlightRow.id)
                .join(FlightRow, FlightRow.session_id == SessionRow.id)
                .where(opened)
                .order_by(FlightRow.id)
            )
            people = (
                select(SessionRow.coffee_id, TasterRow.id, TasterRow.name)
                .join(SeatRow, SeatRow.session_id == SessionRow.id)
                .join(TasterRow, SeatRow.taster_id == TasterRow.id)
                .distinct()
                .order_by(TasterRow.id)
            )
            is_withdrawn = case((DecisionRow.withdrawn_at.is_not(None), 1), else_=0)
            decisions = select(
                DecisionRow.coffee_id,
                func.count(),
                func.max(DecisionRow.id),
                func.sum(is_withdrawn),
                func.sum(DecisionRow.id * func.coalesce(DecisionRow.taster_id, 0)),
            ).group_by(DecisionRow.coffee_id)
            measured = (
                select(SessionRow.coffee_id, func.count(), func.max(CupMeasurementRow.id))
                .select_from(CupMeasurementRow)
                .join(CupRow, CupMeasurementRow.cup_id == CupRow.id)
                .join(FlightRow, CupRow.flight_id == FlightRow.id)
                .join(SessionRow, FlightRow.session_id == SessionRow.id)
                .where(opened)
                .group_by(SessionRow.coffee_id)
            )
            found: defaultdict[int, list[list[Any]]] = defaultdict(list)
            for column, query in (
                (SessionRow.coffee_id, scores),
                (SessionRow.coffee_id, servings),
                (SessionRow.coffee_id, flights),
                (SessionRow.coffee_id, people),
                (DecisionRow.coffee_id, decisions),
                (SessionRow.coffee_id, measured),
            ):
                known: dict[int, list[Any]] = defaultdict(list)
                for number, *rest in db.execute(_of(query, column, which)):
                    known[number].append(rest)
                for number, rows in known.items():
                    found[number].append([query is scores, rows])
            names = _names(db, which)
        return {names[number]: _digest(parts) for number, parts in found.items() if parts[0][0]}

    def take(
        self,
        kind: str,
        marks: Mapping[Key, str],
        *,
        made_by: str,
        client: str | None = None,
        coffee: str | None = None,
    ) -> dict[Key, bytes]:
        """What is kept of a kind and still fits.

        Parameters
        ----------
        kind : str
            What was read.
        marks : mapping of (client, coffee) to str
            Of :meth:`marks`, as they are now.
        made_by : str
            Version of the analysis that reads; what another one made is left.
        client, coffee : str, optional
            Only these.
        """
        with self._store.reading() as db:
            which = _which(db, client, coffee)
            query = (
                select(
                    ClientRow.name, CoffeeRow.name, KeptReadingRow.made_from, KeptReadingRow.content
                )
                .join(CoffeeRow, KeptReadingRow.coffee_id == CoffeeRow.id)
                .join(ClientRow, CoffeeRow.client_id == ClientRow.id)
                .where(KeptReadingRow.kind == kind, KeptReadingRow.made_by == made_by)
            )
            rows = db.execute(_of(query, KeptReadingRow.coffee_id, which)).all()
        return {
            (owner, name): content
            for owner, name, made_from, content in rows
            if marks.get((owner, name)) == made_from
        }

    def keep(
        self,
        kind: str,
        contents: Mapping[Key, bytes],
        marks: Mapping[Key, str],
        *,
        made_by: str,
    ) -> None:
        """Keep what was read, in place of what was kept of the kind before.

        Parameters
        ----------
        kind : str
            What was read.
        contents : mapping of (client, coffee) to bytes
            By coffee; one that is gone meanwhile is left out.
        marks : mapping of (client, coffee) to str
            Of :meth:`marks`, from before the scores were read.
        made_by : str
            Version of the analysis.
        """

        def work(db: Session) -> None:
            numbers = {name: number for number, name in _names(db, None).items()}
            rows = [
                {
                    "coffee_id": numbers[key],
                    "kind": kind,
                    "made_from": marks[key],
                    "made_by": made_by,
                    "content": content,
                }
                for key, content in contents.items()
                if key in numbers
            ]
            if not rows:
                return
            replaced = KeptReadingRow.coffee_id.in_([row["coffee_id"] for row in rows])
            db.execute(delete(KeptReadingRow).where(KeptReadingRow.kind == kind, replaced))
            db.execute(insert(KeptReadingRow), rows)

        if contents:
            self._store.write(work, is_repeatable=True)


def _which(db: Session, client: str | None, coffee: str | None) -> list[int] | None:
    """Numbers of the coffees that are asked about; None for all."""
    if coffee is not None:
        return [find_coffee(db, coffee, client).id]
    if client is not None:
        owner = find_client(db, client).id
        return list(db.scalars(select(CoffeeRow.id).where(CoffeeRow.client_id == owner)))
    return None


def _of(query: Any, column: Any, which: Iterable[int] | None) -> Any:
    return query if which is None else query.where(column.in_(list(which)))


def _names(db: Session, which: Iterable[int] | None) -> dict[int, Key]:
    query = select(CoffeeRow.id, ClientRow.name, CoffeeRow.name).join(ClientRow)
    return {
        number: (client, name)
        for number, client, name in db.execute(_of(query, CoffeeRow.id, which))
    }


def _digest(parts: list[Any]) -> str:
    return hashlib.sha256(json.dumps(parts, default=str).encode()).hexdigest()
