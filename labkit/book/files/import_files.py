"""What stands in a file of scores, line by line, before the lab book has a say."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import TYPE_CHECKING, Final, Literal

from labkit.book.files.csv_files import Line
from labkit.book.scores.frames import TIDY_COLUMNS
from labkit.book.scores.score import Score
from labkit.book.store.records import Stage
from labkit.errors import ImportFileError

if TYPE_CHECKING:
    import pandas as pd

Status = Literal["new", "correction", "already there", "refused"]

_CUP: Final = ("flight", "taster")
_KNOWN: Final = frozenset(TIDY_COLUMNS)
_NEAR: Final = 0.8
"""From so alike on (difflib's ratio) a column's name is a slip: "overal", "Taster", "flights"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportRow:
    """One score of a file, and what would become of it."""

    line: int
    """Line of the file, the header being 1."""

    verdict: Status
    """New, a correction, already in the book, or refused."""

    why: str
    """Why it is refused, or what it corrects."""

    cells: Mapping[str, str]
    """What the line says."""

    score: Score | None = field(default=None, repr=False)
    """The score; None if the line could not be read as one."""

    position: int | None = None
    """Where the line says that the cup stood, beside its code; None if it names one of the two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportPreview:
    """A file looked through: nothing is in the lab book yet."""

    session: str
    """The session it is for."""

    file: str
    """Name of the file."""

    rows: tuple[ImportRow, ...]
    """One for each score in the file, in its order."""

    with_corrections: bool
    """Whether scores that differ from the book's are to correct them."""

    left_out: tuple[str, ...] = ()
    """Columns that the lab book has no place for, as they are named; nothing of them is taken."""

    def count(self, verdict: Status) -> int:
        """How many rows have a verdict.

        Parameters
        ----------
        verdict : {"new", "correction", "already there", "refused"}
            What was found of a row.
        """
        return sum(row.verdict == verdict for row in self.rows)

    @property
    def refused(self) -> tuple[ImportRow, ...]:
        """The rows that would not be taken."""
        return tuple(row for row in self.rows if row.verdict == "refused")

    def to_frame(self) -> pd.DataFrame:
        """One row a score of the file: line, verdict, why, and what the line says."""
        import pandas as pd

        rows = [
            {"line": row.line, "verdict": row.verdict, "why": row.why, **row.cells}
            for row in self.rows
        ]
        return pd.DataFrame(rows) if rows else pd.DataFrame(columns=["line", "verdict", "why"])

    def __str__(self) -> str:
        verdicts: tuple[Status, ...] = ("new", "correction", "already there", "refused")
        counts = ", ".join(f"{self.count(verdict)} {verdict}" for verdict in verdicts)
        columns = f". {self.said_of_columns}" if self.left_out else ""
        return f"{self.file} for {self.session}: {counts}{columns}"

    @property
    def said_of_columns(self) -> str:
        """Which columns are left out; empty if none are."""
        if not self.left_out:
            return ""
        names = ", ".join(self.left_out)
        return f"Not taken, as nothing of the name is scored in this session: {names}."


def read_rows(
    name: str,
    header: Sequence[str],
    lines: Sequence[Line],
    kinds: Mapping[str, str],
    *,
    digest: str,
    template: Score,
) -> tuple[list[ImportRow], tuple[str, ...]]:
    """Read every line of a file as scores, and say which columns are left out.

    Parameters
    ----------
    kinds : mapping of str to str
        Kind of each attribute of the session, by name.
    digest : str
        Stands for the file's content in the entries' ids, so that taking a file twice is once.
    template : Score
        What all scores of the file share.

    Raises
    ------
    ImportFileError
        If the columns are wrong.
    """
    is_wide, left_out = _check_columns(name, header, kinds)
    rows = [
        _read(draft, template, kinds, digest)
        for line in lines
        for draft in _drafts(line, header, template.session, kinds, is_wide=is_wide)
    ]
    return rows, left_out


@dataclass(frozen=True, slots=True, kw_only=True)
class _Draft:
    """One score of a line, still text."""

    line: int
    cells: Mapping[str, str]
    problem: str = ""


def _check_columns(
    name: str, header: Sequence[str], kinds: Mapping[str, str]
) -> tuple[bool, tuple[str, ...]]:
    """Whether the file is wide, and its columns that are left out; refuses one with wrong columns.

    A column of remarks is nobody's mistake and is left out; one that is nearly the name of what is
    scored is a slip, and leaving it out would lose its scores.
    """
    missing = [column for column in _CUP if column not in header]
    if "blind_code" not in header and "position" not in header:
        missing.append("blind_code")
    is_wide = "attribute" not in header
    if not is_wide and "score" not in header:
        missing.append("score")
    allowed = _KNOWN | set(kinds) if is_wide else _KNOWN
    odd = tuple(column for column in header if column not in allowed)
    absent = {column.casefold(): column for column in allowed - set(header)}
    for column in odd:
        near = get_close_matches(column.strip().casefold(), absent, n=1, cutoff=_NEAR)
        if near:
            msg = (
                f"{name} must have known columns, got {column!r}: did you mean "
                f"{absent[near[0]]!r}? Rename it, or drop it."
            )
            raise ImportFileError(msg)
    if missing:
        msg = (
            f"{name} must have the columns flight, taster, blind_code, and attribute and score (or "
            f"one column an attribute), but {', '.join(missing)} is missing; it has "
            f"{', '.join(header)}."
        )
        raise ImportFileError(msg)
    if is_wide and not set(kinds) & set(header):
        msg = (
            f"{name} must have a column of scores; the session's attributes are {', '.join(kinds)}."
        )
        raise ImportFileError(msg)
    return is_wide, odd


def _drafts(
    line: Line,
    header: Sequence[str],
    session: str,
    kinds: Mapping[str, str],
    *,
    is_wide: bool,
) -> list[_Draft]:
    """The scores of one line: one, or one for each attribute column that is filled."""
    cup = {
        column: line.cells.get(column, "")
        for column in ("flight", "taster", "blind_code", "position", "stage")
        if column in header
    }
    problem = ""
    if line.n_cells < len(header):
        problem = f"half a row: {line.n_cells} cells where the header has {len(header)}."
    elif line.n_cells > len(header):
        problem = f"too many cells: {line.n_cells} where the header has {len(header)}."
    elif line.cells.get("session", session) not in {"", session}:
        problem = f"another session: {line.cells['session']!r}, not {session!r}."
    if not is_wide:
        cells = cup | {
            column: line.cells.get(column, "")
            for column in ("attribute", "score", "words")
            if column in header
        }
        return [_Draft(line=line.number, cells=cells, problem=problem)]
    if problem:
        return [_Draft(line=line.number, cells=cup, problem=problem)]
    return [
        _Draft(line=line.number, cells=cup | {"attribute": name, "score": line.cells[name]})
        for name in kinds
        if line.cells.get(name, "")
    ]


def _read(draft: _Draft, template: Score, kinds: Mapping[str, str], digest: str) -> ImportRow:
    """Read a line's text as a score, or say why it is none."""
    refused = ImportRow(line=draft.line, verdict="refused", why=draft.problem, cells=draft.cells)
    if draft.problem:
        return refused
    cells = draft.cells
    kind = kinds.get(cells["attribute"])
    if kind is None:
        return replace(
            refused,
            why=f"unknown attribute {cells['attribute']!r}; the session has {', '.join(kinds)}.",
        )
    text = cells["score"] or cells.get("words", "")
    empty = [name for name in _CUP if not cells[name]]
    if not (cells.get("blind_code") or cells.get("position")):
        empty.append("blind_code")
    # Our own table says so of a list in which nothing was placed; a bare score column does not.
    is_empty_list = kind != "number" and "words" in cells
    if not text and not is_empty_list:
        empty.append("score")
    if empty:
        return replace(refused, why=f"half a row: {', '.join(empty)} is empty.")
    try:
        value: float | str | list[str] = text
        if kind == "number":
            value = _number("score", text)
        elif kind == "descriptors":
            value = [word.strip() for word in text.split(";") if word.strip()]
        stage: Stage | None = cells.get("stage") or None  # type: ignore[assignment]
        code = cells.get("blind_code") or None
        position = _whole("position", cells["position"]) if cells.get("position") else None
        score = replace(
            template,
            flight=_whole("flight", cells["flight"]),
            taster=cells["taster"],
            attribute=cells["attribute"],
            value=value,
            blind_code=None if code is None else code.removesuffix(".0"),
            position=position if code is None else None,
            stage=stage,
            entry_id=f"file-{digest}-{draft.line}-{cells['attribute']}",
        )
    except ImportFileError as error:
        return replace(refused, why=str(error))
    return ImportRow(
        line=draft.line,
        verdict="new",
        why="",
        cells=cells,
        score=score,
        position=None if code is None else position,
    )


def _number(field_name: str, text: str) -> float:
    """Read a number, written with a point or a comma."""
    plain = text.replace(",", ".") if re.fullmatch(r"[+-]?\d+,\d+", text) else text
    try:
        return float(plain)
    except ValueError:
        msg = f"{field_name} must be a number, got {text!r}."
        raise ImportFileError(msg) from None


def _whole(field_name: str, text: str) -> int:
    number = _number(field_name, text)
    if not number.is_integer():
        msg = f"{field_name} must be a whole number, got {text!r}."
        raise ImportFileError(msg)
    return int(number)
