"""The form that opens the sealed keys of locked flights, so that scores meet their waters."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any

import ipywidgets as widgets

from labkit.book import Flight, LabBook, Topic
from labkit.errors import SealError
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.flight_names import flight_name, openings
from labkit.widgets.parts.folds import Fold
from labkit.widgets.parts.listening import follow_book, follow_choices, keeping_messages
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.taster_ticks import TasterTicks
from labkit.widgets.steps.plan.sheet_form import LostPassphraseForm
from labkit.widgets.steps.taste.alone_form import FoundCodesForm
from labkit.widgets.steps.verdict.early_form import EarlyForm
from labkit.workflow import lock_and_open

OPEN, LOCK_AND_OPEN = "Open the key", "Lock and open"


class OpenForm(NeedsBook, widgets.VBox):
    """Which flights of a session to open, all at first, and the preparer's passphrase.

    Offered are those that are locked, and once every cup of a session has its scores also those
    still to be locked: that is done in the same press.

    Who tasted alone types in the codes found under the cups first. Folded: the way back from a
    lost passphrase, the opening before the lock, and what was opened when and why.

    Parameters
    ----------
    book : LabBook
        The lab book; the opening is recorded there.
    on_open : callable, optional
        Called after flights were opened, to read their scores.
    """

    def __init__(self, book: LabBook, *, on_open: Callable[[], Any] | None = None) -> None:
        self._book, self._on_open = book, on_open
        self.button = fields.button(OPEN, main=True)
        self.button.on_click(lambda _b: self._press())
        self.found = FoundCodesForm(book, on_found=self._codes_found)
        self.lost = LostPassphraseForm(book, self._opened_otherwise)
        self.early = EarlyForm(book, self._opened_otherwise)
        self.history = widgets.HTML()
        self.form = Form(
            {
                "session": fields.choice("Session", [], None),
                "flights": TasterTicks("Which flights?", ()),
                "passphrase": fields.secret("Preparer's passphrase"),
            },
            buttons=[self.button],
        )
        session, flights, self._passphrase, self.buttons, *rest = self.form.children
        self._choosing = (session, flights)
        self.form.children = (session, flights, self.found, self._passphrase, self.buttons, *rest)
        self.lost_fold = Fold(
            "The passphrase is lost: open from the printed bench sheet", [self.lost]
        )
        self.early_fold = Fold("Open before the lock: no longer blind", [self.early])
        self.history_fold = Fold("What was opened, when and why", [self.history])
        for fold in (self.lost_fold, self.history_fold):
            fold.observe(lambda _change: self._unfold(), "is_open")
        self._waiting: dict[str, list[Flight]] = {}
        self._tasted: dict[str, bool] = {}
        self._lacks_codes = False
        self._offered: list[Flight] | None = None
        self.form.fields["session"].observe(lambda _change: self._choose_session(), "value")
        self.form.fields["flights"].observe(lambda _change: self._choose(), "value")
        self.form.compute_with(self._describe)
        self.fill()
        super().__init__([self.form, self.lost_fold, self.early_fold, self.history_fold])
        follow_book(self, book, self._hear, Topic.SESSIONS)
        follow_book(self, book, self._hear_scores, Topic.SCORES)

    def fill(self) -> None:
        """Look up which flights are locked and not yet opened."""
        self._look()
        self._choose()

    def _hear(self) -> None:
        """Follow what was locked or opened elsewhere; codes and reasons typed here stay."""
        with keeping_messages(self.form):
            self._look()
            self.form.refresh()

    def _hear_scores(self) -> None:
        """Only what is being tasted is looked at: scores come often."""
        if any(self._is_complete(name) != was for name, was in self._tasted.items()):
            self._hear()

    def _look(self) -> None:
        """Offer the sessions with flights to open, the latest at first."""
        self._waiting, self._tasted = {}, {}
        for name, flights in self._book.sessions.flights_by_session(under_way=True).items():
            ready = [one for one in flights if one.state == "locked"]
            states = {one.state for one in flights}
            if "being tasted" in states and "planned" not in states:
                self._tasted[name] = is_complete = self._is_complete(name)
                if is_complete:
                    ready = [one for one in flights if one.state in ("locked", "being tasted")]
            if ready:
                self._waiting[name] = ready
        sessions = [(name, name) for name in self._waiting]
        follow_choices(self.form.fields["session"], sessions, start=-1)
        self.early.fill()
        self._offer_flights()

    def _is_complete(self, session: str) -> bool:
        """Whether every cup has its scores; who tastes alone finds the codes after the lock."""
        sessions = self._book.sessions
        if sessions.plan(session).alone:
            return False
        return not (sessions.progress(session)["missing"] > 0).any()

    def _choose_session(self) -> None:
        self._offer_flights()
        self._choose()

    def _offer_flights(self) -> None:
        """Offer the locked flights of the session, all ticked: they have one passphrase mostly."""
        waiting = self._waiting.get(self.form.fields["session"].value, [])
        names = [flight_name(one, short=True) for one in waiting]
        if waiting != self._offered:
            self._offered = waiting
            ticks = self.form.fields["flights"]
            ticks.offer(names, names)
            ticks.layout.display = "" if names else "none"

    def _ticked(self) -> list[Flight]:
        waiting = self._waiting.get(self.form.fields["session"].value, [])
        ticked = self.form.fields["flights"].value
        return [one for one in waiting if flight_name(one, short=True) in ticked]

    def _chosen(self) -> list[tuple[str, int]]:
        """The flights that are ticked, each with its session."""
        return [(one.session, one.number) for one in self._ticked()]

    def _choose(self) -> None:
        """Ask for the codes under the cups where they are missing, else for the passphrase."""
        self._lacks_codes = self.found.show(None, 0)
        for one in self._chosen():
            self._lacks_codes = self.found.show(*one)
            if self._lacks_codes:
                break
        self._unfold()
        self.form.refresh()

    def _unfold(self) -> None:
        """Fill only what lies open: a sheet that nobody asked for is not laid out."""
        chosen = next(iter(self._chosen()), None)  # sheets are typed one at a time
        codes_first = self.found.form is not None
        is_lost = self.lost_fold.is_open and not codes_first
        self.lost.show(chosen if is_lost else None)
        if self.history_fold.is_open:
            self.history.value = "".join(
                f"<h3>{escape(name)}</h3>{openings(self._book, name)}"
                for name in reversed(self._book.sessions.names())
            )

    def _describe(self, **_now: Any) -> str:
        still = any(one.state != "locked" for one in self._ticked())
        self.button.description = LOCK_AND_OPEN if still else OPEN
        for row in (*self._choosing, self._passphrase, self.buttons):
            is_asked = self._waiting and (row in self._choosing or not self._lacks_codes)
            row.layout.display = "" if is_asked else "none"
        if not self._waiting:
            return said(
                "No flight waits for its key. Once every cup has its scores, or a flight is locked "
                "under Taste, it is opened here."
            )
        lines = []
        for session, number in self._chosen():
            lacks = len(self._book.sessions.missing(session, number))
            lines.append(
                f"In flight {number} {lacks} scores were not given; they stay missing."
                if lacks
                else f"In flight {number} every cup has its scores."
            )
        if still:
            lines.append("Locked, nothing in it can change now.")
        return said(" ".join(lines) or "Tick the flights to open.")

    def _codes_found(self) -> None:
        self._choose()
        self.form.say("The codes are kept. Now open the key.")
        self.form.go_to("passphrase")

    def _press(self) -> None:
        done, sentence = self.form.press(self._open)
        if not done:
            return
        self._opened(sentence)

    def _opened_otherwise(self, sentence: str) -> None:
        self._opened(sentence)
        self.form.guide.go_to(None)  # what happened is said further up than the hand is

    def _opened(self, sentence: str) -> None:
        self.fill()
        waiting = sum(map(len, self._waiting.values()))
        more = "" if not waiting else f" Locked and still closed: {waiting} more."
        self.form.say(sentence + more)
        if self._on_open is not None:
            self._on_open()

    def _open(self) -> str:
        chosen = self._chosen()
        if not chosen:
            remedy = "Tick one" if self._waiting else "Lock one under Taste first"
            raise SealError(
                f"flights must be one or more that are locked, got none. {remedy}.", field="flights"
            )
        session, numbers = chosen[0][0], [number for _, number in chosen]
        passphrase = self.form.fields["passphrase"].value
        flights = lock_and_open(self._book, session, passphrase, numbers)
        which = (
            f"Flight {numbers[0]} of '{session}' is"
            if len(numbers) == 1
            else f"Flights {', '.join(map(str, numbers))} of '{session}' are"
        )
        known = [str(one.number) for one in flights if one.is_unblinded]
        if len(known) == len(numbers):
            return f"{which} open, not blind: readings leave that out."
        where = (
            "the answer stands under"
            if self._book.sessions.session(session).is_pair_test
            else "see"
        )
        left = f" Not blind, and left out: flight {', '.join(known)}." if known else ""
        return f"{which} open: {where} 'What the scores say'.{left}"
