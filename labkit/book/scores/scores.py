"""Scores: taken one by one, each on the disk before the call returns, never changed or dropped."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from labkit.book.scores.taking import take_touch
from labkit.book.scores.touches import Touch, Value
from labkit.book.store.columns import clean_name
from labkit.book.store.entries import ENTRIES, is_current, read_entries
from labkit.book.store.lookups import find_flight, find_session, kept_taster
from labkit.book.store.records import Receipt, ScoreEntry, Source, Stage
from labkit.book.store.schema import AttributeRow, FlightRow, ScoreRow, ServingRow, TasterRow
from labkit.book.store.transactions import Transactions
from labkit.errors import LabkitError


class Scores(Transactions):
    """The part of the lab book that takes scores."""

    def record_score(
        self,
        session: str,
        flight: int,
        taster: str,
        attribute: str,
        value: Value,
        *,
        blind_code: str | None = None,
        position: int | None = None,
        stage: Stage | None = None,
        given_at: datetime | None = None,
        entry_id: str | None = None,
        source: Source = "sheet",
        device: str = "",
        entered_by: str = "",
        yields: bool = False,
    ) -> Receipt:
        """Take one score; it is on the disk when this returns.

        The cup is named by its code or its position. Giving the score again corrects it, None
        clears it; what was there before stays in the history.

        An entry's id sent again with the same content is acknowledged again; with other content it
        is refused.

        Parameters
        ----------
        yields : bool
            Whether it gives way to what another device was given later (by `given_at`).

        Raises
        ------
        ScaleError
            If the value is not on the attribute's scale.
        LockError
            If the flight is locked or opened.
        StaleError
            If it gives way.
        BookError
            If session, flight, taster, cup or attribute is unknown, the id is another score's, or
            the text is too long: the book will never take it. A BookAwayError if the book cannot
            be written now.
        """
        touch = Touch(
            session=session,
            flight=flight,
            taster=taster,
            attribute=attribute,
            value=value,
            blind_code=blind_code,
            position=position,
            stage=stage,
            given_at=given_at,
            entry_id=entry_id,
            source=source,
            device=device,
            entered_by=entered_by,
            yields=yields,
        )
        return self.record_scores([touch])[0]

    def record_scores(self, touches: Sequence[Touch]) -> tuple[Receipt, ...]:
        """Take several scores together: all of them or, if one is refused, none.

        The error says by its ``place`` which one is refused.
        """
        # Named before the first try, so that a repeated transaction finds its own entries.
        entry_ids = [clean_name("entry_id", t.entry_id or uuid.uuid4().hex) for t in touches]

        def work(db: Session) -> tuple[Receipt, ...]:
            receipts = []
            for place, (touch, entry_id) in enumerate(zip(touches, entry_ids, strict=True)):
                try:
                    receipts.append(take_touch(db, touch, entry_id))
                except LabkitError as error:
                    error.place = place
                    raise
            return tuple(receipts)

        return self._write(work, is_repeatable=True)

    def current_scores(self, session: str, flight: int, taster: str) -> tuple[ScoreEntry, ...]:
        """What a taster's sheet shows: the current values of one flight."""
        with self._reading() as db:
            row = find_flight(db, session, flight)
            query = ENTRIES.where(
                ServingRow.flight_id == row.id,
                TasterRow.name == kept_taster(db, taster),
                is_current(),
            )
            return read_entries(db.execute(query.order_by(ScoreRow.id)))

    def history(
        self,
        session: str,
        *,
        flight: int | None = None,
        taster: str | None = None,
        attribute: str | None = None,
    ) -> tuple[ScoreEntry, ...]:
        """Every entry ever taken in a session, corrected and cleared ones too, oldest first."""
        with self._reading() as db:
            query = ENTRIES.where(FlightRow.session_id == find_session(db, session).id)
            if flight is not None:
                query = query.where(FlightRow.id == find_flight(db, session, flight).id)
            if taster is not None:
                query = query.where(TasterRow.name == kept_taster(db, taster))
            if attribute is not None:
                query = query.where(AttributeRow.name == attribute)
            return read_entries(db.execute(query.order_by(ScoreRow.id)))
