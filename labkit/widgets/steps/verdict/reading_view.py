"""The view of one coffee: what its scores say, in words and pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
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
    Remembered,
    WaterMap,
    just_about_right,
    water_map,
    with_liking,
)
from labkit.book import BrewMethod, LabBook, LeftOut, Topic
from labkit.errors import BookError, LabkitError, ReadingError
from labkit.present import decided, in_words, said_of_pour, say, side_of_right, trust_in
from labkit.tasting import SCALES
from labkit.water import PURE_WATER, Target, mix
from labkit.widgets.parts import fields
from labkit.widgets.parts.coffees import coffee_choices, first_of
from labkit.widgets.parts.fields import Form, as_html, fold, said
from labkit.widgets.parts.listening import compute_again, follow_book, follow_choices
from labkit.widgets.parts.long_work import LongWork
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.water_map import WaterMapView
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.workflow import Findings, Opened, best_levels, opened

_SHRINK: Final = "<style>.widget-html > .widget-html-content {min-width: 0}</style>"
"""A picture that scrolls sideways on a phone must not make the words beside it as wide."""

SIDE_BY_SIDE: Final = "(all, side by side)"

MOST_KEPT: Final = 6
"""Readings that are kept with their pictures, so that a coffee looked at again is there at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _ToDraw:
    """Pictures that belong here."""

    found: Any
    """What was read."""

    title: str = ""
    """The coffee's name, where what was read does not hold it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """What was read of what is chosen, in words; its pictures come after."""

    findings: Findings | None
    """What the one score says; None of several side by side."""

    map: WaterMap | None
    """The map that comes with a recommendation that leaves something to choose."""

    parts: tuple[str | _ToDraw, ...]
    """Words as HTML, and between them what is to be drawn."""

    @property
    def to_draw(self) -> tuple[_ToDraw, ...]:
        """What is to be drawn, in its order."""
        return tuple(one for one in self.parts if isinstance(one, _ToDraw))

    def with_pictures(self, pictures: Sequence[str]) -> list[str]:
        """Words and pictures as HTML; what no picture is given for is left out.

        Parameters
        ----------
        pictures : sequence of str
            HTML of each, in their order.
        """
        drawn = iter(pictures)
        return [one if isinstance(one, str) else next(drawn, "") for one in self.parts]


class ReadingView(NeedsBook, widgets.VBox):
    """Choose a coffee and read what its scores say; it follows the choice.

    In a kernel it is read beside the page: `reading` and `findings` are None until that is done,
    then the words are there, and the pictures follow. What was left out of a coffee by a recorded
    choice stays so until another is recorded.

    Parameters
    ----------
    book : LabBook
        Where the opened scores are, and where a choice to leave something out is recorded.
    picture : callable
        Takes what was read (a reading, readings side by side, a test of two waters, words checked)
        and returns its pictures as HTML, in any thread; ``title`` names the coffee.
    coffee : (str, str), optional
        Client and name of the coffee to begin with; the first unless given.

    Attributes
    ----------
    map : WaterMapView
        The map of the coffee's waters that can be touched; what to do with a water is given to it
        by the forms below.
    """

    def __init__(
        self,
        book: LabBook,
        picture: Callable[..., str],
        *,
        coffee: tuple[str, str] | None = None,
    ) -> None:
        self._book, self._picture = book, picture
        self.reading: Reading | None = None
        self.map = WaterMapView(pour=self._pour)
        self._base: BaseWaterForm | None = None
        self._recorded: tuple[Any, LeftOut] = (None, LeftOut())
        self._there: Opened | None = None
        self._shown: Any = None
        self._looks: Remembered[_Look] = Remembered(MOST_KEPT)
        self._pictures: Remembered[list[str]] = Remembered(MOST_KEPT)
        self._reads = LongWork("Reading the scores", kind="reading")
        self._draws = LongWork("Drawing", kind="drawing")
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
                "coffee": fields.choice("Coffee", coffees, first_of(coffees, coffee)),
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
        mark = self._book.readings.marks(client=client, coffee=coffee)
        return self.coffee, flights, mark, sessions.decisions(coffee, client=client)

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
        there = self._there
        if there is None or (there.client, there.coffee) != self.coffee:
            there = self._opened()
        frame, scale = self._chosen().keep(there.scores), self.form.fields["scale"].value
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

    @property
    def is_reading(self) -> bool:
        """Whether the scores are being read just now."""
        return self._reads.is_running

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change, also when something else begins to be read."""
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
        self.reading = self.findings = self._shown = None
        if coffee is None:
            self.button.layout.display = "none"
            return [said("The lab book has no coffee yet: add one first.")]
        there = self._there = self._opened()
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
        try:
            is_there, look = self._reads.result(
                asked,
                lambda: self._looks.get(asked, lambda: _look(there, *read)),
                self.form.refresh,
            )
        except LabkitError:
            self.map.show(None)
            raise
        if not is_there:
            self.map.show(None)
            return [said("Reading the scores …")]  # it takes seconds: not the old ones
        self.findings = look.findings
        self.reading = None if look.findings is None else look.findings.reading
        self.map.show(look.map, coffee=there.coffee)
        told = [said("" if is_new else say(recorded))]
        return [*told, *self._drawn(asked, look, told), self._records()]

    def _drawn(self, asked: Any, look: _Look, told: list[str]) -> list[str]:
        """Words and pictures of a reading; the words stand alone while it is drawn."""
        self._shown = asked

        def draw() -> list[str]:
            drawn = [self._drawing(one) for one in look.to_draw]
            if look.findings is not None:  # kept, for the head of the page and the next dial
                with suppress(BookError):
                    best_levels(self._book, look.findings.coffee, client=look.findings.client)
            return drawn

        def put() -> None:
            if self._shown == asked:
                shown = self._drawn(asked, look, told)
                self.form.result.value = as_html([*told, *shown, self._records()])

        if not look.to_draw:
            return look.with_pictures(())
        try:
            is_there, pictures = self._draws.result(
                asked, lambda: self._pictures.get(asked, draw), put
            )
        except LabkitError as error:
            return look.with_pictures([said(str(error), wrong=True)])
        return look.with_pictures(pictures if is_there else [said("Drawing the pictures …")])

    def _drawing(self, one: _ToDraw) -> str:
        return self._picture(one.found, **({"title": one.title} if one.title else {}))

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


def _look(
    there: Opened, attribute: str, scale: str | None, brew_method: str, chosen: LeftOut
) -> _Look:
    """Read what is chosen, then the coffee's tests of two waters; touches no widget."""
    parts: list[Any] = []
    found: Findings | None = None
    if attribute == SIDE_BY_SIDE:
        side = there.read_each(brew_method=brew_method, left_out=chosen)
        parts += [side, _ToDraw(found=side)]
        tests = there.tests
    else:
        found = there.read(attribute, brew_method=brew_method, scale=scale, left_out=chosen)
        tests = found.tests
        if found.words is not None:
            parts += [found.words, _ToDraw(found=found.words, title=there.coffee)]
        elif found.reading is not None:
            parts += [found.reading, _effect(found)]
            parts.append(_just_about_right(there.scored, found.reading))
            parts += [_ToDraw(found=found.reading), _trust(found.reading)]
    for test in tests:
        parts += [f"<h3>Test of two waters, {escape(test.session)}</h3>", test]
        parts.append(_ToDraw(found=test))
    return _Look(
        findings=found,
        map=_map(None if found is None else found.reading),
        parts=tuple(one if isinstance(one, _ToDraw) else as_html(one) for one in parts),
    )


def _map(reading: Reading | None) -> WaterMap | None:
    """The map that comes with a recommendation, or none."""
    if reading is None or reading.recommended is None:
        return None
    found = water_map(reading.scores, recommended=reading.recommended)
    return found if found.varied else None


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
    table = just_about_right(answers, seed=np.random.default_rng(SEED))
    told = table[(table["side"] != RIGHT) & (table["share"] >= ENOUGH_SHARE)]
    rows = "".join(
        f"<li>{escape(row['water'])}: {escape(side_of_right(row))}</li>"
        for row in told.to_dict("records")
    )
    return (
        f"<ul>{rows}</ul>" if rows else said("No water is too little or too much for one in five.")
    )
