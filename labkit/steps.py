"""How far long work has come, and whether anybody still waits for it.

Work that takes seconds calls :func:`note_step` now and then. Who has it done in the background
listens with :func:`watched`; nobody else notices.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar


class GivenUp(Exception):  # noqa: N818 - no error: nobody waits for the result any more
    """What a listener raises so that the work ends at its next step."""


_LISTENER: ContextVar[Callable[[int, int], None] | None] = ContextVar("listener", default=None)


def note_step(done: int, n_steps: int) -> None:
    """Say how many steps of a piece of work are done.

    Parameters
    ----------
    done, n_steps : int
        Steps done, and steps in all.

    Raises
    ------
    GivenUp
        If nobody waits for it any more.
    """
    listener = _LISTENER.get()
    if listener is not None:
        listener(done, n_steps)


@contextmanager
def watched(listener: Callable[[int, int], None]) -> Iterator[None]:
    """Hear of the steps of what is done meanwhile, in this thread.

    Parameters
    ----------
    listener : callable
        Takes the steps done and the steps in all; may raise :class:`GivenUp`.
    """
    token = _LISTENER.set(listener)
    try:
        yield
    finally:
        _LISTENER.reset(token)
