"""The form that opens a key before the lock: an act on record, after which nothing is blind."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from labkit.book import LabBook
from labkit.errors import SealError
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.flight_names import flight_name
from labkit.widgets.parts.listening import follow_choices
from labkit.workflow import open_flights


class EarlyForm(Form):
    """A flight that still takes scores, the passphrase, and the reason, which is recorded.

    Parameters
    ----------
    book : LabBook
        The lab book; the opening and its reason are recorded there.
    on_open : callable
        Called with a sentence after a flight was opened.
    """

    def __init__(self, book: LabBook, on_open: Callable[[str], Any]) -> None:
        self._book, self._on_open = book, on_open
        self.button = fields.button("Open before the lock")
        self.button.on_click(lambda _b: self._press())
        super().__init__(
            {
                "early": fields.choice("Flight not locked", [], None),
                "secret": fields.secret("Passphrase of the plan"),
                "reason": fields.text("Why before the lock?", placeholder="it is recorded"),
                "done_by": fields.text("Who opens it"),
            },
            buttons=[self.button],
        )
        self.fill()

    def fill(self) -> None:
        """Look up the flights that are not locked; where one tastes alone, codes come first."""
        sessions = self._book.sessions
        waiting = {
            name: [one for one in flights if one.state in ("planned", "being tasted")]
            for name, flights in sessions.flights_by_session(under_way=True).items()
        }
        options = [
            (flight_name(flight), (name, flight.number))
            for name, flights in reversed(waiting.items())
            if flights and not sessions.plan(name).alone
            for flight in flights
        ]
        follow_choices(self.fields["early"], options)
        self.result.value = said(
            "What is scored after this is not blind: the flight keeps that mark for good, and "
            "readings leave it out."
        )

    def _press(self) -> None:
        done, flight = self.press(self._open)
        if not done:
            return
        self.fields["reason"].value = ""
        session, number = flight
        self._on_open(f"Flight {number} of '{session}' was opened before its lock: not blind.")

    def _open(self) -> tuple[str, int]:
        now = self.values()
        if now["early"] is None:
            raise SealError("early must be a flight not locked, but there is none.", field="early")
        session, number = now["early"]
        open_flights(
            self._book,
            session,
            now["secret"],
            [number],
            early_because=now["reason"],
            done_by=now["done_by"],
        )
        return session, number
