"""The form that plans a test of two waters: which is preferred, or can anyone tell them apart."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any, Final

import ipywidgets as widgets

from labkit.analysis import chance_to_confirm, compare_tests, foresee
from labkit.book import LabBook, Topic
from labkit.errors import PlanError, ReadingError
from labkit.present import chance_said, say
from labkit.tasting import CONFIRMING, METHODS, PREFERENCE, CupPlan
from labkit.water import StartWater, Target, counted, percent
from labkit.widgets.parts import fields
from labkit.widgets.parts.bench_sheets import hand_bench_sheet
from labkit.widgets.parts.fields import Form, as_html, fold
from labkit.widgets.parts.fields import said as told
from labkit.widgets.parts.handover import HandOver
from labkit.widgets.parts.listening import follow_book, follow_choices, keeping_messages
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.passphrase_offer import PassphraseOffer
from labkit.widgets.parts.taster_ticks import TasterTicks, nobody_tastes
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.widgets.steps.verdict.reading_view import ReadingView
from labkit.workflow import Candidate, plan_pair_test, waters_to_test

_METHODS: Final = [
    ("Is the first one better than the second: confirming preference", CONFIRMING),
    ("Which one is preferred: paired preference", PREFERENCE),
    ("Can anyone taste it: triangle", "triangle"),
    ("Can anyone taste it: tetrad", "tetrad"),
    ("Can anyone taste it: duo-trio", "duo-trio"),
    ("Which has more of something: 2-AFC", "2-AFC"),
    ("Which has more of something: 3-AFC", "3-AFC"),
]


class ConfirmForm(NeedsBook, widgets.VBox):
    """Two waters of the coffee read above, who tastes, and what the test could show.

    One button plans the sets, seals the key and starts a session whose sheet asks the question.

    Parameters
    ----------
    book : LabBook
        Where the session and its sealed plan go.
    reading : ReadingView
        Where the coffee is chosen and its best water comes from.
    bench_sheet : callable
        As :class:`labkit.widgets.PlanForm` takes it.
    base : BaseWaterForm, optional
        The water that the doses go into; pure water if not given.
    """

    def __init__(
        self,
        book: LabBook,
        reading: ReadingView,
        bench_sheet: Callable[..., Any],
        *,
        base: BaseWaterForm | None = None,
    ) -> None:
        self._book, self._reading, self._bench_sheet = book, reading, bench_sheet
        self._base = base
        self.plan: CupPlan | None = None
        self.hands = HandOver()
        self.sealed = widgets.HTML()
        self.button = fields.button("Seal this test", main=True)
        self.button.on_click(lambda _b: self._press())
        names = book.people.tasters()
        self.form = Form(
            {
                "method": fields.choice("Question", _METHODS, CONFIRMING),
                "first": fields.choice("One water", [], None),
                "second": fields.choice("The other water", [], None),
                "attribute": fields.text("More of what?", placeholder="such as acidity"),
                "tasters": TasterTicks("Who tastes?", names, names),
                "sets": fields.whole("Sets for each taster", 1),
                "passphrase": fields.secret("Passphrase for this test"),
                "again": fields.secret("Repeat this passphrase"),
            },
            folded={
                "session": fields.text("Name of the session", placeholder="made from the coffee"),
                "jug_volume_ml": fields.jug(),
                "even_if_short": fields.tick("Seal anyway: I will make what is short first", False),
            },
            fold_title="Session, jugs",
            buttons=[self.button],
        )
        self.offer = PassphraseOffer(self.form)
        for name in ("first", "second", "method"):
            self.form.fields[name].layout.width = "min(46rem, 98%)"
        *rows, fold_line, buttons, message, result, narrow = self.form.children
        # What the test could show stands before the passphrase: it is the reason to go on.
        self.form.children = (
            *rows[:-2],
            result,
            *rows[-2:],
            self.offer,
            fold_line,
            buttons,
            message,
            narrow,
        )
        self.form.also(reading, *([] if base is None else [base]))
        self._offered_of: tuple[str, str] | None = None
        self._offer()
        self.form.compute_with(self._foresee)
        reading.on_change(self._offer)
        super().__init__([self.form, self.hands, self.sealed])
        follow_book(self, book, self._hear, Topic.PEOPLE)

    def _hear(self) -> None:
        with keeping_messages(self.form):
            self.form.fields["tasters"].follow(self._book.people.tasters())

    def _offer(self) -> None:
        """Offer the recommended water and those tasted; that one against the control at first."""
        coffee = self._reading.coffee
        if self._reading.is_reading and coffee == self._offered_of:
            return  # its waters are on their way again: what is chosen stays
        self._offered_of = coffee
        waters = self._waters()
        for name, start in (("first", 0), ("second", 1)):
            chooser = self.form.fields[name]
            follow_choices(chooser, waters, start=min(start, len(waters) - 1))

    def _waters(self) -> list[tuple[str, Target]]:
        """What to choose from: the best, the control, then the others tasted."""
        offered = waters_to_test(self._reading.reading)
        return [(f"{_word(one)}: {_short(one.target)}", one.target) for one in offered]

    def _foresee(
        self,
        method: str,
        first: Target | None,
        second: Target | None,
        tasters: tuple[str, ...],
        sets: int,
        **_now: Any,
    ) -> str:
        """What the test would likely show, and what other methods would."""
        names = METHODS[method].names_attribute
        self.form.fields["attribute"].layout.display = "" if names else "none"
        self.form.fields["first"].description = (
            "Water with more of it"
            if names
            else "Water that should win"
            if METHODS[method].names_first
            else "One water"
        )
        if not tasters:
            return told(nobody_tastes(self._book.people.tasters()))
        if sets < 1:
            raise PlanError(
                f"sets must be 1 or more, got {sets}. Serve each taster a set.", field="sets"
            )
        cups = METHODS[method].cups
        # In full: a chooser on a phone cuts them off.
        pair = (
            "No score of this coffee is read above: open a key first, or choose a score there."
            if first is None or second is None
            else "Both are the same water: a test takes two."
            if first == second
            else f"{first.text}, against {second.text}."
        )
        cost = (
            f"{len(tasters)} tasters, {counted(sets, 'set')} of {cups} cups each: "
            f"{len(tasters) * sets * cups} cups, {2 * sets} jugs."
        )
        said = say(foresee(method, len(tasters), answers_each=sets))
        if method == CONFIRMING:
            said = self._chance(first, second, len(tasters) * sets) or said
        return (
            f'<div role="status" style="max-width:46rem;line-height:1.45"><p>{escape(pair)}</p>'
            f"<p>{escape(cost)} <b>{escape(said)}</b></p></div>{_others(len(tasters), sets)}"
        )

    def _chance(self, first: Target | None, second: Target | None, n_pairs: int) -> str:
        """How likely the test settles it, of the recommended water against the control."""
        reading = self._reading.reading
        recommended = None if reading is None else reading.recommended
        if reading is None or recommended is None:
            return ""
        if (first, second) != (recommended.water, recommended.control):
            return ""
        chance = chance_to_confirm(recommended, reading.scores, n_pairs)
        return "" if chance is None else chance_said(chance, n_pairs)

    def _press(self) -> None:
        done, plan = self.form.press(self._plan)
        if not done:
            return
        self.plan = plan
        self.offer.served(f"'{plan.session}'")
        self.sealed.value = fold("Codes in each taster's order", as_html(plan))
        self.form.say(
            f"Sealed and in the lab book as '{plan.session}'. Print the bench sheet now. Score "
            "under Taste, lock, and open the key above: the answer stands with the scores."
        )

    def _plan(self) -> CupPlan:
        now = self.form.values()
        passphrase = self.offer.passphrase()
        if self._reading.coffee is None or now["first"] is None:
            raise ReadingError(
                "first must be a water tasted, but none is read above. Taste first.", field="first"
            )
        client, coffee = self._reading.coffee
        planned = plan_pair_test(
            self._book,
            coffee,
            now["first"],
            now["second"],
            client=client,
            method=now["method"],
            attribute=now["attribute"],
            sets=now["sets"],
            tasters=now["tasters"],
            passphrase=passphrase,
            name=now["session"],
            brew_method=self._reading.brew_method,
            start=StartWater() if self._base is None else self._base.start,
            jug_volume_ml=now["jug_volume_ml"] or None,
            even_if_short=now["even_if_short"],
        )
        hand_bench_sheet(self.hands, planned, self._bench_sheet)
        return planned.plan


def _word(one: Candidate) -> str:
    return f"{one.name}, control" if one.is_control else one.name


def _short(target: Target) -> str:
    """A water in few words, for a chooser on a phone."""
    return (
        f"Ca:Mg {target.ca_mg_ratio_text}, hardness {target.hardness_mg_l_caco3:.0f}, "
        f"alkalinity {target.alkalinity_mg_l_caco3:.0f}"
        f"{target.salts_text and f', {target.salts_text}'}"
    )


def _others(tasters: int, sets: int) -> str:
    """What each method would give this panel, behind a line to open."""
    table = compare_tests(tasters, answers_each=sets)
    rows = "".join(
        f"<tr><td>{escape(str(row['method']))}</td><td>{row['cups']}</td>"
        f"<td>{percent(row['chance_to_see'])}</td>"
        f"<td>{row['answers_for_80'] or 'more than 5000'}</td></tr>"
        for row in table.to_dict("records")
    )
    return fold(
        "Which way of serving would show a difference of one cup's noise (d' = 1)?",
        "<table><tr><th>served as</th><th>cups</th><th>chance to see it</th>"
        f"<th>answers for 80 %</th></tr>{rows}</table>",
    )
