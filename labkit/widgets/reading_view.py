"""The view of one coffee: the verdict, its pictures, when to stop, and the next flight."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets
import pandas as pd

from labkit.analysis import Reading, read_coffee, stop_or_taste, suggest_flight
from labkit.analysis.region import Region
from labkit.analysis.stopping import StopAdvice
from labkit.analysis.suggest import Suggestion
from labkit.analysis.suggest_belief import believe
from labkit.book import LabBook
from labkit.errors import LabkitError, ReadingError
from labkit.water import Target
from labkit.widgets import fields
from labkit.widgets.fields import Form, as_html, said
from labkit.widgets.sweep_form import levels

_HELD = {
    "mg_share": "Hold Mg share at",
    "hardness_mg_l_caco3": "Hold hardness at (mg/L CaCO3)",
    "alkalinity_mg_l_caco3": "Hold alkalinity at (mg/L CaCO3)",
}


class ReadingView(widgets.VBox):  # type: ignore[misc]  # ipywidgets ships no types
    """Choose a coffee and read what its scores say; it follows the choice.

    Parameters
    ----------
    book : LabBook
        Where the opened scores are.
    picture : callable
        Takes a :class:`Reading` and returns its pictures as HTML.
    region : callable, optional
        Takes the coordinates held, by name, and returns the :class:`Region` of waters that may be
        proposed, such as those the bottles on the shelf can make.
    """

    def __init__(
        self,
        book: LabBook,
        picture: Callable[[Reading], str],
        region: Callable[[dict[str, float]], Region] = lambda held: Region(locked=held),
    ) -> None:
        self._book, self._picture, self._region = book, picture, region
        self.reading: Reading | None = None
        self.advice: StopAdvice | None = None
        self.suggestion: Suggestion | None = None
        coffees = [(f"{c.name} ({c.client})", (c.client, c.name)) for c in book.coffees()]
        self.form = Form(
            {
                "coffee": fields.choice("Coffee", coffees, coffees[0][1] if coffees else None),
                "attribute": fields.choice("Score", ["overall"], "overall"),
                "cups": fields.whole("Waters in the next flight", 5),
            },
            folded={
                "brew_method": fields.choice(
                    "Brewed as", ["cupping", "filter", "espresso"], "cupping"
                ),
                **{name: fields.text(label) for name, label in _HELD.items()},
            },
            fold_title="Brew method, what to hold in the next flight",
        )
        self.form.compute_with(self._read)
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

    @property
    def next_waters(self) -> tuple[Target, ...]:
        """The waters proposed for the next flight.

        Raises
        ------
        ReadingError
            If nothing could be proposed.
        """
        if self.suggestion is None:
            raise ReadingError(
                "the next flight must come from overall scores, but none are read above. "
                "Choose the score 'overall' of a coffee that has been tasted."
            )
        return self.suggestion.targets

    def refresh(self) -> None:
        """Read again, after a key was opened or scores came in."""
        self.form.refresh()

    def _read(
        self,
        *,
        coffee: tuple[str, str] | None,
        attribute: str,
        cups: int,
        brew_method: str,
        **held: str,
    ) -> list[Any]:
        self.reading = self.advice = self.suggestion = None
        if coffee is None:
            raise ReadingError("coffee must be chosen, but the lab book has none. Add one first.")
        scores = self.scores
        names = sorted(scores["attribute"].unique(), key=lambda name: (name != "overall", name))
        chooser = self.form.fields["attribute"]
        if names and list(chooser.options) != names:
            with chooser.hold_trait_notifications():
                chooser.options = names
                chooser.value = attribute = attribute if attribute in names else names[0]
        self.reading = read_coffee(scores, attribute, brew_method=brew_method)
        shown: list[Any] = [self.reading, self._picture(self.reading)]
        if attribute == "overall":
            shown += self._what_next(scores, cups, brew_method, held)
        return shown

    def _what_next(
        self, scores: pd.DataFrame, cups: int, brew_method: str, held: dict[str, str]
    ) -> list[Any]:
        try:
            at = {name: level for name, typed in held.items() for level in levels(name, typed)}
            belief = believe(scores, self._region(at), brew_method=brew_method)
            self.advice = stop_or_taste(belief, k=cups)
            self.suggestion = suggest_flight(belief, k=cups)
        except LabkitError as error:
            return [said(str(error), wrong=True)]
        return [
            "<h3>Stop, or taste on?</h3>",
            as_html(self.advice),
            "<h3>What to taste next</h3>",
            as_html(self.suggestion),
        ]
