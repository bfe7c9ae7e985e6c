"""The desk of a tasting under way: choose the session, score it, watch it, lock it, copy paper."""

from __future__ import annotations

import ipywidgets as widgets

from labkit.book import LabBook, Topic
from labkit.widgets.parts import fields
from labkit.widgets.parts.listening import follow_book, follow_choices
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.sheet.score_sheet import ScoreSheet
from labkit.widgets.steps.taste.files_form import FilesForm
from labkit.widgets.steps.taste.lead_view import LeadView
from labkit.widgets.steps.taste.measured_form import MeasuredForm


class ScoringDesk(NeedsBook, widgets.VBox):
    """Sessions whose keys are not all open; of the one chosen the sheet, the lead's view, files.

    One that takes scores comes first. One that is locked stays, so that a lock can be undone.

    Parameters
    ----------
    book : LabBook
        Where sessions are planned and scores go.
    """

    def __init__(self, book: LabBook) -> None:
        self._book = book
        self._hearing: tuple[widgets.Widget, ...] = ()
        options, first = self._sessions()
        self.chooser = fields.choice("Session", options, first)
        self.chooser.observe(lambda _change: self._show(), "value")
        self.place = widgets.VBox()
        super().__init__([self.chooser, self.place])
        self._show()
        follow_book(self, book, self._hear, Topic.SESSIONS)

    def _sessions(self) -> tuple[list[tuple[str, str | None]], str | None]:
        """What may be chosen, and which comes first."""
        book = self._book
        waiting: list[tuple[str, str | None]] = []
        locked: list[tuple[str, str | None]] = []
        for name, flights in reversed(book.sessions.flights_by_session(under_way=True).items()):
            states = {flight.state for flight in flights}
            if states & {"planned", "being tasted"}:
                waiting.append((name, name))
            elif "locked" in states:
                locked.append((f"{name}, locked", name))
        none = [("no session takes scores", None)] if locked and not waiting else []
        return [*waiting, *none, *locked], waiting[0][1] if waiting else None

    def _hear(self) -> None:
        options, _first = self._sessions()
        if follow_choices(self.chooser, options) and self.chooser.value is None:
            self._show()

    def _show(self) -> None:
        for view in self._hearing:
            view.close()  # what is not shown any more need not hear of anything
        self._hearing = ()
        session = self.chooser.value
        self.chooser.layout.display = "" if self.chooser.options else "none"
        if session is None:
            self.place.children = [
                widgets.HTML(
                    fields.said(
                        "No session takes scores now. Make one under Plan, or choose a locked "
                        "one above to unlock a flight."
                        if self.chooser.options
                        else "No session takes scores now. Make one under Plan."
                    )
                )
            ]
            return
        lead = LeadView(self._book, session=session)
        measured = MeasuredForm(self._book, session=session)
        self._hearing = (lead, measured)
        tabs = widgets.Tab(
            [
                ScoreSheet(self._book, session=session),
                lead,
                measured,
                FilesForm(self._book, session=session),
            ],
            titles=["Score", "Progress and lock", "Measured", "Paper and files"],
        )
        self.place.children = [tabs]
