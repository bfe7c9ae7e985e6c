"""The bottles on the shelf: how old, what is left, what the next sessions need, and labels."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

import ipywidgets as widgets

from labkit.book import (
    JUG_ML,
    Bottle,
    LabBook,
    SessionNeed,
    Topic,
    flights_left,
    session_needs,
    shortages,
)
from labkit.errors import BookError
from labkit.present import table
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, fold, said
from labkit.widgets.parts.folds import Fold
from labkit.widgets.parts.handover import HandOver, file_name
from labkit.widgets.parts.listening import compute_again, follow_book
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.steps.bottles.bottle_log import QuestionForm, TakenForm


class StockForm(NeedsBook, widgets.VBox):
    """What stands on the shelf and what will be taken of it; only its buttons write.

    Parameters
    ----------
    book : LabBook
        Where the bottles are.
    labels : callable
        ``labkit.bench.bottle_labels``.
    papers : mapping
        What label packets say, and their measures; none is offered if not given.
    """

    def __init__(
        self,
        book: LabBook,
        labels: Callable[..., Any],
        papers: Mapping[str, Any] | None = None,
    ) -> None:
        self._book, self._labels, self.hands = book, labels, HandOver()
        self._papers = papers or {}
        last = book.sessions.label_paper()
        first = last if last in self._papers else next(iter(self._papers), None)
        save = fields.button("Label sheet")
        save.on_click(lambda _b: self._hand())
        self._keep = fields.button("Keep these days")
        self._keep.on_click(lambda _b: self._keep_days())
        self.form = Form(
            {
                "keeps_days": fields.whole(
                    "Bicarbonate keeps (days)", book.stock.bicarbonate_keeps_days()
                ),
                "jug_volume_ml": fields.number("Each jug (mL)", JUG_ML, step=100),
            },
            folded={"paper": fields.choice("Label paper", list(self._papers), first)},
            fold_title="Label paper",
            buttons=[self._keep, save],
        )
        if self.form.fold is not None and not self._papers:
            self.form.fold.layout.display = "none"
        self.form.compute_with(self._show)
        self.questions = QuestionForm(book, self._after)
        self.taken = TakenForm(
            book, self._after, lambda: float(self.form.fields["jug_volume_ml"].value)
        )
        folded = Fold("Record doses taken, or an empty bottle", [self.taken])
        super().__init__([self.questions, self.form, self.hands, folded])
        follow_book(self, book, self._hear, Topic.STOCK, Topic.SESSIONS)

    def refresh(self) -> None:
        """Read the shelf and the plans again."""
        for part in (self.questions, self.taken, self.form):
            part.refresh()

    def _hear(self) -> None:
        self.questions.refresh()
        self.taken.refresh()
        compute_again(self.form)

    def _after(self) -> None:
        self.questions.refresh()
        self.taken.refresh()
        self.form.refresh()

    def _show(self, *, keeps_days: int, jug_volume_ml: float, paper: str | None) -> list[str]:
        del paper  # only labels are printed on it
        if not jug_volume_ml > 0:
            raise BookError(
                f"jug_volume_ml must be above 0, got {jug_volume_ml:g}. Say what a jug holds.",
                field="jug_volume_ml",
            )
        needs = session_needs(self._book, jug_volume_ml=jug_volume_ml)
        bottles, lasts = self._book.stock.bottles(), flights_left(self._book)
        remarks = [said(sentence) for sentence in _remarks(self._book, bottles, needs)]
        if not bottles:
            self._offer_days(bottles)
            return [said("No bottle is on the shelf yet: make one under Bottles."), *remarks]
        return [
            self._keeping(keeps_days) if self._offer_days(bottles) else "",
            _shelf_html(bottles, needs, lasts),
            *remarks,
            fold("History of each bottle", "".join(map(_history, bottles))),
        ]

    def _offer_days(self, bottles: Sequence[Bottle]) -> bool:
        """Ask how long bicarbonate keeps only where there is some; whether there is."""
        there = any(bottle.use_by is not None for bottle in bottles)
        for part in (self.form.fields["keeps_days"], self._keep):
            part.layout.display = "" if there else "none"
        return there

    def _keeping(self, keeps_days: int) -> str:
        kept = self._book.stock.bicarbonate_keeps_days()
        return said(
            "Bicarbonate is made fresh every 3 to 4 days (common practice)."
            if keeps_days == kept
            else f"The lab book still says {kept} days: press 'Keep these days' to change it."
        )

    def _keep_days(self) -> None:
        days = self.form.fields["keeps_days"].value
        done, _ = self.form.press(lambda: self._book.stock.set_bicarbonate_keeps_days(days))
        if done:
            self.form.refresh()
            self.form.say(f"Bicarbonate keeps {days} days from now on, on the shelf and on labels.")

    def _hand(self) -> None:
        def work() -> None:
            paper = self._papers.get(self.form.fields["paper"].value)
            chosen = {} if paper is None else {"paper": paper}
            sheet = self._labels(self._book.stock.bottles(), lab_book=self._book.name, **chosen)
            self.hands.hand(sheet.html, name=file_name("bottles", "labels"), note="Print at 100 %.")

        self.form.press(work)


def _shelf_html(
    bottles: Sequence[Bottle], needs: Sequence[SessionNeed], lasts: Mapping[str, int]
) -> str:
    today, rows = date.today(), []
    for bottle in bottles:
        days = bottle.age_days(today)
        age = {0: "made today, ", 1: "made yesterday, "}.get(days, f"made {days} days ago, ")
        if bottle.use_by is None:
            age += "keeps for months"
        elif bottle.is_too_old(today):
            age += f"too old: was good until {bottle.use_by:%d %b}"
        else:
            age += f"good until {bottle.use_by:%d %b}"
        most = sum(need.most_ml.get(bottle.name, 0.0) for need in needs)
        least = "at least " if bottle.is_left_at_least else ""
        within = f"{least}{bottle.left_ml:.0f} mL left"
        if most:
            after = bottle.left_ml - most
            within += f"; up to {most:.0f} mL reserved; "
            within += f"then {after:.0f} mL" if after >= 0 else f"{-after:.0f} mL short"
        if bottle.name in lasts:
            n = lasts[bottle.name]
            more = " more" if most else ""
            within += f"; suffices for {n}{more} flight{'' if n == 1 else 's'} like the last"
        lot = f"lot {bottle.lot}" if bottle.lot else ""
        keeper = f"by {bottle.keeper}" if bottle.keeper else ""
        made = ", ".join(filter(None, [bottle.salt, lot, keeper]))
        strength = f"{bottle.counts} {_g_l(bottle):.3f} g/L"
        rows.append((f"{bottle.name}: {made}, {strength}", f"{age}; {within}"))
    # Two columns of phrases that wrap: a third would be cut on a phone.
    return table("On the shelf", ("bottle", "age, and what is left"), rows)


def _history(bottle: Bottle) -> str:
    """How a bottle was made, what was measured, answered and taken, oldest first."""
    rows = [
        ("salt", bottle.salt),
        ("lot", bottle.lot or "not recorded"),
        ("purity", f"{100 * bottle.purity:g} %"),
        ("weighed", f"{bottle.weighed_g:g} g, to {bottle.balance_g:g} g"),
        ("made up to", f"{bottle.volume_ml:g} mL"),
        ("made", _when(bottle.made_on, bottle.keeper)),
    ]
    for found in bottle.measurements:
        doubt = "" if found.uncertainty_percent is None else f" ± {found.uncertainty_percent:.1f} %"
        strength = f"{found.strength_g_l:.3f} g/L{doubt}, {found.method}"
        rows.append(("measured", f"{strength}, {_when(found.measured_on, found.measured_by)}"))
        rows += [
            (
                "answered",
                f"what was {one.counts} counts, {_when(one.answered_on, one.answered_by)}"
                + (f": {one.reason}" if one.reason else ""),
            )
            for one in found.answers
        ]
    for use in bottle.uses:
        whither = f", flight {use.flight} of {use.session}" if use.session else ""
        most, sealed = ("at most ", "; sealed until its key opens") if use.is_bound else ("", "")
        dose = f"{most}{use.volume_ml:g} mL"
        rows.append(("taken", f"{dose}, {use.used_on:%Y-%m-%d}{whither}{sealed}"))
    if bottle.note:
        rows.append(("note", bottle.note))
    return table(bottle.name, ("", ""), rows)


def _when(day: date, who: str) -> str:
    return f"on {day:%Y-%m-%d}" + (f" by {who}" if who else "")


def _g_l(bottle: Bottle) -> float:
    """Pure salt as labelled, by the strength that counts (g/L)."""
    liquid = bottle.in_use
    return liquid.strength_mmol_l * liquid.salt.molar_mass_g_mol / 1000


def _remarks(book: LabBook, bottles: Sequence[Bottle], needs: Sequence[SessionNeed]) -> list[str]:
    """What waits to be mixed, and what has to be made for it."""
    said_of = []
    for need in needs:
        flights = ", ".join(map(str, need.flights))
        plural = "s" if len(need.flights) > 1 else ""
        if need.remark:
            said_of.append(f"'{need.session}', flight{plural} {flights}: {need.remark}")
        else:
            said_of.append(
                f"'{need.session}', flight{plural} {flights}: up to {need.jugs} jugs wait to be "
                "mixed. Needed at most: the keys stay sealed, so each duplicate counts as the "
                "water that takes most."
            )
    said_of.append(
        "What a sealed flight takes is reserved, and taken with its first score or once it is said "
        "to be mixed. One that will not be tasted after all takes nothing once it is locked under "
        "Taste."
        if needs
        else "No sealed flight waits to be mixed."
    )
    today = date.today()
    for bottle in bottles:
        most = sum(need.most_ml.get(bottle.name, 0.0) for need in needs)
        waiting = {(need.session, flight) for need in needs for flight in need.flights}
        said_of += [one.text for one in shortages(book, {bottle.name: most}, apart_from=waiting)]
        if most and bottle.is_too_old(today):
            said_of.append(f"Make '{bottle.name}' fresh: it was good until {bottle.use_by}.")
    return said_of
