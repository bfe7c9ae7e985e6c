"""Scores: taken one by one, each on the disk before the call returns, never changed or dropped."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from labkit.book.scores.entries import ENTRIES, is_current, read_entries
from labkit.book.scores.score import KeptScore, Score, Value
from labkit.book.scores.taking import take_score
from labkit.book.store.columns import clean_name
from labkit.book.store.lookups import find_flight, find_session, kept_taster
from labkit.book.store.records import Source, Stage
from labkit.book.store.schema import AttributeRow, FlightRow, ScoreRow, ServingRow, TasterRow
from labkit.book.store.transactions import Part
from labkit.errors import BookAwayError, LabkitError


class ScoreEntries(Part):
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
    ) -> KeptScore:
        """Take one score; it is on the disk when this returns.

        The cup is named by its code or its position. Giving the score again corrects it, None
        clears it; what was there before stays in the history.

        An entry's id sent again with the same content is acknowledged again; with other content it
        is refused.

        Parameters
        ----------
        session : str
            Name of the session.
        flight : int
            Number of the flight.
        taster : str
            Who scored.
        attribute : str
            What was scored, as on the sheet.
        value : float, str, sequence of str or None
            Points, a note or descriptors, as the attribute asks; None clears.
        blind_code, position : str and int, optional
            Which cup: exactly one of the two.
        stage : {"hot", "warm", "cool"}, optional
            When, where a cup is scored as it cools.
        given_at : datetime, optional
            When it was given, with its time zone; now if not given.
        entry_id : str, optional
            Made where the score was made, so that sending it twice writes it once.
        source : {"sheet", "paper", "import", "lead"}
            How it came in.
        device, entered_by : str
            Which device sent it, and who typed it.
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
        score = Score(
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
        return self.record_scores([score])[0]

    def record_scores(self, scores: Sequence[Score]) -> tuple[KeptScore, ...]:
        """Take several scores together: all of them or, if one is refused, none.

        The error says by its ``place`` which one is refused.

        Parameters
        ----------
        scores : sequence of Score
            Each with what :meth:`record_score` takes.

        Raises
        ------
        LabkitError
            As :meth:`record_score`, of the first that is refused.
        """
        # Named before the first try, so that a repeated transaction finds its own entries.
        entry_ids = [clean_name("entry_id", one.entry_id or uuid.uuid4().hex) for one in scores]

        def work(db: Session) -> tuple[KeptScore, ...]:
            kept = []
            for place, (score, entry_id) in enumerate(zip(scores, entry_ids, strict=True)):
                try:
                    kept.append(take_score(db, score, entry_id))
                except LabkitError as error:
                    error.place = place
                    raise
            return tuple(kept)

        return self._store.write(work, is_repeatable=True)

    def record_each(self, scores: Sequence[Score]) -> tuple[KeptScore | Exception, ...]:
        """Take several scores with one commit, each for itself: one refused takes no other with it.

        Those that are kept are on the disk when this returns, in the order in which they came.

        Parameters
        ----------
        scores : sequence of Score
            Each with what :meth:`record_score` takes, and an id of its own.

        Returns
        -------
        tuple of KeptScore or Exception
            What became of each: as it is kept, or the error that :meth:`record_score` would raise.

        Raises
        ------
        BookAwayError
            If the lab book cannot be written now: none of them is kept.
        """
        entry_ids = [one.entry_id or uuid.uuid4().hex for one in scores]

        def work(db: Session) -> tuple[KeptScore | Exception, ...]:
            return tuple(
                self._taken_alone(db, score, entry_id)
                for score, entry_id in zip(scores, entry_ids, strict=True)
            )

        return self._store.write(work, is_repeatable=True)

    def _taken_alone(self, db: Session, score: Score, entry_id: str) -> KeptScore | Exception:
        """Take a score, or undo what it did; only a book that is away ends it for all."""
        try:
            with db.begin_nested():
                return take_score(db, score, clean_name("entry_id", entry_id))
        except DBAPIError as error:
            trouble = self._store.trouble(error, "written to")
            if isinstance(trouble, BookAwayError):
                raise
            trouble.__cause__ = error
            return trouble
        except Exception as error:
            return error

    def current_scores(self, session: str, flight: int, taster: str) -> tuple[KeptScore, ...]:
        """What a taster's sheet shows: the current values of one flight.

        Parameters
        ----------
        session : str
            Name of the session.
        flight : int
            Number of the flight.
        taster : str
            Whose sheet.
        """
        with self._store.reading() as db:
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
    ) -> tuple[KeptScore, ...]:
        """Every entry ever taken in a session, corrected and cleared ones too, oldest first.

        Parameters
        ----------
        session : str
            Name of the session.
        flight, taster, attribute : int, str and str, optional
            Only these; all if none is given.
        """
        with self._store.reading() as db:
            query = ENTRIES.where(FlightRow.session_id == find_session(db, session).id)
            if flight is not None:
                query = query.where(FlightRow.id == find_flight(db, session, flight).id)
            if taster is not None:
                query = query.where(TasterRow.name == kept_taster(db, taster))
            if attribute is not None:
                query = query.where(AttributeRow.name == attribute)
            return read_entries(db.execute(query.order_by(ScoreRow.id)))
