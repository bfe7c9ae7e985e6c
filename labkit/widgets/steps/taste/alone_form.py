"""The form for codes found under the cups, after one has tasted alone and locked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook
from labkit.errors import PlanError
from labkit.tasting import CupPlan, Serving, match_codes
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said


class FoundCodesForm(widgets.VBox):
    """A field for each place on the table, where codes are still to be found.

    Once they are kept, one line offers to correct them, as long as the key is closed.

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
        self._correcting = False
        self.button = fields.button("Keep these codes", main=True)
        self.button.on_click(lambda _b: self._press())
        self.correct = fields.button("Correct the codes found")
        self.correct.on_click(lambda _b: self._ask_again())
        self.form: Form | None = None
        super().__init__()

    def show(self, session: str | None, flight: int) -> bool:
        """Ask for the codes of a flight if they are missing; whether they are."""
        self._plan, self.form, self._correcting = None, None, False
        self._lay_out()
        if session is None:
            return False
        self._plan, self._flight = self._book.sessions.plan(session), flight
        if any(not cup.blind_code for cup in self._cups()):
            self._ask({cup.position: "" for cup in self._cups()})
            return True
        if self._book.sessions.flight(session, flight).codes_found:
            self._lay_out(self.correct)
        return False

    def _cups(self) -> list[Serving]:
        """The cups of the flight, in the order of the table."""
        cups = () if self._plan is None else self._plan.cups
        return sorted((c for c in cups if c.flight == self._flight), key=lambda c: c.position)

    def _ask(self, codes: dict[int, str]) -> None:
        """A field for each place; with the reason where codes are there already."""
        asked = {
            f"place_{place}": fields.text(f"Code under cup {place}", code)
            for place, code in codes.items()
        }
        if self._correcting:
            asked["reason"] = fields.text("Why corrected", placeholder="it is recorded")
        self.form = Form(asked, buttons=[self.button])
        self.form.compute_with(self._look)
        intro = (
            "Correct what was mistyped: the earlier codes stay in the lab book."
            if self._correcting
            else "You tasted alone: turn each cup over and type the code you find under it."
        )
        self._lay_out(widgets.HTML(said(intro)), self.form)

    def _ask_again(self) -> None:
        self._correcting = True
        self._ask({cup.position: cup.blind_code for cup in self._cups()})

    def _lay_out(self, *shown: widgets.Widget) -> None:
        self.children = shown

    def _found(self) -> dict[int, str]:
        typed = self.form.values() if self.form else {}
        return {
            int(name.removeprefix("place_")): code.strip()
            for name, code in typed.items()
            if name.startswith("place_")
        }

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
                    "Look under the cup again.",
                    field=f"place_{place}",
                )
            if code and given.count(code) > 1:
                raise PlanError(
                    f"place_{place} must be a code of its own, got {code} under two cups. "
                    "Look under both again.",
                    field=f"place_{place}",
                )
        left = [code for code in labels if code not in given]
        return said(f"Still to find: {', '.join(left)}." if left else "All codes are found.")

    def _press(self) -> None:
        if self.form is None or self._plan is None:
            return
        plan, flight = self._plan, self._flight

        def keep() -> None:
            self._look()  # what cannot be is said beside its cup
            taster = self._cups()[0].taster
            reason = self.form.fields["reason"].value if self._correcting and self.form else None
            codes = self._found() if self._correcting else match_codes(plan, flight, self._found())
            self._book.sessions.enter_found_codes(
                plan.session, flight, taster, codes, correct_because=reason, done_by=taster
            )

        done, _ = self.form.press(keep)
        if not done:
            return
        self.form, self._plan = None, None
        self._lay_out()
        if self._on_found is not None:
            self._on_found()
