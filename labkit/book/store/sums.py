"""A running sum of every table, so that a lab book in a file notices what it did not write itself.

SQLite's own check finds broken pages and indexes, not a flipped bit in a number or a word. Beside
the tables stands one sum each, moved along in the transaction that changes a row and counted anew
when the book is opened. A PostgreSQL server looks after its own pages (``initdb
--data-checksums``).
"""

from __future__ import annotations

import sqlite3
from hashlib import blake2b
from typing import Any, Final

PREFIX: Final = "sum of "
"""How the names of sums begin among the facts of the lab book."""

_SCHEMA: Final = "sqlite_master"


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


def has_sums(connection: sqlite3.Connection) -> bool:
    """Whether the book keeps sums: one of an earlier labkit does not yet."""
    return bool(_kept(connection))


def write_sums(connection: sqlite3.Connection) -> None:
    """Count every table and write its sum down, in the transaction that is open."""
    connection.execute(f"DELETE FROM lab_book WHERE name LIKE '{PREFIX}%'")
    counted = _count(connection).items()
    connection.executemany("INSERT INTO lab_book (name, value) VALUES (?, ?)", counted)


def changed_tables(connection: sqlite3.Connection) -> tuple[str, ...]:
    """Tables that are not as the lab book wrote them; none where no sums are kept."""
    if "lab_book" not in _tables(connection):
        return ()
    kept = _kept(connection)
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


def _kept(connection: sqlite3.Connection) -> dict[str, str]:
    query = f"SELECT name, value FROM lab_book WHERE name LIKE '{PREFIX}%'"
    return dict(connection.execute(query).fetchall())


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
