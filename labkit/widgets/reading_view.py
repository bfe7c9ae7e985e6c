"""The view of one coffee: the verdict, its pictures, when to stop, and the next flight."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets
import pandas as pd

from labkit.analysis import Reading, read_coffee, stop_or_taste, suggest_flight
from labkit.analysis.region import Region, makeable
from labkit.analysis.stopping import StopAdvice
from labkit.analysis.suggest import Suggestion
from labkit.analysis.suggest_belief import believe
from labkit.book import LabBook
from labkit.errors import LabkitError, ReadingError
from labkit.water import Target
from labkit.widgets import fields
from labkit.widgets.coffees import coffee_choices
from labkit.widgets.fields import Form, as_html, said
from labkit.widgets.sweep_form import levels

_HELD = {
    "mg_share": "Hold Mg share at",
    "hardness_mg_l_caco3": "Hold hardness at (mg/L CaCO3)",
    "alkalinity_mg_l_caco3": "Hold alkalinity at (mg/L CaCO3)",
}


class ReadingView(widgets.VBox):
    """Choose a coffee and read what its scores say; it follows the choice.

    Parameters
    ----------
    book : LabBook
        Where the opened scores are.
    picture : callable
        Takes a :class:`Reading` and returns its pictures as HTML.
    region : callable, optional
        Takes the coordinates held, by name, and returns the :class:`Region` of waters that may be
        proposed; unless given, those that the bottles on the shelf can make.
    """

    def __init__(
        self,
        book: LabBook,
        picture: Callable[[Reading], str],
        region: Callable[[dict[str, float]], Region] | None = None,
    ) -> None:
        self._book, self._picture = book, picture
        self._region = region or self._within_reach
        self.reading: Reading | None = None
        self.advice: StopAdvice | None = None
        self.suggestion: Suggestion | None = None
        coffees = coffee_choices(book)
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
    def waters(self) -> tuple[Target, ...]:
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

    @property
    def sweep(self) -> None:
        """None: these waters fill gaps between earlier ones, and make no sweep of their own."""

    @property
    def title(self) -> str:
        """Words for the next session's name."""
        return "next flight"

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change."""
        self.form.on_change(follow)

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
        del coffee  # the scores are those of the coffee chosen
        self.reading = self.advice = self.suggestion = None
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

    def _within_reach(self, held: dict[str, float]) -> Region:
        return Region(locked=held, allowed=makeable(self._book.concentrates()))

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
