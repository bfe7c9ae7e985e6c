"""Opening a database as a lab book: settings, checks that harm nothing, creation, migration."""

from __future__ import annotations

import os
import re
import secrets
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import (
    URL,
    Connection,
    Engine,
    event,
    insert,
    inspect,
    make_url,
    text,
)
from sqlalchemy.exc import ArgumentError, DBAPIError

from labkit.book.store import engines
from labkit.book.store.columns import now_utc
from labkit.book.store.engines import IN_USE, make_engine
from labkit.book.store.schema import FactRow
from labkit.book.store.sums import changed_tables, has_sums, keep_sums, note_tables, write_sums
from labkit.boundary import checked
from labkit.errors import BookAwayError, BookError
from labkit.release import made_with

T = TypeVar("T")

SCHEMA_VERSION = 9
"""The version that this labkit reads and writes; one module per version in migrations/."""

APPLICATION_ID = 0x6C_6B_62_31
"""Marks an SQLite file as a lab book ("lkb1" at byte 68 of the header)."""

LOG_MISSED = "opened_without_its_log"
"""The fact that says when a file was opened that had been copied alone while it was written."""

TAKEN_AS_IT_IS = "taken_as_it_is"
"""The fact that says when a damaged book was taken as it is, and why."""

_CHANGED = "not as labkit wrote it"

MIGRATION_PATIENCE_S = 300.0
"""How long one waits while another brings an old book to the current version, which may be large
and the laptop slow: nothing else could be done meanwhile."""


def read_url(where: str | os.PathLike[str]) -> URL:
    """Read where a lab book is: an SQLAlchemy URL, or the path of an SQLite file.

    Raises
    ------
    BookError
        If it is neither, or names a database that the lab book does not work on.
    """
    given = os.fspath(where)
    if not given.strip():
        msg = "the lab book must be a path or a URL, got nothing; try 'data/my_lab_book.db'."
        raise BookError(msg)
    # One letter before the colon is a Windows drive, not a database.
    if not re.match(r"[A-Za-z][A-Za-z0-9+]+://", given):
        return URL.create("sqlite", database=str(Path(given).expanduser().resolve()))
    try:
        url = make_url(given)
    except (ArgumentError, ValueError) as error:
        msg = f"the lab book must be a path or a URL such as 'sqlite:///book.db', got {given!r}."
        raise BookError(msg) from error
    kind = url.get_backend_name()
    if kind == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if kind != "sqlite":
        msg = f"the lab book works on sqlite and postgresql, got {kind!r}; choose one of these."
        raise BookError(msg)
    if url.database in {None, "", ":memory:"}:
        msg = "the lab book must be a file, got a database in memory, which would be forgotten."
        raise BookError(msg)
    return url.set(drivername="sqlite", database=str(Path(str(url.database)).resolve()))


def open_engine(url: URL, *, must_exist: bool = False, patience_s: float | None = None) -> Engine:
    """Open the lab book at `url`, made if missing and brought to the current version.

    Every check comes before the first write, so that what is no lab book stays untouched. A current
    book that is in use is only read: opening waits for no writer.

    Raises
    ------
    BookError
        If it is damaged, foreign, newer, read-only, a folder, or cannot be reached; if it must
        exist and does not.
    """
    misses_log = False
    if url.get_backend_name() == "sqlite":
        path = Path(str(url.database))
        try:
            misses_log = _prepare_sqlite(url, path, must_exist=must_exist)
        except OSError as error:
            msg = f"{path} cannot be opened as a lab book: {error.strerror}; allow it, or choose "
            raise BookError(f"{msg}another file.") from error
    engine = make_engine(url, patience_s)
    try:
        with engine.connect() as connection:
            version = read_version(connection, url)
        if must_exist and not version:
            raise BookAwayError(_missing(url))
        if version and url.get_backend_name() == "postgresql":
            with engine.connect() as connection:
                # No row changes, yet a read-only server says so. A file was asked already: in
                # SQLite this would need the write lock.
                connection.execute(text("UPDATE lab_book SET value = value WHERE 1 = 0"))
        if version != SCHEMA_VERSION:
            _migrate(engine, url)
        if url.get_backend_name() == "sqlite":
            _begin_sums(engine, misses_log=misses_log)
        else:
            note_tables(engine)
    except DBAPIError as error:
        engine.dispose()
        raise BookAwayError(cannot_open(url, error)) from error
    except BaseException:
        engine.dispose()
        raise
    return engine


def close_engine(engine: Engine, url: URL) -> None:
    """Let go of the database; the last one to do so leaves a file that needs no log."""
    path = Path(str(url.database))
    if url.get_backend_name() != "sqlite" or not path.exists():
        engine.dispose()
        return
    try:
        with closing(_connect(path, "rw", timeout=0)) as last:
            last.execute("SELECT count(*) FROM sqlite_master").fetchone()  # keeps the log in being
            engine.dispose()
            last.execute("PRAGMA journal_mode=DELETE")  # refused while others have it open
            last.execute("BEGIN IMMEDIATE")
            if last.execute("PRAGMA journal_mode").fetchone()[0] == "delete":
                last.execute("PRAGMA user_version=0")
            last.execute("COMMIT")
    except sqlite3.Error:
        engine.dispose()  # others go on with it, or it cannot be written: then it stays as it is


@checked(BookError)
def take_as_it_is(where: str | os.PathLike[str], *, reason: str) -> None:
    """Accept a lab book that was changed by something else, as far as its pages are sound.

    For a book without a backup, or one that was edited by hand: look at it well first. When, what
    and why is written down in the book.

    Parameters
    ----------
    where : str or path
        The file of the lab book.
    reason : str
        Why it is taken as it is.

    Raises
    ------
    BookError
        If there is no such file, its pages are broken, or no reason is given.
    """
    url = read_url(where)
    path = Path(str(url.database))
    if not reason.strip():
        msg = "reason must say why the book is taken as it is, got nothing. A few words will do."
        raise BookError(msg, field="reason")
    if url.get_backend_name() != "sqlite" or not path.is_file():
        msg = f"the lab book must be a file that is there, got {show(url)}; check its name."
        raise BookError(msg)
    try:
        with closing(_connect(path, "rw")) as connection:
            connection.execute("BEGIN IMMEDIATE")
            (verdict,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
            if verdict != "ok":
                raise BookError(_damaged(str(path), verdict.replace("\n", " ")))
            tables = ", ".join(changed_tables(connection)) or "nothing"
            text_ = f"{now_utc():%Y-%m-%d}, {tables}: {reason.strip()}"
            fact = "INSERT OR REPLACE INTO lab_book (name, value) VALUES (?, ?)"
            connection.execute(fact, (TAKEN_AS_IT_IS, text_))
            write_sums(connection)
            connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise BookError(cannot_open(url, error)) from error


def _connect(
    path: Path, mode: str, *, timeout: float = engines.BUSY_TIMEOUT_S
) -> sqlite3.Connection:
    """Open a file that is there, with transactions left to us."""
    address = f"{path.as_uri()}?mode={mode}"
    return sqlite3.connect(address, uri=True, timeout=timeout, isolation_level=None)


def _prepare_sqlite(url: URL, path: Path, *, must_exist: bool) -> bool:
    """Make the file if missing and check it; whether it was copied without its log."""
    if path.is_dir():
        msg = f"the lab book must be a file, got the folder {path}; name a file in it."
        raise BookError(msg)
    if not path.exists():
        if must_exist:
            raise BookAwayError(_missing(url))
        with suppress(FileExistsError):  # another process was faster: its file is opened
            create_book(url)
    return _check_sqlite(path)


def _begin_sums(engine: Engine, *, misses_log: bool) -> None:
    """Let all connections from now on keep the sums, which an old book gets here."""
    with engine.connect() as connection:
        is_ready = has_sums(_raw(connection))
    if not is_ready or misses_log:
        with engine.execution_options(labkit_writes=True).begin() as connection:
            if misses_log:
                fact = {"name": LOG_MISSED, "value": now_utc().isoformat()}
                connection.execute(text("DELETE FROM lab_book WHERE name = :name"), fact)
                connection.execute(insert(FactRow).values(fact))
            write_sums(_raw(connection))
    event.listen(engine, "connect", lambda connection, _record: keep_sums(connection))
    with engine.connect() as held:  # the log stays in being while the connections are replaced
        engine.dispose()
        engine.connect().close()
        held.invalidate()


def _raw(connection: Connection) -> sqlite3.Connection:
    raw: Any = connection.connection.driver_connection
    return raw  # type: ignore[no-any-return]


def read_version(connection: Connection, url: URL) -> int:
    """Read the version of the schema: 0 in an empty PostgreSQL database.

    Raises
    ------
    BookError
        If the database holds tables of something else, or is of a newer labkit.
    """
    tables = set(inspect(connection).get_table_names())
    if not tables and url.get_backend_name() == "postgresql":
        return 0
    where = show(url)
    _refuse_other_tables(tables, where)
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return _known_version(found, where)


def _refuse_other_tables(tables: set[str], where: str) -> None:
    if not {"lab_book", "alembic_version"} <= tables:
        msg = f"{where} is not a lab book: it holds other tables; choose another file or database."
        raise BookError(msg)


def _known_version(found: object, where: str) -> int:
    """The version as a number, if this labkit can read it."""
    if found is None or not str(found).isdigit():
        msg = f"{where} is not a lab book that labkit can read: its version is {found!r}."
        raise BookError(msg)
    if int(str(found)) > SCHEMA_VERSION:
        msg = (
            f"{where} was written by a newer labkit (version {int(str(found))} of the tables, this "
            f"labkit knows {SCHEMA_VERSION}); update labkit to open it."
        )
        raise BookError(msg)
    return int(str(found))


def _migrate(engine: Engine, url: URL) -> None:
    """Bring an old book, or an empty database, to the current version, unless another does."""
    import alembic.command  # noqa: F401 - before the lock: others wait for it meanwhile

    writing = engine.execution_options(labkit_writes=True, labkit_patience_s=MIGRATION_PATIENCE_S)
    with writing.begin() as connection:
        _take_turns(connection)
        version = read_version(connection, url)
        if version == SCHEMA_VERSION:
            return
        if version and url.get_backend_name() == "sqlite":
            _keep_copy(Path(str(url.database)), version)
        upgrade(connection)
        if url.get_backend_name() == "sqlite" and has_sums(_raw(connection)):
            write_sums(_raw(connection))  # of the tables as they are now


def _take_turns(connection: Connection) -> None:
    """On PostgreSQL: one at a time, when several open a new or old book at once."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": APPLICATION_ID})


def upgrade(connection: Connection, to: str = "head") -> None:
    """Bring the tables to a version in the transaction of `connection`."""
    # Imported here: a third of a second that only an old or a new book costs.
    from alembic import command
    from alembic.config import Config

    _take_turns(connection)
    config = Config()
    migrations = str(Path(__file__).parents[1] / "migrations")
    config.set_main_option("script_location", migrations.replace("%", "%%"))  # as a .ini has it
    config.attributes["connection"] = connection
    command.upgrade(config, to)
    facts = {
        "format": "labkit lab book",
        "made_at": now_utc().isoformat(),
        "made_with": made_with(),
    }
    known = set(connection.scalars(text("SELECT name FROM lab_book")))
    for name, value in facts.items():
        if name not in known:
            connection.execute(insert(FactRow).values(name=name, value=value))


def create_book(url: URL, fill: Callable[[Connection], None] = upgrade) -> None:
    """Make a lab book where there is none: all of it in one transaction, or nothing.

    Parameters
    ----------
    fill : callable
        Makes and fills the tables on the connection it is given.

    Raises
    ------
    BookError
        If there is something already, or it cannot be written.
    """
    if url.get_backend_name() == "sqlite":
        _create_sqlite(Path(str(url.database)), fill)
        return
    engine = make_engine(url)
    try:
        with engine.execution_options(labkit_writes=True).begin() as connection:
            if inspect(connection).get_table_names():
                msg = f"{show(url)} must be empty to be filled, but it holds tables."
                raise BookError(msg)
            fill(connection)
    except DBAPIError as error:
        raise BookError(cannot_open(url, error)) from error
    finally:
        engine.dispose()


def show(url: URL) -> str:
    """Name a lab book for people: the path of a file, or the URL without its password."""
    if url.get_backend_name() == "sqlite":
        return str(url.database)
    return url.render_as_string(hide_password=True)


def cannot_open(url: URL, error: Exception) -> str:
    """Say in one sentence why a database does not open."""
    cause = (str(getattr(error, "orig", error)).strip().splitlines() or ["no reason given"])[0]
    where = show(url)
    if "malformed" in cause or "disk I/O" in cause:
        return _damaged(where, cause)
    if "not a database" in cause:
        return f"{where} is not a lab book, or its beginning is damaged; choose another file."
    if "readonly" in cause or "read-only" in cause or "unable to open" in cause:
        return _read_only(where)
    if "locked" in cause:
        held = f"{engines.BUSY_TIMEOUT_S:g} s"
        return f"{where} has been locked by another program for {held}; close that one."
    return f"{where} cannot be opened as a lab book: {cause}."


def _create_sqlite(path: Path, fill: Callable[[Connection], None]) -> None:
    """Make a new file completely, then give it its name, so that nobody sees half of one."""
    if not path.parent.is_dir():
        msg = f"the lab book {path} cannot be made: make its folder {path.parent} first."
        raise BookError(msg)
    new = path.with_name(f".{path.name}-{secrets.token_hex(8)}.new")
    try:
        os.close(os.open(new, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666))
    except OSError as error:
        msg = f"the lab book {path} cannot be made: {error.strerror}; choose another folder."
        raise BookError(msg) from error
    try:
        with closing(sqlite3.connect(new)) as connection:
            connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
        url = URL.create("sqlite", database=str(new))
        engine = make_engine(url)
        try:
            with engine.execution_options(labkit_writes=True).begin() as connection_:
                fill(connection_)
                write_sums(_raw(connection_))
        finally:
            close_engine(engine, url)
        _name_new_file(new, path)
    except (DBAPIError, sqlite3.Error) as error:
        msg = (
            f"the lab book {path} cannot be made: {getattr(error, 'orig', error)}; check the disk."
        )
        raise BookError(msg) from error
    finally:
        for leftover in (new, Path(f"{new}-wal"), Path(f"{new}-shm")):
            leftover.unlink(missing_ok=True)


def _name_new_file(new: Path, path: Path) -> None:
    """Give the finished file its name, unless another has it: FileExistsError then."""
    try:
        os.link(new, path)
    except FileExistsError:
        raise
    except OSError:
        # No hard links on this file system (a USB stick, say).
        if path.exists():
            raise FileExistsError(path) from None
        new.rename(path)


def _check_sqlite(path: Path) -> bool:
    """Check that the file is a lab book and whole, without writing a byte beside or into it.

    Whether it was copied while it was written, without its log, is the answer. Reading the header
    by hand would drop the locks that this process holds on the file through SQLite (closing any
    handle does, by POSIX), hence SQLite's own eyes.
    """
    if path.stat().st_size == 0:
        msg = f"{path} is not a lab book: the file is empty; delete it or choose another file."
        raise BookError(msg)
    if not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
        raise BookError(_read_only(str(path)))
    url = URL.create("sqlite", database=str(path))
    try:
        if _look(path, _application_id, is_still=True) != APPLICATION_ID:
            msg = f"{path} is not a lab book but another program's file; choose another file."
            raise BookError(msg)
        verdict = _check_whole(path)
        misses_log = _misses_log(path)
        has_log = Path(f"{path}-wal").exists()
        tables, version = _look(path, _tables_and_version, is_still=not has_log)
    except (sqlite3.Error, UnicodeError) as error:
        raise BookError(cannot_open(url, error)) from error
    if verdict != "ok":
        raise BookError(_damaged(str(path), verdict.replace("\n", " ")))
    # Asked before a connection marks the file as in use: what is not ours stays as it is.
    _refuse_other_tables(tables, str(path))
    _known_version(version, str(path))
    return misses_log


def _check_whole(path: Path) -> str:
    """Look through all pages, indexes and sums, as a still file if nobody has it open."""
    log = Path(f"{path}-wal")
    if not log.exists():
        try:
            verdict = _look(path, _verdict, is_still=True)
        except sqlite3.Error as error:
            verdict = str(error)
        # If someone opened it meanwhile, what looked broken may have been their write.
        if verdict == "ok" or not log.exists():
            return verdict
    return _look(path, _verdict, is_still=False)


def _misses_log(path: Path) -> bool:
    """Whether the file says that it is in use, and nobody has it open."""
    for pause_s in (0.0, 0.05, 0.2):  # someone who opens or closes it just now is done by then
        time.sleep(pause_s)
        if Path(f"{path}-wal").exists() or _look(path, _user_version, is_still=True) != IN_USE:
            return False
    return True


def is_marked(path: Path) -> bool:
    """Whether a file bears the mark of a lab book; it is not looked through."""
    try:
        return path.is_file() and _look(path, _application_id, is_still=True) == APPLICATION_ID
    except (sqlite3.Error, UnicodeError):
        return False


def _look(path: Path, ask: Callable[[sqlite3.Connection], T], *, is_still: bool) -> T:
    """Ask through a read-only connection; a still file needs no locks and gets no side files."""
    address = f"{path.as_uri()}?mode=ro{'&immutable=1' if is_still else ''}"
    with closing(sqlite3.connect(address, uri=True, timeout=engines.BUSY_TIMEOUT_S)) as connection:
        return ask(connection)


def _application_id(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA application_id").fetchone()[0])


def _user_version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _tables_and_version(connection: sqlite3.Connection) -> tuple[set[str], object]:
    names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
    if "alembic_version" not in names:
        return names, None
    row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return names, row[0] if row else None


def _verdict(connection: sqlite3.Connection) -> str:
    connection.execute("BEGIN")  # one view of the book: others may be writing to it
    (verdict,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    if verdict != "ok":
        return str(verdict)
    _, version = _tables_and_version(connection)
    if str(version).isdigit() and int(str(version)) > SCHEMA_VERSION:
        return "ok"  # how a newer labkit keeps its sums is not known here, and it is refused anyway
    changed = changed_tables(connection)
    return f"{_CHANGED}: {', '.join(changed)}" if changed else "ok"


def _missing(url: URL) -> str:
    return f"there is no lab book at {show(url)}; put it back, or choose another."


def _read_only(where: str) -> str:
    return f"{where} or its folder is read-only; allow writing, or copy the file and open that."


def _damaged(where: str, cause: str) -> str:
    remedy = "open your latest backup instead"
    if cause.startswith(_CHANGED):
        remedy += ", or accept it with labkit.book.take_as_it_is if you know what changed"
    return f"{where} is damaged ({cause}); it was left as it is: {remedy}."


def _keep_copy(path: Path, version: int) -> None:
    """Keep the old book beside the new one before its tables change."""
    copy = path.with_name(f"{path.stem}-before-version-{version + 1}{path.suffix}")
    if not copy.exists():
        copy_sqlite(path, copy)


def copy_sqlite(path: Path, copy: Path) -> None:
    """Copy a lab book while others write to it (SQLite's own online backup)."""
    with (
        closing(_connect(path, "rw")) as source,  # never made anew, empty, where it is gone
        closing(sqlite3.connect(copy)) as target,
    ):
        source.backup(target)
        target.execute("PRAGMA journal_mode=DELETE")  # a copy is nobody's yet, and needs no log
        target.execute("PRAGMA user_version=0")
