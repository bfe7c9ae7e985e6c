"""A taster is late or away: only what has not been served is planned anew."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook
from labkit.errors import PlanError
from labkit.tasting import CupPlan, open_keys, replan
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.handover import HandOver, file_name
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.taster_ticks import TasterTicks

_CODES_REST = timedelta(days=60)


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
        self._button = fields.button("Plan these flights anew")
        self._button.on_click(lambda _b: self._press())
        self._handover = HandOver()
        self.form = Form(
            {
                "session": fields.choice("Session to replan", [], None),
                "first": fields.choice("Not served from", [], None),
                "absent": TasterTicks("Who stays away from now on?", ()),
                "late": fields.text("Who comes in", placeholder="names, with commas"),
                "secret": fields.secret("Passphrase of the plan"),
                "jug_volume_ml": fields.number("Each jug (mL)", 1000.0, step=100),
            },
            buttons=[self._button],
        )
        rows = self.form.children
        self._of_cups_each = rows[4:6]
        self.form.fields["session"].observe(lambda _change: self._show(), "value")
        self.form.compute_with(self._describe)
        self.fill()
        fold = widgets.Accordion(
            [self.form], titles=["A taster is late or away"], selected_index=None
        )
        # Opened long after the cell ran: a flight may have been begun or planned meanwhile.
        fold.observe(lambda _change: self.fill(), "selected_index")
        super().__init__([fold, self._handover])

    def _unserved(self, session: str) -> list[int]:
        return [f.number for f in self._book.flights(session) if f.state == "planned"]

    def fill(self) -> None:
        """Look up the sessions with a flight that nobody has begun; alone there is nobody else."""
        names = [
            session.name
            for session in reversed(self._book.sessions())
            if self._unserved(session.name) and not self._book.plan(session.name).alone
        ]
        chooser = self.form.fields["session"]
        kept = chooser.value
        chooser.options = names
        chooser.value = kept if kept in names else next(iter(names), None)
        self._show()

    def _show(self) -> None:
        session = self.form.fields["session"].value
        plan = self._book.plan(session) if session else None
        flights = self._unserved(session) if session else []
        first = self.form.fields["first"]
        first.options = [(f"flight {number}", number) for number in flights]
        first.value = next(iter(flights), None)
        self.form.fields["absent"].offer(plan.tasters if plan else ())
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
        session, first, secret = now["session"], now["first"], now["secret"]
        if session is None or first is None:
            raise PlanError(
                "session must have a flight not served yet. Add flights in notebook 2.",
                field="session",
            )
        late = [name.strip() for name in now["late"].split(",") if name.strip()]
        if not late and not now["absent"]:
            raise PlanError(
                "late must name someone, or tick who stays away: else nothing changes.",
                field="late",
            )
        before = self._book.plan(session)
        each = before.serving == "a cup each"
        unserved = [number for number in self._unserved(session) if number >= first]
        plan = replan(
            before,
            served=[number for number in before.flights if number not in unserved],
            absent=list(now["absent"]),
            late=late,
            passphrase=secret if each else None,
            recent_codes=self._book.codes_served(since=date.today() - _CODES_REST),
        )
        sheet = self._sheet(plan, secret, now["jug_volume_ml"]) if each else None
        preparer = self._book.session(session).held.preparer
        self._book.store_plan(plan, sheet_read_by=None if sheet is None else preparer)
        who = "; ".join(
            f"{word} {', '.join(names)}"
            for word, names in (("without", now["absent"]), ("with", late))
            if names
        )
        if sheet is None:
            paper = "Codes and bowls stay: only the newcomers need a score sheet."
        else:
            self._handover.hand(
                sheet.html,
                name=file_name(session, "bench-sheet"),
                note="Preparer only: cups and codes changed. Print it, and the cup labels, anew.",
            )
            paper = (
                "Cups changed: the bench sheet is handed over anew, print labels and sheets too."
            )
        numbers = ", ".join(map(str, plan.flights))
        return f"Planned anew, {who}: flight {numbers} of «{session}». {paper}"

    def _sheet(self, plan: CupPlan, secret: str, jug_volume_ml: float) -> Any:
        return self._bench_sheet(
            open_keys(plan.keys, secret),
            self._book.concentrates(),
            start=self._book.start_water(self._book.session(plan.session).held),
            jug_volume_ml=jug_volume_ml,
            lab_book=self._book.name,
        )
