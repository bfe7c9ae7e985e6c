"""Work that takes seconds, off the page: it shows how far it is, can be stopped, and gives way.

In a kernel it runs in a thread of its own, one piece of work after the other in the whole process,
while the page goes on answering; what came out is shown on the event loop. What takes a second only
waits for its like, not for a search. Where no loop runs (a script, a test) it is done at once. The
thread touches values and the lab book, whose every call is a transaction of its own; pictures are
drawn on the loop, as matplotlib is one for all, except those of a reading (``bench`` sees to it).
"""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from collections.abc import Callable, Hashable
from typing import Any, Final, Literal, TypeAlias, get_args

import ipywidgets as widgets

from labkit.errors import LabkitError
from labkit.steps import GivenUp, watched
from labkit.widgets.parts import fields

_log = logging.getLogger(__name__)

Kind: TypeAlias = Literal["long", "reading", "drawing"]

_TURN: Final = {kind: threading.Lock() for kind in get_args(Kind)}
"""One at a time of a kind: two fits at once are no sooner done, and need the memory of both. What
takes a second does not wait for what takes long, nor a reading for a picture of the one before."""

_STOP, _AGAIN = "Stop", "Go on after all"

SHOWN_EVERY_S: Final = 0.25
"""How often progress is shown: more would hold up the page."""


class LongWork(widgets.HBox):
    """A line that says how far a piece of work is, with a button that stops it; hidden else.

    Parameters
    ----------
    label : str
        What is being done, as it stands beside the bar.
    kind : {"long", "reading", "drawing"}
        It waits for others of its kind only.
    """

    def __init__(self, label: str, *, kind: Kind = "long") -> None:
        self._turn = _TURN[kind]
        self.bar = widgets.IntProgress(
            description=label,
            min=0,
            max=100,
            style={"description_width": "initial"},
            layout=widgets.Layout(width="min(30rem, 70%)"),
        )
        self.button = fields.button(_STOP)
        self.button.on_click(lambda _b: self.press())
        self._now: _Piece | None = None
        self._last: _Piece | None = None
        self._stopped: tuple[Hashable, Callable[[], Any]] | None = None
        super().__init__([self.bar, self.button])
        self.layout.display = "none"

    @property
    def is_running(self) -> bool:
        """Whether something is being worked out."""
        return self._now is not None

    def result(
        self, asked: Hashable, work: Callable[[], Any], again: Callable[[], Any]
    ) -> tuple[bool, Any]:
        """What comes of a piece of work, if it is there already; else it is begun.

        What is under way for anything else is given up. What was stopped by its button is not begun
        again by itself.

        Parameters
        ----------
        asked : hashable
            What is asked for: all that the work depends on.
        work : callable
            Does it, without touching a widget; its steps are shown (``labkit.steps``).
        again : callable
            Called on the event loop once it is done: time to ask again.

        Returns
        -------
        is_there : bool
            Whether it is done.
        value : Any
            What came of it; None if it is not done.

        Raises
        ------
        LabkitError
            What the work was refused with.
        """
        if self._last is not None and self._last.asked == asked:
            return self._last.outcome()
        if self._now is not None and self._now.asked == asked:
            return False, None
        if self._stopped is not None and self._stopped[0] == asked:
            return False, None
        self._leave()
        self._stopped = None
        piece = _Piece(asked, work)
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            piece.run(lambda _done, _of: None)
            self._last = piece
            return piece.outcome()
        self._now = piece
        self._begin(piece, loop, again)
        return False, None

    def forget(self) -> None:
        """Forget what came of the last piece of work, as it rests on something else now."""
        self._last = self._stopped = None

    def press(self) -> None:
        """Stop what is under way, which ends at its next step; or begin again what was stopped."""
        if self._now is not None:
            stopped = self._now.asked, self._now.again
            self._leave()
            self._stopped = stopped
            self.button.description = _AGAIN
            self.bar.layout.display = "none"
            self.layout.display = ""
        elif self._stopped is not None:
            _, again = self._stopped
            self._stopped = None
            again()

    def leave(self) -> None:
        """Give up what is under way, as something is asked for that needs no work."""
        self._leave()
        self._stopped = None

    def _begin(
        self, piece: _Piece, loop: asyncio.AbstractEventLoop, again: Callable[[], Any]
    ) -> None:
        piece.again = again
        self.bar.value = 0
        self.bar.layout.display = self.layout.display = ""
        self.button.description = _STOP

        def show(n_done: int, n_steps: int) -> None:
            if self._now is piece:
                self.bar.value = round(100 * n_done / max(n_steps, 1))

        def end() -> None:
            if self._now is not piece:
                return  # another one was asked for meanwhile
            self._leave()
            self._last = piece
            again()

        def run() -> None:
            with self._turn:
                piece.run(lambda *steps: _soon(loop, show, *steps))
            _soon(loop, end)

        threading.Thread(target=run, name="labkit long work", daemon=True).start()

    def _leave(self) -> None:
        if self._now is not None:
            self._now.is_given_up = True
        self._now = None
        self.layout.display = "none"


class _Piece:
    """One piece of work and what came of it."""

    def __init__(self, asked: Hashable, work: Callable[[], Any]) -> None:
        self.asked, self._work = asked, work
        self.again: Callable[[], Any] = lambda: None
        self.is_given_up = False
        self._value: Any = None
        self._error: Exception | None = None
        self._shown_at = 0.0

    def outcome(self) -> tuple[bool, Any]:
        """What came of it; an error is raised."""
        if isinstance(self._error, LabkitError):
            raise self._error
        if self._error is not None:
            msg = "this could not be worked out; the log says why. Change a choice and try again."
            raise LabkitError(msg) from self._error
        return True, self._value

    def run(self, show: Callable[[int, int], Any]) -> None:
        """Do it in this thread."""

        def listen(n_done: int, n_steps: int) -> None:
            if self.is_given_up:
                raise GivenUp
            now = time.monotonic()
            if now - self._shown_at >= SHOWN_EVERY_S:
                self._shown_at = now
                show(n_done, n_steps)

        try:
            with watched(listen):
                listen(0, 1)
                self._value = self._work()
        except (LabkitError, GivenUp) as error:
            self._error = error
        except Exception as error:
            _log.exception("long work failed")
            self._error = error


def _soon(loop: asyncio.AbstractEventLoop, call: Callable[..., Any], *arguments: Any) -> None:
    try:
        loop.call_soon_threadsafe(call, *arguments)
    except RuntimeError:
        _log.debug("the loop has ended: nobody waits for it")
