"""Scores from paper sheets and spreadsheets: looked through first, taken only then."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from labkit.book.files.csv_files import read_lines
from labkit.book.files.import_files import ImportPreview, ImportRow, read_rows
from labkit.book.scores.entries import last_entry
from labkit.book.scores.score import Score
from labkit.book.scores.taking import find_place, take_score
from labkit.book.store.columns import clean_name
from labkit.book.store.lookups import find_session
from labkit.book.store.records import Source
from labkit.book.store.schema import AttributeRow, CupRow, FlightRow, ServingRow, TasterRow
from labkit.book.store.transactions import Part
from labkit.errors import BookError, ImportFileError, LabkitError

Take = Literal["good rows", "all or none"]


class Imports(Part):
    """The part of the lab book that takes scores from files."""

    def preview_import(
        self,
        path: str | os.PathLike[str],
        session: str,
        *,
        with_corrections: bool = False,
        source: Source = "paper",
        entered_by: str = "",
    ) -> ImportPreview:
        """Look through a CSV file or spreadsheet of scores without taking anything.

        Tidy files have the columns flight, taster, blind_code (or position), attribute and score,
        and may have stage and words; wide ones have one column an attribute instead. Columns of
        an export are passed over; any other, such as remarks, is named and left out. Where code
        and position are both given they must agree with the plan: a taster's lines of which one
        does not are refused together.

        Parameters
        ----------
        path : str or path
            The file: .csv or .xlsx.
        session : str
            Name of the session.
        with_corrections : bool
            Whether a score that differs from the book's corrects it (the earlier value stays in
            the history); without it such rows are refused.
        source : {"paper", "import", "sheet", "lead"}
            How the scores came about.
        entered_by : str
            Who typed them.

        Raises
        ------
        ImportFileError
            If the file cannot be read, or its columns are wrong.
        BookError
            If the session is unknown.
        """
        header, lines = read_lines(path)
        name = Path(path).name
        digest = hashlib.sha256(Path(path).expanduser().read_bytes()).hexdigest()[:20]
        with self._store.reading() as db:
            row = find_session(db, session)
            kinds = dict(
                db.execute(
                    select(AttributeRow.name, AttributeRow.kind)
                    .where(AttributeRow.session_id == row.id)
                    .order_by(AttributeRow.position)
                ).all()
            )
            template = Score(
                session=row.name,
                flight=0,
                taster="",
                attribute="",
                value=None,
                source=source,
                device=name,
                entered_by=entered_by,
            )
            read, left_out = read_rows(name, header, lines, kinds, digest=digest, template=template)
            rows = _judge(db, read, with_corrections)
        return ImportPreview(
            session=session,
            file=name,
            rows=tuple(rows),
            with_corrections=with_corrections,
            left_out=left_out,
        )

    def import_scores(self, preview: ImportPreview, *, take: Take = "all or none") -> int:
        """Take the scores of a file that has been looked through; says how many were taken.

        Taking the same file twice takes it once.

        Parameters
        ----------
        preview : ImportPreview
            What :meth:`preview_import` found.
        take : {"all or none", "good rows"}
            Whether one refused row stops the import, or is left out.

        Raises
        ------
        ImportFileError
            If a row is refused and all or none was asked, or the book changed meanwhile.
        """
        if take not in {"all or none", "good rows"}:
            msg = f"take must be 'all or none' or 'good rows', got {take!r}."
            raise ImportFileError(msg, field="take")
        if take == "all or none" and preview.refused:
            first = preview.refused[0]
            msg = (
                f"{preview.file} must be good in every row, but {len(preview.refused)} of "
                f"{len(preview.rows)} are refused, the first in line {first.line}: {first.why} "
                "Correct the file, or take the good rows."
            )
            raise ImportFileError(msg)

        def work(db: Session) -> int:
            good = [row for row in preview.rows if row.verdict in {"new", "correction"}]
            for row, now in zip(good, _judge(db, good, preview.with_corrections), strict=True):
                if now.verdict not in {row.verdict, "already there"}:
                    msg = (
                        f"the lab book has changed since {preview.file} was checked (line "
                        f"{row.line}: {now.why}); check it again."
                    )
                    raise ImportFileError(msg)
            scores = [row.score for row in good if row.score is not None]
            return sum(take_score(db, score, str(score.entry_id)).is_new for score in scores)

        return self._store.write(work, is_repeatable=True)


def _judge(db: Session, rows: Sequence[ImportRow], with_corrections: bool) -> list[ImportRow]:
    """Say of every score what the lab book would do with it now."""
    judged: list[ImportRow] = []
    first_line: dict[tuple[object, ...], int] = {}
    for row in _against_the_plan(db, rows):
        if row.score is None or row.verdict == "refused":
            judged.append(row)
            continue
        try:
            placed = find_place(db, row.score)
        except LabkitError as error:
            judged.append(replace(row, verdict="refused", why=str(error)))
            continue
        if placed.place in first_line:
            sooner = first_line[placed.place]
            why = f"duplicate: line {sooner} has a score for the same cup and attribute."
            judged.append(replace(row, verdict="refused", why=why))
            continue
        first_line[placed.place] = row.line
        current = last_entry(db, placed.place)
        if current is not None and placed.is_said_by(current):
            judged.append(replace(row, verdict="already there", why="the lab book has this score."))
        elif current is None:
            judged.append(replace(row, verdict="new", why=""))
        else:
            kept = f"{current.value!r} ({current.source}, {current.given_at:%Y-%m-%d %H:%M} UTC)"
            if with_corrections:
                judged.append(replace(row, verdict="correction", why=f"corrects {kept}."))
            else:
                why = f"the lab book has {kept} there; ask for corrections to replace it."
                judged.append(replace(row, verdict="refused", why=why))
    return judged


def _against_the_plan(db: Session, rows: Sequence[ImportRow]) -> list[ImportRow]:
    """Refuse a taster's rows where code and position are not together in the plan.

    With shared bowls all tasters have the same codes, each in an order of their own: lines under
    the wrong name fit in every code, and only their positions tell.
    """
    session = next((row.score.session for row in rows if row.score is not None), None)
    if session is None:
        return list(rows)
    orders = _orders(db, session)
    stated: dict[tuple[int, str], list[tuple[ImportRow, str, int]]] = {}
    for row in rows:
        if row.score is not None and row.score.blind_code and row.position is not None:
            with suppress(BookError):  # no name at all: said row by row
                sheet = row.score.flight, clean_name("taster", row.score.taster)
                cup = row, row.score.blind_code, row.position
                stated.setdefault(sheet, []).append(cup)
    refused: dict[int, str] = {}
    for (flight, taster), cups in stated.items():
        planned = orders.get((flight, taster), {})
        off = [row.line for row, code, place in cups if planned.get(code, place) != place]
        if not off:
            continue
        fits = [
            other
            for (of_flight, other), theirs in orders.items()
            if of_flight == flight and all(theirs.get(code) == place for _, code, place in cups)
        ]
        lines = list(dict.fromkeys(off))
        why = (
            f"codes and positions of {taster} in flight {flight} contradict the plan in line"
            f"{'s' * (len(lines) > 1)} {', '.join(map(str, lines))}"
            + (f" and are those of {' or '.join(fits)}" if fits else "")
            + ": check whose sheet this is."
        )
        refused |= {id(row): why for row, _, _ in cups}
    return [
        replace(row, verdict="refused", why=refused[id(row)]) if id(row) in refused else row
        for row in rows
    ]


def _orders(db: Session, session: str) -> dict[tuple[int, str], dict[str, int]]:
    """Position of each code, by flight and taster; codes under cups not found yet are not there."""
    orders: dict[tuple[int, str], dict[str, int]] = {}
    for flight, taster, code, position in db.execute(
        select(FlightRow.number, TasterRow.name, CupRow.blind_code, ServingRow.position)
        .select_from(ServingRow)
        .join(FlightRow, ServingRow.flight_id == FlightRow.id)
        .join(TasterRow, ServingRow.taster_id == TasterRow.id)
        .join(CupRow, ServingRow.cup_id == CupRow.id)
        .where(FlightRow.session_id == find_session(db, session).id)
    ):
        orders.setdefault((flight, taster), {})[code] = position
    return orders
