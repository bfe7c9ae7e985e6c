"""The form for codes found under the cups, after one has tasted alone and locked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook
from labkit.errors import PlanError
from labkit.tasting import CupPlan, match_codes
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said


class FoundCodesForm(widgets.VBox):
    """A field for each place on the table; shown only where codes are still to be found.

    Parameters
    ----------
    book : LabBook
        Where the codes go.
    on_found : callable, optional
        Called once they are there.
    """

    def __init__(self, book: LabBook, *, on_found: Callable[[], Any] | None = None) -> None:
        self._book, self._on_found = book, on_found
        self._plan: CupPlan | None = None
        self._flight = 0
        self._button = fields.button("Keep these codes", main=True)
        self._button.on_click(lambda _b: self._press())
        self.form: Form | None = None
        super().__init__()

    def show(self, session: str | None, flight: int) -> bool:
        """Ask for the codes of a flight if they are missing; whether they are."""
        self._plan = None
        self.form = None
        self._lay_out()
        if session is None:
            return False
        plan = self._book.plan(session)
        places = [c.position for c in plan.cups if c.flight == flight and not c.blind_code]
        if not places:
            return False
        self._plan, self._flight = plan, flight
        self.form = Form(
            {f"place_{n}": fields.text(f"Code under cup {n}") for n in sorted(places)},
            buttons=[self._button],
        )
        self.form.compute_with(self._look)
        intro = "You tasted alone: turn each cup over and type the code you find under it."
        self._lay_out(widgets.HTML(said(intro)), self.form)
        return True

    def _lay_out(self, *shown: widgets.Widget) -> None:
        self.children = shown

    def _found(self) -> dict[int, str]:
        typed = self.form.values() if self.form else {}
        return {int(name.rpartition("_")[2]): code.strip() for name, code in typed.items()}

    def _look(self, **_typed: str) -> str:
        """What is left to find, and at once what cannot be."""
        if self._plan is None:
            return ""
        labels, found = self._plan.codes(self._flight), self._found()
        given = [code for code in found.values() if code]
        for place, code in found.items():
            if code and code not in labels:
                raise PlanError(
                    f"place_{place} must be one of {', '.join(labels)}, got {code!r}. "
                    "Look under the cup again."
                )
            if code and given.count(code) > 1:
                raise PlanError(
                    f"place_{place} must be a code of its own, got {code} under two cups. "
                    "Look under both again."
                )
        left = [code for code in labels if code not in given]
        return said(f"Still to find: {', '.join(left)}." if left else "All codes are found.")

    def _press(self) -> None:
        if self.form is None or self._plan is None:
            return
        plan, flight = self._plan, self._flight

        def keep() -> None:
            self._look()  # what cannot be is said beside its cup
            codes = match_codes(plan, flight, self._found())
            taster = next(c.taster for c in plan.cups if c.flight == flight)
            self._book.enter_found_codes(plan.session, flight, taster, codes, done_by=taster)

        done, _ = self.form.attempt(keep)
        if not done:
            return
        self.form, self._plan = None, None
        self._lay_out()
        if self._on_found is not None:
            self._on_found()
