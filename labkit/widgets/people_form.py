"""The form that adds clients, coffees and tasters to the lab book."""

from __future__ import annotations

import ipywidgets as widgets

from labkit.book import LabBook
from labkit.errors import BookError
from labkit.widgets import fields
from labkit.widgets.fields import Form
from labkit.widgets.needs_book import NeedsBook

_ADDED = "Added. Choose Run, Run All Cells once more: then the forms below know it."


class PeopleForm(NeedsBook, widgets.VBox):
    """A client's coffee, and the people who taste; each button adds once.

    Parameters
    ----------
    book : LabBook
        Where they are kept.
    """

    def __init__(self, book: LabBook) -> None:
        self._book = book
        add_coffee, add_tasters = fields.button("Add this coffee"), fields.button("Add tasters")
        self.coffee_form = Form(
            {
                "client": fields.text("Client", placeholder="whose coffee it is"),
                "coffee": fields.text("Coffee"),
                "lot": fields.text("Lot"),
            },
            folded={
                "origin": fields.text("Origin"),
                "process": fields.text("Process"),
                "roast_level": fields.text("Roast level"),
                "roast_date": fields.day("Roast date"),
            },
            fold_title="Origin, process, roast",
            buttons=[add_coffee],
        )
        self.taster_form = Form(
            {"tasters": fields.text("Tasters", placeholder="names, with commas")},
            buttons=[add_tasters],
        )
        add_coffee.on_click(lambda _b: self._add_coffee())
        add_tasters.on_click(lambda _b: self._add_tasters())
        self._listed = widgets.HTML()
        is_new = not (book.coffees() and book.tasters())
        fold = widgets.Accordion(
            [widgets.VBox([self.coffee_form, self.taster_form])],
            selected_index=0 if is_new else None,
        )
        fold.set_title(0, "Add a coffee or tasters")
        super().__init__([self._listed, fold])
        self._list()

    def _list(self) -> None:
        coffees = "; ".join(f"{coffee.name} ({coffee.client})" for coffee in self._book.coffees())
        people = ", ".join(self._book.tasters())
        self._listed.value = fields.said(
            f"Coffees: {coffees or 'none yet'}. Tasters: {people or 'none yet'}."
        )

    def _add_coffee(self) -> None:
        now = self.coffee_form.values()
        client = now.pop("client").strip()

        def work() -> None:
            if not client:
                raise BookError("client must have a name, got ''. Type whose coffee it is.")
            if client not in {known.name for known in self._book.clients()}:
                self._book.add_client(client)
            self._book.add_coffee(now.pop("coffee"), client=client, **now)

        done, _ = self.coffee_form.attempt(work)
        if done:
            for name, field in self.coffee_form.fields.items():
                if name != "client":  # the next coffee has a lot and a roast of its own
                    field.value = None if name == "roast_date" else ""
            self.coffee_form.say(_ADDED)
            self._list()

    def _add_tasters(self) -> None:
        names = [name for name in self.taster_form.values()["tasters"].split(",") if name.strip()]
        done, _ = self.taster_form.attempt(lambda: [self._book.add_taster(n) for n in names])
        if done:
            self.taster_form.fields["tasters"].value = ""
            self.taster_form.say(_ADDED)
            self._list()
