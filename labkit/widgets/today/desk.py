"""What the steps of one page share: the lab book, the coffee chosen at the head, a base water."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Any

from labkit.book import AbsentBook, LabBook
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.widgets.steps.verdict.reading_view import ReadingView
from labkit.workflow import NextFlight, Step

Coffee = tuple[str, str]
"""Client and name."""


class Desk:
    """One lab book and one coffee, chosen once for every step.

    Parameters
    ----------
    book : LabBook or AbsentBook
        The lab book of the page.
    bench : module
        ``labkit.bench``, whose functions make papers and pictures.
    go : callable
        Takes a step and the name of a part, brings the browser there and gives the part.
    stand : callable
        Looks up anew where the work stands, after something was read or searched for.

    Attributes
    ----------
    reading : ReadingView or None
        What was read of the coffee; None until the verdict is visited.
    following : NextFlight or None
        What comes next, once it was searched for.
    """

    def __init__(
        self,
        book: LabBook | AbsentBook,
        bench: Any,
        *,
        go: Callable[[Step, str], Any],
        stand: Callable[[], Any],
    ) -> None:
        self.book: Any = book
        self.bench = bench
        self.go, self._stand = go, stand
        self.reading: ReadingView | None = None
        self.following: NextFlight | None = None
        self._coffee: Coffee | None = None
        self._follow_coffee: list[tuple[Callable[[Coffee | None], Any], str]] = []
        self._behind: set[str] = set()
        self._in_front = ""

    @cached_property
    def base(self) -> BaseWaterForm:
        """The water that the doses go into; one form, in sight in several steps."""
        return BaseWaterForm(self.book)

    @property
    def coffee(self) -> Coffee | None:
        """Client and name of the coffee chosen; None if none is."""
        return self._coffee

    def choose(self, coffee: Coffee | None) -> None:
        """Choose a coffee; the step in front follows at once, each other one when it is visited.

        Parameters
        ----------
        coffee : (str, str) or None
            Client and name.
        """
        if coffee == self._coffee:
            return
        self._coffee = coffee
        self._behind = {step for _, step in self._follow_coffee}
        self.catch_up()

    def hear_reading(self) -> None:
        """Something else was read: what was searched for before no longer holds."""
        self.following = None
        self._stand()

    def hear_following(self, found: NextFlight | None) -> None:
        """Take what was searched for into account.

        Parameters
        ----------
        found : NextFlight or None
            What comes next; None if nothing was found.
        """
        self.following = found
        self._stand()

    def visit(self, step: str) -> None:
        """Bring a step to the front, and to the coffee chosen.

        Parameters
        ----------
        step : str
            Its name; a coffee followed from now on is followed for it.
        """
        self._in_front = step
        self._catch_up(step)

    def on_coffee(self, follow: Callable[[Coffee | None], Any], *, at_once: bool = False) -> None:
        """Call ``follow`` with the coffee now, and after another was chosen.

        Parameters
        ----------
        follow : callable
            Takes client and name, or None.
        at_once : bool
            Whether it follows every choice, instead of when its step is in front.
        """
        self._follow_coffee.append((follow, "" if at_once else self._in_front))
        follow(self._coffee)

    def catch_up(self) -> None:
        """Bring the head and the step in front to the coffee chosen, where that failed before."""
        for step in ("", self._in_front):
            self._catch_up(step)

    def _catch_up(self, step: str) -> None:
        if step not in self._behind:
            return
        for follow, of_step in self._follow_coffee:
            if of_step == step:
                follow(self._coffee)
        self._behind.discard(step)  # not before: a lab book that is away is followed later
