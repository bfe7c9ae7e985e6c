"""The lead's view of a tasting under way: who is where, what is missing, lock and unlock."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterable, Iterator
from html import escape
from itertools import groupby
from typing import Any

import ipywidgets as widgets
import pandas as pd
from pandas.api.typing import NaTType

from labkit.book import LabBook, Missing, Topic
from labkit.errors import LabkitError
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.flight_names import NOT_BLIND, cost_of_unlocking
from labkit.widgets.parts.listening import follow_book, follow_choices
from labkit.workflow import lock_flights

LOOK_EVERY_S = 10.0
"""How often the view looks who has gone: who comes and what is scored shows at once."""

LOCK, LOCK_ALL_THE_SAME = "Lock this flight", "Lock it anyway"

CONNECTED_S = 30.0
"""A page that gave a sign of life so recently is connected."""


class LeadView(widgets.VBox):
    """Progress per taster, without a score or a water; locks a flight, unlocks it with a reason.

    Parameters
    ----------
    book : LabBook
        Where the scores arrive.
    session : str
        Which session to watch.

    Attributes
    ----------
    locking, record : Form
        Locks and unlocks a flight; writes down what happened.
    """

    def __init__(self, book: LabBook, *, session: str) -> None:
        self._book, self._session = book, session
        self._lead = book.sessions.session(session).held.lead
        self.table, self.missing, self.cost = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.flight = fields.choice("Flight", [], None)
        self.reason = fields.text("Reason to unlock", placeholder="it is recorded")
        self.lock = fields.button(LOCK, main=True)
        self.unlock = fields.button("Unlock it again")
        self.locking = Form(
            {"flight": self.flight, "reason": self.reason}, buttons=[self.lock, self.unlock]
        )
        flight, reason, *rest = self.locking.children
        self.locking.children = (flight, self.missing, self.cost, reason, *rest)
        self.happened = fields.text("For the record", placeholder="what happened at the table")
        self.note = fields.button("Write it down")
        self.record = Form({"text": self.happened}, buttons=[self.note])
        self._asked: tuple[int | None, tuple[Missing, ...]] | None = None
        super().__init__([self.table, self.locking, self.record])
        self.add_class("lv-view")
        self.flight.observe(lambda _change: self._show_missing(), "value")
        self.lock.on_click(lambda _b: _press(self.locking, self._lock_flight))
        self.unlock.on_click(lambda _b: _press(self.locking, self._unlock_flight))
        self.note.on_click(lambda _b: _press(self.record, self._write_down))
        self.refresh()
        topics = (Topic.SCORES, Topic.SESSIONS, Topic.PEOPLE)
        follow_book(self, book, self.refresh, *topics)
        # Outside a kernel nobody turns the page: then it shows what stood when it was made.
        with contextlib.suppress(RuntimeError):
            self._watching = asyncio.get_running_loop().create_task(self._watch())

    async def _watch(self) -> None:
        while self.comm is not None:
            await asyncio.sleep(LOOK_EVERY_S)
            with contextlib.suppress(LabkitError):  # one that is away is said at the head
                self.refresh()

    def refresh(self) -> None:
        """Look into the lab book and show how far everyone is."""
        progress = self._book.sessions.progress(self._session)
        self.table.value = _table(progress, pd.Timestamp.now("UTC"))
        options = [
            (f"{f.number}, {f.state}{f', {NOT_BLIND}' if f.is_unblinded else ''}", f.number)
            for f in self._book.sessions.flights(self._session)
        ]
        follow_choices(self.flight, options)
        self._show_missing()

    def _show_missing(self) -> None:
        number = self.flight.value
        flight = None if number is None else self._book.sessions.flight(self._session, number)
        is_open = flight is not None and flight.state in ("planned", "being tasted")
        is_locked = flight is not None and not is_open
        self.lock.layout.display = "" if is_open else "none"
        for widget in (self.reason, self.unlock):
            widget.layout.display = "" if is_locked else "none"
        self.cost.value = said(cost_of_unlocking(flight)) if flight and is_locked else ""
        if self._asked is not None and self._asked != self._lacking():
            self._ask(None)  # what was asked about is not what is there any more
        self.missing.value = _missing(self._book, self._session, self.flight.value, is_open)

    def _lacking(self) -> tuple[int | None, tuple[Missing, ...]]:
        """The flight chosen, and what it lacks."""
        number = self.flight.value
        return number, () if number is None else self._book.sessions.missing(self._session, number)

    def _ask(self, lacking: tuple[int | None, tuple[Missing, ...]] | None) -> None:
        """Ask for a second press before scores are left missing; None asks nothing."""
        self._asked = lacking
        self.lock.description = LOCK if lacking is None else LOCK_ALL_THE_SAME

    def _lock_flight(self) -> str:
        number, lacking = self.flight.value, self._lacking()
        if lacking[1] and self._asked != lacking:
            self._ask(lacking)
            return _question(self._book, self._session, *lacking)
        self._ask(None)
        missing = lock_flights(self._book, self._session, [number]).missing[number]
        self.refresh()
        waiting = [
            f"flight {flight.number}"
            for flight in self._book.sessions.flights(self._session)
            if flight.state in ("planned", "being tasted")
        ]
        then = (
            f"Still to be locked: {', '.join(waiting)}."
            if waiting
            else "Next: open its key under Verdict."
        )
        return (
            f"Flight {number} is locked with {len(missing) or 'no'} "
            f"score{'s' * (len(missing) > 1)} missing: nothing in it can change now. {then}"
        )

    def _unlock_flight(self) -> str:
        number = self.flight.value
        flight = self._book.sessions.unlock_flight(
            self._session, number, reason=self.reason.value, done_by=self._lead
        )
        self.reason.value = ""
        self.refresh()
        blind = " It is no longer blind: readings leave it out." if flight.is_unblinded else ""
        return f"Flight {number} takes scores again; the reason is in the lab book.{blind}"

    def _write_down(self) -> str:
        self._book.sessions.add_remark(
            self._session, self.happened.value, flight=self.flight.value, done_by=self._lead
        )
        self.happened.value = ""
        return "It is in the lab book and will stand in the report."


def _press(form: Form, work: Callable[[], str]) -> None:
    """Do what a button asks for, and say beside it what came of it."""
    done, sentence = form.press(work)
    if done:
        form.say(sentence)


_TABLE_STYLE = (
    "border-spacing:clamp(.4rem,1.5vw,.9rem) .25rem;margin-left:-.5rem;line-height:1.3;"
    "text-align:left"
)


def _table(progress: pd.DataFrame, now: pd.Timestamp) -> str:
    """How far each taster is, flight by flight, as a table that reads without colour."""
    head = ("Taster", "Cups done", "Missing", "Time per cup", "Page")
    titles = "".join(f'<th scope="col" style="text-align:left">{title}</th>' for title in head)
    bodies = ""
    for (flight, state), rows in progress.groupby(["flight", "state"], sort=False):
        bodies += (
            f'<tbody><tr><th scope="rowgroup" colspan="{len(head)}" '
            'style="text-align:left;padding-top:.5rem">'
            f"Flight {flight}, {escape(str(state))}</th></tr>"
            f"{''.join(_table_row(row, now) for row in rows.itertuples())}</tbody>"
        )
    # A narrow screen scrolls the table, not the notebook.
    return (
        f'<div style="overflow-x:auto" tabindex="0" role="region" aria-label="Progress">'
        f'<table class="lv-table" style="{_TABLE_STYLE}">'
        f"<thead><tr>{titles}</tr></thead>{bodies}</table></div>"
    )


def _table_row(row: Any, now: pd.Timestamp) -> str:
    """One taster in one flight."""
    cells = (
        row.taster,
        f"{row.cups_done} of {row.cups}",
        row.missing,
        "" if pd.isna(row.median_s_per_cup) else f"{row.median_s_per_cup:.0f} s",
        presence(row.seen_at, now),
    )
    return "<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in cells) + "</tr>"


def presence(seen_at: pd.Timestamp | NaTType, now: pd.Timestamp) -> str:
    """Whether a taster's sheet is open now, or when it last was."""
    if pd.isna(seen_at):
        return "not opened yet"
    ago_s = (now - seen_at).total_seconds()
    if ago_s < CONNECTED_S:
        return "connected"
    return f"not connected, last seen {max(1, round(ago_s / 60))} min ago"


def _missing(book: LabBook, session: str, flight: int | None, is_open: bool) -> str:
    """What a lock would leave missing, cup by cup."""
    if flight is None or not is_open:
        return ""
    missing = book.sessions.missing(session, flight)
    asked = book.sessions.session(session)
    numbers = sum(attribute.kind == "number" for attribute in asked.attributes)
    of_a_cup = numbers * max(1, len(asked.stages))
    if not missing:
        return said("Every cup has its scores.")
    items = "".join(
        f"<li>{escape(taster)}: {escape('; '.join(_gaps(gaps, of_a_cup)))}</li>"
        for taster, gaps in groupby(missing, key=lambda gap: gap.taster)
    )
    return (
        f"<details><summary>{len(missing)} scores would stay missing</summary>"
        f"<ul>{items}</ul></details>"
    )


def _question(book: LabBook, session: str, flight: int | None, missing: tuple[Missing, ...]) -> str:
    """Whether to lock a flight that lacks scores: how many of how many, and whose."""
    asked = book.sessions.session(session)
    numbers = sum(attribute.kind == "number" for attribute in asked.attributes)
    cups = sum(cup.flight == flight for cup in book.sessions.plan(session).cups)
    whose = ", ".join(
        f"{taster} {sum(1 for _ in gaps)}"
        for taster, gaps in groupby(missing, key=lambda gap: gap.taster)
    )
    return (
        f"Flight {flight} lacks {len(missing)} of {cups * numbers * max(1, len(asked.stages))} "
        f"scores ({whose}). Press again to lock it anyway: they stay missing."
    )


def _gaps(gaps: Iterable[Missing], of_a_cup: int) -> Iterator[str]:
    """Every cup of a taster with what is missing there, in few words."""
    for _, at_cup in groupby(gaps, key=lambda gap: gap.position):
        of_cup = list(at_cup)
        cup = of_cup[0].blind_code or f"position {of_cup[0].position}"
        names = ", ".join(f"{gap.attribute} {gap.stage or ''}".strip() for gap in of_cup)
        yield f"{cup} {'everything' if len(of_cup) == of_a_cup else names}"
