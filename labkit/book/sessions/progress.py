"""How far a session has come: cups, times and gaps, without a score or a water in it."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from labkit.book.scores.entries import current_entries
from labkit.book.store.lookups import find_session
from labkit.book.store.schema import (
    AttributeRow,
    FlightRow,
    ScoreRow,
    SeatRow,
    ServingRow,
    TasterRow,
)
from labkit.book.store.transactions import Part

if TYPE_CHECKING:
    import pandas as pd

PROGRESS_COLUMNS = (
    "flight",
    "state",
    "taster",
    "cups",
    "cups_begun",
    "cups_done",
    "missing",
    "median_s_per_cup",
    "last_score_at",
    "seen_at",
)


class Progress(Part):
    """The part of the lab book that the lead watches."""

    def progress(self, session: str) -> pd.DataFrame:
        """Cups done per taster and flight, for the lead to watch while blind.

        Parameters
        ----------
        session : str
            Name of the session.

        Returns
        -------
        pandas.DataFrame
            One row a flight and taster: state, cups, cups with any number, cups with every
            number, numbers missing, median seconds from one cup's first score to the next's,
            the last score and the page's last sign of life (UTC).
        """
        import pandas as pd

        with self._store.reading() as db:
            row = find_session(db, session)
            served = db.execute(
                select(FlightRow.number, FlightRow.state, TasterRow.name, ServingRow.id)
                .join(ServingRow, ServingRow.flight_id == FlightRow.id)
                .join(TasterRow, ServingRow.taster_id == TasterRow.id)
                .where(FlightRow.session_id == row.id)
                .order_by(FlightRow.number, TasterRow.name, ServingRow.position)
            ).all()
            seen = dict(
                db.execute(
                    select(TasterRow.name, SeatRow.seen_at)
                    .join(SeatRow)
                    .where(SeatRow.session_id == row.id)
                ).all()
            )
            numbers = len(
                db.scalars(
                    select(AttributeRow.id).where(
                        AttributeRow.session_id == row.id, AttributeRow.kind == "number"
                    )
                ).all()
            ) * max(1, len(row.stages))
            given = dict(
                db.execute(
                    current_entries()
                    .join(FlightRow, ServingRow.flight_id == FlightRow.id)
                    .join(AttributeRow, ScoreRow.attribute_id == AttributeRow.id)
                    .where(FlightRow.session_id == row.id, AttributeRow.kind == "number")
                    .with_only_columns(ScoreRow.serving_id, func.count())
                    .group_by(ScoreRow.serving_id)
                ).all()
            )
            touched = {
                serving_id: (first, last)
                for serving_id, first, last in db.execute(
                    select(
                        ScoreRow.serving_id,
                        func.min(ScoreRow.given_at),
                        func.max(ScoreRow.given_at),
                    )
                    .join(ServingRow)
                    .join(FlightRow)
                    .where(FlightRow.session_id == row.id)
                    .group_by(ScoreRow.serving_id)
                )
            }
        groups: dict[tuple[int, str, str], list[int]] = defaultdict(list)
        for flight, state, taster, serving_id in served:
            groups[flight, state, taster].append(serving_id)
        rows = []
        for (number, stands, taster), servings in groups.items():
            begun = sorted(touched[cup][0] for cup in servings if cup in touched)
            gaps = [(later - sooner).total_seconds() for sooner, later in pairwise(begun)]
            rows.append(
                {
                    "flight": number,
                    "state": stands,
                    "taster": taster,
                    "cups": len(servings),
                    "cups_begun": sum(given.get(cup, 0) > 0 for cup in servings),
                    "cups_done": sum(given.get(cup, 0) >= numbers for cup in servings),
                    "missing": sum(numbers - given.get(cup, 0) for cup in servings),
                    "median_s_per_cup": median(gaps) if gaps else None,
                    "last_score_at": max(
                        (touched[cup][1] for cup in servings if cup in touched), default=None
                    ),
                    "seen_at": seen.get(taster),
                }
            )
        frame = pd.DataFrame(rows, columns=list(PROGRESS_COLUMNS))
        frame["median_s_per_cup"] = frame["median_s_per_cup"].astype("float64")
        for column in ("last_score_at", "seen_at"):
            frame[column] = pd.to_datetime(frame[column], utc=True)
        return frame
