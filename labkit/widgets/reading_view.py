"""The view of one coffee's reading: verdict, pictures, best water, and the next flight."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any

import ipywidgets as widgets
import pandas as pd

from labkit.analysis import Reading, read_coffee
from labkit.book import LabBook
from labkit.errors import LabkitError, ReadingError
from labkit.widgets import fields
from labkit.widgets.fields import Form, as_html, said


class ReadingView(widgets.VBox):  # type: ignore[misc]  # ipywidgets ships no types
    """Choose a coffee and read what its scores say; it follows the choice.

    Parameters
    ----------
    book : LabBook
        Where the opened scores are.
    picture : callable
        Takes a :class:`Reading` and returns its pictures as HTML.
    next_flight : callable, optional
        Takes a :class:`Reading` and returns what to taste next, with ``_repr_html_`` and
        ``targets``.
    """

    def __init__(
        self,
        book: LabBook,
        picture: Callable[[Reading], str],
        next_flight: Callable[[Reading], Any] | None = None,
    ) -> None:
        self._book, self._picture, self._next_flight = book, picture, next_flight
        self.reading: Reading | None = None
        self.suggestion: Any = None
        coffees = [(f"{c.name} ({c.client})", (c.client, c.name)) for c in book.coffees()]
        self.form = Form(
            {
                "coffee": fields.choice("Coffee", coffees, coffees[0][1] if coffees else None),
                "attribute": fields.choice("Score", ["overall"], "overall"),
                "brew_method": fields.choice(
                    "Brewed as", ["cupping", "filter", "espresso"], "cupping"
                ),
            },
            compute=self._read,
        )
        super().__init__([self.form])

    @property
    def coffee(self) -> tuple[str, str]:
        """Client and name of the coffee chosen."""
        chosen: tuple[str, str] = self.form.fields["coffee"].value
        return chosen

    @property
    def scores(self) -> pd.DataFrame:
        """The opened scores of the coffee chosen, one row a score."""
        client, coffee = self.coffee
        return self._book.opened_scores(coffee=coffee, client=client)

    def refresh(self) -> None:
        """Read again, after a key was opened or scores came in."""
        self.form.refresh()

    def _read(self, coffee: tuple[str, str] | None, attribute: str, brew_method: str) -> list[Any]:
        self.reading = self.suggestion = None
        if coffee is None:
            raise ReadingError("coffee must be chosen, but the lab book has none. Add one first.")
        scores = self.scores
        names = sorted(scores["attribute"].unique(), key=lambda name: (name != "overall", name))
        chooser = self.form.fields["attribute"]
        if names and list(chooser.options) != names:
            chooser.options = names
            chooser.value = attribute if attribute in names else names[0]
            return []  # the new choice reads again
        self.reading = read_coffee(scores, attribute, brew_method=brew_method)
        shown: list[Any] = [self.reading, self._picture(self.reading)]
        if self._next_flight is not None and attribute == "overall":
            try:
                self.suggestion = self._next_flight(self.reading)
            except LabkitError as error:
                shown.append(said(str(error), wrong=True))
            else:
                shown += [f"<h3>{escape('What to taste next')}</h3>", as_html(self.suggestion)]
        return shown
