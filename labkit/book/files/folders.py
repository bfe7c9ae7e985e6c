"""A whole lab book as a folder of CSV files, one a table, and back again.

Such a folder reads in any editor, shows its changes in version control, and outlives programs.
Links of tasters are left out: what opens a page has no place in a file that travels.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
from collections.abc import Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Connection,
    Date,
    DateTime,
    Float,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    delete,
    func,
    insert,
    select,
)
from sqlalchemy.exc import IntegrityError

from labkit.book.files.csv_files import read_lines, write_csv
from labkit.book.files.of_client import rows_of_client
from labkit.book.store.lookups import find_client
from labkit.book.store.opening import SCHEMA_VERSION, create_book, read_url, show, upgrade
from labkit.book.store.schema import Base, KeptReadingRow
from labkit.boundary import checked
from labkit.errors import BookError, ImportFileError

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from labkit.book.store.transactions import Store

_VERSION: Final = "tables_version"
_FACTS: Final = ("format", "made_at", "made_with", "bicarbonate_keeps_days")
_LEFT_OUT: Final = {("session_tasters", "link_sha256"): "", ("session_tasters", "seen_at"): None}
_MADE_AGAIN: Final = KeptReadingRow.__tablename__
"""What is read of the scores is no fact of its own, and another processor reads it for itself."""

_LEFT_OUT_FOR_CLIENTS: Final = {
    ("bottles", "note"): "",
    ("bottle_measurements", "note"): "",
    ("bottle_answers", "reason"): "",
    ("base_waters", "note"): "",
}
"""What is the lab's: a note on a bottle or a water of it may speak of other clients' work."""


def write_folder(
    store: Store, folder: str | os.PathLike[str], *, client: str | None, overwrite: bool
) -> Path:
    """Write every table to a CSV file of its name; see ``LabBook.export_folder``."""
    target = Path(folder).expanduser()
    if target.exists() and not target.is_dir():
        msg = f"the export must be a folder, got the file {target}; choose another name."
        raise BookError(msg)
    if target.is_dir() and any(target.iterdir()) and not overwrite:
        msg = f"the folder must be empty, but {target} is not; choose another or say overwrite."
        raise BookError(msg)
    # All tables from one view of the book, before the first file is written.
    with store.reading() as db:
        tables = _dump(db, client)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"{target} could not be made: {error.strerror}; choose another folder."
        raise BookError(msg) from error
    for name, (header, rows) in tables.items():
        write_csv(target / f"{name}.csv", header, rows, overwrite=True)
    return target


@checked(BookError)
def import_folder(
    folder: str | os.PathLike[str],
    where: str | os.PathLike[str],
    *,
    further_facts: Mapping[str, str] = MappingProxyType({}),
) -> None:
    """Make a new lab book from a folder that ``export_folder`` wrote, of this version or an older.

    Parameters
    ----------
    folder : str or path
        Where the CSV files lie.
    where : str or path
        The new lab book: a path or an SQLAlchemy URL.
    further_facts : mapping of str to str
        What the new book shall say of itself besides.

    Raises
    ------
    ImportFileError
        If a file is missing or does not fit; the message names file and line.
    BookError
        If there is a lab book already, or the folder was written by a newer labkit.
    """
    source = Path(folder).expanduser()
    url = read_url(where)
    facts = _read_facts(source)
    version = facts.pop(_VERSION, "")
    facts.update(further_facts)
    if not version.isdigit() or int(version) < 1:
        msg = f"lab_book.csv must say {_VERSION}, got {version!r}; export the folder again."
        raise ImportFileError(msg)
    if int(version) > SCHEMA_VERSION:
        msg = (
            f"{source} was written by a newer labkit (version {version} of the tables, this "
            f"labkit knows {SCHEMA_VERSION}); update labkit to read it."
        )
        raise BookError(msg)

    def fill(connection: Connection) -> None:
        upgrade(connection, f"{int(version):04d}")
        # As the tables were then, so that an old folder needs no code of its own.
        tables = MetaData()
        tables.reflect(connection)
        for table in tables.sorted_tables:
            if table.name == "lab_book":
                connection.execute(delete(table))
                connection.execute(
                    insert(table), [{"name": n, "value": v} for n, v in facts.items()]
                )
            elif table.name not in {"alembic_version", _MADE_AGAIN}:
                _fill_table(connection, table, source)
        upgrade(connection)

    try:
        create_book(url, fill)
    except FileExistsError as error:
        msg = f"the lab book must be new, but {show(url)} exists; choose another name."
        raise BookError(msg) from error


def _dump(db: Session, client: str | None) -> dict[str, tuple[list[str], list[list[Any]]]]:
    """Every table as header and rows, numbered anew so that gaps tell nothing."""
    visible = {} if client is None else rows_of_client(find_client(db, client).id)
    left_out = {**_LEFT_OUT, **({} if client is None else _LEFT_OUT_FOR_CLIENTS)}
    numbers: dict[str, dict[int, int]] = {}
    dumped: dict[str, tuple[list[str], list[list[Any]]]] = {}
    for table in Base.metadata.sorted_tables:
        if table.name == _MADE_AGAIN:
            continue
        header = [column.name for column in table.columns]
        query = select(table).order_by(*table.primary_key.columns)
        if table.name in visible:
            query = query.where(visible[table.name])
        own = numbers.setdefault(table.name, {})
        rows = []
        for row in db.execute(query).mappings():
            if "id" in row:
                own[row["id"]] = len(own) + 1
            hidden = _LEFT_OUT if row.get("client_id") is not None else left_out  # their own
            rows.append([_cell_out(column, row, numbers, hidden) for column in table.columns])
        dumped[table.name] = (header, rows)
    facts = [row for row in dumped["lab_book"][1] if row[0] in _FACTS]
    dumped["lab_book"] = (["name", "value"], [*facts, [_VERSION, str(SCHEMA_VERSION)]])
    return dumped


def _cell_out(
    column: Column[Any],
    row: Mapping[Any, Any],
    numbers: Mapping[str, Mapping[int, int]],
    left_out: Mapping[tuple[str, str], Any],
) -> Any:
    value = left_out.get((column.table.name, column.name), row[column.name])
    if value is None:
        return None
    if column.foreign_keys:
        (key,) = column.foreign_keys
        return numbers[key.column.table.name][value]
    if column.name == "id":
        return numbers[column.table.name][value]
    if isinstance(column.type, JSON):
        return json.dumps(value, ensure_ascii=False, sort_keys=True)
    if isinstance(value, bytes):
        return base64.b64encode(value).decode()
    return value


def _read_facts(source: Path) -> dict[str, str]:
    if not source.is_dir():
        msg = f"the lab book's folder must exist, but there is no folder {source}; check its name."
        raise ImportFileError(msg)
    header, lines = read_lines(source / "lab_book.csv")
    if header != ["name", "value"]:
        msg = f"lab_book.csv must have the columns name, value, got {', '.join(header)}."
        raise ImportFileError(msg)
    return {line.cells["name"]: line.cells["value"] for line in lines}


def _fill_table(connection: Connection, table: Table, source: Path) -> None:
    header, lines = read_lines(source / f"{table.name}.csv")
    columns = [column.name for column in table.columns]
    if sorted(header) != sorted(columns):
        msg = (
            f"{table.name}.csv must have the columns {', '.join(columns)}, got "
            f"{', '.join(header)}; export the folder again."
        )
        raise ImportFileError(msg)
    rows = []
    for line in lines:
        where = f"{table.name}.csv, line {line.number}"
        if line.n_cells != len(header):
            msg = f"{where}: a row must have {len(header)} cells, got {line.n_cells}."
            raise ImportFileError(msg)
        rows.append({c.name: _cell_in(c, line.cells[c.name], where) for c in table.columns})
    if not rows:
        return
    try:
        connection.execute(insert(table), rows)
    except IntegrityError as error:
        cause = str(error.orig).splitlines()[0]
        msg = f"{table.name}.csv does not fit the other files ({cause}); export the folder again."
        raise ImportFileError(msg) from error
    if connection.dialect.name == "postgresql" and "id" in columns:
        # Rows came with their numbers; new ones must go on after them.
        sequence = func.pg_get_serial_sequence(table.name, "id")
        connection.execute(select(func.setval(sequence, max(row["id"] for row in rows))))


def _cell_in(column: Column[Any], cell: str, where: str) -> Any:
    kind = column.type
    is_text = not isinstance(kind, JSON | Boolean | Date | DateTime | Float | Integer | LargeBinary)
    if is_text:
        return cell
    if not cell:
        if column.nullable:
            return None
        msg = f"{where}: {column.name} must not be empty."
        raise ImportFileError(msg)
    try:
        if isinstance(kind, JSON):
            return json.loads(cell)
        if isinstance(kind, Boolean):
            return {"yes": True, "no": False}[cell]
        if isinstance(kind, DateTime):
            moment = datetime.fromisoformat(cell).astimezone(UTC)
            return moment if getattr(kind, "timezone", False) else moment.replace(tzinfo=None)
        if isinstance(kind, Date):
            return date.fromisoformat(cell)
        if isinstance(kind, LargeBinary):
            return base64.b64decode(cell, validate=True)
        return int(cell) if isinstance(kind, Integer) else float(cell)
    except (ValueError, KeyError, binascii.Error) as error:
        msg = f"{where}: {column.name} cannot be read, got {cell!r}."
        raise ImportFileError(msg) from error
