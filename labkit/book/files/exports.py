"""Scores taken away as files, and a spreadsheet to type paper sheets into."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from sqlalchemy import select

from labkit.book.files.csv_files import as_text, neutral, replace_file, write_csv
from labkit.book.scores.frames import Frames
from labkit.book.scores.scores import ScoreEntries
from labkit.book.store.lookups import find_session, unknown
from labkit.book.store.schema import (
    BEING_TASTED,
    PLANNED,
    AttributeRow,
    CupRow,
    FlightRow,
    ServingRow,
    TasterRow,
)
from labkit.errors import BookError

if TYPE_CHECKING:
    import pandas as pd


HISTORY_COLUMNS = (
    "flight",
    "taster",
    "position",
    "blind_code",
    "stage",
    "attribute",
    "value",
    "is_current",
    "given_at",
    "received_at",
    "source",
    "device",
    "entered_by",
    "entry_id",
)


class Exports(Frames, ScoreEntries):
    """The part of the lab book that writes score files."""

    def export_scores(
        self,
        path: str | os.PathLike[str],
        *,
        shape: Literal["tidy", "wide"] = "tidy",
        client: str | None = None,
        coffee: str | None = None,
        session: str | None = None,
        overwrite: bool = False,
    ) -> Path:
        """Write scores to a CSV file, or to a spreadsheet where its name ends in .xlsx.

        Cells that a spreadsheet would run as a formula get an apostrophe before them. Both shapes
        can be imported again.

        Parameters
        ----------
        path : str or path
            The file to write.
        shape : {"tidy", "wide"}
            One row a score, or one row a cup.
        client, coffee, session : str, optional
            Only these; all if none is given.
        overwrite : bool
            Whether a file of that name may be replaced.

        Returns
        -------
        Path
            The file written.

        Raises
        ------
        BookError
            If a name is unknown, or the file exists and may not be overwritten.
        """
        if shape not in {"tidy", "wide"}:
            raise unknown("shape", shape, ["tidy", "wide"])
        table = self.tidy_scores if shape == "tidy" else self.wide_scores
        frame = table(client=client, coffee=coffee, session=session)
        write = _write_sheet if Path(path).suffix.lower() == ".xlsx" else write_csv
        return write(path, list(frame.columns), _rows(frame), overwrite=overwrite)

    def export_history(
        self, path: str | os.PathLike[str], session: str, *, overwrite: bool = False
    ) -> Path:
        """Write every entry ever taken in a session to a CSV file, oldest first.

        A corrected or cleared score is there too, with who entered it, when and from where;
        ``is_current`` marks the one that counts: the last that the lab book took, if not cleared.

        Parameters
        ----------
        path : str or path
            The file to write.
        session : str
            Name of the session.
        overwrite : bool
            Whether a file of that name may be replaced.

        Returns
        -------
        Path
            The file written.

        Raises
        ------
        BookError
            If the session is unknown, or the file exists and may not be overwritten.
        """
        entries = self.history(session)
        last = {(e.flight, e.taster, e.position, e.attribute, e.stage): e for e in entries}
        counts = {e.entry_id for e in last.values() if e.value is not None}
        rows = []
        for entry in entries:
            is_list = isinstance(entry.value, tuple)
            shown = {
                "value": "; ".join(entry.value) if is_list else entry.value,  # type: ignore[arg-type]
                "is_current": entry.entry_id in counts,
            }
            rows.append([shown[c] if c in shown else getattr(entry, c) for c in HISTORY_COLUMNS])
        return write_csv(path, HISTORY_COLUMNS, rows, overwrite=overwrite)

    def write_paper_table(
        self, path: str | os.PathLike[str], session: str, *, overwrite: bool = False
    ) -> Path:
        """Write a spreadsheet (.xlsx) to type paper sheets into; importing it takes the scores.

        It has a row for each cup of each taster in the flights that take scores, in the order on
        their sheets, and an empty column for each attribute. It knows codes, not waters.

        Parameters
        ----------
        path : str or path
            The file to write.
        session : str
            Name of the session.
        overwrite : bool
            Whether a file of that name may be replaced.

        Returns
        -------
        Path
            The file written.

        Raises
        ------
        BookError
            If the session is unknown, no flight takes scores, or the file cannot be written.
        """
        with self._store.reading() as db:
            row = find_session(db, session)
            stages = list(row.stages) or [None]
            attributes = list(
                db.scalars(
                    select(AttributeRow.name)
                    .where(AttributeRow.session_id == row.id)
                    .order_by(AttributeRow.position)
                )
            )
            cups = db.execute(
                select(FlightRow.number, TasterRow.name, ServingRow.position, CupRow.blind_code)
                .select_from(ServingRow)
                .join(FlightRow, ServingRow.flight_id == FlightRow.id)
                .join(TasterRow, ServingRow.taster_id == TasterRow.id)
                .outerjoin(CupRow, ServingRow.cup_id == CupRow.id)
                .where(FlightRow.session_id == row.id, FlightRow.state.in_([PLANNED, BEING_TASTED]))
                .order_by(FlightRow.number, TasterRow.name, ServingRow.position)
            ).all()
        if not cups:
            msg = f"session {session!r} must have a flight that takes scores; plan or unlock one."
            raise BookError(msg, field="session")
        about = ["flight", "taster", "position", "blind_code", *(["stage"] if stages[0] else [])]
        rows = [
            [flight, taster, position, code, *([stage] if stage else [])]
            for flight, taster, position, code in cups
            for stage in stages
        ]
        return _write_sheet(path, [*about, *attributes], rows, overwrite=overwrite)


def _write_sheet(
    path: str | os.PathLike[str],
    header: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    overwrite: bool,
) -> Path:
    """Write a spreadsheet whose header stays in sight; numbers stay numbers."""
    from openpyxl import Workbook
    from openpyxl.styles import Font

    book = Workbook()
    sheet = book.active
    sheet.append([neutral(name) for name in header])
    for row in rows:
        sheet.append([cell if _is_number(cell) else as_text(cell) or None for cell in row])
    for cell in sheet[1]:
        cell.font = Font(bold=True)
        sheet.column_dimensions[cell.column_letter].width = max(10, len(str(cell.value)) + 3)
    sheet.freeze_panes = "A2"
    return replace_file(path, book.save, overwrite=overwrite)


def _is_number(cell: object) -> bool:
    return isinstance(cell, int | float) and not isinstance(cell, bool) and cell == cell


def _rows(frame: pd.DataFrame) -> list[tuple[object, ...]]:
    """Plain cells: no NaT and no numpy truth."""
    cells = frame.astype("object").where(frame.notna(), None)
    return list(cells.itertuples(index=False, name=None))
