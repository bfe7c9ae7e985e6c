"""What stands for a lab book that could not be opened, so that a notebook can say so calmly."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NoReturn

from labkit.book.store.changes import Topic
from labkit.errors import BookError


class _Absent:
    """Holds nothing; whatever is asked of it says why it is not there."""

    def __init__(self, why: str) -> None:
        self.why = why

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)  # what Python and notebooks ask of any object

        def refuse(*_arguments: object, **_named: object) -> NoReturn:
            raise BookError(self.why)

        return refuse


class _AbsentPeople(_Absent):
    """Nobody."""

    def clients(self) -> tuple[()]:
        """Nobody: there is no lab book."""
        return ()

    def coffees(self, client: str | None = None) -> tuple[()]:
        """None: there is no lab book.

        Parameters
        ----------
        client : str, optional
            Not used: taken so that a form need not know which book it has.
        """
        del client
        return ()

    def tasters(self) -> tuple[()]:
        """Nobody: there is no lab book."""
        return ()


class _AbsentSessions(_Absent):
    """No sessions."""

    def all(self, **_chosen: object) -> tuple[()]:
        """None: there is no lab book."""
        return ()

    def latest(self) -> None:
        """None: there is no lab book."""
        return


class _AbsentChanges:
    """Nothing ever changes."""

    has_listeners = False

    def listen(self, _call: object, *_topics: object) -> Callable[[], None]:
        """Nothing to be told of."""
        return lambda: None

    def watch(self, _call: object) -> Callable[[], None]:
        """Nothing to be told of."""
        return lambda: None

    def close(self) -> None:
        """Nobody is told anything."""

    def look(self) -> frozenset[Topic]:
        """Nothing: there is no lab book."""
        return frozenset()


class AbsentBook(_Absent):
    """Holds nobody and nothing; anything else that is asked of it says why it is not there.

    Parameters
    ----------
    why : str
        The sentence with which the lab book was refused.
    is_away : bool
        Whether it may come back by itself: a file that is not there, a server that does not answer.
    """

    def __init__(self, why: str, *, is_away: bool = False) -> None:
        super().__init__(why)
        self.is_away = is_away
        self.people = _AbsentPeople(why)
        self.sessions = _AbsentSessions(why)
        self.scores = _Absent(why)
        self.stock = _Absent(why)
        self.changes = _AbsentChanges()

    def close(self) -> None:
        """Nothing to let go of."""

    def __repr__(self) -> str:
        return f"no lab book: {self.why}"
