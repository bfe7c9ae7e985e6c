"""The parts of each step, wired to one another as the notebooks wire them."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import ipywidgets as widgets

from labkit.analysis import trade_sayings
from labkit.errors import BookAwayError
from labkit.water import Target
from labkit.widgets.parts import fields
from labkit.widgets.parts.coffees import coffee_choices, levels_by_coffee
from labkit.widgets.parts.fields import said
from labkit.widgets.steps.across.across_form import (
    AcrossForm,
    BalanceForm,
    OneWaterForm,
    PanelForm,
    WordsForm,
)
from labkit.widgets.steps.bottles.bottle_forms import ConcentrateForm, StrengthForm
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm, JugForm
from labkit.widgets.steps.bottles.meter_form import MeterForm
from labkit.widgets.steps.bottles.stock_form import StockForm
from labkit.widgets.steps.hand_over.batch_form import BatchForm
from labkit.widgets.steps.hand_over.card_form import CardForm
from labkit.widgets.steps.hand_over.report_form import ReportForm
from labkit.widgets.steps.plan.paper_form import PaperForm
from labkit.widgets.steps.plan.people_form import PeopleForm
from labkit.widgets.steps.plan.plan_form import PlanForm
from labkit.widgets.steps.plan.planning_view import PlanningView
from labkit.widgets.steps.plan.replan_form import ReplanForm
from labkit.widgets.steps.plan.sweep_form import SweepForm
from labkit.widgets.steps.taste.scoring_desk import ScoringDesk
from labkit.widgets.steps.verdict.confirm_form import ConfirmForm
from labkit.widgets.steps.verdict.next_flight import NextFlightView
from labkit.widgets.steps.verdict.open_form import OpenForm
from labkit.widgets.steps.verdict.reading_view import ReadingView
from labkit.widgets.today.desk import Coffee, Desk
from labkit.workflow import Step

_LOG = logging.getLogger("labkit.today")


def guarded(work: Callable[[], widgets.Widget]) -> widgets.Widget:
    """Make a widget; what fails is logged, and one sentence stands in its place.

    Parameters
    ----------
    work : callable
        Makes the widget.

    Raises
    ------
    BookAwayError
        If the lab book is away: it may be made later.
    """
    try:
        return work()
    except BookAwayError:
        raise
    except Exception:
        _LOG.exception("a part of the page could not be made")
        return widgets.HTML(
            said(
                "this part could not be shown; the reason is in the log. What was kept is in the "
                "lab book. Open the page again, or use the notebook of this step.",
                wrong=True,
            )
        )


class OnAsk(widgets.VBox):
    """A button that makes what stands below it: for work that nobody waits for unasked.

    Parameters
    ----------
    label : str
        What the button says.
    make : callable
        Makes what comes; called once.
    has_heading : bool
        Whether what the button says stands above what came, where nothing else says it.
    """

    def __init__(
        self, label: str, make: Callable[[], widgets.Widget], *, has_heading: bool = False
    ) -> None:
        self._make = make
        self._heading = f"<h2>{escape(label)}</h2>" if has_heading else ""
        self.made: widgets.Widget | None = None
        self.button = fields.button(label)
        self.button.on_click(lambda _b: self.ask())
        self.place = widgets.VBox()
        super().__init__([self.button, self.place])

    def ask(self) -> None:
        """Make it, unless it is there."""
        if self.made is not None:
            return
        self.button.disabled = True
        self.place.children = [widgets.HTML(said("This takes some seconds …"))]
        try:
            self.made = guarded(self._make)
        except BookAwayError as error:
            self.place.children = [widgets.HTML(said(str(error), wrong=True))]
            self.button.disabled = False
            return
        heading = [widgets.HTML(self._heading)] if self._heading else []
        self.place.children = [*heading, self.made]
        self.button.layout.display = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of a step, with its heading."""

    name: str
    """Part of a CSS class, by which a button finds it."""

    title: str
    """What stands above it."""

    widget: widgets.Widget
    """What it is."""

    is_first: Callable[[], bool] = lambda: False
    """Whether it stands above the others now; asked when its step is visited."""


def bottles(desk: Desk) -> Sequence[Part]:
    """What to weigh, what is on the shelf, how strong it is, what to pour."""
    book = desk.book
    weigh = ConcentrateForm(keep=book.stock.add_bottle, there=book.stock.concentrates)
    return (
        Part(name="weigh", title="A bottle", widget=weigh),
        Part(
            name="shelf",
            title="On the shelf",
            widget=StockForm(book, desk.bench.bottle_labels, desk.bench.BOTTLE_PAPERS),
        ),
        Part(name="strength", title="A measured strength", widget=StrengthForm(book)),
        Part(name="base", title="The water to start from", widget=desk.base),
        Part(name="jug", title="A jug", widget=JugForm(book, desk.base)),
    )


def plan(desk: Desk) -> Sequence[Part]:
    """Whose coffee, which waters, who tastes; sealed, and on paper."""
    book, bench = desk.book, desk.bench
    people = PeopleForm(book, adds_coffees=False)
    sweep = SweepForm(
        coffee_choices(book),
        check=lambda one: bench.sweep_doses(one, book.stock.concentrates(), base=desk.base.start),
        best_of=levels_by_coffee(book),
        base=desk.base,
        book=book,
        coffee=desk.coffee,
    )
    _follow(desk, sweep)
    paper = PaperForm(
        book,
        score_sheets=bench.score_sheets,
        cup_labels=bench.cup_labels,
        tray_map=bench.tray_map,
        bench_sheet=bench.bench_sheet,
        papers=bench.LABEL_PAPERS,
    )

    planned = PlanForm(book, sweep, bench.bench_sheet, base=desk.base, paper=paper)
    return (
        Part(name="waters", title="Which waters?", widget=sweep),
        Part(name="seal", title="Plan and seal", widget=planned),
        Part(name="paper", title="Paper: bench sheet, labels, score sheets", widget=paper),
        Part(name="base", title="The water to start from", widget=desk.base),
        Part(name="people", title="Coffees and tasters", widget=people),
        Part(
            name="flights",
            title="How many flights will it take?",
            widget=OnAsk(
                "Simulate before the first cup", lambda: PlanningView(book, bench.plan_picture)
            ),
        ),
    )


def taste(desk: Desk) -> Sequence[Part]:
    """Score, watch, lock; somebody late or away."""
    scoring = ScoringDesk(desk.book)
    desk.on_coffee(lambda coffee: _choose_session(desk, scoring, coffee))
    return (
        Part(name="score", title="Score, watch, lock", widget=scoring),
        Part(
            name="late",
            title="Late or away",
            widget=ReplanForm(desk.book, desk.bench.bench_sheet),
        ),
    )


def verdict(desk: Desk) -> Sequence[Part]:
    """Open the key, read what the scores say, then taste on, stop or confirm."""
    book, bench = desk.book, desk.bench
    reading = ReadingView(book, bench.reading_pictures, coffee=desk.coffee)
    _follow(desk, reading)
    reading.pour_into(desk.base)

    views: list[NextFlightView] = []

    def taste_on() -> widgets.Widget:
        following = NextFlightView(book, reading, bench.next_picture, base=desk.base)
        planned = PlanForm(book, following, bench.bench_sheet, base=desk.base)
        views.append(following)
        reading.map.on_taste_next(taste_next)  # the view has taken it for itself
        following.on_change(lambda: desk.hear_following(following.found))
        desk.hear_following(following.found)
        return widgets.VBox([following, widgets.HTML("<h2>Plan this flight</h2>"), planned])

    asked = OnAsk("Look for what to taste next", taste_on)

    def taste_next(water: Target) -> None:
        asked.ask()
        for following in views:
            following.include(water)
        desk.go(Step.VERDICT, "next")

    def hand_on(water: Target) -> None:
        desk.go(Step.HAND_OVER, "card").choose(water)

    def show() -> None:
        reading.refresh()
        desk.go(Step.VERDICT, "says")

    desk.reading = reading
    reading.map.on_taste_next(taste_next)
    reading.map.on_card(hand_on)
    reading.on_change(desk.hear_reading)
    opening = OpenForm(book, on_open=show)
    return (
        Part(name="says", title="What the scores say", widget=reading),
        Part(name="next", title="What next?", widget=asked),
        Part(
            name="confirm",
            title="Confirm it: two waters against each other",
            widget=OnAsk(
                "Plan a test of two waters",
                lambda: ConfirmForm(book, reading, bench.bench_sheet, base=desk.base),
            ),
        ),
        Part(
            name="open",
            title="Open the key",
            widget=opening,
            is_first=lambda: bool(opening.form.fields["session"].options),
        ),
        Part(name="base", title="The water to start from", widget=desk.base),
    )


def hand_over(desk: Desk) -> Sequence[Part]:
    """The recipe card, the check of the jug, the report."""
    book, bench = desk.book, desk.bench
    theirs = BaseWaterForm(book)
    card = CardForm(book, bench.card_files, theirs, coffee=desk.coffee)
    _follow(desk, card)
    report = ReportForm(book, bench.coffee_report)
    _follow(desk, report)
    return (
        Part(name="card", title="The recipe card", widget=card),
        Part(name="base", title="The water they start from", widget=theirs),
        Part(name="check", title="Is the jug right?", widget=MeterForm(book, card)),
        Part(
            name="batch",
            title="Several waters in one go",
            widget=BatchForm(book, bench.batch_sheet, theirs, card),
        ),
        Part(name="report", title="The report", widget=report),
    )


def all_coffees(desk: Desk) -> Sequence[Part]:
    """The best water of every coffee, one water for several, sharp or flat."""
    book, bench = desk.book, desk.bench

    def look() -> widgets.Widget:
        across = AcrossForm(book, bench.across_picture)
        return widgets.VBox(
            [
                across,
                OnAsk(
                    "One water for several",
                    lambda: OneWaterForm(book, across, bench.losses_picture),
                    has_heading=True,
                ),
                OnAsk("The panel", lambda: PanelForm(book, across), has_heading=True),
                OnAsk(
                    "Words and minerals",
                    lambda: WordsForm(book, across, trade_sayings(), bench.words_picture),
                    has_heading=True,
                ),
                OnAsk(
                    "Sharp or flat",
                    lambda: BalanceForm(book, across, bench.balance_picture),
                    has_heading=True,
                ),
            ]
        )

    return (
        Part(
            name="across",
            title="The best water of every coffee",
            widget=OnAsk("Read every coffee", look),
        ),
    )


MAKERS: dict[Step, Callable[[Desk], Sequence[Part]]] = {
    Step.BOTTLES: bottles,
    Step.PLAN: plan,
    Step.TASTE: taste,
    Step.VERDICT: verdict,
    Step.HAND_OVER: hand_over,
    Step.ALL_COFFEES: all_coffees,
}
"""What makes the parts of each step."""


def _follow(desk: Desk, form: Any) -> None:
    """Let a form's own chooser follow the head, and leave the choosing to the head."""
    holder = form if isinstance(form, fields.Form) else getattr(form, "form", None)
    if holder is None:
        return  # what stands for it while no lab book is open
    chooser = holder.fields["coffee"]

    def choose(coffee: Coffee | None) -> None:
        known = [option[1] for option in chooser.options if isinstance(option, tuple)]
        if coffee not in known:
            offered = coffee_choices(desk.book)
            others = [option for option in chooser.options if option[1] == ("", "")]
            chooser.options = [*others, *offered]
        if coffee is not None:
            chooser.value = coffee
        elif not chooser.options:
            chooser.index = None

    desk.on_coffee(choose)
    chooser.layout.display = "none"


def _choose_session(desk: Desk, scoring: Any, coffee: Coffee | None) -> None:
    """Show the session of the coffee that takes scores, if it has one."""
    chooser = getattr(scoring, "chooser", None)
    if chooser is None or coffee is None:
        return
    client, name = coffee
    own = {one.name for one in desk.book.sessions.all(client=client, coffee=name)}
    values = [value for _, value in chooser.options if value in own]
    if values and chooser.value not in own:
        chooser.value = values[0]
