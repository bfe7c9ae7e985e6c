"""CSV files as the lab book writes and reads them: safe in a spreadsheet, and back unchanged."""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from labkit.boundary import checked
from labkit.errors import BookError, ImportFileError

if TYPE_CHECKING:
    import pandas as pd

_STARTS_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""What makes a spreadsheet run a cell (OWASP, CSV injection; the last four are full-width)."""

_PART: Final = re.compile(r"(?<=[;\t\r\n])[^;\t\r\n]+")
"""What a spreadsheet takes for a cell of its own where semicolons or tabs separate, or where it
takes a line break inside a cell for the end of the row."""

_STARTS_PART: Final = re.compile(r"'|[\s\"]*[=+\-@＝＋－＠]")
"""How a part begins that gets an apostrophe: blanks and quotation marks may be dropped on reading,
and an apostrophe that was there must be told from ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a file that is read."""

    number: int
    """Counted as the spreadsheet counts, the header being 1."""

    cells: dict[str, str]
    """Text by column; empty cells are empty text."""

    n_cells: int
    """Cells really there, so that half a row is seen."""


def neutral(cell: object) -> object:
    """Give a cell that no spreadsheet runs as a formula; numbers and dates stay as they are.

    An apostrophe is set before, which a spreadsheet takes for "this is text"; within the cell as
    well, where a spreadsheet that separates by other signs than ours would start another cell.
    """
    if not isinstance(cell, str):
        return cell
    safe = _PART.sub(lambda part: f"'{part[0]}" if _STARTS_PART.match(part[0]) else part[0], cell)
    return f"'{safe}" if safe.startswith((*_STARTS_FORMULA, "'")) else safe


def original(cell: str) -> str:
    """Undo :func:`neutral`."""
    if cell.startswith("'") and cell[1:].startswith((*_STARTS_FORMULA, "'")):
        cell = cell[1:]
    return _PART.sub(
        lambda part: (
            part[0][1:] if part[0][0] == "'" and _STARTS_PART.match(part[0], 1) else part[0]
        ),
        cell,
    )


@checked(BookError)
def frame_csv(frame: pd.DataFrame) -> str:
    """Write a frame as CSV without its index, text cells as :func:`neutral` gives them.

    Parameters
    ----------
    frame : DataFrame
        Any table.

    Returns
    -------
    str
        CSV.
    """
    words = frame.select_dtypes(exclude=["number", "bool", "datetime", "datetimetz"])
    return frame.assign(**words.map(neutral)).rename(columns=neutral).to_csv(index=False)


def as_text(cell: object) -> object:
    """Write moments, days, truth and nothing so that they can be read back."""
    if cell is None or cell != cell:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, datetime | date):
        return cell.isoformat()
    return neutral(cell)


def write_csv(
    path: str | os.PathLike[str],
    header: Sequence[str],
    rows: Iterable[Sequence[Any]],
    *,
    overwrite: bool = False,
) -> Path:
    """Write a CSV file (UTF-8, comma), completely or not at all.

    Raises
    ------
    BookError
        If the file exists and may not be overwritten, or cannot be written.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([neutral(name) for name in header])
    writer.writerows([as_text(cell) for cell in row] for row in rows)
    content = text.getvalue().encode()
    return replace_file(path, lambda draft: draft.write_bytes(content), overwrite=overwrite)


def replace_file(
    path: str | os.PathLike[str], write: Callable[[Path], object], *, overwrite: bool
) -> Path:
    """Let `write` fill a draft beside the file, and give it the file's name once it is whole.

    Raises
    ------
    BookError
        If the file exists and may not be overwritten, or cannot be written.
    """
    target = Path(path).expanduser()
    if target.exists() and not overwrite:
        msg = f"the file must be new, but {target} exists; choose another name or say overwrite."
        raise BookError(msg)
    draft = target.with_name(f".{target.name}.part")
    try:
        write(draft)
        draft.replace(target)
    except OSError as error:
        draft.unlink(missing_ok=True)
        msg = f"{target} could not be written: {error.strerror}; check the folder and the disk."
        raise BookError(msg) from error
    return target


def read_lines(path: str | os.PathLike[str]) -> tuple[list[str], list[Line]]:
    """Read a CSV file or the first sheet of a spreadsheet (.xlsx), header first.

    Comma, semicolon and tab are told apart by the header. Empty lines are passed over.

    Raises
    ------
    ImportFileError
        If there is no such file, no header, a column twice, or the file cannot be read.
    """
    source = Path(path).expanduser()
    if not source.is_file():
        msg = f"the file must exist, but there is no file {source}; check its name."
        raise ImportFileError(msg)
    is_sheet = source.suffix.lower() in {".xlsx", ".xlsm"}
    raw = _sheet_rows(source) if is_sheet else _csv_rows(source)
    filled = [(number, cells) for number, cells in raw if any(cell.strip() for cell in cells)]
    if not filled:
        msg = f"{source.name} must have a header line, but it is empty."
        raise ImportFileError(msg)
    header = [original(name.strip()) for name in filled[0][1]]
    while header and not header[-1]:
        header.pop()
    double = next((name for name in header if header.count(name) > 1), None)
    if double is not None:
        msg = f"{source.name} must name each column once, but {double!r} is there twice."
        raise ImportFileError(msg)
    lines = []
    for number, cells in filled[1:]:
        padded = [original(cell.strip()) for cell in cells] + [""] * len(header)
        n_cells = len(header) if is_sheet else len(cells)
        if any(cell.strip() for cell in cells[len(header) :]):
            n_cells = len(cells)
        elif n_cells > len(header):
            n_cells = len(header)
        lines.append(
            Line(number=number, cells=dict(zip(header, padded, strict=False)), n_cells=n_cells)
        )
    return header, lines


def read_table(path: str | os.PathLike[str]) -> pd.DataFrame:
    """Read a CSV file or the first sheet of a spreadsheet (.xlsx) as it stands there.

    Parameters
    ----------
    path : str or path
        The file; comma, semicolon and tab are told apart by the header.

    Returns
    -------
    DataFrame
        Text cells, empty where nothing was typed; the index counts lines, the header being 1.

    Raises
    ------
    ImportFileError
        If there is no such file, no header, a column twice, a line of another length, or the file
        cannot be read.
    """
    import pandas as pd

    header, lines = read_lines(path)
    for line in lines:
        if line.n_cells != len(header):
            raise ImportFileError(
                f"{Path(path).name}: line {line.number} must have {len(header)} cells, got "
                f"{line.n_cells}. Where commas separate cells, a decimal comma splits one: "
                "write a point, or separate cells by semicolons."
            )
    return pd.DataFrame(
        [line.cells for line in lines],
        columns=header,
        index=[line.number for line in lines],
        dtype=object,
    )


def _csv_rows(source: Path) -> list[tuple[int, list[str]]]:
    try:
        text = source.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        msg = f"{source.name} must be UTF-8 text; save it again as 'CSV UTF-8'."
        raise ImportFileError(msg) from error
    except OSError as error:
        msg = f"{source.name} could not be read: {error.strerror}."
        raise ImportFileError(msg) from error
    if "\0" in text:
        msg = f"{source.name} must be text, but it holds binary data; save it as CSV or .xlsx."
        raise ImportFileError(msg)
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows = []
    begun = 1
    try:
        for cells in reader:
            rows.append((begun, cells))
            begun = reader.line_num + 1
    except csv.Error as error:
        msg = f"{source.name} must be a CSV table, but line {begun} cannot be read: {error}."
        raise ImportFileError(msg) from error
    return rows


def _sheet_rows(source: Path) -> list[tuple[int, list[str]]]:
    import pandas as pd

    try:
        frame = pd.read_excel(source, header=None, dtype=object, engine="openpyxl")
    except Exception as error:
        msg = f"{source.name} cannot be read as a spreadsheet ({error}); save it as CSV UTF-8."
        raise ImportFileError(msg) from error
    return [
        (number, [_sheet_cell(cell) for cell in row])
        for number, row in enumerate(frame.itertuples(index=False, name=None), start=1)
    ]


def _sheet_cell(cell: object) -> str:
    """Write a cell as it reads on the screen: 417 and not 417.0."""
    if cell is None or cell != cell:
        return ""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)
