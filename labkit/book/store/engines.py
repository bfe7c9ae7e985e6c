"""How a database is connected to: settings that scores deserve, and waiting for one's turn."""

from __future__ import annotations

import random
import sqlite3
import time
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import DisconnectionError, OperationalError

BUSY_TIMEOUT_S = 30.0
"""How long a writer waits for another writer. Without waiting, 147 of 2400 rows of twelve writers
were refused; a backup program or a slow laptop may hold the file for 10 s."""

IN_USE = 1
"""User version (byte 60 of the header) of a file whose newest rows may be in its log only; 0 once
the last one has closed it. A file that is in use and has no log was copied without it."""


def make_engine(url: URL, patience_s: float | None = None) -> Engine:
    """Make the engine with the settings that scores deserve.

    Parameters
    ----------
    patience_s : float, optional
        How long it waits for a writer or a server; as long as is usual if not given.
    """
    if url.get_backend_name() == "postgresql":
        wait_s = 10 if patience_s is None else max(2, round(patience_s))
        # The ping replaces connections that a server restart has cut.
        return create_engine(url, pool_pre_ping=True, connect_args={"connect_timeout": wait_s})
    path = Path(str(url.database))
    # A file that is gone must not be made anew, empty, by whoever still has the book open.
    address = f"{path.as_uri()}?mode=rw"
    timeout_s = BUSY_TIMEOUT_S if patience_s is None else patience_s

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(address, uri=True, timeout=timeout_s, check_same_thread=False)

    engine = create_engine(url, creator=connect)

    @event.listens_for(engine, "connect")
    def set_up(connection: sqlite3.Connection, record: Any) -> None:
        # The driver's own BEGIN comes too late to hold the write lock from the first read on.
        connection.isolation_level = None
        record.info["labkit_marked"] = _mark_in_use(connection, 0, timeout_s)
        connection.execute("PRAGMA foreign_keys=ON")
        # NORMAL may lose the last commits at a power cut in WAL mode, FULL does not; it costs
        # about a millisecond a score.
        connection.execute("PRAGMA synchronous=FULL")

    @event.listens_for(engine, "checkout")
    def check_file(connection: sqlite3.Connection, record: Any, _proxy: object) -> None:
        # A file that was deleted or moved while it is open still takes rows, which nobody would
        # ever see again.
        known = record.info.setdefault("labkit_file", file_identity(path))
        if known is None or known != file_identity(path):
            raise DisconnectionError

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        # A writer that starts as a reader can be refused halfway (its snapshot is old by then),
        # whatever the busy timeout; one that asks for the write lock first just waits its turn.
        if connection.get_execution_options().get("labkit_writes", False):
            if not connection.info["labkit_marked"]:
                raw: Any = connection.connection.driver_connection
                connection.info["labkit_marked"] = _mark_in_use(raw, timeout_s, timeout_s)
            _wait_for_turn(connection)
        else:
            connection.exec_driver_sql("BEGIN")

    if patience_s is None:
        return engine
    return engine.execution_options(labkit_patience_s=patience_s)


def _mark_in_use(connection: sqlite3.Connection, patience_s: float, timeout_s: float) -> bool:
    """Write into the file itself that its newest rows may be in the log, then begin the log.

    The log lets readers read while one writes, and commits with one fsync. It needs a local disk:
    over a network share use PostgreSQL instead. Whether it is done: while somebody else writes to a
    file that is not marked, it can be read as it is, and is marked before the first row is written.
    """
    give_up_at = time.monotonic() + patience_s
    connection.execute("PRAGMA busy_timeout=0")
    try:
        while True:
            try:
                has_log = connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
                is_marked = connection.execute("PRAGMA user_version").fetchone()[0] == IN_USE
                if not is_marked:
                    connection.execute(f"PRAGMA user_version={IN_USE}")
                    if has_log:  # of an earlier labkit: the mark belongs into the file
                        connection.execute("PRAGMA wal_checkpoint")
                if not has_log:
                    connection.execute("PRAGMA journal_mode=WAL")
            except sqlite3.OperationalError as error:
                if "locked" not in str(error):
                    raise
                if time.monotonic() > give_up_at:
                    return False
                time.sleep(random.uniform(0.001, 0.006))
            else:
                return True
    finally:
        connection.execute(f"PRAGMA busy_timeout={1000 * timeout_s:.0f}")


def _wait_for_turn(connection: Connection) -> None:
    """Begin to write, asking again every few milliseconds.

    SQLite's own waiting grows to 100 ms between two tries, so that the unlucky among twelve tasters
    wait many times longer than their turn takes: 95 % of scores were safe within 150 to 230 ms
    that way, within 50 to 65 ms this way (same machine, equally busy; at full tilt, which people
    never reach, SQLite's way has the better throughput).
    """
    raw: Any = connection.connection.driver_connection
    wait_s = connection.get_execution_options().get("labkit_patience_s", BUSY_TIMEOUT_S)
    give_up_at = time.monotonic() + wait_s
    raw.execute("PRAGMA busy_timeout=0")
    try:
        while True:
            try:
                raw.execute("BEGIN IMMEDIATE")
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > give_up_at:
                    raise OperationalError("BEGIN IMMEDIATE", None, error) from error
                time.sleep(random.uniform(0.001, 0.006))
            else:
                return
    finally:
        raw.execute(f"PRAGMA busy_timeout={1000 * wait_s:.0f}")


def file_identity(path: Path) -> tuple[int, int] | None:
    """Which file has this name now; None if none has."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
