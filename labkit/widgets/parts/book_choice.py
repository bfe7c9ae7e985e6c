"""The chooser at the head of every notebook: which lab book the workbook works on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import ipywidgets as widgets

from labkit.book import LabBook, data_folder
from labkit.errors import LabkitError
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import said


class BookChoice(widgets.VBox):
    """The demo or an own lab book; the choice holds for all notebooks until it is changed.

    Parameters
    ----------
    book : LabBook
        The lab book in use.
    choose : callable
        Takes the URL or path of a lab book, or None for the demo, and remembers the choice
        (``labkit.choose_book``).
    """

    def __init__(self, book: LabBook, choose: Callable[[str | Path | None], LabBook]) -> None:
        self._choose = choose
        self._name = fields.text("Name of your lab book", placeholder="such as our-lab")
        own = fields.button("Use my own lab book")
        own.on_click(lambda _b: self._press(self._name.value.strip()))
        demo = fields.button("Use the demo")
        demo.on_click(lambda _b: self._press(None))
        self._said = widgets.HTML(said(f"This notebook works on the lab book «{book.name}»."))
        change = widgets.Accordion(
            [widgets.VBox([self._name, fields.side_by_side(own, demo)])], selected_index=None
        )
        change.set_title(0, "Change the lab book")
        super().__init__([self._said, change])

    def _press(self, name: str | None) -> None:
        if name == "":
            self._said.value = said("type a name for your lab book first.", wrong=True)
            return
        try:
            is_name = name is not None and not set(name) & set("/\\:")
            chosen = self._choose(data_folder() / f"{name}.db" if is_name else name)
        except LabkitError as error:
            self._said.value = said(str(error), wrong=True)
            return
        self._said.value = said(
            f"From now on the workbook uses «{chosen.name}». Choose Run, "
            "Run All Cells, to read it here."
        )
