"""The view of what comes next: the flights so far, stop or taste on, and the waters to taste."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any

import ipywidgets as widgets

from labkit.analysis import (
    Excluded,
    HeadStart,
    Reading,
    Region,
    StopAdvice,
    Suggestion,
    WalkStep,
)
from labkit.book import LabBook
from labkit.errors import ReadingError
from labkit.present import cautions_for, flight_html, notes, remarks, say
from labkit.tasting import Sweep
from labkit.water import (
    COORDINATE,
    COORDINATES,
    PURE_WATER,
    Target,
    Way,
    read_levels,
    read_shares,
    read_waters,
    write_water,
)
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, as_html, fold, said
from labkit.widgets.parts.long_work import LongWork
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.widgets.steps.verdict.reading_view import ReadingView, mark_of
from labkit.workflow import NextFlight, ask_earlier_coffees, next_flight

_HOLD = {
    "mg_share": "Hold Ca:Mg (or Mg share) at",
    "hardness_mg_l_caco3": "Hold hardness at (mg/L CaCO3)",
    "alkalinity_mg_l_caco3": "Hold alkalinity at (mg/L CaCO3)",
}
_LEAVE_OUT = {
    "leave_mg_share": "Leave out Ca:Mg (or Mg share)",
    "leave_hardness_mg_l_caco3": "Leave out hardness",
    "leave_alkalinity_mg_l_caco3": "Leave out alkalinity",
}
_NOTHING_LENT = "No earlier coffees to learn from yet."
_HELPED = (
    "Earlier coffees count only for the water to serve in the meantime. Which cups to taste, and "
    "whether to stop, depend on this coffee's own cups."
)
_CLOSED = (
    "This coffee has a flight whose key is closed: score and lock it under Taste, and open it "
    "above, before you plan another."
)
_ON_ASKING = "A first flight covers the whole range; it is worked out when you ask."
_FIRST = "Propose the first flight"
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
        self._book, self.reading_view, self._picture = book, reading, picture
        self._region, self._base = region, base
        self._lent = lru_cache(maxsize=1)(self._ask_earlier_coffees)
        self.found: NextFlight | None = None
        self.work = LongWork("Looking for what to taste next")
        self._wanted: tuple[str, str] | None = None
        self.button = fields.button(_FIRST)
        self.button.on_click(lambda _b: self.propose())
        self.form = Form(
            {
                "path": fields.choice("Taste next", _PATHS, "search"),
                "cups": fields.whole("Cups in the next flight", 5),
                "earlier": fields.tick("Let earlier coffees help", True),
            },
            folded={
                **{name: fields.text(label) for name, label in _HOLD.items()},
                **{
                    name: fields.text(label, placeholder="from and to, with a space")
                    for name, label in _LEAVE_OUT.items()
                },
                "include": fields.text(
                    "Also include", placeholder="Ca 60, Mg 40, alk 15; 1:3 at 100, alk 15"
                ),
                "n_tasters": fields.whole("Tasters who will come (0: as before)", 0),
            },
            fold_title="Hold, leave out, include; who will come",
            buttons=[self.button],
        )
        self.form.compute_with(self._show)
        reading.map.on_taste_next(self.include)
        if base is not None:
            reading.pour_into(base)
        reading.on_change(self._lent.cache_clear)
        reading.on_change(self.form.refresh)
        if base is not None:
            base.on_change(self.form.refresh)
        super().__init__([self.form, self.work])

    @property
    def coffee(self) -> tuple[str, str] | None:
        """Client and name of the coffee, or None while the lab book has none."""
        return self.reading_view.coffee

    @property
    def waters(self) -> tuple[Target, ...]:
        """The distinct waters of the next flight.

        Raises
        ------
        ReadingError
            If nothing is proposed.
        """
        if self.found is None and self.work.is_running:
            raise ReadingError("the next flight is still being worked out. Wait a moment.")
        if self.found is None and self.button.layout.display != "none":
            raise ReadingError(f"the next flight must be asked for. Press '{_FIRST}' above.")
        if self.found is None:
            raise ReadingError(
                "the next flight must come from overall scores, but none are read above. "
                "Choose the score 'overall' of a coffee."
            )
        return self.found.targets

    @property
    def served(self) -> tuple[Target, ...]:
        """What each cup holds as the search places them, repeats among them; else empty."""
        return () if self.found is None else self.found.served

    @property
    def sweep(self) -> Sweep | None:
        """The dial of a walk; None for waters that fill gaps between earlier ones."""
        return None if self.found is None else self.found.sweep

    @property
    def advice(self) -> StopAdvice | None:
        """Stop, or taste on; None before the first flight."""
        return None if self.found is None else self.found.advice

    @property
    def suggestion(self) -> Suggestion | None:
        """The flight that teaches most; None on a walk."""
        return None if self.found is None else self.found.suggestion

    @property
    def step(self) -> WalkStep | None:
        """The next dial of a walk; None on the other path."""
        return None if self.found is None else self.found.step

    @property
    def control(self) -> Target | None:
        """The coffee's control so far, which links its days; None before the first."""
        return None if self.found is None else self.found.control

    def propose(self) -> None:
        """Look for a flight of a coffee that was not tasted yet: never unasked."""
        self._wanted = self.coffee
        self.form.refresh()

    def include(self, water: Target) -> None:
        """Have a water in the next flight, besides what stands there already.

        Parameters
        ----------
        water : Target
            The water; it is written into the field as exactly as it is given.
        """
        field = self.form.fields["include"]
        typed = write_water(water, Way.SHARE, digits=12)
        there = [part.strip() for part in field.value.split(";") if part.strip()]
        field.value = "; ".join(dict.fromkeys([*there, typed]))

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change."""
        self.form.on_change(follow)

    def _show(
        self, *, path: str, cups: int, earlier: bool, include: str, n_tasters: int, **typed: str
    ) -> list[Any]:
        self.found = None
        self.button.layout.display = "none"
        self.reading_view.map.show_next(())
        if self.reading_view.attribute != "overall":
            raise ReadingError(
                "the next flight needs overall scores. "
                + (
                    "Choose the score 'overall'."
                    if "overall" in self.reading_view.form.fields["attribute"].options
                    else "This coffee has none: let its next session ask for 'overall'."
                )
            )
        held, excluded = _bounds(typed)
        scores, brew_method = self.reading_view.scores, self.reading_view.brew_method
        client, coffee = self.coffee or ("", "")
        if scores.empty and self._wanted != self.coffee:
            self.work.leave()
            self.button.layout.display = ""
            why = _CLOSED if self._waits() else "This coffee has not been tasted yet."
            return [said(f"{why} {_ON_ASKING}")]
        base = PURE_WATER if self._base is None else self._base.water
        region = None if self._region is None else self._region(held, excluded)
        also = tuple(one.target for one in read_waters(include, field="include"))

        def search() -> NextFlight:
            return next_flight(
                self._book,
                coffee,
                client=client,
                path="walk" if path == "walk" else "search",
                cups=cups,
                held=held,
                excluded=excluded,
                include=also,
                n_tasters=n_tasters or None,
                brew_method=brew_method,
                base=base,
                region=region,
                scores=scores,
                earlier=self._lent(brew_method) if earlier else None,
            )

        choices = (path, cups, earlier, include, n_tasters, *sorted(typed.items()))
        bottles = repr((self._book.stock.concentrates(), base))
        stands = mark_of(scores) if len(scores) else self._waits()
        asked = (self.coffee, brew_method, choices, bottles, stands)
        is_there, found = self.work.result(asked, search, self.form.refresh)
        if not is_there:
            return []
        self.found = found
        self.reading_view.map.show_next(
            () if found.suggestion is None else found.suggestion.targets
        )
        return self._told(found, earlier=earlier)

    def _waits(self) -> bool:
        """Whether a flight of the coffee was planned."""
        client, coffee = self.coffee or ("", "")
        sessions = self._book.sessions
        return bool(coffee and sessions.flights_by_session(client=client, coffee=coffee))

    def _told(self, found: NextFlight, *, earlier: bool) -> list[Any]:
        """What was found, in words and pictures."""
        shown: list[Any] = []
        if found.advice is None:
            why = _CLOSED if found.is_waiting else "This coffee has not been tasted yet."
            shown.append(said(f"{why} The first flight covers the whole range."))
        else:
            shown += ["<h3>Stop, or taste on?</h3>", as_html(found.advice)]
            shown.append(fold("The flights so far", _so_far(found)))
        shown.append("<h3>What to taste next</h3>")
        if earlier:
            shown.append(said(_NOTHING_LENT if found.earlier is None else _HELPED))
        if found.step is not None:
            return shown + _walk(found.step)
        return shown + self._search(found)

    def _ask_earlier_coffees(self, brew_method: str) -> HeadStart | None:
        if self.coffee is None:
            return None
        client, coffee = self.coffee
        return ask_earlier_coffees(self._book, coffee, client=client, brew_method=brew_method)

    def _search(self, found: NextFlight) -> list[Any]:
        suggestion = found.suggestion
        if suggestion is None:
            return []
        return [
            said(str(found.unmixable), wrong=True) if found.unmixable else "",
            said("" if found.cost is None else say(found.cost)),
            flight_html(suggestion, found.pours),
            notes(dict.fromkeys(remark for pour in found.pours for remark in remarks(pour))),
            fold("Handle with care", notes(cautions_for("mixing", found.pours))),
            fold("Map of these waters", self._picture(suggestion, self.reading_view.reading)),
        ]


def _so_far(found: NextFlight) -> str:
    rows = [] if found.history is None else found.history.to_dict("records")
    return notes(
        f"{row['session']}, flight {row['flight']}: {row['cups']} cups, {row['tasters']} tasters, "
        f"mean score {row['mean']:.1f}; best {row['best_mean']:.1f}, "
        f"{Target(**{name: row[f'best_{name}'] for name in COORDINATES}).text}"
        for row in rows
    )


def _walk(step: WalkStep) -> list[Any]:
    kept = f"Kept so far: {step.kept.text}."
    next_waters = () if step.sweep is None else step.sweep.targets
    return [said(say(step)), notes([kept, *(f"taste {water.text}" for water in next_waters)])]


def _bounds(typed: dict[str, str]) -> tuple[dict[str, float], tuple[Excluded, ...]]:
    """What is held, and the one block that is left out, from what stands in the fields."""
    held = {name: level for name in _HOLD for level in _levels(name, name, typed)}
    ranges = {}
    for name, field in zip(COORDINATES, _LEAVE_OUT, strict=True):
        ends = _levels(name, field, typed)
        if ends and len(ends) != 2:
            raise ReadingError(
                f"{field} must be two levels, from and to, got {typed[field]!r}. "
                "Clear the field to leave nothing out.",
                field=field,
            )
        if ends:
            ranges[name] = (min(ends), max(ends))
    return held, (Excluded(ranges=ranges, reason="left out by choice"),) if ranges else ()


def _levels(name: str, field: str, typed: dict[str, str]) -> tuple[float, ...]:
    """Levels of one coordinate as they stand in a field."""
    if name == "mg_share":
        return read_shares(typed[field], field)
    return read_levels(typed[field], COORDINATE[name].words, field)
