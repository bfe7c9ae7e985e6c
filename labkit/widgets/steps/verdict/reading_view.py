"""The view of one coffee: what its scores say, in words and pictures."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any, Final

import ipywidgets as widgets
import numpy as np
import pandas as pd

from labkit.analysis import (
    ENOUGH_SHARE,
    RIGHT,
    SEED,
    Reading,
    just_about_right,
    water_map,
    with_liking,
)
from labkit.book import BrewMethod, LabBook, LeftOut, Topic
from labkit.errors import ReadingError
from labkit.present import decided, in_words, said_of_pour, say, side_of_right, trust_in
from labkit.tasting import SCALES
from labkit.water import PURE_WATER, Target, mix
from labkit.widgets.parts import fields
from labkit.widgets.parts.coffees import coffee_choices
from labkit.widgets.parts.fields import Form, fold, said
from labkit.widgets.parts.listening import compute_again, follow_book, follow_choices
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.water_map import WaterMapView
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.workflow import Findings, Opened, opened

_SHRINK: Final = "<style>.widget-html > .widget-html-content {min-width: 0}</style>"
"""A picture that scrolls sideways on a phone must not make the words beside it as wide."""

SIDE_BY_SIDE: Final = "(all, side by side)"


class ReadingView(NeedsBook, widgets.VBox):
    """Choose a coffee and read what its scores say; it follows the choice.

    What was left out of a coffee by a recorded choice stays so until another is recorded.

    Parameters
    ----------
    book : LabBook
        Where the opened scores are, and where a choice to leave something out is recorded.
    picture : callable
        Takes what was read (a reading, readings side by side, a test of two waters, words checked)
        and returns its pictures as HTML; ``title`` names the coffee.

    Attributes
    ----------
    map : WaterMapView
        The map of the coffee's waters that can be touched; what to do with a water is given to it
        by the forms below.
    """

    def __init__(self, book: LabBook, picture: Callable[..., str]) -> None:
        self._book, self._picture = book, picture
        self.reading: Reading | None = None
        self.map = WaterMapView(pour=self._pour)
        self._base: BaseWaterForm | None = None
        self._recorded: tuple[Any, LeftOut] = (None, LeftOut())
        self._shown: tuple[Any, list[Any]] = (None, [])
        self.findings: Findings | None = None
        self._stood: Any = None
        self._scales_of: Any = None
        coffees = coffee_choices(book)
        self.button = fields.button("Record what is left out, and why")
        self.button.on_click(lambda _b: self._record())
        self.keep_scale = fields.button("Read this scale from now on")
        self.keep_scale.on_click(lambda _b: self._record_scale())
        self.form = Form(
            {
                "coffee": fields.choice("Coffee", coffees, coffees[0][1] if coffees else None),
                "attribute": fields.choice("Score", ["overall"], "overall"),
                "scale": fields.choice("Scale", []),
            },
            folded={
                "brew_method": fields.choice(
                    "Brewed as", ["cupping", "filter", "espresso"], "cupping"
                ),
                "without_tasters": fields.several("Leave out tasters", []),
                "without_sessions": fields.several("Leave out sessions", []),
                "reason": fields.text("Why left out", placeholder="it is recorded"),
            },
            fold_title="Brew method, what to leave out",
            buttons=[self.button, self.keep_scale],
        )
        self.form.compute_with(self._read)
        *above, guide = self.form.children
        self.form.children = (*above, self.map, guide)  # on a wide page beside what was read
        super().__init__([self.form, widgets.HTML(_SHRINK)])
        follow_book(self, book, self._hear, Topic.SESSIONS, Topic.DECISIONS, Topic.PEOPLE)

    def _hear(self) -> None:
        """Offer the coffees there are, and read again once other scores can be read."""
        follow_choices(self.form.fields["coffee"], coffee_choices(self._book))
        if self._stood != self._standing():
            compute_again(self.form)

    def _standing(self) -> Any:
        """What changes as soon as anything else can be read of the coffee."""
        if self.coffee is None:
            return None
        client, coffee = self.coffee
        sessions = self._book.sessions
        flights = sessions.opened_flights(client=client, coffee=coffee)
        names = list(dict.fromkeys(one[0] for one in flights))
        who = [sessions.session(name).tasters for name in names]
        measured = [self._book.scores.measured_cups(name) for name in names]
        return self.coffee, flights, who, measured, sessions.decisions(coffee, client=client)

    @property
    def coffee(self) -> tuple[str, str] | None:
        """Client and name of the coffee, or None while the lab book has none."""
        chosen: tuple[str, str] | None = self.form.fields["coffee"].value
        return chosen

    @property
    def scores(self) -> pd.DataFrame:
        """The opened scores of the coffee chosen, one row a score, without what is left out.

        Of the attribute that is read only those on the scale chosen.
        """
        frame, scale = self._chosen().keep(self._opened().scores), self.form.fields["scale"].value
        return frame if scale is None else _on_scale(frame, self.attribute, scale)

    @property
    def attribute(self) -> str:
        """The score that is read."""
        return str(self.form.fields["attribute"].value)

    @property
    def brew_method(self) -> BrewMethod:
        """How the cups that are read were brewed."""
        chosen: BrewMethod = self.form.fields["brew_method"].value
        return chosen

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change."""
        self.form.on_change(follow)

    def refresh(self) -> None:
        """Read again, after a key was opened or scores came in."""
        self.form.refresh()

    def pour_into(self, base: BaseWaterForm) -> None:
        """Let the map say doses for this water to start from, instead of pure water.

        Parameters
        ----------
        base : BaseWaterForm
            The water that the doses go into.
        """
        self._base = base

    def _pour(self, water: Target) -> str:
        """What to pour for a litre of a water; empty while there is no bottle."""
        bottles = self._book.stock.concentrates()
        if not bottles:
            return ""
        base = PURE_WATER if self._base is None else self._base.water
        return said_of_pour(mix(water, bottles, volume_ml=1000.0, base=base))

    def _opened(self) -> Opened:
        if self.coffee is None:
            raise ReadingError(
                "coffee must be chosen, but the lab book has none. Add one first.", field="coffee"
            )
        client, coffee = self.coffee
        return opened(self._book, coffee, client=client)

    def _read(
        self,
        *,
        coffee: tuple[str, str] | None,
        attribute: str,
        scale: str | None,
        brew_method: str,
        without_tasters: tuple[str, ...],
        without_sessions: tuple[str, ...],
        reason: str,
    ) -> list[Any]:
        del scale, without_tasters, without_sessions, reason  # they may change with the coffee
        self._stood = self._standing()
        if coffee is None:
            self.reading = None
            self.button.layout.display = "none"
            return [said("The lab book has no coffee yet: add one first.")]
        there = self._opened()
        if self._recorded[0] != coffee:
            self._take_up(there)
        chosen, recorded = self._chosen(), self._recorded[1]
        is_new = set(chosen.names) != set(recorded.names)
        self.button.layout.display = "" if is_new else "none"
        attribute = self._offer(there, attribute)
        scales = there.scales(attribute, brew_method)
        on_scale = self._offer_scales((coffee, attribute), scales)
        is_kept = on_scale is None or on_scale == scales[0]
        self.keep_scale.layout.display = "none" if is_kept else ""
        read = (attribute, on_scale, brew_method, chosen)
        asked = (coffee, *read, mark_of(there.scores), mark_of(there.words))
        if self._shown[0] != asked:
            self.reading = self.findings = None
            self._shown = (None, [])
            self.map.show(None)
            self.form.result.value = said("Reading the scores …")  # takes seconds: not the old ones
            self._shown = (
                asked,
                self._look(there, attribute, on_scale, brew_method, chosen),
            )
        self._show_map(there.coffee)
        said_choice = said("" if is_new else say(recorded))
        return [said_choice, *self._shown[1], self._records()]

    def _show_map(self, coffee: str) -> None:
        """The map that comes with a recommendation, or none."""
        reading = self.reading
        if reading is None or reading.recommended is None:
            self.map.show(None)
            return
        found = water_map(reading.scores, recommended=reading.recommended)
        self.map.show(found if found.varied else None, coffee=coffee)

    def _take_up(self, there: Opened) -> None:
        """Leave out what the lab book says is left out of this coffee."""
        recorded = there.left_out
        self._recorded = ((there.client, there.coffee), recorded)
        for column, names in (("taster", recorded.tasters), ("session", recorded.sessions)):
            known = list(dict.fromkeys(map(str, there.scores[column])))
            chooser = self.form.fields[f"without_{column}s"]
            chooser.options = sorted(known) if column == "taster" else known
            chooser.value = tuple(name for name in names if name in known)

    def _chosen(self) -> LeftOut:
        """What the form leaves out now."""
        now = self.form.fields
        return LeftOut(
            tasters=tuple(now["without_tasters"].value),
            sessions=tuple(now["without_sessions"].value),
        )

    def _look(
        self,
        there: Opened,
        attribute: str,
        scale: str | None,
        brew_method: str,
        chosen: LeftOut,
    ) -> list[Any]:
        """Words and pictures of what is chosen, then of the coffee's tests of two waters."""
        shown: list[Any] = []
        if attribute == SIDE_BY_SIDE:
            side = there.read_each(brew_method=brew_method, left_out=chosen)
            shown += [side, self._picture(side)]
            tests = there.tests
        else:
            found = there.read(attribute, brew_method=brew_method, scale=scale, left_out=chosen)
            self.reading, self.findings, tests = found.reading, found, found.tests
            if found.words is not None:
                shown += [found.words, self._picture(found.words, title=there.coffee)]
            elif found.reading is not None:
                shown += [found.reading, _effect(found)]
                shown.append(_just_about_right(there.scored, found.reading))
                shown += [self._picture(found.reading), _trust(found.reading)]
        for test in tests:
            shown += [f"<h3>Test of two waters, {escape(test.session)}</h3>", test]
            shown.append(self._picture(test))
        return shown

    def _offer(self, there: Opened, attribute: str) -> str:
        """Offer what this coffee has: scores and lists of words, tasters, sessions."""
        names = there.attributes
        more = [SIDE_BY_SIDE] if len(names) > 1 else []
        self._fill("without_tasters", sorted(map(str, there.scored["taster"].unique())))
        self._fill("without_sessions", list(map(str, there.scored["session"].unique())))
        return str(self._fill("attribute", [*names, *there.lists_of_words, *more]))

    def _offer_scales(self, of: Any, names: tuple[str, ...]) -> str | None:
        """Offer the scales of a score where it has several, the one read by itself first."""
        chooser = self.form.fields["scale"]
        chooser.layout.display = "none" if len(names) < 2 else ""
        if self._scales_of != (of, set(names)):  # else what was chosen stays
            self._scales_of = (of, set(names))
            chooser.options = names
            if names:
                chooser.index = 0  # a Dropdown that had nothing to choose chooses nothing
        return str(chooser.value) if len(names) > 1 else None

    def _fill(self, field: str, options: list[str]) -> Any:
        """Give a field other options, keeping what was chosen where it is still there."""
        chooser = self.form.fields[field]
        if options:
            follow_choices(chooser, options)
        return chooser.value

    def _record(self) -> None:
        """Write down what is left out of this coffee's reading, and why."""
        done, text = self.form.press(self._write_record)
        if done:
            client, coffee = self.coffee or ("", "")
            self._recorded = (self.coffee, self._book.sessions.left_out(coffee, client=client))
            self.form.fields["reason"].value = ""
            self.form.refresh()
            self.form.say(f"In the lab book: {text}")

    def _write_record(self) -> str:
        now = self.form.values()
        client, coffee = self.coffee or ("", "")
        return self._book.sessions.leave_out(
            coffee,
            client=client,
            tasters=now["without_tasters"],
            sessions=now["without_sessions"],
            seen=now["attribute"],
            reason=now["reason"],
        )

    def _record_scale(self) -> None:
        """Read this coffee's score on the scale chosen, here and everywhere, from now on."""
        scale = str(self.form.fields["scale"].value)
        done, _ = self.form.attempt(self._write_scale)
        if done:
            self.form.fields["reason"].value = ""
            self.form.refresh()
            self.form.say(f"In the lab book: {self.attribute} is read on {scale}.")

    def _write_scale(self) -> None:
        now = self.form.values()
        client, coffee = self.coffee or ("", "")
        self._book.sessions.choose_scale(
            coffee,
            client=client,
            attribute=now["attribute"],
            scale=now["scale"],
            reason=now["reason"],
        )

    def _records(self) -> str:
        """The choices recorded so far for this coffee."""
        client, coffee = self.coffee or ("", "")
        decisions = self._book.sessions.decisions(coffee, client=client)
        rows = "".join(f"<li>{escape(decided(one))}</li>" for one in decisions)
        return f"<p>Recorded choices:</p><ul>{rows}</ul>" if rows else ""


def _effect(found: Findings) -> str:
    """What leaving tasters or sessions out changes, in words."""
    if found.effect is None:
        return said(found.no_effect, wrong=True)
    both = found.effect.to_dict("records")
    rows = "".join(f"<li>{escape(in_words(row))}</li>" for row in both)
    return f"<p>What leaving out changes:</p><ul>{rows}</ul>"


def _on_scale(frame: pd.DataFrame, attribute: str, scale: str) -> pd.DataFrame:
    """The scores without those of an attribute on other scales."""
    return frame[(frame["attribute"] != attribute) | (frame["scale"].astype(str) == scale)]


def mark_of(frame: pd.DataFrame) -> int:
    """What changes as soon as anything in the frame does."""
    return hash(tuple(pd.util.hash_pandas_object(frame.astype(str), index=False)))


def _trust(reading: Reading) -> str:
    """Checks of the curve in sentences, behind a line to open."""
    if reading.surface is None or reading.diagnostics is None:
        return ""
    rows = "".join(f"<li>{escape(one)}</li>" for one in trust_in(reading))
    return fold("How far to trust the curve", f"<ul>{rows}</ul>")


def _just_about_right(frame: pd.DataFrame, reading: Reading) -> str:
    """Sentences on what is too little or too much; empty for any other scale."""
    scale = SCALES.get(reading.scores.scale)
    if scale is None or not scale.middle_is_best:
        return ""
    read = reading.scores.frame
    frame = frame[frame["taster"].isin(read["taster"]) & frame["session"].isin(read["session"])]
    frame = _on_scale(frame, reading.scores.attribute, reading.scores.scale)
    answers = with_liking(frame, reading.scores.attribute)
    table = just_about_right(answers, rng=np.random.default_rng(SEED))
    told = table[(table["side"] != RIGHT) & (table["share"] >= ENOUGH_SHARE)]
    rows = "".join(
        f"<li>{escape(row['water'])}: {escape(side_of_right(row))}</li>"
        for row in told.to_dict("records")
    )
    return (
        f"<ul>{rows}</ul>" if rows else said("No water is too little or too much for one in five.")
    )
