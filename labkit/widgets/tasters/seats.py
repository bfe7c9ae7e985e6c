"""The lab book as all pages of the tasters' server share it: who sits where, and their sheets."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from labkit.book import Guest, LabBook, Score
from labkit.errors import BookAwayError
from labkit.widgets.sheet.sheet_desk import BookDesk, SheetLook
from labkit.widgets.sheet.taster_sheet import TasterSheet
from labkit.widgets.tasters.writing import Writer

PATIENCE_S = 2.5
"""How long one waits for the lab book: an answer must come before the sheet, which asks again by
itself, calls the line dead (PATIENCE_MS in outbox.js)."""

READ_AT_ONCE = 4
"""How many pages read the lab book at once; the others wait their turn."""

AWAY_S = 2.0
"""How long nobody asks for a lab book that could not be read: a dozen phones would wait in line."""


class Seats:
    """The tasters' places at their sheets; opens the lab book when first asked, never makes it.

    Parameters
    ----------
    where : str
        The lab book.
    """

    def __init__(self, where: str) -> None:
        self._where = where
        self._book: LabBook | None = None
        self._opening = threading.Lock()
        self._turns = threading.BoundedSemaphore(READ_AT_ONCE)
        self._away_until = -1.0
        self._writer = Writer(self._open)

    def guest(self, code: str) -> Guest:
        """Whose code this is; an UnknownLinkError if nobody's, a BookAwayError if it is away."""
        return self._open().sessions.guest_of_link(code)

    def look(self) -> None:
        """Read a little; an error if the book is away."""
        self._open().facts()

    def sheet(self, code: str) -> TasterSheet:
        """The sheet of whoever holds a code.

        Raises
        ------
        UnknownLinkError
            If nobody does: never a default taster.
        BookAwayError
            If the lab book cannot be read now.
        """
        with self.reading():
            guest = self.guest(code)
            desk = _Seat(self._open(), guest, self, self._writer)
        return TasterSheet(desk, is_page=True)

    @contextmanager
    def reading(self) -> Iterator[None]:
        """One's turn to read; at once an error where somebody has just read in vain."""
        self._check_it_is_there()
        with self._turns:
            self._check_it_is_there()
            try:
                yield
            except BookAwayError:
                self._away_until = time.monotonic() + AWAY_S
                raise

    def close(self) -> None:
        """Write what waits, and let go of the lab book."""
        self._writer.close()
        with self._opening:
            if self._book is not None:
                self._book.close()

    def _check_it_is_there(self) -> None:
        if time.monotonic() < self._away_until:
            raise BookAwayError("the lab book could not be read a moment ago; trying again soon.")

    def _open(self) -> LabBook:
        with self._opening:
            if self._book is None:
                self._book = LabBook(self._where, must_exist=True, patience_s=PATIENCE_S)
            return self._book


class _Seat(BookDesk):
    """A taster's place whose scores go to the one writer."""

    def __init__(self, book: LabBook, guest: Guest, seats: Seats, writer: Writer) -> None:
        super().__init__(book, guest.session, guest.taster, device="the tasters' page")
        self._seats, self._writer = seats, writer

    def look(self) -> SheetLook:
        with self._seats.reading():
            return super().look()

    def take(self, score: Score) -> datetime:
        return self._writer.take(self.as_written(score))

    def mark_seen(self) -> None:
        self._writer.note_seen(self.session, self.taster)
