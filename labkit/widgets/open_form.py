"""The form that opens the sealed key of a locked flight, so that scores meet their waters."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook
from labkit.errors import SealError
from labkit.widgets import fields
from labkit.widgets.fields import Form, said


class OpenForm(widgets.VBox):
    """Which locked flight to open, and the preparer's passphrase.

    Parameters
    ----------
    book : LabBook
        The lab book; the opening is recorded there.
    on_open : callable, optional
        Called after a flight was opened, to read its scores.
    """

    def __init__(self, book: LabBook, *, on_open: Callable[[], Any] | None = None) -> None:
        self._book, self._on_open = book, on_open
        self._button = fields.button("Open the key", main=True)
        self._button.on_click(lambda _b: self._press())
        self.form = Form(
            {
                "flight": fields.choice("Locked flight", [], None),
                "passphrase": fields.secret("Preparer's passphrase"),
            },
            buttons=[self._button],
        )
        self.form.compute_with(self._describe)
        self.fill()
        super().__init__([self.form])

    def fill(self) -> None:
        """Look up which flights are locked and not yet opened."""
        waiting = [
            (f"{session.name}, flight {flight.number}", (session.name, flight.number))
            for session in self._book.sessions()
            for flight in self._book.flights(session.name)
            if flight.state == "locked"
        ]
        chooser = self.form.fields["flight"]
        chooser.options = waiting
        chooser.value = waiting[-1][1] if waiting else None
        self.form.refresh()

    def _describe(self, flight: tuple[str, int] | None, passphrase: str) -> str:
        del passphrase  # it is used by the button only
        if flight is None:
            return said("No flight is locked and waiting for its key. Lock one after scoring.")
        missing = self._book.missing(*flight)
        if not missing:
            return said("Every cup of this flight has its scores.")
        return said(f"{len(missing)} scores were not given; they stay missing.")

    def _press(self) -> None:
        done, sentence = self.form.attempt(self._open)
        if not done:
            return
        self.form.fields["passphrase"].value = ""
        self.fill()
        self.form.say(sentence)
        if self._on_open is not None:
            self._on_open()

    def _open(self) -> str:
        now = self.form.values()
        if now["flight"] is None:
            raise SealError("flight must be a locked one, but none is waiting. Lock one first.")
        session, number = now["flight"]
        self._book.open_flight(session, number, now["passphrase"])
        return f"Flight {number} of «{session}» is open: its scores are read below."
