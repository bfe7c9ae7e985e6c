"""The view of a plan before the first cup: which panel and flights find a good water soonest."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final

import ipywidgets as widgets

from labkit.analysis import PanelHistory, PlanCurves, plan_curves
from labkit.book import LabBook, Topic
from labkit.errors import ReadingError
from labkit.present import remarks, say, table
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.listening import follow_book, follow_choices
from labkit.widgets.parts.long_work import LongWork
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.workflow import panel_history

SMALL_LOSS: Final = 0.15
"""Points of a 1-9 scale that nobody would miss."""

_SIZES: Final = (1, 2, 3, 4, 5, 6, 8, 10)
_CUPS: Final = (3, 4, 5, 6, 7, 8)

_Panel = tuple[tuple[str, ...], int, int]
"""Whose noise, flights ahead, simulated coffees: curves of one such differ in the design only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What was simulated with one noise."""

    history: PanelHistory
    """Whose."""

    curves: PlanCurves
    """Of every design so far."""

    @property
    def designs(self) -> set[tuple[int, int]]:
        """Tasters and cups a flight that were simulated."""
        both = self.curves.frame[["n_tasters", "cups"]].drop_duplicates()
        return set(both.itertuples(index=False, name=None))


class PlanningView(NeedsBook, widgets.VBox):
    """Choose whose noise, panel sizes, cups and flights; one button simulates what is not known.

    Parameters
    ----------
    book : LabBook
        Whose opened scores tell the tasters' own noise.
    picture : callable
        Takes a :class:`PlanCurves` and returns its picture as HTML.
    n_jobs : int
        Processes, as for joblib; all cores unless given.
    """

    def __init__(
        self, book: LabBook, picture: Callable[[PlanCurves], str], *, n_jobs: int = -1
    ) -> None:
        self._book, self._picture, self._n_jobs = book, picture, n_jobs
        self._known: dict[_Panel, _Known] = {}
        self._pressed: Any = None
        self.work = LongWork("Simulating coffees")
        self.button = fields.button("Simulate", main=True)
        self.button.on_click(lambda _b: self._press())
        self.form = Form(
            {
                "tasters": fields.several("Whose noise (none: practised tasters)", ()),
                "n_tasters": fields.several("Tasters in the panel", _SIZES),
                "cups": fields.several("Cups a flight", _CUPS),
                "n_flights": fields.choice("Flights ahead", [3, 4, 5, 6, 8, 10], 6),
                "loss": fields.number("Points you may give away", SMALL_LOSS, step=0.05),
            },
            folded={"n_coffees": fields.whole("Simulated coffees", 12)},
            fold_title="How long it may take: more coffees, smoother curves",
            buttons=[self.button],
        )
        self._hear()
        latest = book.sessions.latest()
        sizes = self.form.fields["n_tasters"]
        self.form.fields["tasters"].value = () if latest is None else latest.tasters
        sizes.value, self.form.fields["cups"].value = (4,), (5,)
        self.form.compute_with(self._show)
        super().__init__([self.form, self.work])
        follow_book(self, book, self._hear, Topic.PEOPLE)

    def _hear(self) -> None:
        chooser, names = self.form.fields["tasters"], list(self._book.people.tasters())
        follow_choices(chooser, names)
        chooser.rows = min(max(len(names), 2), 8)

    def _show(self, **now: Any) -> str:
        _check(now)
        panel, designs = _panel(now), _designs(now)
        if self._pressed == (panel, designs):
            self._simulate(panel, designs)
        known = self._known.get(panel)
        new = designs - (set() if known is None else known.designs)
        hint = ""
        if new and not self.work.is_running:
            hint = "Press Simulate: it takes some seconds a flight. Ctrl or Shift chooses several."
        if known is None:
            return said(hint)
        curves = known.curves
        picture = (
            '<div style="display:grid;grid-template-columns:minmax(0,1fr)">'  # shrinks on a phone
            f"{self._picture(curves)}</div>"
        )
        loss = now["loss"] * curves.points
        lines = (say(curves.soonest(loss)), say(known.history), *remarks(known.history))
        return said(hint) + "".join(map(said, lines)) + picture + _costs(curves, loss)

    def _press(self) -> None:
        now = self.form.values()
        done, _ = self.form.press(lambda: _check(now))
        if done:
            self._pressed = _panel(now), _designs(now)
            self.form.refresh()

    def _simulate(self, panel: _Panel, designs: frozenset[tuple[int, int]]) -> None:
        is_there, found = self.work.result(
            (panel, designs), lambda: self._joined(panel, designs), self.form.refresh
        )
        if is_there:
            self._known[panel] = found
            self._pressed = None
            self.work.forget()

    def _joined(self, panel: _Panel, designs: Iterable[tuple[int, int]]) -> _Known:
        """What is known of a panel, with the designs that were missing; touches no widget."""
        tasters, n_flights, n_coffees = panel
        history = panel_history(self._book, tasters)
        known = self._known.get(panel)
        if known is not None and known.history != history:
            known = None  # other scores came in meanwhile: another noise
        curves = None if known is None else known.curves
        missing = sorted(set(designs) - (set() if known is None else known.designs))
        cups_of: dict[tuple[int, ...], list[int]] = {}
        for size in dict.fromkeys(size for size, _ in missing):
            cups = tuple(many for one, many in missing if one == size)
            cups_of.setdefault(cups, []).append(size)
        for cups, sizes in cups_of.items():  # one piece of work, unless some of it was known
            more = plan_curves(
                n_tasters=sizes,
                cups=cups,
                n_flights=n_flights,
                n_coffees=n_coffees,
                noise=history.noise,
                scale=history.scale,
                n_jobs=self._n_jobs,
                progress=False,
            )
            curves = more if curves is None else curves.beside(more)
        if curves is None:
            raise ReadingError("n_tasters must name a panel to simulate, got none. Choose one.")
        return _Known(history=history, curves=curves)


def _panel(now: dict[str, Any]) -> _Panel:
    return tuple(now["tasters"]), now["n_flights"], now["n_coffees"]


def _designs(now: dict[str, Any]) -> frozenset[tuple[int, int]]:
    return frozenset((size, many) for size in now["n_tasters"] for many in now["cups"])


def _check(now: dict[str, Any]) -> None:
    for name in ("n_tasters", "cups"):
        if not now[name]:
            raise ReadingError(
                f"{name} must be at least one number, got none. Choose one.", field=name
            )
    if not now["loss"] > 0:
        raise ReadingError(
            f"loss must be above 0 points, got {now['loss']:g}. Say what you may give away.",
            field="loss",
        )


def _costs(curves: PlanCurves, loss: float) -> str:
    """What every design simulated so far needs and costs, as a table."""
    needed = curves.cups_needed(loss)
    rows = []
    designs = curves.frame.groupby(["path", "n_tasters", "cups"], sort=False)
    for cups, (_, mine) in zip(needed["n_cups"], designs, strict=True):
        last = mine.iloc[-1]
        row = last if math.isnan(cups) else mine[mine["n_cups"] == cups].iloc[0]
        rows.append(
            (
                last["path"],
                f"{last['n_tasters']} × {last['cups']}",
                f"{last['loss']:.2f} after {last['n_cups']} cups",
                "not reached" if math.isnan(cups) else f"{cups:.0f}",
                f"{row['minutes']:.0f}",
                f"{row['jug_minutes']:.0f}",
            )
        )
    head = (
        *("path", "tasters × cups", "gives away", f"cups until {loss:.2f}"),
        *("minutes at the table", "at the jugs"),
    )
    listed = table("Each design, and the points it is expected to give away", head, rows)
    return f'<div style="overflow-x:auto">{listed}</div>'
