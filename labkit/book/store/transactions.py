"""How the lab book reads and writes: one transaction a call, errors as sentences, reconnection."""

from __future__ import annotations

import os
import time
import weakref
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from sqlalchemy import URL, Engine, select
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, InterfaceError, OperationalError
from sqlalchemy.orm import Session

from labkit.book.store.changes import Changes, Lookout
from labkit.book.store.opening import (
    LOG_MISSED,
    TAKEN_AS_IT_IS,
    close_engine,
    copy_sqlite,
    open_engine,
    read_url,
    show,
)
from labkit.book.store.schema import FactRow
from labkit.book.store.sums import PREFIX
from labkit.errors import BookAwayError, BookError

Result = TypeVar("Result")

PATIENCE_S = 30.0
"""How long a write keeps trying while the PostgreSQL server is away."""

_TRY_AGAIN_STATES = {"40001", "40P01", "57P01", "57P02", "57P03", "08000", "08003", "08006"}
"""SQLSTATEs of a clash of two writers, a server that shuts down or starts, and a cut line."""


class Store:
    """The open database and the two ways into it, which all parts of a lab book share."""

    def __init__(
        self,
        where: str | os.PathLike[str],
        *,
        must_exist: bool = False,
        patience_s: float | None = None,
    ) -> None:
        self._url = read_url(where)
        self._patience_s = patience_s
        self.engine = open_engine(self._url, must_exist=must_exist, patience_s=patience_s)
        self.write_engine = self.engine.execution_options(labkit_writes=True)
        lookout = Lookout(self.engine, self._url)
        self.changes = Changes(lookout)
        # A notebook seldom closes its book; without this its file would stay marked as in use.
        weakref.finalize(self, _let_go, lookout, self.engine, self._url)

    @property
    def name(self) -> str:
        """Where the lab book is: a file's path, or a URL without its password."""
        return show(self._url)

    @property
    def url(self) -> str:
        """The full URL, password included; for opening the same book elsewhere."""
        return self._url.render_as_string(hide_password=False)

    def close(self) -> None:
        """Let go of the database; the object must not be used afterwards."""
        self.changes.close()
        close_engine(self.engine, self._url)

    def facts(self) -> dict[str, str]:
        """What the lab book says of itself: format, when and with what it was made."""
        with self.reading() as db:
            facts = dict(db.execute(select(FactRow.name, FactRow.value)).all())
        return {name: value for name, value in facts.items() if not name.startswith(PREFIX)}

    @property
    def doubt(self) -> str:
        """Why not everything may be in the lab book, in a sentence; empty if nothing is amiss."""
        facts = self.facts()
        said = []
        if LOG_MISSED in facts:
            said.append(
                f"This file was copied while it was written, without its log (the file of the same "
                f"name that ends in -wal), and first opened on {facts[LOG_MISSED][:10]}: the "
                "newest rows before that may be missing. Compare it with the original."
            )
        if TAKEN_AS_IT_IS in facts:
            said.append(
                "Something other than labkit changed this lab book, and it was taken as it is "
                f"({facts[TAKEN_AS_IT_IS]})."
            )
        return " ".join(said)

    def back_up(self, copy: str | os.PathLike[str]) -> Path:
        """Copy the whole lab book to a new file while others may be writing to it.

        Parameters
        ----------
        copy : str or path
            The file to write.

        Raises
        ------
        BookError
            If the file exists already, the lab book is not there, or it is on a server (whose
            keepers back it up).
        """
        target = Path(copy).expanduser().resolve()
        if self._url.get_backend_name() != "sqlite":
            msg = f"{self.name} is on a server; back it up with pg_dump, or use export_folder."
            raise BookError(msg)
        source = Path(str(self._url.database))
        if not source.exists():
            msg = f"{source} is not there; put it back, and back it up then."
            raise BookAwayError(msg)
        if target.exists():
            msg = f"the backup must be a new file, but {target} exists; choose another name."
            raise BookError(msg)
        try:
            copy_sqlite(source, target)
        except Exception as error:
            target.unlink(missing_ok=True)
            msg = f"the backup {target} could not be written: {error}; check the folder and disk."
            raise BookError(msg) from error
        return target

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """One consistent view of the book; nothing can be written through it."""
        try:
            with Session(self.engine, autoflush=False) as session:
                yield session
        except DBAPIError as error:
            raise self.trouble(error, "read") from error

    def write(self, work: Callable[[Session], Result], *, is_repeatable: bool = False) -> Result:
        """Do `work` in one transaction, committed to the disk before this returns.

        Parameters
        ----------
        work : callable
            Called with the session; may be called again after a lost connection.
        is_repeatable : bool
            Whether doing it twice does no more than doing it once, so that it may be repeated even
            when the connection was lost while committing.
        """
        patience_s = PATIENCE_S if self._patience_s is None else self._patience_s
        if self.changes.away:
            patience_s = 0.0  # known to whoever looks: waiting would only hold up the page
        give_up_at = time.monotonic() + patience_s
        pause_s = 0.1
        while True:
            is_committing = False
            try:
                with Session(self.write_engine) as session:
                    result = work(session)
                    session.flush()
                    sums = self.changes.before_commit(session.connection())
                    is_committing = True
                    session.commit()
            except DBAPIError as error:
                may_repeat = is_repeatable or not is_committing
                if not (may_repeat and self._is_passing(error) and time.monotonic() < give_up_at):
                    raise self.trouble(error, "written to") from error
            else:
                self.changes.committed(sums)
                return result
            time.sleep(pause_s)
            pause_s = min(2 * pause_s, 2.0)

    def trouble(self, error: DBAPIError, verb: str) -> BookError:
        """Tell trouble that may pass from what the database will never take."""
        is_for_good = isinstance(error, DataError | IntegrityError)
        return (BookError if is_for_good else BookAwayError)(self._sentence(error, verb))

    def _is_passing(self, error: DBAPIError) -> bool:
        """Whether waiting may help: the server restarts, or two writers met."""
        if self._url.get_backend_name() == "sqlite":
            return False  # SQLite has waited already (the busy timeout)
        state = getattr(error.orig, "sqlstate", None)
        never_connected = isinstance(error, OperationalError | InterfaceError) and state is None
        return error.connection_invalidated or never_connected or state in _TRY_AGAIN_STATES

    def _sentence(self, error: DBAPIError, verb: str) -> str:
        """Say what went wrong in one sentence, without the SQL and the values."""
        cause = (str(error.orig).strip().splitlines() or ["no reason given"])[0]
        if "locked" in cause:
            remedy = "another program has kept it locked for too long; close that one and try again"
        elif "full" in cause or "disk I/O" in cause or "No space" in cause:
            remedy = "the disk is full or failing; make room and try again"
        elif "unable to open" in cause:
            remedy = "the file is not there or may not be opened; put it back and try again"
        elif "readonly" in cause:
            remedy = "the file has become read-only; allow writing and try again"
        elif "malformed" in cause:
            remedy = "the file is damaged; open your latest backup"
        else:
            remedy = "this step may not be saved; check, and try again"
        return f"{self.name} could not be {verb} ({cause}): {remedy}."


def _let_go(lookout: Lookout, engine: Engine, url: URL) -> None:
    lookout.close()  # first: the log stays while anybody has the file open
    close_engine(engine, url)


class Part:
    """A part of the lab book: what it asks and writes goes through the store that all share."""

    def __init__(self, store: Store) -> None:
        self._store = store
