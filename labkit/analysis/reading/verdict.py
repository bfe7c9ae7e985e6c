"""The plain answer: do the waters matter, which is best, or what would have been seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.kenward_roger import Contrast, FTest
from labkit.analysis.model.surface import Surface
from labkit.analysis.reading.best import Best
from labkit.analysis.search.recommendation import Recommendation
from labkit.tasting import ALPHA, SCALES, detectable_difference
from labkit.water import as_coordinates, describe

FOUND: Final = "best found"
NOTHING: Final = "no difference seen"
UNKNOWN: Final = "cannot tell"

FARTHEST: Final = 40
"""Waters farthest from the middle that are compared with each other."""

MOST_MORE: Final = 8
"""Tasters more than there were, up to which it is said what they would see."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The plain answer."""

    kind: str
    """``'best found'``, ``'no difference seen'`` or ``'cannot tell'``."""

    text: str
    """In words and numbers, for the lead of the tasting."""

    p_value: float | None
    """Of 'the waters do not matter'; None if it could not be tested."""

    detectable_points: float | None
    """Difference between two of the waters that would have been seen with 80 % chance; infinite
    where none that fits on the scale would have been."""

    def __str__(self) -> str:
        return self.text


def judge(surface: Surface, best: Best, recommended: Recommendation | None = None) -> Verdict:
    """Whether the waters matter, and if so which is best by how much.

    A winner takes both: an F test that the surface does anything, and a highest point that differs
    from the worst water tasted. The words are on the water to serve.
    """
    test = surface.test()
    if test is None:
        return Verdict(
            kind=UNKNOWN,
            text="These cups cannot tell one water from another: see what they cannot tell.",
            p_value=None,
            detectable_points=None,
        )
    waters = surface.scores.recipe_waters
    worst = waters[int(np.argmin(surface.mean(waters)))]
    gap = surface.difference(best.highest, worst)
    widest = _widest(surface, waters)
    detectable = detectable_difference(
        widest.se, widest.df, test.df_top, test.df_bottom, span=_span(surface)
    )
    found = test.p_value < ALPHA and gap.p_value < ALPHA
    return Verdict(
        kind=FOUND if found else NOTHING,
        text=_found(surface, best, worst, recommended)
        if found
        else _nothing(surface, detectable, widest, test),
        p_value=test.p_value,
        detectable_points=detectable,
    )


def _widest(surface: Surface, waters: Floats) -> Contrast:
    """The difference between two of the waters that is known least well."""
    middle = surface.spread(waters, waters.mean(axis=0))
    outer = waters[np.argsort(-middle)[:FARTHEST]]
    first, second = np.triu_indices(len(outer), k=1)
    place = int(np.argmax(surface.spread(outer[first], outer[second])))
    return surface.difference(outer[first[place]], outer[second[place]])


def _span(surface: Surface) -> float:
    """Points from the lowest to the highest score; infinite where the scale is not ours."""
    scale = SCALES.get(surface.scores.scale)
    return float("inf") if scale is None else scale.highest - scale.lowest


def _nothing(surface: Surface, detectable: float, widest: Contrast, test: FTest) -> str:
    people = len(np.unique(surface.scores.tasters))
    if not np.isfinite(detectable):
        span = _span(surface)
        whole = f", not even of the scale's whole {span:g} points" if np.isfinite(span) else ""
        return (
            f"No difference seen, but these cups are too few to show one{whole}. "
            f"{_what_would(people, widest, test, span)}"
        )
    who = "this taster" if people == 1 else "this panel"
    return (
        f"No difference that {who} can see between these waters. With these cups, a difference of "
        f"{detectable:.1f} points between any two of them would have been seen with 80 % chance; "
        "none was seen. Smaller ones may be there."
    )


def _what_would(people: int, widest: Contrast, test: FTest, span: float) -> str:
    """How many more tasters would show a difference, as each adds a degree of freedom at least."""
    if people == 1:
        return "Taste another flight of the same waters."
    for more in range(1, MOST_MORE + 1):
        size = detectable_difference(
            widest.se * float(np.sqrt(people / (people + more))),
            widest.df + more,
            test.df_top,
            test.df_bottom + more,
            span=span,
        )
        if np.isfinite(size):
            extra = "one more taster" if more == 1 else f"{more} more tasters"
            return f"With {extra}, about {size:.0f} points would show; further flights help too."
    return "Taste with more tasters, and serve each water more often."


def _found(surface: Surface, best: Best, worst: Floats, recommended: Recommendation | None) -> str:
    names = surface.coding.names
    gap = surface.difference(best.target, worst)
    low, high = gap.interval()
    text = (
        f"{best.sentence} Expected score {best.mean:.1f}: {gap.estimate:.1f} points ({low:.1f} to "
        f"{high:.1f}) above the worst water tasted ({describe(worst, names)})"
    )
    recipes = surface.scores.recipes
    control = surface.scores.recipe_waters[recipes["is_control"].to_numpy(dtype=bool)]
    served = as_coordinates(best.target)[0]
    if len(control) == 1 and not any(np.allclose(control[0], one) for one in (worst, served)):
        points, low, high = _over_control(surface, best, control[0], recommended)
        if low > 0 and points >= 0.05:
            text += f", {points:.1f} points ({low:.1f} to {high:.1f}) above the control"
        else:
            text += f"; the control may be as good (at most {max(high, 0.1):.1f} points below)"
    ranges = " and ".join(one.words for one in best.factor_ranges)
    return f"{text}. The best could be anywhere in {ranges}."


def _over_control(
    surface: Surface, best: Best, control: Floats, recommended: Recommendation | None
) -> tuple[float, float, float]:
    """Points above the control with their interval: as stop and confirming test state them."""
    if recommended is not None and recommended.over_control is not None:
        return recommended.over_control
    gap = surface.difference(best.target, control)
    return gap.estimate, *gap.interval()
