"""The view of what comes next: the flights so far, stop or taste on, and the waters to taste."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any

import ipywidgets as widgets
import pandas as pd

from labkit.analysis import (
    Belief,
    Excluded,
    HeadStart,
    Reading,
    Region,
    StopAdvice,
    Suggestion,
    WalkStep,
    believe,
    classical_walk,
    flight_history,
    gather_scores,
    head_start,
    makeable,
    stop_or_taste,
    suggest_flight,
    water_target,
)
from labkit.book import LabBook, keep_chosen
from labkit.errors import DosingError, ReadingError
from labkit.present import flight_html, say
from labkit.tasting import Sweep
from labkit.water import CAUTIONS, COORDINATES, PURE_WATER, Target, Water, as_coordinates, notes
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, as_html, fold, said
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.widgets.steps.plan.sweep_form import levels
from labkit.widgets.steps.verdict.reading_view import ReadingView

_HOLD = {
    "mg_share": "Hold Mg share at",
    "hardness_mg_l_caco3": "Hold hardness at (mg/L CaCO3)",
    "alkalinity_mg_l_caco3": "Hold alkalinity at (mg/L CaCO3)",
}
_LEAVE_OUT = {
    "leave_mg_share": "Leave out Mg share",
    "leave_hardness_mg_l_caco3": "Leave out hardness",
    "leave_alkalinity_mg_l_caco3": "Leave out alkalinity",
}
_NOTHING_LENT = "No other coffee has scores yet: nothing is lent."
_HELPED = (
    "Earlier coffees count for the water to serve meanwhile. Which cups to taste, and whether to "
    "stop, rest on this coffee's own cups."
)
_PATHS = [("whatever teaches most", "search"), ("one dial after the other", "walk")]


class NextFlightView(NeedsBook, widgets.VBox):
    """Whether to taste on and which waters; it follows the coffee chosen in the view above.

    ``control`` is the coffee's control so far, which links its days; None before the first.

    Parameters
    ----------
    book : LabBook
        Whose bottles say what can be mixed.
    reading : ReadingView
        Where the coffee is chosen and its scores come from.
    picture : callable
        Takes a :class:`Suggestion` and a :class:`Reading` or None and returns a picture as HTML.
    region : callable, optional
        Takes the coordinates held, by name, and what is left out, and returns the :class:`Region`
        of waters that may be proposed; unless given, those that the bottles on the shelf can make.
    base : BaseWaterForm, optional
        The water that the doses go into; pure water if not given.
    """

    def __init__(
        self,
        book: LabBook,
        reading: ReadingView,
        picture: Callable[[Suggestion, Reading | None], str],
        *,
        region: Callable[[dict[str, float], tuple[Excluded, ...]], Region] | None = None,
        base: BaseWaterForm | None = None,
    ) -> None:
        self._book, self._reading, self._picture = book, reading, picture
        self._region, self._base = region or self._within_reach, base
        self.advice: StopAdvice | None = None
        self._lent = lru_cache(maxsize=1)(self._ask_earlier_coffees)
        self.suggestion: Suggestion | None = None
        self.step: WalkStep | None = None
        self.control: Target | None = None
        self.form = Form(
            {
                "path": fields.choice("Taste next", _PATHS, "search"),
                "cups": fields.whole("Waters in the next flight", 5),
                "earlier": fields.tick("Let earlier coffees help", True),
            },
            folded={
                **{name: fields.text(label) for name, label in _HOLD.items()},
                **{
                    name: fields.text(label, placeholder="from and to, with a space")
                    for name, label in _LEAVE_OUT.items()
                },
                "include": fields.text(
                    "Also include", placeholder="Mg share, hardness, alkalinity; the next water"
                ),
                "n_tasters": fields.whole("Tasters who will come (0: as so far)", 0),
            },
            fold_title="Hold, leave out, include; who will come",
        )
        self.form.compute_with(self._show)
        reading.on_change(self._lent.cache_clear)
        reading.on_change(self.form.refresh)
        if base is not None:
            base.on_change(self.form.refresh)
        super().__init__([self.form])

    @property
    def coffee(self) -> tuple[str, str] | None:
        """Client and name of the coffee, or None while the lab book has none."""
        return self._reading.coffee

    @property
    def waters(self) -> tuple[Target, ...]:
        """The distinct waters of the next flight; a cup plan repeats by hidden duplicates.

        Raises
        ------
        ReadingError
            If nothing is proposed.
        """
        if self.step is not None and self.step.sweep is not None:
            return self.step.sweep.targets
        if self.step is not None:
            raise ReadingError(
                "the next flight must be a dial, but the walk is at its end. Taste next "
                f"«{_PATHS[0][0]}» instead, or stop."
            )
        if self.suggestion is None:
            raise ReadingError(
                "the next flight must come from overall scores, but none are read above. "
                "Choose the score 'overall' of a coffee."
            )
        return tuple(dict.fromkeys(self.suggestion.targets))

    @property
    def sweep(self) -> Sweep | None:
        """The dial of a walk; None for waters that fill gaps between earlier ones."""
        return None if self.step is None else self.step.sweep

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change."""
        self.form.on_change(follow)

    def _show(
        self, *, path: str, cups: int, earlier: bool, include: str, n_tasters: int, **typed: str
    ) -> list[Any]:
        self.advice = self.suggestion = self.step = self.control = None
        if self._reading.attribute != "overall":
            raise ReadingError(
                "the next flight rests on overall scores. "
                + (
                    "Choose the score 'overall'."
                    if "overall" in self._reading.form.fields["attribute"].options
                    else "This coffee has none: let its next session ask for 'overall'."
                )
            )
        region = self._region(*_bounds(typed))
        scores, brew_method = self._reading.scores, self._reading.brew_method
        asked = _waters_typed(include)
        start = self._lent(brew_method) if earlier else None
        shown: list[Any] = []
        belief: Belief | None = None
        if scores.empty:
            belief = believe(None, region, n_tasters=n_tasters or 4, also=asked, head_start=start)
            shown.append(said(f"{self._why_none()} The first flight spreads out."))
        else:
            belief = believe(scores, region, brew_method=brew_method, also=asked, head_start=start)
            self.advice = stop_or_taste(belief, k=cups, served_as=brew_method, tests=scores)
            if belief.control is not None:
                self.control = water_target(belief.posterior.recipes[belief.control])
            shown += ["<h3>Stop, or taste on?</h3>", as_html(self.advice)]
            shown.append(fold("The flights so far", self._so_far(scores, brew_method)))
        shown.append("<h3>What to taste next</h3>")
        if earlier:
            shown.append(said(_NOTHING_LENT if start is None else _HELPED))
        if path == "walk":
            return shown + self._walk(scores, region, cups, brew_method)
        self.suggestion = suggest_flight(belief, k=cups, include=asked, n_tasters=n_tasters or None)
        return shown + self._search(self.suggestion)

    def _ask_earlier_coffees(self, brew_method: str) -> HeadStart | None:
        if self.coffee is None:
            return None
        about = [
            (c.client, c.name, c.origin, c.process, c.roast_level) for c in self._book.coffees()
        ]
        return head_start(
            keep_chosen(self._book, self._book.opened_scores()),
            self.coffee,
            pd.DataFrame(about, columns=["client", "coffee", "origin", "process", "roast_level"]),
            brew_method=brew_method,
        )

    def _why_none(self) -> str:
        """Why there are no scores: nobody tasted, or the keys are closed."""
        client, coffee = self.coffee or ("", "")
        sessions = self._book.sessions(client=client, coffee=coffee)
        if not any(self._book.flights(session.name) for session in sessions):
            return "Nobody has tasted this coffee yet."
        return (
            "This coffee has a flight whose key is closed: score and lock it in notebook 3, and "
            "open it above, before you plan another."
        )

    def _so_far(self, scores: pd.DataFrame, brew_method: str) -> str:
        history = flight_history(gather_scores(scores, "overall", brew_method=brew_method))
        return notes(
            f"{row.session}, flight {row.flight}: {row.cups} cups, {row.tasters} tasters, mean "
            f"score {row.mean:.1f}; best {row.best_mean:.1f}, {row.best_water}"
            for row in history.itertuples()
        )

    def _search(self, suggestion: Suggestion) -> list[Any]:
        reading = self._reading.reading
        try:
            pours = suggestion.mixings(self._book.concentrates(), base=self._base_water())
            wrong = ""
        except DosingError as error:
            pours, wrong = (), said(str(error), wrong=True)
        twice = len(suggestion.targets) - len(set(suggestion.targets))
        repeats = (
            "A water is wanted twice: ask for hidden duplicates when you plan the flight."
            if twice
            else ""
        )
        return [
            wrong,
            flight_html(suggestion, pours),
            notes(dict.fromkeys(remark for pour in pours for remark in pour.remarks)),
            said(repeats),
            fold("Handle with care", notes(CAUTIONS["mixing"])),
            fold("Where they lie", self._picture(suggestion, reading)),
        ]

    def _walk(self, scores: pd.DataFrame, region: Region, cups: int, brew_method: str) -> list[Any]:
        frame = None if scores.empty else scores
        self.step = classical_walk(frame, region, cups, brew_method=brew_method)
        kept = f"Kept so far: {self.step.kept.text}."
        next_waters = () if self.step.sweep is None else self.step.sweep.targets
        return [
            said(say(self.step)),
            notes([kept, *(f"taste {water.text}" for water in next_waters)]),
        ]

    def _base_water(self) -> Water:
        return PURE_WATER if self._base is None else self._base.water

    def _within_reach(self, held: dict[str, float], excluded: tuple[Excluded, ...]) -> Region:
        allowed = makeable(self._book.concentrates(), base=self._base_water())
        return Region(locked=held, excluded=excluded, allowed=allowed)


def _bounds(typed: dict[str, str]) -> tuple[dict[str, float], tuple[Excluded, ...]]:
    """What is held, and the one block that is left out, from what stands in the fields."""
    held = {name: level for name in _HOLD for level in levels(name, typed[name])}
    ranges = {}
    for name, field in zip(COORDINATES, _LEAVE_OUT, strict=True):
        ends = levels(field, typed[field])
        if ends and len(ends) != 2:
            raise ReadingError(
                f"{field} must be two numbers, from and to, got {typed[field]!r}. "
                "Clear the field to leave nothing out."
            )
        if ends:
            ranges[name] = (min(ends), max(ends))
    return held, (Excluded(ranges=ranges, reason="left out by hand"),) if ranges else ()


def _waters_typed(typed: str) -> tuple[Target, ...]:
    """Waters typed as three numbers each, with semicolons between waters."""
    waters = []
    for part in filter(str.strip, typed.split(";")):
        numbers = levels("include", part)
        if len(numbers) != len(COORDINATES):
            raise ReadingError(
                f"include must be three numbers a water (Mg share, hardness, alkalinity), got "
                f"{part.strip()!r}. Write 0.5 100 30; 0.2 60 10 for two waters."
            )
        waters.append(water_target(as_coordinates([numbers])[0]))
    return tuple(waters)
