"""The page: head with coffee, sentence and one button; below it the steps."""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections.abc import Callable, Iterable
from html import escape
from pathlib import Path
from typing import Any, Final

import ipywidgets as widgets

from labkit.book import AbsentBook, LabBook, open_book
from labkit.errors import BookAwayError, LabkitError
from labkit.present import button_words, say, step_words
from labkit.widgets.parts import fields
from labkit.widgets.parts.book_choice import BookChoice
from labkit.widgets.parts.book_files import BookFiles
from labkit.widgets.parts.coffees import coffee_choices
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.folds import Fold
from labkit.widgets.parts.listening import follow_book, follow_choices, follow_presence
from labkit.widgets.steps.plan.paper_form import PaperForm
from labkit.widgets.steps.plan.people_form import CoffeeForm
from labkit.widgets.steps.plan.sweep_form import SweepForm
from labkit.widgets.today.desk import Coffee, Desk
from labkit.widgets.today.parts import MAKERS, OnAsk, Part, guarded
from labkit.widgets.today.step_bar import StepBar
from labkit.workflow import NextThing, Standing, Step, where_it_stands

_LOG = logging.getLogger("labkit.today")

_PART: Final = {
    NextThing.WEIGH_BOTTLES: "weigh",
    NextThing.PLAN_FIRST: "waters",
    NextThing.MIX_FLIGHT: "paper",
    NextThing.TAKE_SCORES: "score",
    NextThing.LOCK_ALONE: "score",
    NextThing.LOCK_FLIGHT: "open",
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


DRAFTS: Final = {
    Step.BOTTLES: ("weigh", "shelf", "strength", "base", "jug"),
    Step.PLAN: ("people", "base", "waters", "seal"),
    Step.VERDICT: ("base",),
    Step.HAND_OVER: ("base", "card", "check", "report"),
}
"""The parts in which what is being typed is kept in the browser's tab: none that takes a score or a
code, as whoever has the tab could read it there."""

RETRY_S: Final = 5.0
"""How often a lab book that was away when the page opened is tried again."""


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
    files : BookFiles
        Backs the lab book up, and hands out what is in it.
    """

    def __init__(
        self,
        book: LabBook | AbsentBook,
        choose_book: Callable[[str | Path | None], LabBook],
        bench: Any,
    ) -> None:
        self._choose_book, self._bench = choose_book, bench
        self._waiting: asyncio.Task[None] | None = None
        self.standing = Standing(next=NextThing.CHOOSE_BOOK)
        scope = f"lk-today-{secrets.token_hex(4)}"
        self.coffee = fields.choice("Coffee", [])
        self._coffee_form = Form({"coffee": self.coffee})
        self.coffee.observe(
            lambda change: self._safely(lambda: self._take_coffee(change["new"])), "value"
        )
        self.says = widgets.HTML(_dom_classes=["lk-today-says"])
        self.button = fields.button("", main=True)
        self.button.add_class("lk-today-next")
        self.button.on_click(lambda _b: self._safely(self._go_on))
        names = [(_css(step), step_words(step)) for step in Step]
        keeps = {_css(step): parts for step, parts in DRAFTS.items()}
        self.steps = StepBar(names, scope, self._come_back, keeps)
        self.steps.observe(
            lambda change: self._safely(lambda: self._visit(change["new"])), "chosen"
        )
        self._book_place = widgets.VBox()
        self._places = {
            step: widgets.VBox(_dom_classes=["lk-step", f"lk-step-{_css(step)}"]) for step in Step
        }
        as_page = widgets.HTML(_AS_PAGE)
        self._coffee_place = widgets.VBox()
        coffee = fields.side_by_side(self._coffee_form, self._coffee_place)
        coffee.add_class("lk-folds").add_class("lk-today-coffee")
        head = widgets.VBox(
            [
                widgets.HTML('<h1 class="lk-unseen">Today</h1>'),
                self._book_place,
                as_page,
                coffee,
                self.says,
                self.button,
            ]
        )
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
        return {part.name: part.widget for part in self._parts.get(step, ())}

    def go(self, step: Step, part: str = "") -> widgets.Widget | None:
        """Go to a step, and to a part of it, which comes back.

        Parameters
        ----------
        step : Step
            Which one.
        part : str
            Which part; the beginning if not given.
        """
        self.steps.go(_css(step), part)
        return self.parts(step).get(part)

    def refresh(self) -> None:
        """Look up again which coffees there are, where the work stands and what is next."""
        offered = coffee_choices(self.desk.book)
        known = [coffee for _, coffee in offered]
        usual = self._usual_coffee(known)
        follow_choices(self.coffee, offered, start=None if usual is None else known.index(usual))
        self._stand()

    def _take_book(self, book: LabBook | AbsentBook) -> None:
        """Begin anew with a lab book, or with what stands for one that goes away just now."""
        try:
            self._begin(book)
        except BookAwayError as error:
            book.changes.close()
            self._begin(AbsentBook(str(error), is_away=True))

    def _begin(self, book: LabBook | AbsentBook) -> None:
        self.desk = Desk(book, self._bench, go=self.go, stand=self._stand)
        self._parts: dict[Step, tuple[Part, ...]] = {}
        self._part_boxes: dict[Step, tuple[widgets.VBox, ...]] = {}
        self._boxes: dict[Step, widgets.VBox] = {}
        for place in self._places.values():
            _close_all(place.children)
            place.children = [widgets.HTML(said("Opening …"))]
        self.files = BookFiles(self.desk.book, self._bring_in)
        is_absent = isinstance(book, AbsentBook)
        files = [] if is_absent else [Fold("Back up and export", [self.files])]
        self.change_book = BookChoice(book, self._choose, self._reopen, files)
        self._book_place.children = [self.change_book]
        self.coffee.layout.display = "none" if is_absent else ""
        self.steps.book = book.name if isinstance(book, LabBook) else ""
        self.coffee.options = []
        self.add_coffee: Fold | None = None
        if not isinstance(book, AbsentBook):
            form = CoffeeForm(book, self._take_added)
            self.add_coffee = Fold("Add a coffee", [form], is_open=not book.people.coffees())
            self.add_coffee.observe(lambda _change: self._stand(), "is_open")
        self._coffee_place.children = [self.add_coffee] if self.add_coffee else []
        self.desk.on_coffee(lambda _coffee: self._stand(), at_once=True)
        follow_book(self, book, self.refresh)
        follow_presence(self, book, self._follow_presence)
        self._safely(self.refresh)
        if self.steps.chosen:
            self._safely(lambda: self._visit(self.steps.chosen))
        if isinstance(book, AbsentBook) and book.is_away:
            self._wait_for(book)

    def _choose(self, name: str | Path | None) -> LabBook:
        return self._change_to(self._choose_book(name))

    def _reopen(self) -> LabBook:
        return self._change_to(open_book())

    def _change_to(self, book: LabBook) -> LabBook:
        if isinstance(self.desk.book, LabBook):
            self.desk.book.changes.close()  # its forms are gone
        self._take_book(book)
        return book

    def _bring_in(self) -> None:
        self.go(Step.TASTE, "score")

    def _follow_presence(self, why: str) -> None:
        """Make good for what failed while the lab book was away."""
        if not why:
            self.desk.catch_up()
            if self.steps.chosen:
                self._visit(self.steps.chosen)

    def _wait_for(self, book: AbsentBook) -> None:
        """Take up the lab book that was chosen once it is back, off the kernel's loop."""

        async def wait() -> None:
            while self.desk.book is book and self.comm is not None:
                await asyncio.sleep(RETRY_S)
                try:
                    found = await asyncio.to_thread(open_book)
                except Exception:
                    continue
                if self.desk.book is book:
                    self._change_to(found)
                else:
                    found.close()

        try:
            self._waiting = asyncio.get_running_loop().create_task(wait())
        except RuntimeError:
            return  # nobody waits where no page is shown

    def _usual_coffee(self, known: list[Coffee]) -> Coffee | None:
        """The coffee of the newest session, or the first."""
        latest = self.desk.book.sessions.latest()
        newest = None if latest is None else (latest.client, latest.coffee)
        return newest if newest in known else next(iter(known), None)

    def _take_added(self, added: Coffee) -> None:
        """Work on a coffee that was just added at the head."""
        self.refresh()
        self.coffee.value = added
        if self.add_coffee is not None:
            self.add_coffee.is_open = False
        self.steps.go_on()

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
        following = None if found is None else self.desk.following
        if following is not None and (following.client, following.coffee) != (client, coffee):
            following = None
        try:
            self.standing = where_it_stands(
                self.desk.book, coffee, client=client, found=found, following=following
            )
        except BookAwayError as error:
            self.desk.book.changes.note_away(str(error))
            return
        except LabkitError as error:
            self.says.value = said(str(error), wrong=True)
            return
        # Without a lab book both are said and done right above.
        is_absent = self.standing.next is NextThing.CHOOSE_BOOK
        self.says.value = "" if is_absent else said(say(self.standing))
        self.button.description = button_words(self.standing)
        # What is next is then done right above.
        is_above = is_absent or (
            self.standing.next is NextThing.ADD_COFFEE
            and self.add_coffee is not None
            and self.add_coffee.is_open
        )
        self.button.layout.display = "none" if is_above else ""
        self.coffee.layout.display = "" if self.coffee.options else "none"
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
        if thing is NextThing.ADD_COFFEE and self.add_coffee is not None:
            self.add_coffee.is_open = True
            next(iter(self.add_coffee.inside)).go_to("client")
            return
        asked = self.go(self.standing.step, _PART.get(thing, ""))
        if isinstance(asked, OnAsk):
            asked.ask()
        if thing is NextThing.MIX_FLIGHT and isinstance(asked, PaperForm):
            asked.mix(self.standing.session, self.standing.flight)
        if thing is NextThing.PLAN_DIAL and isinstance(asked, SweepForm):
            asked.vary(self.standing.dial)

    def _safely(self, work: Callable[[], Any]) -> None:
        """Do what a touch asks for; what nobody foresaw is logged and said at the head."""
        try:
            work()
        except BookAwayError as error:
            self.desk.book.changes.note_away(str(error))
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
            try:
                self._places[step].children = [guarded(lambda: self._build(step))]
            except BookAwayError as error:
                del self._parts[step]  # made once the lab book is back
                self._places[step].children = [widgets.HTML(said("Opening …"))]
                self.desk.book.changes.note_away(str(error))
                return
        else:
            self._arrange(step)
        self._stand()

    def _arrange(self, step: Step) -> None:
        """What comes first now stands on top."""
        box = self._boxes.get(step)
        if box is None:
            return
        shown = (*self._ordered(step), box.children[-1])
        if box.children != shown:
            box.children = shown

    def _ordered(self, step: Step) -> list[widgets.VBox]:
        pairs = zip(self._parts[step], self._part_boxes[step], strict=True)
        return [box for _part, box in sorted(pairs, key=lambda pair: not pair[0].is_first())]

    def _build(self, step: Step) -> widgets.Widget:
        if isinstance(self.desk.book, AbsentBook):
            return widgets.HTML()  # said above
        parts = tuple(MAKERS[step](self.desk))
        self._parts[step] = parts
        self._part_boxes[step] = tuple(map(_boxed, parts))
        notebook = f"/lab/tree/{_NOTEBOOK[step]}.ipynb"
        link = widgets.HTML(f'<a href="{notebook}">The same in code, in JupyterLab</a>')
        self._boxes[step] = widgets.VBox([*self._ordered(step), link])
        return self._boxes[step]


def _boxed(part: Part) -> widgets.VBox:
    heading = widgets.HTML(f"<h2>{escape(part.title)}</h2>")
    classes = ["lk-part", f"lk-part-{part.name}"]
    return widgets.VBox([heading, part.widget], _dom_classes=classes)


def _css(step: Step) -> str:
    return step.value.replace(" ", "-")


def _close_all(shown: Iterable[widgets.Widget]) -> None:
    """Let go of widgets and all in them: ipywidgets keeps each until it is closed."""
    for one in shown:
        _close_all(getattr(one, "children", ()))
        one.close()
