"""One thing to know of a plan or a result: which, and its facts; ``labkit.present`` says it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Any, Generic, TypeVar

Kind = TypeVar("Kind", bound=Enum)


@dataclass(frozen=True, slots=True)
class Noted(Generic[Kind]):
    """One thing to know; ``labkit.present`` says it."""

    kind: Kind
    """What it is; the members of its enumeration list the facts that come with them."""

    facts: tuple[tuple[str, Any], ...] = ()
    """By name."""

    def __getitem__(self, name: str) -> Any:
        """One fact."""
        return dict(self.facts)[name]


def noted(kind: Kind, **facts: Any) -> Noted[Kind]:
    """Something to know, with its facts.

    Parameters
    ----------
    kind : Enum
        What it is.
    **facts : Any
        Those that its enumeration lists for it.
    """
    return Noted(kind, tuple(facts.items()))
