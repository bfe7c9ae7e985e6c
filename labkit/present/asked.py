"""The three questions that any result answers, and which module answers for whom."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import singledispatch
from importlib import import_module
from types import MappingProxyType
from typing import Any, Final

SPEAKS_FOR: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "water": ("water", "supplies", "bottles", "doses", "jugs"),
        "noted": ("noted",),
        "tasting": ("plans",),
        "analysis": (
            "curve",
            "extraction",
            "pair_tests",
            "panel",
            "reading",
            "recommended",
            "salts",
            "search",
            "tank",
            "verdict",
            "words",
        ),
        "book": ("work",),
        "workflow": ("work", "standing"),
    }
)
"""Room -> modules of this room that speak for its results, loaded when one is first asked about."""


@singledispatch
def to_html(value: object) -> str:
    """A result as HTML for a notebook or a sheet.

    Parameters
    ----------
    value : object
        A result of any room.
    """
    return str(_found(to_html, value)(value))


@singledispatch
def say(value: object) -> str:
    """A result in one line of text.

    Parameters
    ----------
    value : object
        A result of any room.
    """
    return str(_found(say, value)(value))


@singledispatch
def remarks(value: object) -> tuple[str, ...]:
    """What the reader should know about a result, a sentence each; none if all is well.

    Parameters
    ----------
    value : object
        A result of any room.
    """
    return tuple(_found(remarks, value)(value))


def _found(question: Any, value: object) -> Callable[[Any], Any]:
    """Who answers for this value, once the modules that speak for its room are loaded."""
    for kind in type(value).__mro__:
        room = kind.__module__.removeprefix("labkit.").partition(".")[0]
        for module in SPEAKS_FOR.get(room, ()):
            import_module(f"labkit.present.{module}")
    answer: Callable[[Any], Any] = question.dispatch(type(value))
    if answer is question.dispatch(object):
        raise TypeError(f"labkit.present has no {question.__name__} for {type(value).__name__}.")
    return answer
