"""Bad calls as Hypothesis draws them."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial
from typing import Any

from hypothesis import strategies as st

import labkit
from tests.fuzz.bad import instead_of
from tests.fuzz.calls import Public, good, lacks, public
from tests.fuzz.judging import Kind, Outcome, allowed, judge
from tests.fuzz.place import Place

everything = cache(lambda: tuple(public()))
_allowed = cache(allowed)


def is_everyday(name: str) -> bool:
    """Whether it is a verb, a part of the lab book, or a name of labkit itself."""
    room, *rest = name.split(".")
    of_book = room == "book" and rest[0] in {"people", "sessions", "scores", "stock"}
    return room == "workflow" or of_book or rest[0] in labkit.__all__


@st.composite
def bad_calls(
    draw: st.DrawFn, chosen: Callable[[str], bool] = lambda _: True
) -> Callable[[], Outcome]:
    """A call whose one or two arguments are bad; calling it says what came of it."""
    among = [one for one in everything() if one.parameters and chosen(one.name) and not lacks(one)]
    call = draw(st.sampled_from(among))
    names = draw(st.lists(st.sampled_from(list(call.parameters)), min_size=1, max_size=2,
                          unique=True))  # fmt: skip
    with Place() as here:
        usual = _usual(call, here)
        bad = {name: draw(instead_of(usual.get(name))) for name in names}
    return partial(_judged, call, bad)


def _usual(call: Public, here: Place) -> dict[str, Any]:
    return good(call, here)


def _judged(call: Public, bad: dict[str, Any]) -> Outcome:
    try:
        known = _allowed(call)
    except Exception as error:
        return Outcome(Kind.NO_GOOD_CALL, call.name, f"{type(error).__name__}: {error}")
    with Place() as here:
        return judge(call, here, bad, known)
