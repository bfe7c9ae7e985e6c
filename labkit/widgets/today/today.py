"""The page: head with coffee, sentence and one button; below it the steps."""

from __future__ import annotations

import logging
import secrets
from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any, Final

import ipywidgets as widgets

from labkit.book import AbsentBook, LabBook
from labkit.errors import LabkitError
from labkit.present import button_words, say, step_words
from labkit.widgets.parts import fields
from labkit.widgets.parts.book_choice import BookChoice
from labkit.widgets.parts.coffees import coffee_choices
from labkit.widgets.parts.fields import said
from labkit.widgets.parts.listening import follow_book, follow_choices
from labkit.widgets.today.desk import Coffee, Desk
from labkit.widgets.today.parts import MAKERS, OnAsk, Part, guarded
from labkit.widgets.today.step_bar import StepBar
from labkit.workflow import NextThing, Standing, Step, where_it_stands

_LOG = logging.getLogger("labkit.today")

_PART: Final = {
    NextThing.ADD_COFFEE: "people",
    NextThing.WEIGH_BOTTLES: "weigh",
    NextThing.PLAN_FIRST: "waters",
    NextThing.MIX_FLIGHT: "paper",
    NextThing.TAKE_SCORES: "score",
    NextThing.LOCK_FLIGHT: "score",
    NextThing.OPEN_KEY: "open",
    NextThing.READ_VERDICT: "says",
    NextThing.PLAN_DIAL: "waters",
    NextThing.PLAN_NEXT_FLIGHT: "next",
    NextThing.CONFIRM: "confirm",
    NextThing.MAKE_CARD: "card",
}
"""The part of its step in which each thing is done."""

_NOTEBOOK: Final = {
    Step.BOTTLES: "1-concentrates",
    Step.PLAN: "2-cupping-grid",
    Step.TASTE: "3-blind-scores",
    Step.VERDICT: "4-best-water",
    Step.HAND_OVER: "6-hand-over",
    Step.ALL_COFFEES: "7-across-coffees",
}
"""The notebook that does the same in code."""


_AS_PAGE: Final = (
    '<a class="lk-as-page" href="/voila/render/0-today.ipynb" target="_blank">'
    "Show this as a page of its own, without code</a>"
)
"""The way from JupyterLab to the page; the page hides it."""


class Today(widgets.VBox):
    """Where the work stands, what is next, and every step of it on one page.

    A step is made when it is first visited, and then stays as it was left.

    Parameters
    ----------
    book : LabBook or AbsentBook
        The lab book, or what stands for one that could not be opened.
    choose_book : callable
        Takes the URL or path of a lab book, or None for the demo, remembers the choice and gives
        the book (``labkit.choose_book``).
    bench : module
        ``labkit.bench``, whose functions make papers and pictures.

    Attributes
    ----------
    desk : Desk
        What the steps share; the coffee is chosen there.
    change_book : BookChoice
        Which lab book it is; another is chosen there.
    steps : StepBar
        The row of steps.
    coffee : Dropdown
        The coffee, for all steps.
    says : HTML
        Where the work stands, in a sentence.
    button : Button
        What is next; it goes where that is done.
    standing : Standing
        Where the work stands.
    """

    def __init__(
        self,
        book: LabBook | AbsentBook,
        choose_book: Callable[[str | Path | None], LabBook],
        bench: Any,
    ) -> None:
        self._choose_book, self._bench = choose_book, bench
        scope = f"lk-today-{secrets.token_hex(4)}"
        self.coffee = fields.choice("Coffee", [])
        self.coffee.observe(
            lambda change: self._safely(lambda: self._take_coffee(change["new"])), "value"
        )
        self.says = widgets.HTML()
        self.says.add_class("lk-today-says")
        self.button = fields.button("", main=True)
        self.button.on_click(lambda _b: self._safely(self._go_on))
        names = [(_css(step), step_words(step)) for step in Step]
        self.steps = StepBar(names, scope, self._come_back)
        self.steps.observe(
            lambda change: self._safely(lambda: self._visit(change["new"])), "chosen"
        )
        self._book_place = widgets.VBox()
        self._places = {step: widgets.VBox() for step in Step}
        for step, place in self._places.items():
            place.add_class("lk-step")
            place.add_class(f"lk-step-{_css(step)}")
        as_page = widgets.HTML(_AS_PAGE)
        head = widgets.VBox([self._book_place, as_page, self.coffee, self.says, self.button])
        head.add_class("lk-today-head")
        super().__init__([head, self.steps, *self._places.values()])
        self.add_class("lk-today")
        self.add_class(scope)
        self._take_book(book)

    @property
    def made(self) -> tuple[Step, ...]:
        """The steps that were visited."""
        return tuple(self._parts)

    def parts(self, step: Step) -> dict[str, widgets.Widget]:
        """The parts of a step by name; the step is made if it was not visited yet.

        Parameters
        ----------
        step : Step
            Which one.
        """
        self._make(step)
        return {part.name: part.widget for part in self._parts[step]}

    def go(self, step: Step, part: str = "") -> None:
        """Go to a step, and to a part of it.

        Parameters
        ----------
        step : Step
            Which one.
        part : str
            Which part; the beginning if not given.
        """
        self.steps.go(_css(step), part)

    def refresh(self) -> None:
        """Look up again which coffees there are, where the work stands and what is next."""
        offered = coffee_choices(self.desk.book)
        known = [coffee for _, coffee in offered]
        usual = self._usual_coffee(known)
        follow_choices(self.coffee, offered, start=None if usual is None else known.index(usual))
        self._stand()

    def _take_book(self, book: LabBook | AbsentBook) -> None:
        """Begin anew with a lab book."""
        self.desk = Desk(book, self._bench)
        self._parts: dict[Step, tuple[Part, ...]] = {}
        for place in self._places.values():
            place.children = [widgets.HTML(said("Opening …"))]
        self.change_book = BookChoice(book, self._choose)
        self._book_place.children = [self.change_book]
        self.coffee.options = []
        self.desk.on_coffee(lambda _coffee: self._stand(), at_once=True)
        follow_book(self, book, self.refresh)
        self.refresh()
        if self.steps.chosen:
            self._visit(self.steps.chosen)

    def _choose(self, name: str | Path | None) -> LabBook:
        chosen = self._choose_book(name)
        self._take_book(chosen)
        return chosen

    def _usual_coffee(self, known: list[Coffee]) -> Coffee | None:
        """The coffee of the newest session, or the first."""
        latest = self.desk.book.sessions.latest()
        newest = None if latest is None else (latest.client, latest.coffee)
        return newest if newest in known else next(iter(known), None)

    def _take_coffee(self, coffee: Coffee | None) -> None:
        self.steps.coffee = list(coffee or ())
        self.desk.choose(coffee)
        self._stand()  # what the step in front read of it counts

    def _stand(self) -> None:
        """Say where the work stands."""
        client, coffee = self.desk.coffee or (None, None)
        reading = self.desk.reading
        found = None if reading is None else reading.findings
        if found is not None and (
            (found.client, found.coffee) != (client, coffee) or found.attribute != "overall"
        ):
            found = None
        try:
            self.standing: Standing = where_it_stands(
                self.desk.book, coffee, client=client, found=found
            )
        except LabkitError as error:
            self.says.value = said(str(error), wrong=True)
            return
        self.says.value = said(say(self.standing))
        self.button.description = button_words(self.standing)
        # What is next is then done right above.
        is_absent = self.standing.next is NextThing.CHOOSE_BOOK
        self.button.layout.display = "none" if is_absent else ""
        self.steps.next_step = _css(self.standing.step)

    def _come_back(self, step: str | None, coffee: Coffee | None) -> None:
        """Take up what the browser was at last; else begin where the work stands."""
        if self.steps.chosen:
            return
        if coffee in [value for _, value in self.coffee.options]:
            self.coffee.value = coffee
        self.steps.chosen = step or _css(self.standing.step)

    def _go_on(self) -> None:
        thing = self.standing.next
        part = _PART.get(thing, "")
        self.go(self.standing.step, part)
        asked = self.parts(self.standing.step).get(part)
        if isinstance(asked, OnAsk):
            asked.ask()

    def _safely(self, work: Callable[[], Any]) -> None:
        """Do what a touch asks for; what nobody foresaw is logged and said at the head."""
        try:
            work()
        except Exception:
            _LOG.exception("the page could not do what was asked")
            self.says.value = said(
                "something went wrong; the reason is in the log. What was kept is in the lab book.",
                wrong=True,
            )

    def _visit(self, name: str) -> None:
        self._make(next(step for step in Step if _css(step) == name))

    def _make(self, step: Step) -> None:
        self.desk.visit(step)
        if step not in self._parts:
            self._parts[step] = ()
            self._places[step].children = [guarded(lambda: self._build(step))]
        self._stand()

    def _build(self, step: Step) -> widgets.Widget:
        if isinstance(self.desk.book, AbsentBook):
            return widgets.HTML(said("No lab book is open: choose one above."))
        parts = tuple(MAKERS[step](self.desk))
        self._parts[step] = parts
        shown = []
        for part in parts:
            box = widgets.VBox([widgets.HTML(f"<h2>{escape(part.title)}</h2>"), part.widget])
            box.add_class("lk-part")
            box.add_class(f"lk-part-{part.name}")
            shown.append(box)
        notebook = f"/lab/tree/{_NOTEBOOK[step]}.ipynb"
        link = widgets.HTML(f'<a href="{notebook}">The same in code, in JupyterLab</a>')
        return widgets.VBox([*shown, link])


def _css(step: Step) -> str:
    return step.value.replace(" ", "-")
