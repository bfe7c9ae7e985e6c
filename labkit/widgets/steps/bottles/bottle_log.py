"""What happens to a bottle after it is made: doses taken, strengths questioned, the last drop."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from labkit.book import JUG_ML, Bottle, LabBook
from labkit.errors import BookError
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.listening import follow_choices
from labkit.workflow import mark_mixed, record_doses

_FOR_NOTHING = ("spilt, or other use", None)

_SAID_OF = {
    "sealed": "Recorded and sealed with the flight's key: doses tell its waters. Until it "
    "opens, the shelf counts the most that any draw would take.",
    "at most": "The shelf counts the most that any draw would take. This key was sealed by an "
    "earlier labkit and takes no doses: write them down again once it is open.",
}
"""What is said of doses whose key is closed; never how much it was."""


def too_old(bottle: Bottle) -> str:
    """What to do about a bottle past its day, as long as it stands on the shelf."""
    return (
        f"'{bottle.name}' was good until {bottle.use_by}: make it fresh. If it is poured away, "
        "press 'This bottle is empty' at the bottles, and no recipe uses it again."
    )


class QuestionForm(widgets.VBox):
    """Where weighed and measured strength disagree: which one counts, who says so, and why.

    Parameters
    ----------
    book : LabBook
        Where the answer goes; both strengths stay.
    on_written : callable
        Called after an answer was written.
    """

    def __init__(self, book: LabBook, on_written: Callable[[], Any]) -> None:
        self._book, self._on_written = book, on_written
        answer = fields.button("Answer", main=True)
        answer.on_click(lambda _b: self._store())
        self.form = Form(
            {
                "bottle": fields.choice("Which strength counts for", [], None),
                "counts": fields.choice(
                    "Doses count with",
                    [
                        ("choose one", None),
                        ("what was weighed", "weighed"),
                        ("what was measured", "measured"),
                    ],
                    None,
                ),
                "answered_by": fields.text("Who says so"),
                "reason": fields.text("Why", placeholder="such as: kit out of date"),
            },
            buttons=[answer],
        )
        self.questions = widgets.HTML()
        self.refresh()
        super().__init__([self.questions, self.form])

    def refresh(self) -> None:
        """Ask what is open now; ask nothing where nothing is."""
        open_ones = [bottle for bottle in self._book.stock.bottles() if bottle.question]
        self.questions.value = "".join(said(f"Question: {one.question}") for one in open_ones)
        names = [bottle.name for bottle in open_ones]
        follow_choices(self.form.fields["bottle"], names)
        self.form.ask_for_something(bool(names))

    def _store(self) -> None:
        now = self.form.values()

        def work() -> None:
            if now["counts"] is None:
                raise BookError(
                    "counts must be one of the two strengths. Choose which is right.",
                    field="counts",
                )
            self._book.stock.answer_strength(
                now["bottle"],
                counts=now["counts"],
                answered_by=now["answered_by"],
                reason=now["reason"],
            )

        done, _ = self.form.press(work)
        if done:
            self.form.fields["counts"].value = None
            self.form.fields["reason"].value = ""
            self.refresh()
            self.form.say(f"Doses of '{now['bottle']}' count with what was {now['counts']}.")
            self._on_written()


class TakenForm(widgets.VBox):
    """A flight that is mixed, doses that differ from its bench sheet, or what was poured away.

    Parameters
    ----------
    book : LabBook
        Where they are written down.
    on_written : callable
        Called after something was written.
    jug_volume_ml : callable
        Says what a jug holds (mL).
    """

    def __init__(
        self,
        book: LabBook,
        on_written: Callable[[], Any],
        jug_volume_ml: Callable[[], float] = lambda: JUG_ML,
    ) -> None:
        self._book, self._on_written = book, on_written
        self._jug_volume_ml = jug_volume_ml
        self.bottles = [bottle.name for bottle in book.stock.bottles()]
        mixed = fields.button("This flight is mixed")
        mixed.on_click(lambda _b: self._mark())
        self.mixed_form = Form(
            {"flight": fields.choice("Mixed by its bench sheet", [], None)}, buttons=[mixed]
        )
        empty = fields.button("This bottle is empty")
        empty.on_click(lambda _b: self._empty())
        self.form = self._make_form({})
        self.empty_form = Form(
            {"bottle": fields.choice("Bottle", self.bottles, next(iter(self.bottles), None))},
            buttons=[empty],
        )
        self.refresh()
        super().__init__([self.mixed_form, self.form, self.empty_form])

    def _make_form(self, doses: dict[str, float]) -> Form:
        """A field for each bottle, with what is typed for it."""
        write = fields.button("Record what was taken", main=True)
        write.on_click(lambda _b: self._store())
        return Form(
            {
                "taken_for": fields.choice("Taken for", [_FOR_NOTHING], None),
                **{
                    f"dose_{place}": fields.number(f"{name} (mL)", doses.get(name, 0.0), step=1)
                    for place, name in enumerate(self.bottles)
                },
            },
            buttons=[write],
        )

    def _doses(self) -> dict[str, float]:
        """What is typed, by bottle."""
        return {
            name: self.form.fields[f"dose_{place}"].value for place, name in enumerate(self.bottles)
        }

    def _follow_shelf(self) -> None:
        """Have a field for each bottle that stands on the shelf now."""
        names = [bottle.name for bottle in self._book.stock.bottles()]
        follow_choices(self.empty_form.fields["bottle"], names)
        if names != self.bottles:
            doses, chosen, message = self._doses(), self.form.fields["taken_for"], self.form.message
            self.bottles = names
            self.form = self._make_form(doses)
            follow_choices(self.form.fields["taken_for"], chosen.options, start=chosen.index)
            self.form.message.value = message.value
            self.children = (self.mixed_form, self.form, self.empty_form)

    def refresh(self) -> None:
        """Offer flights that wait to be mixed, then open ones whose doses are not known."""
        waiting = [
            (f"flight {flight} of {session}", (session, flight))
            for session, flight, _ in self._book.stock.waiting_flights()
        ]
        follow_choices(self.mixed_form.fields["flight"], waiting)
        self.mixed_form.ask_for_something(bool(waiting))
        waiting += [
            (f"flight {flight} of {session}, open", (session, flight))
            for session, flight in self._book.stock.unknown_doses()
        ]
        self._follow_shelf()
        chooser = self.form.fields["taken_for"]
        is_new = follow_choices(chooser, [*waiting, _FOR_NOTHING])
        if is_new and not any(self._doses().values()):  # nobody is typing
            chooser.index = 0

    def _store(self) -> None:
        taken = self.form.fields["taken_for"].value
        doses = self._doses()
        session, flight = taken or (None, None)

        done, kept = self.form.press(
            lambda: record_doses(
                self._book,
                doses,
                session=session,
                flight=flight,
                jug_volume_ml=self._jug_volume_ml(),
            )
        )
        if done:
            for place in range(len(self.bottles)):
                self.form.fields[f"dose_{place}"].value = 0.0  # a second press writes nothing
            self.refresh()
            said_of = ", ".join(f"{ml:g} mL of {name}" for name, ml in doses.items() if ml)
            self.form.say(f"Recorded: {said_of}." if kept == "exact" else _SAID_OF[kept])
            self._on_written()

    def _mark(self) -> None:
        session, flight = self.mixed_form.fields["flight"].value
        done, _ = self.mixed_form.press(lambda: mark_mixed(self._book, session, [flight]))
        if done:
            self.refresh()
            self.mixed_form.say(
                f"Flight {flight} of '{session}' is mixed: what was reserved for it is taken."
            )
            self._on_written()

    def _empty(self) -> None:
        name = self.empty_form.fields["bottle"].value

        def work() -> None:
            if name is None:
                raise BookError(
                    "bottle must be one on the shelf, but the shelf is empty.", field="bottle"
                )
            self._book.stock.empty_bottle(name)

        done, _ = self.empty_form.press(work)
        if done:
            self._follow_shelf()
            self.empty_form.say(f"'{name}' is off the shelf; its history stays.")
            self._on_written()
