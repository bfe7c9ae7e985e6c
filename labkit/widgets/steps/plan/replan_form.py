"""A taster is late or away: only what has not been served is planned anew."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook, Topic
from labkit.errors import PlanError
from labkit.widgets.parts import fields
from labkit.widgets.parts.bench_sheets import hand_bench_sheet
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.folds import Fold
from labkit.widgets.parts.handover import HandOver
from labkit.widgets.parts.listening import follow_book, follow_choices, keeping_messages
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.taster_ticks import TasterTicks
from labkit.workflow import replan, unserved_flights


class ReplanForm(NeedsBook, widgets.VBox):
    """Who stays away and who comes in, from which flight on; one button plans anew.

    Parameters
    ----------
    book : LabBook
        Where the plan is.
    bench_sheet : callable
        Makes the preparer's sheet; needed where everyone has cups of their own, whose codes
        change.
    """

    def __init__(self, book: LabBook, bench_sheet: Callable[..., Any]) -> None:
        self._book, self._bench_sheet = book, bench_sheet
        self.button = fields.button("Replan these flights")
        self.button.on_click(lambda _b: self._press())
        self.hands = HandOver()
        self._of: tuple[str | None, tuple[int, ...]] = (None, ())
        self.form = Form(
            {
                "session": fields.choice("Session to replan", [], None),
                "first": fields.choice("Not served from", [], None),
                "absent": TasterTicks("Who stays away from now on?", ()),
                "late": fields.text("Who comes in", placeholder="names, with commas"),
                "secret": fields.secret("Passphrase of the plan"),
                "jug_volume_ml": fields.jug(),
            },
            buttons=[self.button],
        )
        rows = self.form.children
        self._of_cups_each = rows[4:6]
        self.form.fields["session"].observe(lambda _change: self._show(), "value")
        self.form.compute_with(self._describe)
        self.fill()
        fold = Fold("A taster is late or away", [self.form])
        # Opened long after the cell ran: a flight may have been begun or planned meanwhile.
        fold.observe(lambda _change: self.fill(), "is_open")
        super().__init__([fold, self.hands])
        follow_book(self, book, self._hear, Topic.SESSIONS, Topic.PEOPLE)

    def fill(self) -> None:
        """Look up the sessions with a flight that nobody has begun; alone there is nobody else."""
        sessions = self._book.sessions
        names = [
            name
            for name, flights in reversed(sessions.flights_by_session(under_way=True).items())
            if any(one.state == "planned" for one in flights) and not sessions.plan(name).alone
        ]
        follow_choices(self.form.fields["session"], names)
        self._show()

    def _hear(self) -> None:
        with keeping_messages(self.form):
            self.fill()

    def _show(self) -> None:
        session = self.form.fields["session"].value
        plan = self._book.sessions.plan(session) if session else None
        flights = unserved_flights(self._book, session) if session else ()
        options = [(f"flight {number}", number) for number in flights]
        follow_choices(self.form.fields["first"], options)
        absent = self.form.fields["absent"]
        if (session, flights) != self._of:  # else who is ticked stays so
            self._of = (session, flights)
            absent.offer(plan.tasters if plan else ())
        each = plan is not None and plan.serving == "a cup each"
        for row in self._of_cups_each:
            row.layout.display = "" if each else "none"
        self.form.refresh()

    def _describe(self, *, session: str | None, first: int | None, **_now: Any) -> str:
        if session is None or first is None:
            return said("No session has a flight that is not served yet.")
        return said(
            f"Flights before {first} and those begun stay as they are; nobody else's order changes."
            if first > 1
            else "Nobody else's order changes: sheets already printed stay good."
        )

    def _press(self) -> None:
        done, sentence = self.form.press(self._replan)
        if not done:
            return
        self.form.fields["late"].value = ""
        self.fill()
        self.form.say(sentence)

    def _replan(self) -> str:
        now = self.form.values()
        if now["session"] is None:
            raise PlanError(
                "session must have a flight not served yet. Add flights under Plan.",
                field="session",
            )
        late = [name.strip() for name in now["late"].split(",") if name.strip()]
        planned = replan(
            self._book,
            now["session"],
            absent=now["absent"],
            late=late,
            first=now["first"],
            passphrase=now["secret"],
            jug_volume_ml=now["jug_volume_ml"] or None,
        )
        who = "; ".join(
            f"{word} {', '.join(names)}"
            for word, names in (("without", now["absent"]), ("with", late))
            if names
        )
        is_new = hand_bench_sheet(
            self.hands,
            planned,
            self._bench_sheet,
            note="Preparer only: cups and codes changed. Print it and the cup labels again.",
        )
        paper = (
            "Cups changed: print the new bench sheet, the labels and the score sheets."
            if is_new
            else "Codes and bowls stay: only the newcomers need a score sheet."
        )
        numbers = ", ".join(map(str, planned.plan.flights))
        return f"Replanned, {who}: flight {numbers} of '{planned.session.name}'. {paper}"
