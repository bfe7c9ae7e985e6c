"""The report of one coffee: one press, one file."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook, Topic
from labkit.errors import ReadingError
from labkit.widgets.parts import fields
from labkit.widgets.parts.coffees import coffee_choices
from labkit.widgets.parts.fields import Form
from labkit.widgets.parts.handover import HandOver, file_name
from labkit.widgets.parts.listening import follow_book, follow_choices
from labkit.widgets.parts.needs_book import NeedsBook


class ReportForm(NeedsBook, widgets.VBox):
    """Choose a coffee and save its report.

    Parameters
    ----------
    book : LabBook
        Where the coffee is.
    report : callable
        ``labkit.bench.coffee_report``.
    """

    def __init__(self, book: LabBook, report: Callable[..., Any]) -> None:
        self._book, self._report, self.hands = book, report, HandOver()
        save = fields.button("Save the report", main=True)
        save.on_click(lambda _b: self._save())
        coffees = coffee_choices(book)
        first = coffees[0][1] if coffees else None
        self.form = Form({"coffee": fields.choice("Coffee", coffees, first)}, buttons=[save])
        super().__init__([self.form, self.hands])
        follow_book(self, book, self._hear, Topic.PEOPLE)

    def _hear(self) -> None:
        follow_choices(self.form.fields["coffee"], coffee_choices(self._book))

    def _save(self) -> None:
        chosen = self.form.fields["coffee"].value

        def work() -> None:
            if chosen is None:
                raise ReadingError(
                    "coffee must be chosen, but the lab book has none. Add one.", field="coffee"
                )
            client, coffee = chosen
            page = self._report(self._book, coffee, client=client)
            self.hands.hand(
                page.html, name=file_name(coffee, "report"), note="The raw scores are in it."
            )

        self.form.press(work)
