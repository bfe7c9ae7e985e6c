"""The view of a plan before the first cup: what each path costs in cups and usually finds."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final, Literal

import ipywidgets as widgets

from labkit.analysis import (
    LIKING,
    PATHS,
    PanelNoise,
    PlanCurves,
    gather_scores,
    noise_of,
    plan_curves,
    rising_scale,
)
from labkit.book import LabBook, Topic
from labkit.errors import ReadingError
from labkit.present import say, table
from labkit.tasting import Scale
from labkit.widgets.parts import fields
from labkit.widgets.parts.coffees import coffee_choices
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.listening import follow_book, follow_choices
from labkit.widgets.parts.long_work import LongWork
from labkit.widgets.parts.needs_book import NeedsBook

SMALL_LOSS: Final = 0.15
"""Points of a 1-9 scale that nobody would miss."""

_USUAL = ("practised tasters", "")


class PlanningView(NeedsBook, widgets.VBox):
    """Dial tasters, cups and flights; one button simulates what is not yet known.

    Parameters
    ----------
    book : LabBook
        Whose opened scores tell a panel's own noise.
    picture : callable
        Takes a :class:`PlanCurves` and returns its picture as HTML.
    n_jobs : int
        Processes, as for joblib; all cores unless given.
    """

    def __init__(
        self, book: LabBook, picture: Callable[[PlanCurves], str], *, n_jobs: int = -1
    ) -> None:
        self._book, self._picture, self._n_jobs = book, picture, n_jobs
        self._known: dict[tuple[Any, ...], PlanCurves] = {}
        self._pressed: tuple[Any, ...] | None = None
        self.work = LongWork("Simulating coffees")
        self.button = fields.button("Simulate", main=True)
        self.button.on_click(lambda _b: self._press())
        self.form = Form(
            {
                "noise_of": fields.choice("Noise of", [_USUAL, *coffee_choices(book)], ""),
                "n_tasters": fields.choice("Tasters in the panel", [1, 2, 3, 4, 5, 6, 8, 10], 4),
                "cups": fields.choice("Waters a flight", [3, 4, 5, 6, 7, 8], 5),
                "n_flights": fields.choice("Flights ahead", [3, 4, 5, 6, 8, 10], 6),
            },
            folded={"n_coffees": fields.whole("Simulated coffees", 12)},
            fold_title="How long it may take: more coffees, smoother curves",
            buttons=[self.button],
        )
        super().__init__([self.form, self.work])
        self.form.compute_with(self._show)
        follow_book(self, book, self._hear, Topic.PEOPLE)

    def _hear(self) -> None:
        follow_choices(self.form.fields["noise_of"], [_USUAL, *coffee_choices(self._book)])

    def _show(self, **now: Any) -> str:
        asked = tuple(now.values())
        if asked not in self._known and asked == self._pressed:
            self._simulate(asked, now)
        if asked not in self._known:
            hint = "" if self.work.is_running else "Press Simulate: it takes some seconds a flight."
            return said(hint) + self._costs()
        curves = self._known[asked]
        picture = (
            '<div style="display:grid;grid-template-columns:minmax(0,1fr)">'  # shrinks on a phone
            f"{self._picture(curves)}</div>"
        )
        return said(say(curves)) + picture + self._costs()

    def _press(self) -> None:
        now = self.form.values()
        done, _ = self.form.press(lambda: self._checked(now))
        if done:
            self._pressed = tuple(now.values())
            self.form.refresh()

    def _checked(self, now: dict[str, Any]) -> None:
        self._noise(now["noise_of"])

    def _simulate(self, asked: tuple[Any, ...], now: dict[str, Any]) -> None:
        noise, scale = self._noise(now["noise_of"])
        is_there, curves = self.work.result(
            asked,
            lambda: plan_curves(
                n_tasters=(now["n_tasters"],),
                cups=(now["cups"],),
                n_flights=now["n_flights"],
                n_coffees=now["n_coffees"],
                noise=noise,
                scale=scale,
                n_jobs=self._n_jobs,
                progress=False,
            ),
            self.form.refresh,
        )
        if is_there:
            self._known[asked] = curves

    def _noise(self, coffee: tuple[str, str] | Literal[""]) -> tuple[PanelNoise | None, Scale]:
        """The panel's own noise and the scale it was seen on, or the usual ones."""
        if not coffee:
            return None, LIKING
        client, name = coffee
        scores = self._book.scores.opened_scores(coffee=name, client=client)
        if scores.empty:
            raise ReadingError(
                "noise_of must be a coffee with opened scores, but this one has none yet. Take "
                "the usual noise, or another coffee.",
                field="noise_of",
            )
        return noise_of(scores), rising_scale(gather_scores(scores, "overall").scale)

    def _costs(self) -> str:
        """What every panel and path simulated so far needs, as a table."""
        rows = []
        for (coffee, *_), curves in self._known.items():
            last = curves.frame.groupby("path", sort=False).tail(1).set_index("path")
            needed = curves.cups_needed(SMALL_LOSS * curves.points).set_index("path")["n_cups"]
            for path in PATHS:
                row = last.loc[path]
                cups = needed[path]
                rows.append(
                    (
                        path,
                        f"{row.n_tasters:.0f} × {row.cups:.0f}",
                        coffee[1] if coffee else "usual",
                        f"{row.loss:.2f} after {row.n_cups:.0f} cups",
                        "not reached" if math.isnan(cups) else f"{cups:.0f}",
                    )
                )
        if not rows:
            return ""
        head = ("path", "tasters × waters", "noise", "gives away", f"cups until {SMALL_LOSS:g}")
        listed = table("Cups of each path, and the points it is expected to give away", head, rows)
        return f'<div style="overflow-x:auto">{listed}</div>'
