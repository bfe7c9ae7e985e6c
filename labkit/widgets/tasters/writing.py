"""The one thread that writes what all phones send: touches that wait share a commit."""

from __future__ import annotations

import logging
import queue
import sys
import threading
from collections.abc import Callable
from concurrent.futures import Future
from datetime import datetime

from labkit.book import LabBook, Score
from labkit.errors import BookAwayError

MOST_AT_ONCE = 64
"""Scores that share one commit at most: the first of them waits for the last."""

_log = logging.getLogger("labkit.tasters")


class Writer:
    """Writes scores in the order in which they came, each on the disk before its sender hears.

    Those that wait while others are written share the next commit, one sync of the disk for all of
    them; one that is refused takes none with it. While the book is away, whoever waits hears so
    as soon as the first does.

    Parameters
    ----------
    opens : callable
        Gives the lab book; a BookAwayError if it is away.
    """

    def __init__(self, opens: Callable[[], LabBook]) -> None:
        self._opens = opens
        self._waiting: queue.SimpleQueue[_Touch | None] = queue.SimpleQueue()
        self._seen: dict[tuple[str, str], None] = {}
        self._lock = threading.Lock()
        self._is_closed = False
        self._thread = threading.Thread(target=self._run, name="writer", daemon=True)
        self._thread.start()

    def take(self, score: Score) -> datetime:
        """Keep a score; when it was kept. Returns once it is on the disk.

        Raises
        ------
        LabkitError
            If it is refused; a BookAwayError if it cannot be kept now.
        """
        touch = _Touch(score)
        with self._lock:
            if self._is_closed:
                raise BookAwayError("the server of the tasters' page is being stopped.")
            self._waiting.put(touch)
        return touch.kept_at.result()

    def note_seen(self, session: str, taster: str) -> None:
        """Note that a taster's sheet is open, once there is time for it; nobody waits for it."""
        with self._lock:
            self._seen[session, taster] = None
            self._waiting.put(None)

    def close(self) -> None:
        """Write what waits, then nothing more."""
        with self._lock:
            self._is_closed = True
            self._waiting.put(None)
        self._thread.join()

    def _run(self) -> None:
        while True:
            first = self._waiting.get()
            touches = [*([first] if first else []), *self._all_that_wait(MOST_AT_ONCE - 1)]
            if touches:
                self._write(touches)
            if self._waiting.empty():
                self._write_seen()
                if self._is_closed and self._waiting.empty():
                    return

    def _write(self, touches: list[_Touch]) -> None:
        try:
            outcomes = self._opens().scores.record_each([touch.score for touch in touches])
        except Exception as error:
            for touch in touches:
                touch.kept_at.set_exception(error)
            self._refuse_all_that_wait(error)
            return
        for touch, outcome in zip(touches, outcomes, strict=True):
            if isinstance(outcome, Exception):
                touch.kept_at.set_exception(outcome)
            else:
                touch.kept_at.set_result(outcome.received_at)

    def _write_seen(self) -> None:
        with self._lock:
            seen, self._seen = self._seen, {}
        for session, taster in seen:
            try:
                self._opens().sessions.mark_seen(session, taster)
            except Exception as error:
                # The taster can go on, and there is another sign of life soon.
                _log.warning("that the sheet of %s is open cannot be noted: %s", taster, error)
                self._refuse_all_that_wait(error)

    def _refuse_all_that_wait(self, error: Exception) -> None:
        """Once the book was away for one, say so to those that have waited for it as well.

        Trying for each of them would keep a dozen phones waiting one after the other.
        """
        if isinstance(error, BookAwayError):
            for touch in self._all_that_wait():
                touch.kept_at.set_exception(error)

    def _all_that_wait(self, most: int = sys.maxsize) -> list[_Touch]:
        found: list[_Touch] = []
        while len(found) < most:
            try:
                touch = self._waiting.get_nowait()
            except queue.Empty:
                break
            if touch is not None:
                found.append(touch)
        return found


class _Touch:
    """One score on its way, and who waits for it."""

    def __init__(self, score: Score) -> None:
        self.score = score
        self.kept_at: Future[datetime] = Future()
