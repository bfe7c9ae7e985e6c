"""The coffees of a lab book as forms need them: for a chooser, and what is known of each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from labkit.book import LabBook
from labkit.workflow import best_levels


def coffee_choices(book: LabBook) -> list[tuple[str, tuple[str, str]]]:
    """What a chooser of coffees shows.

    Parameters
    ----------
    book : LabBook
        Where the coffees are.

    Returns
    -------
    list of (str, (str, str))
        What is shown, and client and name of the coffee.
    """
    return [(f"{c.name} ({c.client})", (c.client, c.name)) for c in book.people.coffees()]


def levels_by_coffee(book: LabBook) -> Callable[[str, str], Mapping[str, float]]:
    """A function that gives, for client and coffee, the levels that its scores call best.

    Empty while nothing was tasted or this panel could see no difference.

    Parameters
    ----------
    book : LabBook
        Where the coffees are.

    Returns
    -------
    callable
        Takes client and coffee, gives coordinate -> level.
    """
    return lambda client, coffee: best_levels(book, coffee, client=client)


def first_of(
    choices: Sequence[tuple[str, tuple[str, str]]], coffee: tuple[str, str] | None
) -> tuple[str, str] | None:
    """The coffee that a form begins with.

    Parameters
    ----------
    choices : sequence of (str, (str, str))
        As :func:`coffee_choices` gives them.
    coffee : (str, str) or None
        The one asked for.

    Returns
    -------
    (str, str) or None
        That, if it is there; else the first; None if there is none.
    """
    known = [value for _, value in choices]
    return coffee if coffee in known else next(iter(known), None)
