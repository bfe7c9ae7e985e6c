"""Who is told when the lab book changes: in this process at once, of other processes when asked."""

from __future__ import annotations

import inspect
import logging
import sqlite3
import threading
import weakref
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from sqlalchemy import URL, Connection, Engine
from sqlalchemy.exc import DBAPIError

from labkit.book.store.engines import file_identity
from labkit.book.store.opening import show
from labkit.book.store.sums import PREFIX, kept_sums, read_sums, stamp_sums
from labkit.errors import BookAwayError, BookError

_log = logging.getLogger(__name__)

_ROUNDS: Final = 3
"""How often in a row listeners are told of what they wrote in answer; the rest waits for a look."""


class Topic(StrEnum):
    """What a change of the lab book is about."""

    PEOPLE = "people"
    SESSIONS = "sessions"
    SCORES = "scores"
    STOCK = "stock"
    DECISIONS = "decisions"


TOPICS: Final[Mapping[str, Topic | None]] = {
    "clients": Topic.PEOPLE,
    "coffees": Topic.PEOPLE,
    "tasters": Topic.PEOPLE,
    "sessions": Topic.SESSIONS,
    "session_attributes": Topic.SESSIONS,
    "session_waters": Topic.SESSIONS,
    "session_tasters": Topic.SCORES,  # each open sheet's sign of life, every few seconds
    "flights": Topic.SESSIONS,
    "sealed_keys": Topic.SESSIONS,
    "cups": Topic.SESSIONS,
    "servings": Topic.SESSIONS,
    "opened_cups": Topic.SESSIONS,
    "cup_measurements": Topic.SESSIONS,
    "events": Topic.SESSIONS,
    "scores": Topic.SCORES,
    "bottles": Topic.STOCK,
    "bottle_measurements": Topic.STOCK,
    "bottle_answers": Topic.STOCK,
    "bottle_uses": Topic.STOCK,
    "sealed_doses": Topic.STOCK,
    "base_waters": Topic.STOCK,
    "lab_book": Topic.STOCK,  # of its facts only the days between two measurements ever change
    "decisions": Topic.DECISIONS,
    "kept_readings": None,
}
"""What each table is about; None for what says nothing that the others do not say."""


class Lookout:
    """Sees from outside what was committed to a lab book; holds no listener and no book."""

    def __init__(self, engine: Engine, url: URL) -> None:
        self._engine = engine
        self._url = url
        self._watching: sqlite3.Connection | None = None
        self._file: tuple[int, int] | None = None
        self._version: int | None = None
        self._turn = threading.RLock()

    def sums(self, *, anew: bool = False) -> dict[str, str] | None:
        """The sum of each table; None if nobody has written since it was asked last.

        Parameters
        ----------
        anew : bool
            Whether they are read in any case.

        Raises
        ------
        BookAwayError
            If the lab book cannot be read now.
        """
        with self._turn, self._sentences():
            if self._url.get_backend_name() != "sqlite":
                with self._engine.connect() as connection:
                    return read_sums(connection)
            watching = self._watch()
            # Tells commits of all other connections, without reading a table.
            version = watching.execute("PRAGMA data_version").fetchone()[0]
            if version == self._version and not anew:
                return None
            sums = kept_sums(watching)
            self._version = version
            return sums

    def close(self) -> None:
        """Let go of the file; asking again opens it again."""
        with self._turn:
            if self._watching is not None:
                self._watching.close()
            self._watching = self._version = None

    def _watch(self) -> sqlite3.Connection:
        """A connection that stays, as its count of others' commits begins where it does."""
        path = Path(str(self._url.database))
        found = file_identity(path)
        if self._watching is not None and found == self._file:
            return self._watching
        self.close()
        if found is None:
            msg = f"{path} is not there; put it back, or choose another lab book."
            raise BookAwayError(msg)
        address = f"{path.as_uri()}?mode=rw"
        # Whoever asks may do so from any thread, one at a time.
        self._watching = sqlite3.connect(
            address, uri=True, timeout=1, isolation_level=None, check_same_thread=False
        )
        self._file = found
        return self._watching

    @contextmanager
    def _sentences(self) -> Iterator[None]:
        try:
            yield
        except (DBAPIError, sqlite3.Error) as error:
            self.close()
            cause = (str(getattr(error, "orig", error)).strip().splitlines() or ["no reason"])[0]
            msg = f"{show(self._url)} cannot be read now ({cause}); trying again."
            raise BookAwayError(msg) from error


class Changes:
    """Tells who listens what was written to the lab book, after it was committed.

    Parameters
    ----------
    lookout : Lookout
        Sees what others wrote.

    Examples
    --------
    >>> import tempfile
    >>> from labkit.book import LabBook, Topic
    >>> folder = tempfile.TemporaryDirectory()
    >>> book = LabBook(f"{folder.name}/book.db")
    >>> heard = []
    >>> stop = book.changes.listen(heard.append, Topic.PEOPLE)
    >>> _ = book.people.add_client("Quorrin & Velt")
    >>> [sorted(topics) for topics in heard]
    [[<Topic.PEOPLE: 'people'>]]
    >>> stop()
    >>> book.close()
    >>> folder.cleanup()
    """

    def __init__(self, lookout: Lookout) -> None:
        self._lookout = lookout
        self._listeners: dict[object, _Listener] = {}
        self._known: dict[str, str] = {}
        self._left: frozenset[Topic] = frozenset()
        self._watchers: dict[object, Callable[[str], object]] = {}
        self._away = ""
        self._lock = threading.Lock()
        self._here = _Here()

    @property
    def has_listeners(self) -> bool:
        """Whether anybody listens, or watches whether the lab book is there."""
        return bool(self._listeners or self._watchers)

    @property
    def away(self) -> str:
        """Why the lab book cannot be read now, in a sentence; empty while it can."""
        return self._away

    def listen(
        self, call: Callable[[frozenset[Topic]], object], *topics: Topic
    ) -> Callable[[], None]:
        """Be told of every change from now on.

        Parameters
        ----------
        call : callable
            Takes a frozenset of :class:`Topic`: what changed. Called after the commit, in the
            thread that wrote or that looked; what it raises is logged and stops nobody. A method is
            held weakly, and is told no more once its object has gone.
        *topics : Topic
            What to be told of; everything if none is given.

        Returns
        -------
        callable
            Ends it; may be called twice.
        """
        key = object()
        forget = weakref.WeakMethod(self._forget)

        def stop(_gone: object = None) -> None:
            method = forget()
            if method is not None:
                method(key)

        listener = _Listener(call, frozenset(topics or Topic), stop)
        if not self._listeners:
            try:
                known = self._lookout.sums(anew=True) or {}
            except BookError:
                known = {}  # everything is new once it can be read
            with self._lock:
                self._known = known
        self._listeners[key] = listener
        return stop

    def watch(self, call: Callable[[str], object]) -> Callable[[], None]:
        """Be told when the lab book goes away, and when it is back.

        Parameters
        ----------
        call : callable
            Takes :attr:`away`, in the thread that looked; what it raises is logged.

        Returns
        -------
        callable
            Ends it; may be called twice.
        """
        key = object()
        self._watchers[key] = call
        return lambda: self._stop_watching(key)

    def note_away(self, why: str) -> None:
        """Tell who watches that the lab book is away, or that it is back.

        Parameters
        ----------
        why : str
            Why it cannot be read; empty if it can.
        """
        with self._lock:
            before, self._away = self._away, why
        if bool(why) == bool(before):
            return  # the reason may be worded otherwise, and is said once
        for call in list(self._watchers.values()):
            try:
                call(why)
            except Exception:
                _log.exception("what watches the lab book failed; the others are told all the same")

    def look(self) -> frozenset[Topic]:
        """Find what other processes wrote since, and tell who listens.

        Cheap enough for every second: it asks the file, or the server, one small question.

        Returns
        -------
        frozenset of Topic
            What changed; empty if nothing did, or nobody listens. Everything once it is back: who
            read it meanwhile was refused, and reads again.

        Raises
        ------
        BookAwayError
            If the lab book cannot be read now; the next look makes good for it.
        """
        if not self.has_listeners:
            return frozenset()
        try:
            sums = self._lookout.sums(anew=bool(self._away))
        except BookAwayError as error:
            self.note_away(str(error))
            raise
        if not (self._listeners or self._watchers):  # closed meanwhile, by another thread
            self._lookout.close()
        if self._away:
            with self._lock:
                self._left = frozenset(Topic)
            self.note_away("")
        with self._lock:
            topics, self._left = self._left, frozenset()
            if sums is not None:
                topics |= _differing(self._known, sums)
                self._known = sums
        self._tell(topics)
        return topics

    def before_commit(self, connection: Connection) -> dict[str, str]:
        """Note in the open transaction what it changes; the store's last word before the commit.

        Parameters
        ----------
        connection : Connection
            On which the transaction is open.

        Returns
        -------
        dict of str to str
            The sum of each table as it will be; empty while nobody listens.
        """
        stamp_sums(connection)
        return read_sums(connection) if self._listeners else {}

    def committed(self, sums: dict[str, str]) -> None:
        """Tell who listens what a transaction of this process, now committed, has changed.

        Parameters
        ----------
        sums : dict of str to str
            What :meth:`before_commit` gave.
        """
        if not sums or not self._listeners:
            return
        with self._lock:
            topics = _differing(self._known, sums)
            self._known = sums
        self._tell(topics)

    def close(self) -> None:
        """Tell nobody anything more, and let go of what is held open for looking."""
        self._listeners.clear()
        self._watchers.clear()
        self._lookout.close()

    def _forget(self, key: object) -> None:
        self._listeners.pop(key, None)
        if not self.has_listeners:
            self._lookout.close()

    def _stop_watching(self, key: object) -> None:
        self._watchers.pop(key, None)
        if not self.has_listeners:
            self._lookout.close()

    def _tell(self, topics: frozenset[Topic]) -> None:
        here = self._here
        here.waiting |= topics
        if here.is_telling:
            return  # a listener wrote: it is told when all have heard of what came before
        here.is_telling = True
        try:
            for _round in range(_ROUNDS):
                topics, here.waiting = here.waiting, frozenset()
                if not topics:
                    return
                for listener in list(self._listeners.values()):
                    listener.tell(topics)
        finally:
            with self._lock:
                self._left |= here.waiting
            here.is_telling, here.waiting = False, frozenset()


class _Here(threading.local):
    """What a thread is telling just now."""

    is_telling = False
    waiting: frozenset[Topic] = frozenset()


class _Listener:
    """One who is told: a method weakly, anything else as it is."""

    def __init__(
        self,
        call: Callable[[frozenset[Topic]], object],
        topics: frozenset[Topic],
        gone: Callable[[object], None],
    ) -> None:
        self._call: Callable[[], Any] = lambda: call
        if inspect.ismethod(call):
            self._call = weakref.WeakMethod(call, gone)
        self._topics = topics

    def tell(self, topics: frozenset[Topic]) -> None:
        call, news = self._call(), topics & self._topics
        if call is None or not news:
            return
        try:
            call(news)
        except Exception:
            _log.exception("what listens to the lab book failed; the others are told all the same")


def _differing(before: Mapping[str, str], after: Mapping[str, str]) -> frozenset[Topic]:
    """What the tables are about whose sums are not the same."""
    names = {*before, *after}
    tables = (n.removeprefix(PREFIX) for n in names if before.get(n) != after.get(n))
    topics = (TOPICS.get(table) for table in tables)
    return frozenset(topic for topic in topics if topic is not None)
