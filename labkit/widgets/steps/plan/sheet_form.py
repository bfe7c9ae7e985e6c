"""The form that reads the waters off the printed bench sheet, for a lost passphrase."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook, TastingSession
from labkit.errors import SealError
from labkit.tasting import CupPlan, KeyRow
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said


class BenchSheetForm(Form):
    """A line for each jug as the sheet has it: its codes, its water, whether it is a duplicate.

    Parameters
    ----------
    session : TastingSession
        Whose waters may be chosen.
    plan : CupPlan
        Its plan; says how many jugs there are.
    flight : int
        Which flight.
    """

    def __init__(self, session: TastingSession, plan: CupPlan, flight: int) -> None:
        self._session, self._plan, self._flight = session, plan, flight
        servings = plan.servings
        jugs = int(servings[servings["flight"] == flight]["position"].max())
        waters: list[tuple[str, tuple[str, bool] | None]] = [("choose", None)]
        for water in session.waters:
            at = water.target
            recipe = (
                f"{water.label}: {at.ca_mg_ratio_text} ({at.ca_mg_text}), "
                f"{at.hardness_mg_l_caco3:g}, {at.alkalinity_mg_l_caco3:g}"
                f"{at.salts_text and f', {at.salts_text}'}"
            )
            waters.append((recipe, (water.label, False)))
            waters.append((f"{recipe}, mixed separately", (water.label, True)))
        made = {}
        for jug in range(1, jugs + 1):
            made[f"codes_{jug}"] = fields.text(f"Codes of jug J{flight}.{jug}")
            made[f"water_{jug}"] = fields.choice(f"Water of jug J{flight}.{jug}", waters, None)
        super().__init__(made)
        self.compute_with(self._look)

    def _codes(self, jug: int) -> list[str]:
        return [code for code in re.split(r"[\s,;]+", self.fields[f"codes_{jug}"].value) if code]

    def _look(self, **_now: Any) -> str:
        n_jugs = len(self.fields) // 2
        given = [code for jug in range(1, n_jugs + 1) for code in self._codes(jug)]
        left = [code for code in self._plan.codes(self._flight) if code not in given]
        return said(f"Codes still to enter: {', '.join(left)}." if left else "All codes are there.")

    def rows(self) -> tuple[KeyRow, ...]:
        """The key as it stands on the sheet.

        Raises
        ------
        SealError
            If a code is strange, double or missing, or a jug has no water.
        """
        waters = {water.label: water for water in self._session.waters}
        labels = set(self._plan.codes(self._flight))
        shared = self._plan.serving == "shared bowls"
        rows: dict[str, KeyRow] = {}
        for jug in range(1, len(self.fields) // 2 + 1):
            codes, water = self._codes(jug), self.fields[f"water_{jug}"].value
            if not codes or (shared and len(codes) > 1):
                raise SealError(
                    f"codes_{jug} must be {'one code' if shared else 'the codes of its cups'}, "
                    f"got {len(codes)}. Read them off the sheet's last table.",
                    field=f"codes_{jug}",
                )
            if water is None:
                raise SealError(
                    f"water_{jug} must be chosen, got none. Read it off the sheet's last table.",
                    field=f"water_{jug}",
                )
            for code in codes:
                if code not in labels or code in rows:
                    what = "twice" if code in rows else "which is not of this flight"
                    raise SealError(
                        f"codes_{jug} must be codes of this flight, each once, got {code} {what}. "
                        "Check the flight and the line on the sheet.",
                        field=f"codes_{jug}",
                    )
                label, is_duplicate = water
                bowl = jug if shared else len(rows) + 1
                rows[code] = KeyRow(
                    blind_code=code,
                    jug=f"J{self._flight}.{jug}",
                    bowl=f"B{self._flight}.{bowl}",
                    water=label,
                    target=waters[label].target,
                    is_control=waters[label].is_control,
                    is_duplicate=is_duplicate,
                )
        return tuple(rows.values())


class LostPassphraseForm(widgets.VBox):
    """Opens a locked flight from the printed bench sheet, with a reason that is recorded.

    Parameters
    ----------
    book : LabBook
        The lab book; the opening is recorded there.
    on_open : callable
        Called after a flight was opened.
    """

    def __init__(self, book: LabBook, on_open: Callable[[str], Any]) -> None:
        self._book, self._on_open = book, on_open
        self._flight: tuple[str, int] | None = None
        self.sheet: BenchSheetForm | None = None
        self.button = fields.button("Open from the sheet")
        self.button.on_click(lambda _b: self._press())
        self._place = widgets.VBox()
        self.form = Form(
            {
                "reason": fields.text("Why not with the passphrase?", placeholder="it is recorded"),
                "done_by": fields.text("Who reads the sheet"),
            },
            buttons=[self.button],
        )
        self.form.also(self._place)
        super().__init__([self._place, self.form])

    def show(self, flight: tuple[str, int] | None) -> None:
        """Lay out the sheet of a locked flight; a sheet typed before is forgotten."""
        if flight == self._flight:
            return
        if self.sheet is not None:
            self.sheet.close()
        self._flight, self.sheet = flight, None
        if flight is None:
            self._place.children = ()
            return
        session, number = flight
        self.sheet = BenchSheetForm(
            self._book.sessions.session(session), self._book.sessions.plan(session), number
        )
        self._place.children = [self.sheet]

    def _press(self) -> None:
        done, sentence = self.form.press(self._open)
        if done:
            self.form.fields["reason"].value = ""
            self.show(None)
            self._on_open(sentence)

    def _open(self) -> str:
        if self.sheet is None or self._flight is None:
            raise SealError(
                "flight must be a locked one, but none is waiting. Lock one first.", field="flight"
            )
        (session, number), now = self._flight, self.form.values()
        self._book.sessions.open_flight_from_sheet(
            session, number, self.sheet.rows(), reason=now["reason"], done_by=now["done_by"]
        )
        return f"Flight {number} of '{session}' is open, from its printed sheet."
