"""What is given by name, found in the lab book: people, scales, sessions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final, Protocol, TypeAlias

from labkit.book import Attribute, LabBook, TastingSession, name_key
from labkit.boundary import checked, shown
from labkit.errors import PlanError, ScaleError
from labkit.tasting import SCALES, CupPlan, Scale

USUAL_SHEET: Final[Mapping[str, str]] = {
    "overall": "liking 1-9",
    "acidity": "intensity 0-15",
    "sweetness": "intensity 0-15",
    "body": "intensity 0-15",
}
"""What is scored on which scale where nobody has said otherwise."""

Asked: TypeAlias = Mapping[str, str | Scale | Sequence[str]] | Sequence[Attribute]
"""What is scored: name -> a scale, its name, or words to check; or attributes as they are."""


class Planned(Protocol):
    """What a planning verb returns, as far as the verbs after it need it."""

    @property
    def session(self) -> TastingSession:
        """The session as it is in the lab book."""


def session_name(session: str | TastingSession | Planned) -> str:
    """The name of a session that is given by name, from the lab book, or as it was planned."""
    if isinstance(session, str):
        return session
    return session.name if isinstance(session, TastingSession) else session.session.name


@checked(PlanError, but=("asked",))
def attributes_of(asked: Asked) -> tuple[Attribute, ...]:
    """The attributes of a session, from names of what is scored and of scales.

    Parameters
    ----------
    asked : mapping of str, or sequence of Attribute
        A scale, its name or words to check for each name; or attributes as they are.

    Raises
    ------
    ScaleError
        If a scale is unknown; the ones there are are listed.
    PlanError
        If nothing is scored, or there is just one word to check.
    """
    is_list = isinstance(asked, Sequence) and not isinstance(asked, str)
    if (is_list or isinstance(asked, Mapping)) and not asked:
        raise PlanError(
            "attributes must name what is scored, got none. Ask at least for overall.",
            field="attributes",
        )
    if not isinstance(asked, Mapping):
        if not is_list or not all(isinstance(one, Attribute) for one in asked):
            raise PlanError(
                f"attributes must name a scale for each thing that is scored, got {shown(asked)}. "
                "Write {'overall': 'liking 1-9'}; the scales are: "
                f"{_listed(SCALES)}.",
                field="attributes",
            )
        return tuple(asked)
    return tuple(_attribute(name, on) for name, on in asked.items())


def _attribute(name: str, on: str | Scale | Sequence[str]) -> Attribute:
    if isinstance(on, Scale):
        return Attribute(name=name, scale=on)
    if isinstance(on, str):
        if on not in SCALES:
            raise ScaleError(
                f"attributes must be scored on a known scale, but {on!r}, for {name}, is "
                f"no scale; there are: {_listed(SCALES)}."
            )
        return Attribute(name=name, scale=SCALES[on])
    given: object = on
    if not isinstance(given, Sequence) or not all(isinstance(word, str) for word in given):
        raise ScaleError(
            f"attributes must name a scale, or list words to check, but {name!r} has {shown(on)}; "
            f"the scales are: {_listed(SCALES)}.",
            field="attributes",
        )
    words = tuple(dict.fromkeys(on))
    if len(words) < 2:
        raise PlanError(
            f"words must be two or more to choose from, got only {_listed(words) or 'none'}. "
            "Add one, or none.",
            field="words",
        )
    return Attribute(name=name, kind="descriptors", choices=words)


def people_of(book: LabBook, tasters: Iterable[str], new: Iterable[str] = ()) -> tuple[str, ...]:
    """Who tastes, under the names that the lab book has; new ones after them.

    Raises
    ------
    PlanError
        If somebody is not in the lab book; those who are are listed.
    """
    kept = {name_key(name): name for name in book.people.tasters()}
    given = [tasters] if isinstance(tasters, str) else list(tasters)
    for name in given:
        if name_key(name) not in kept:
            there = f"there are: {_listed(kept.values())}" if kept else "there are none yet"
            raise PlanError(
                f"tasters must be in the lab book, but {name!r} is not; {there}. Add who is new "
                "first, or name them as new.",
                field="tasters",
            )
    return (*(kept[name_key(name)] for name in given), *new)


def check_tasters(plan: CupPlan, absent: Iterable[str]) -> tuple[str, ...]:
    """Who stays away, under the names that the plan has; a name that it lacks stays as it is."""
    kept = {name_key(name): name for name in plan.tasters}
    return tuple(kept.get(name_key(name), name) for name in absent)


def _listed(names: Iterable[str]) -> str:
    return ", ".join(repr(name) for name in names)
