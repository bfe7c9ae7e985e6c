"""The form that opens the sealed key of a locked flight, so that scores meet their waters."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook, Topic
from labkit.errors import SealError
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.flight_names import flight_name, openings
from labkit.widgets.parts.listening import follow_book, follow_choices, keeping_messages
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.steps.plan.sheet_form import LostPassphraseForm
from labkit.widgets.steps.taste.alone_form import FoundCodesForm
from labkit.widgets.steps.verdict.early_form import EarlyForm
from labkit.workflow import open_flights


class OpenForm(NeedsBook, widgets.VBox):
    """Which locked flight to open, and the preparer's passphrase.

    Who tasted alone types in the codes found under the cups first. Folded: the way back from a
    lost passphrase, the opening before the lock, and what was opened when and why.

    Parameters
    ----------
    book : LabBook
        The lab book; the opening is recorded there.
    on_open : callable, optional
        Called after a flight was opened, to read its scores.
    """

    def __init__(self, book: LabBook, *, on_open: Callable[[], Any] | None = None) -> None:
        self._book, self._on_open = book, on_open
        self.button = fields.button("Open the key", main=True)
        self.button.on_click(lambda _b: self._press())
        self.found = FoundCodesForm(book, on_found=self._codes_found)
        self.lost = LostPassphraseForm(book, self._opened)
        self.early = EarlyForm(book, self._opened)
        self.history = widgets.HTML()
        self.form = Form(
            {
                "flight": fields.choice("Locked flight", [], None),
                "passphrase": fields.secret("Preparer's passphrase"),
            },
            buttons=[self.button],
        )
        flight, self._passphrase, self.buttons, *rest = self.form.children
        self.form.children = (flight, self.found, self._passphrase, self.buttons, *rest)
        self.folds = widgets.Accordion(
            [self.lost, self.early, self.history],
            titles=[
                "The passphrase is lost: open from the printed bench sheet",
                "Open before the lock: not blind any more",
                "What was opened, when and why",
            ],
            selected_index=None,
        )
        self.folds.observe(lambda _change: self._unfold(), "selected_index")
        self.form.fields["flight"].observe(lambda _change: self._choose(), "value")
        self.form.compute_with(self._describe)
        self.fill()
        super().__init__([self.form, self.folds])
        follow_book(self, book, self._hear, Topic.SESSIONS)

    def fill(self) -> None:
        """Look up which flights are locked and not yet opened, and choose the latest."""
        self._offer()
        chooser = self.form.fields["flight"]
        chooser.index = len(chooser.options) - 1 if chooser.options else None
        self._choose()

    def _hear(self) -> None:
        """Follow what was locked or opened elsewhere; codes and reasons typed here stay."""
        with keeping_messages(self.form):
            self._offer()
            self.form.refresh()

    def _offer(self) -> None:
        waiting = [
            (flight_name(flight), (session.name, flight.number))
            for session in self._book.sessions.all()
            for flight in self._book.sessions.flights(session.name)
            if flight.state == "locked"
        ]
        follow_choices(self.form.fields["flight"], waiting, start=-1)
        self.early.fill()

    def _choose(self) -> None:
        """Ask for the codes under the cups where they are missing, else for the passphrase."""
        chosen = self.form.fields["flight"].value
        missing = self.found.show(*(chosen or (None, 0)))
        for widget in (self._passphrase, self.buttons):
            widget.layout.display = "none" if missing else ""
        self._unfold()
        self.form.refresh()

    def _unfold(self) -> None:
        """Fill only the fold that is open: a sheet that nobody asked for is not laid out."""
        chosen = self.form.fields["flight"].value
        codes_first = self.found.form is not None
        is_lost = self.folds.selected_index == 0 and not codes_first
        self.lost.show(chosen if is_lost else None)
        if self.folds.selected_index == 2:
            self.history.value = "".join(
                f"<h4>{escape(session.name)}</h4>{openings(self._book, session.name)}"
                for session in reversed(self._book.sessions.all())
            )

    def _describe(self, flight: tuple[str, int] | None, passphrase: str) -> str:
        del passphrase  # it is used by the button only
        if flight is None:
            return said(
                "No flight waits for its key. The next one is locked in notebook 3, under "
                "Progress and lock."
            )
        missing = self._book.sessions.missing(*flight)
        if not missing:
            return said(f"In flight {flight[1]} every cup has its scores.")
        return said(
            f"In flight {flight[1]} {len(missing)} scores were not given; they stay missing."
        )

    def _codes_found(self) -> None:
        self._choose()
        self.form.say("The codes are kept. Now open the key.")

    def _press(self) -> None:
        done, sentence = self.form.press(self._open)
        if not done:
            return
        self._opened(sentence)

    def _opened(self, sentence: str) -> None:
        self.fill()
        waiting = len(self.form.fields["flight"].options)
        more = "" if not waiting else f" Locked and still closed: {waiting} more."
        self.form.say(sentence + more)
        if self._on_open is not None:
            self._on_open()

    def _open(self) -> str:
        now = self.form.values()
        if now["flight"] is None:
            raise SealError(
                "flight must be a locked one, but none is waiting. Lock one in notebook 3 first.",
                field="flight",
            )
        session, number = now["flight"]
        (flight,) = open_flights(self._book, session, now["passphrase"], [number])
        if flight.is_unblinded:
            return f"Flight {number} of '{session}' is open, not blind: readings leave it out."
        where = (
            "the answer stands under"
            if self._book.sessions.session(session).is_pair_test
            else "see"
        )
        return f"Flight {number} of '{session}' is open: {where} 'What the scores say'."
