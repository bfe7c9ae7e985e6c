"""The view of one coffee: what its scores say, in words and pictures."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets
import pandas as pd

from labkit.analysis import Reading, read_coffee
from labkit.book import LabBook
from labkit.errors import ReadingError
from labkit.widgets import fields
from labkit.widgets.coffees import coffee_choices
from labkit.widgets.fields import Form


class ReadingView(widgets.VBox):
    """Choose a coffee and read what its scores say; it follows the choice.

    Parameters
    ----------
    book : LabBook
        Where the opened scores are.
    picture : callable
        Takes a :class:`Reading` and returns its pictures as HTML.
    """

    def __init__(self, book: LabBook, picture: Callable[[Reading], str]) -> None:
        self._book, self._picture = book, picture
        self.reading: Reading | None = None
        coffees = coffee_choices(book)
        self.form = Form(
            {
                "coffee": fields.choice("Coffee", coffees, coffees[0][1] if coffees else None),
                "attribute": fields.choice("Score", ["overall"], "overall"),
            },
            folded={
                "brew_method": fields.choice(
                    "Brewed as", ["cupping", "filter", "espresso"], "cupping"
                ),
            },
            fold_title="Brew method",
        )
        self.form.compute_with(self._read)
        super().__init__([self.form])

    @property
    def coffee(self) -> tuple[str, str] | None:
        """Client and name of the coffee, or None while the lab book has none."""
        chosen: tuple[str, str] | None = self.form.fields["coffee"].value
        return chosen

    @property
    def scores(self) -> pd.DataFrame:
        """The opened scores of the coffee chosen, one row a score."""
        if self.coffee is None:
            raise ReadingError("coffee must be chosen, but the lab book has none. Add one first.")
        client, coffee = self.coffee
        return self._book.opened_scores(coffee=coffee, client=client)

    @property
    def attribute(self) -> str:
        """The score that is read."""
        return str(self.form.fields["attribute"].value)

    @property
    def brew_method(self) -> str:
        """How the cups that are read were brewed."""
        return str(self.form.fields["brew_method"].value)

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change."""
        self.form.on_change(follow)

    def refresh(self) -> None:
        """Read again, after a key was opened or scores came in."""
        self.form.refresh()

    def _read(
        self, *, coffee: tuple[str, str] | None, attribute: str, brew_method: str
    ) -> list[Any]:
        del coffee  # the scores are those of the coffee chosen
        self.reading = None
        scores = self.scores
        names = sorted(scores["attribute"].unique(), key=lambda name: (name != "overall", name))
        chooser = self.form.fields["attribute"]
        if names and list(chooser.options) != names:
            with chooser.hold_trait_notifications():
                chooser.options = names
                chooser.value = attribute = attribute if attribute in names else names[0]
        self.reading = read_coffee(scores, attribute, brew_method=brew_method)
        return [self.reading, self._picture(self.reading)]
