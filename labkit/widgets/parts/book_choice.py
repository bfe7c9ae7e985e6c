"""The chooser at the head of every notebook: which lab book the workbook works on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import ipywidgets as widgets

from labkit.book import AbsentBook, LabBook, data_folder
from labkit.errors import LabkitError
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import said
from labkit.widgets.parts.folds import Fold

TO_THE_PAGE = (
    '<a class="lk-to-page" href="/voila/render/0-today.ipynb" target="_blank">'
    "Everything on one page, without code: Today</a>"
)
"""The way from a notebook to the page, by the server that shows both; the page hides it."""


class BookChoice(widgets.VBox):
    """The demo or an own lab book; the choice holds for all notebooks until it is changed.

    Parameters
    ----------
    book : LabBook or AbsentBook
        The lab book in use, or what stands for one that could not be opened.
    choose : callable
        Takes the URL or path of a lab book, or None for the demo, and remembers the choice
        (``labkit.choose_book``).
    """

    def __init__(
        self, book: LabBook | AbsentBook, choose: Callable[[str | Path | None], LabBook]
    ) -> None:
        self._choose = choose
        self._name = fields.text("Name of your lab book", placeholder="such as our-lab")
        own = fields.button("Use my own lab book")
        own.on_click(lambda _b: self.use(self._name.value.strip()))
        demo = fields.button("Use the demo")
        demo.on_click(lambda _b: self.use(None))
        is_absent = isinstance(book, AbsentBook)
        self.said = widgets.HTML(_which(book))
        self.change = Fold(
            "Change the lab book",
            [self._name, fields.side_by_side(own, demo)],
            is_open=is_absent,
        )
        super().__init__([self.said, self.change])

    def use(self, name: str | None) -> None:
        """Use another lab book from now on; one that cannot be used is said and changes nothing.

        Parameters
        ----------
        name : str or None
            What it is called, or where it is; None for the demo.
        """
        if name == "":
            self.said.value = said("type a name for your lab book first.", wrong=True)
            return
        try:
            is_name = name is not None and not set(name) & set("/\\:")
            chosen = self._choose(data_folder() / f"{name}.db" if is_name else name)
        except LabkitError as error:
            self.said.value = said(str(error), wrong=True)
            return
        self.said.value = said(
            f"From now on the workbook uses '{chosen.name}'. This notebook shows the former lab "
            "book until it is opened again."
        )


def _which(book: LabBook | AbsentBook) -> str:
    """Which lab book it is, and what is amiss with it."""
    if isinstance(book, AbsentBook):
        remedy = "Put it right and open the notebook again, or choose another below."
        return said(f"No lab book is open: {book.why} {remedy}", wrong=True)
    doubt = book.doubt
    return (
        said(f"Lab book: '{book.name}'.") + (said(doubt, wrong=True) if doubt else "") + TO_THE_PAGE
    )
