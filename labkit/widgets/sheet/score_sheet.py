"""The blind score sheet as a cell of a notebook: one cup at a time, every score kept at once.

The browser's half is in ``static/``: plain JavaScript, no build step.
"""

from __future__ import annotations

import html
import logging
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import ipywidgets
import traitlets

from labkit.errors import LabkitError
from labkit.widgets.parts import fields
from labkit.widgets.parts.browser_half import BrowserHalf
from labkit.widgets.sheet.sheet_desk import BookDesk, SheetDesk
from labkit.widgets.sheet.taster_sheet import SCRIPTS, TasterSheet, script

if TYPE_CHECKING:
    from labkit.book import LabBook

_log = logging.getLogger(__name__)


class CupSheet(BrowserHalf):
    """The sheet of one taster as a widget.

    Parameters
    ----------
    desk : SheetDesk
        What is on the table, and who keeps the scores.
    """

    _esm = script(*SCRIPTS)
    _css = script("sheet.css")
    plan = traitlets.Dict().tag(sync=True)

    def __init__(self, desk: SheetDesk) -> None:
        self._sheet = TasterSheet(desk)
        super().__init__(plan=self._sheet.plan)

    def _handle_msg(self, msg: dict[str, Any]) -> None:
        """Take what the browser sends: scores and requests for the state, nothing else.

        The browser may not set traits, and no traceback goes out to it.
        """
        try:
            data = msg["content"]["data"]
            if data["method"] == "request_state":
                self.send_state()
            elif data["method"] == "custom":
                self.send(self.answer(data["content"]))
        except Exception:
            _log.exception("a message of the sheet of %s was not understood", self.plan["taster"])

    def answer(self, message: Mapping[str, Any]) -> dict[str, Any]:
        """Keep the scores of a message and say what became of each, as `TasterSheet.answer`."""
        return self._sheet.answer(message)


class ScoreSheet(ipywidgets.VBox):
    """Blind scores in the lab's own notebook: pick who you are, then the sheet.

    Parameters
    ----------
    book : LabBook
        Where the scores go.
    session : str
        Name of the session.
    taster : str, optional
        Who scores, if that is known.
    """

    def __init__(self, book: LabBook, *, session: str, taster: str | None = None) -> None:
        self._book, self._session = book, session
        plan = book.sessions.session(session)
        self._sheet: CupSheet | None = None
        self.who = fields.choice(
            "Who are you?",
            [("choose your name", None), *((name, name) for name in plan.tasters)],
        )
        self.copied_by = fields.text("Copied by", placeholder="only for a paper sheet")
        self.message = ipywidgets.HTML()
        super().__init__([self.who, self.copied_by, self.message])
        for chosen in (self.who, self.copied_by):
            chosen.observe(lambda _change: self._seat(), "value")
        if taster is not None:
            self.who.value = taster

    @property
    def sheet(self) -> CupSheet | None:
        """The sheet that is shown, once somebody has picked their name."""
        return self._sheet

    def _seat(self) -> None:
        if self._sheet is not None:
            self._sheet.close()
            self._sheet = None
        self.message.value = ""
        name, copied_by = self.who.value, self.copied_by.value.strip()
        if name is not None:
            try:
                desk = BookDesk(self._book, self._session, name, copied_by=copied_by)
                self._sheet = CupSheet(desk)
            except LabkitError as error:
                self.message.value = f'<div role="alert">{html.escape(str(error))}</div>'
        head = [self.who, self.copied_by, self.message]
        self.children = [*head, *([self._sheet] if self._sheet else [])]
