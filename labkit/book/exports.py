"""Scores taken away as CSV files, of everything or of one client only."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from labkit.book.csv_files import write_csv
from labkit.book.frames import Frames
from labkit.book.lookups import unknown

if TYPE_CHECKING:
    import pandas as pd


class Exports(Frames):
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
        """Write scores to a CSV file: tidy (one row a score) or wide (one row a cup).

        Cells that a spreadsheet would run as a formula get an apostrophe before them. Both shapes
        can be imported again.

        Raises
        ------
        BookError
            If a name is unknown, or the file exists and may not be overwritten.
        """
        if shape not in {"tidy", "wide"}:
            raise unknown("shape", shape, ["tidy", "wide"])
        table = self.tidy_scores if shape == "tidy" else self.wide_scores
        frame = table(client=client, coffee=coffee, session=session)
        return write_csv(path, list(frame.columns), _rows(frame), overwrite=overwrite)


def _rows(frame: pd.DataFrame) -> list[tuple[object, ...]]:
    """Plain cells: no NaT and no numpy truth."""
    cells = frame.astype("object").where(frame.notna(), None)
    return list(cells.itertuples(index=False, name=None))
