"""How forms hear of what changed in the lab book, and what they keep while they follow it."""

from __future__ import annotations

import asyncio
import logging
import weakref
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Final

import ipywidgets as widgets

from labkit.book import AbsentBook, LabBook, Topic
from labkit.errors import BookAwayError, LabkitError
from labkit.widgets.parts.fields import Form, said

_log = logging.getLogger(__name__)

LOOK_EVERY_S: Final = 1.0
"""How often the lab book is asked what other processes wrote."""

AWAY_AFTER_S: Final = 10.0
"""How long a server may take to answer that before it is said to be away."""

_looking: weakref.WeakKeyDictionary[LabBook, asyncio.Task[None]] = weakref.WeakKeyDictionary()
"""One task a book: it ends when nobody listens, or with its loop."""


def follow_book(
    form: widgets.Widget,
    book: LabBook | AbsentBook,
    follow: Callable[[], Any],
    *topics: Topic,
) -> None:
    """Call ``follow`` whenever the lab book changed, until the form is closed.

    In a kernel it is called on the event loop, after what goes on there, once for all that changed
    meanwhile: a form that writes is not changed under its own hand. Where no loop runs it is called
    at once. What goes wrong is logged, and said in the form.

    Parameters
    ----------
    form : Widget
        Whose life counts, and where an error is said.
    book : LabBook or AbsentBook
        What to listen to.
    follow : callable
        Without arguments.
    *topics : Topic
        What to be told of; everything if none is given.
    """
    loop = _running_loop()
    is_waiting = False

    def once() -> None:
        nonlocal is_waiting
        is_waiting = False
        if form.comm is not None:
            _attempt(form, follow)

    def hear(_topics: frozenset[Topic]) -> None:
        nonlocal is_waiting
        if loop is None or loop.is_closed():
            once()
        elif not is_waiting:
            is_waiting = True
            loop.call_soon_threadsafe(once)

    stop = book.changes.listen(hear, *topics)
    form.observe(lambda change: stop() if change["new"] is None else None, "comm")
    if loop is not None and isinstance(book, LabBook):
        _keep_looking(book, loop)


def follow_presence(
    form: widgets.Widget, book: LabBook | AbsentBook, follow: Callable[[str], Any]
) -> None:
    """Call ``follow`` when the lab book goes away, and when it is back, until the form is closed.

    Parameters
    ----------
    form : Widget
        Whose life counts.
    book : LabBook or AbsentBook
        What to watch.
    follow : callable
        Takes why the book cannot be read, in a sentence; empty once it can.
    """
    loop = _running_loop()

    def tell(why: str) -> None:
        if form.comm is not None:
            _attempt(form, lambda: follow(why))

    def hear(why: str) -> None:
        if loop is None or loop.is_closed():
            tell(why)
        else:
            loop.call_soon_threadsafe(tell, why)

    stop = book.changes.watch(hear)
    form.observe(lambda change: stop() if change["new"] is None else None, "comm")
    if loop is not None and isinstance(book, LabBook):
        _keep_looking(book, loop)


def follow_choices(
    chooser: widgets.Dropdown | widgets.SelectMultiple,
    options: Sequence[Any],
    *,
    start: int | None = 0,
) -> bool:
    """Offer other options; what is chosen stays if it is still there, and then nobody is told.

    Parameters
    ----------
    chooser : Dropdown or SelectMultiple
        Which one.
    options : sequence
        Values, or pairs of what is shown and its value.
    start : int or None
        Which one is chosen where nothing was, or what was is gone: its place, from the end if it is
        negative; None for none.

    Returns
    -------
    bool
        Whether they are other options than before.
    """
    if list(chooser.options) == list(options):
        return False
    values = [one[1] if isinstance(one, tuple) else one for one in options]
    before = chooser.value
    were = [one[1] if isinstance(one, tuple) else one for one in chooser.options]
    gone, come = [v for v in were if v not in values], [v for v in values if v not in were]
    kept: Any
    if isinstance(chooser, widgets.SelectMultiple):
        kept = tuple(values.index(one) for one in before if one in values)
    elif chooser.index is not None and before in values:
        kept = values.index(before)
    elif chooser.index is not None and gone == [before] and len(come) == 1:
        kept = values.index(come[0])  # renamed
    else:
        kept = range(len(values))[start] if values and start is not None else None
    with chooser.hold_sync(), _telling_nobody(chooser):
        chooser.options = list(options)
        chooser.index = kept
    if chooser.value != before:
        change = {"name": "value", "old": before, "new": chooser.value, "type": "change"}
        chooser.notify_change(_Change(change, owner=chooser))
    return True


@contextmanager
def keeping_messages(form: Form) -> Iterator[None]:
    """Let a form compute again without taking away what it said of the last press.

    Parameters
    ----------
    form : Form
        Whose message and notes stay, unless computing has something to say there.
    """
    said_before = [(part, part.value) for part in (form.message, *form.notes.values())]
    was_pressed = bool(form.result.value)  # else what is said is why nothing comes of the fields
    yield
    for part, sentence in said_before:
        if was_pressed and not part.value:
            part.value = sentence


def compute_again(form: Form) -> None:
    """Compute again what comes of the fields, as the lab book is another now.

    Parameters
    ----------
    form : Form
        What was said of its last press stays.
    """
    with keeping_messages(form):
        form.refresh()


class _Change(dict[str, Any]):
    """A change as observers read it: by name or by attribute."""

    def __init__(self, change: dict[str, Any], **more: Any) -> None:
        super().__init__(change, **more)
        self.__dict__ = self


@contextmanager
def _telling_nobody(chooser: Any) -> Iterator[None]:
    """Keep observers from the value in between: a chooser takes the first of its new options."""
    tell = chooser.notify_change

    def notify(change: Any) -> None:
        if change["name"] not in ("value", "label"):
            tell(change)

    chooser.notify_change = notify
    try:
        yield
    finally:
        del chooser.notify_change


def _attempt(form: widgets.Widget, follow: Callable[[], Any]) -> None:
    try:
        follow()
    except Exception as error:
        _log.exception("%s cannot follow the lab book", type(form).__name__)
        said_in = form if isinstance(form, Form) else getattr(form, "form", None)
        if isinstance(said_in, Form):
            why = str(error) if isinstance(error, LabkitError) else "the log says why."
            sentence = f"what changed in the lab book cannot be shown here: {why}"
            said_in.message.value = said(sentence, wrong=True)


def _running_loop() -> asyncio.AbstractEventLoop | None:
    try:
        return asyncio.get_running_loop()
    except RuntimeError:
        return None


def _keep_looking(book: LabBook, loop: asyncio.AbstractEventLoop) -> None:
    task = _looking.get(book)
    if task is None or task.done() or task.get_loop() is not loop:
        _looking[book] = loop.create_task(_look(weakref.ref(book)))


async def _look(known: weakref.ref[LabBook]) -> None:
    """Look every second, off the loop: a server that is away must not hold up the page."""
    is_away = False
    while True:
        await asyncio.sleep(LOOK_EVERY_S)
        book = known()
        if book is None or not book.changes.has_listeners:
            return
        try:
            asked = asyncio.ensure_future(asyncio.to_thread(book.changes.look))
            done, _pending = await asyncio.wait({asked}, timeout=AWAY_AFTER_S)
            if not done:
                book.changes.note_away(f"{book.name} does not answer; trying again.")
            await asked
        except BookAwayError as error:
            if not is_away:
                _log.warning("the lab book is away: %s", error)
            is_away = True
        else:
            is_away = False
        del book  # else it could not go before the next look
