"""The bottles on the shelf: how old, how much is left, open questions, and their labels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook
from labkit.book.bottles import Bottle
from labkit.errors import ConcentrateError
from labkit.water import salt
from labkit.water.markup import table
from labkit.widgets import fields
from labkit.widgets.fields import Form, said
from labkit.widgets.handover import HandOver, file_name


class StockForm(widgets.VBox):
    """What stands on the shelf; nothing in the lab book changes here.

    Parameters
    ----------
    book : LabBook
        Where the bottles are.
    labels : callable
        ``labkit.bench.bottle_labels``.
    """

    def __init__(self, book: LabBook, labels: Callable[..., Any]) -> None:
        self._book, self._labels, self._hands = book, labels, HandOver()
        save = fields.button("Label sheet")
        save.on_click(lambda _b: self._hand())
        self.form = Form(
            {"keeps_days": fields.whole("Bicarbonate keeps (days; practice says 3 to 4)", 4)},
            buttons=[save],
        )
        self.form.compute_with(self._show)
        super().__init__([self.form, self._hands])

    def _bottles(self, keeps_days: int) -> list[Bottle]:
        if not 1 <= keeps_days <= 60:
            raise ConcentrateError(
                f"keeps_days must be 1 to 60 days, got {keeps_days}. Common practice is 3 to 4."
            )
        return [
            replace(bottle, keeps_days=keeps_days)
            if salt(bottle.salt).alkalinity_mg_caco3_per_g > 0
            else bottle
            for bottle in self._book.bottles()
        ]

    def _show(self, *, keeps_days: int) -> list[str]:
        today, rows, asked = date.today(), [], []
        for bottle in self._bottles(keeps_days):
            old = bottle.is_too_old(today)
            until = "months" if bottle.use_by is None else f"{bottle.use_by:%Y-%m-%d}"
            rows.append(
                (
                    bottle.name,
                    bottle.salt,
                    bottle.keeper,
                    f"{bottle.age_days(today)}",
                    f"{until}, too old" if old else until,
                    f"{bottle.left_ml:.0f}",
                )
            )
            asked += _questions(bottle)
        head = ("bottle", "salt", "keeper", "age, days", "keeps until", "left, mL")
        return [*(said(f"Question: {one}") for one in asked), table("On the shelf", head, rows)]

    def _hand(self) -> None:
        def work() -> None:
            sheet = self._labels(
                self._bottles(self.form.fields["keeps_days"].value), lab_book=self._book.name
            )
            self._hands.hand(
                sheet.html, name=file_name("bottles", "labels"), note="Print at 100 %."
            )

        self.form.attempt(work)


def _questions(bottle: Bottle) -> list[str]:
    """A question where weighed and measured disagree beyond both their uncertainties."""
    measured = bottle.concentrate_as_measured
    if measured is None or measured.measured is None:
        return []
    weighed = bottle.concentrate
    one, other = weighed.strength_mg_l_caco3_per_ml, measured.strength_mg_l_caco3_per_ml
    room = (
        (one * weighed.uncertainty_percent) ** 2
        + (other * measured.measured.uncertainty_percent) ** 2
    ) ** 0.5 / 100
    if abs(one - other) <= room:
        return []
    return [
        f"«{bottle.name}» was weighed to {one:.3f} and measured as {other:.3f} mg/L CaCO3 per mL, "
        f"{abs(other - one):.3f} apart where balance and kit explain {room:.3f}. Which is right? "
        "Check hydrate, volume and kit, and measure again; doses count with the measurement."
    ]
