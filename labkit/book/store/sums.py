"""A running sum of every table, so that a lab book in a file notices what it did not write itself.

SQLite's own check finds broken pages and indexes, not a flipped bit in a number or a word. Beside
the tables stands one sum each, moved along in the transaction that changes a row and counted anew
when the book is opened. A PostgreSQL server looks after its own pages (``initdb
--data-checksums``): there the same place holds a stamp, new with every change of the table.

By them a process also finds which tables another one has written to (``changes.py``).
"""

from __future__ import annotations

import secrets
import sqlite3
from hashlib import blake2b
from typing import Any, Final

from sqlalchemy import Connection, Engine, event, select
from sqlalchemy.dialects.postgresql import insert

from labkit.book.store.schema import FactRow

PREFIX: Final = "sum of "
"""How the names of sums begin among the facts of the lab book."""

_SCHEMA: Final = "sqlite_master"
_TOUCHED: Final = "labkit_touched"


def keep_sums(connection: sqlite3.Connection) -> None:
    """Let every change that goes through this connection move the sums along."""
    connection.create_function("labkit_sum", -1, _move, deterministic=True)
    for table in _tables(connection):
        columns = _columns(connection, table)
        moved = {
            verb: f"labkit_sum(value, {sign}, {_listed(columns, f'{verb}.')})"
            for verb, sign in (("NEW", 1), ("OLD", -1))
        }
        changes = {
            "INSERT": moved["NEW"],
            "DELETE": moved["OLD"],
            "UPDATE": moved["NEW"].replace("(value,", f"({moved['OLD']},", 1),
        }
        for verb, value in changes.items():
            # Sums stand among the facts, and are no facts themselves.
            row = "OLD" if verb == "DELETE" else "NEW"
            when = f"WHEN {row}.name NOT LIKE '{PREFIX}%' " if table == "lab_book" else ""
            connection.execute(
                f'CREATE TEMP TRIGGER "sum_{table}_{verb}" AFTER {verb} ON main."{table}" {when}'
                f"BEGIN UPDATE lab_book SET value = {value} WHERE name = '{PREFIX}{table}'; END"
            )


def note_tables(engine: Engine) -> None:
    """Let every transaction on PostgreSQL know which tables it has changed."""

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        connection.info[_TOUCHED] = set()

    @event.listens_for(engine, "after_cursor_execute")
    def note(connection: Connection, cursor: Any, *call: Any) -> None:
        context = call[2]
        if (context.isinsert or context.isupdate or context.isdelete) and cursor.rowcount != 0:
            connection.info[_TOUCHED].add(context.compiled.statement.table.name)


def stamp_sums(connection: Connection) -> None:
    """Stamp what the open transaction has changed; in a file the sums have moved already.

    The last thing before the commit, and in one order: two writers never wait for each other.
    """
    if connection.dialect.name != "postgresql":
        return
    for table in sorted(connection.info[_TOUCHED]):
        stamp = insert(FactRow).values(name=f"{PREFIX}{table}", value=secrets.token_hex(8))
        value = {"value": stamp.excluded.value}
        connection.execute(stamp.on_conflict_do_update(index_elements=["name"], set_=value))


def read_sums(connection: Connection) -> dict[str, str]:
    """The sum, or stamp, of each table as this connection sees it."""
    kept = select(FactRow.name, FactRow.value).where(FactRow.name.startswith(PREFIX))
    return dict(connection.execute(kept).all())


def has_sums(connection: sqlite3.Connection) -> bool:
    """Whether the book keeps sums: one of an earlier labkit does not yet."""
    return bool(kept_sums(connection))


def kept_sums(connection: sqlite3.Connection) -> dict[str, str]:
    """The sum of each table in a file, as it was written down."""
    query = f"SELECT name, value FROM lab_book WHERE name LIKE '{PREFIX}%'"
    return dict(connection.execute(query).fetchall())


def write_sums(connection: sqlite3.Connection) -> None:
    """Count every table and write its sum down, in the transaction that is open."""
    connection.execute(f"DELETE FROM lab_book WHERE name LIKE '{PREFIX}%'")
    counted = _count(connection).items()
    connection.executemany("INSERT INTO lab_book (name, value) VALUES (?, ?)", counted)


def changed_tables(connection: sqlite3.Connection) -> tuple[str, ...]:
    """Tables that are not as the lab book wrote them; none where no sums are kept."""
    if "lab_book" not in _tables(connection):
        return ()
    kept = kept_sums(connection)
    if not kept:
        return ()
    found = _count(connection)
    names = sorted({*kept, *found})
    return tuple(n.removeprefix(PREFIX) for n in names if kept.get(n) != found.get(n))


def _count(connection: sqlite3.Connection) -> dict[str, str]:
    queries = {
        table: f'SELECT {_listed(_columns(connection, table))} FROM "{table}"'
        for table in _tables(connection)
    }
    queries["lab_book"] += f" WHERE name NOT LIKE '{PREFIX}%'"
    queries[_SCHEMA] = "SELECT type, name, tbl_name, sql FROM sqlite_master"
    sums = {}
    for table, query in queries.items():
        n_rows = total = 0
        for row in connection.execute(query):
            n_rows += 1
            total += _digest(row)
        sums[f"{PREFIX}{table}"] = _written(n_rows, total)
    return sums


def _tables(connection: sqlite3.Connection) -> list[str]:
    query = "SELECT name FROM main.sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    return [name for (name,) in connection.execute(query)]


def _columns(connection: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in connection.execute(f'PRAGMA main.table_info("{table}")')]


def _listed(columns: list[str], before: str = "") -> str:
    return ", ".join(f'{before}"{column}"' for column in columns)


def _digest(row: tuple[Any, ...]) -> int:
    return int.from_bytes(blake2b(repr(row).encode(), digest_size=8).digest(), "big")


def _written(n_rows: int, total: int) -> str:
    return f"{n_rows} rows, {total % 2**64:016x}"


def _move(before: str, sign: int, *row: Any) -> str:
    """The sum with a row more (1) or less (-1); the order of rows makes no difference."""
    n_rows, _, total = before.partition(" rows, ")
    return _written(int(n_rows) + sign, int(total, 16) + sign * _digest(row))
