"""The plain answer: do the waters matter, which is best, or what would have been seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.kenward_roger import Contrast, FTest
from labkit.analysis.model.structure import FEWEST_BOWL_DF
from labkit.analysis.model.surface import Surface
from labkit.analysis.reading.best import Best
from labkit.analysis.reading.unread import Unread, WhyUnread
from labkit.analysis.region import water_target
from labkit.analysis.search.recommendation import Recommendation
from labkit.tasting import ALPHA, SCALES, detectable_difference
from labkit.water import Target, as_coordinates

FARTHEST: Final = 40
"""Waters farthest from the middle that are compared with each other."""

MOST_MORE: Final = 8
"""Tasters more than there were, up to which it is said what they would see."""


class VerdictKind(StrEnum):
    """What the scores of one coffee say of its waters."""

    FOUND = "best found"
    NOTHING = "no difference seen"
    UNKNOWN = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """How far the surface lies higher at the water to serve than at another one."""

    over: Target
    """The other water."""

    points: float
    """Expected difference."""

    lo: float
    """Lower end of its interval: 90 % of what was recommended, 95 % of the surface alone."""

    hi: float
    """Upper end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Enlarged:
    """What a larger panel would have seen of the same waters."""

    more_tasters: int
    """Tasters more than there were."""

    points: float
    """Difference that they would have seen with 80 % chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The plain answer, in values."""

    kind: VerdictKind
    """Which answer it is."""

    p_value: float | None
    """Of 'the waters do not matter'; None if it could not be tested."""

    detectable_points: float | None
    """Difference between two of the waters that would have been seen with 80 % chance; infinite
    where none that fits on the scale would have been."""

    unread: Unread | None = None
    """Why nothing can be told; None unless the kind is ``UNKNOWN``."""

    n_tasters: int = 0
    """Tasters behind a surface."""

    span: float = float("inf")
    """Points from the lowest to the highest score; infinite where the scale is not ours."""

    enlarged: Enlarged | None = None
    """The smallest larger panel that would see anything, where this one would see nothing."""

    over_worst: Lead | None = None
    """The lead of a winner over the worst water tasted."""

    over_control: Lead | None = None
    """Its lead over the control; None without one, or where that is the worst."""


def judge(surface: Surface, best: Best, recommended: Recommendation | None = None) -> Verdict:
    """Whether the waters matter, and if so which is best by how much.

    A winner takes both: an F test that the surface does anything, and a highest point that differs
    from the worst water tasted. The leads are of the water to serve.
    """
    test = surface.test()
    if test is None:
        return untold(Unread(why=WhyUnread.NOT_TESTED))
    waters = surface.scores.recipe_waters
    worst = waters[int(np.argmin(surface.mean(waters)))]
    gap = surface.difference(best.highest, worst)
    widest = _widest(surface, waters)
    people, span = len(np.unique(surface.scores.tasters)), _span(surface)
    cap = _judged_by(surface, people)
    detectable = detectable_difference(
        widest.se, cap(widest.df), test.df_top, cap(test.df_bottom), span=span
    )
    found = test.p_value < ALPHA and gap.p_value < ALPHA
    return Verdict(
        kind=VerdictKind.FOUND if found else VerdictKind.NOTHING,
        p_value=test.p_value,
        detectable_points=detectable,
        n_tasters=people,
        span=span,
        enlarged=None if np.isfinite(detectable) else _enlarged(people, widest, test, span),
        over_worst=_lead(surface, best, worst) if found else None,
        over_control=_over_control(surface, best, worst, recommended) if found else None,
    )


def _judged_by(surface: Surface, people: int) -> Callable[[float], float]:
    """Degrees of freedom of a panel like this one, from those of its reading.

    A reading that saw no spread between bowls is judged by tasters alone, but every second such
    panel sees one and is judged by its few bowls: it counts half-way.
    """
    scores = surface.scores
    bowls, blocks = (len(np.unique(scores.column(name))) for name in ("bowl", "block"))
    spare = bowls - blocks - len(surface.terms)
    seen = any(one.name == "bowl" for one in surface.fit.components)
    if seen or people == 1 or bowls == len(scores.recipes) or spare < FEWEST_BOWL_DF:
        return lambda df: df
    return lambda df: (df + min(df, spare)) / 2


def untold(unread: Unread) -> Verdict:
    """The verdict where nothing can be told."""
    return Verdict(kind=VerdictKind.UNKNOWN, p_value=None, detectable_points=None, unread=unread)


def _widest(surface: Surface, waters: Floats) -> Contrast:
    """The difference between two of the waters that is known least well."""
    middle = surface.spread(waters, waters.mean(axis=0))
    outer = waters[np.argsort(-middle)[:FARTHEST]]
    first, second = np.triu_indices(len(outer), k=1)
    place = int(np.argmax(surface.spread(outer[first], outer[second])))
    return surface.difference(outer[first[place]], outer[second[place]])


def _span(surface: Surface) -> float:
    scale = SCALES.get(surface.scores.scale)
    return float("inf") if scale is None else scale.highest - scale.lowest


def _enlarged(people: int, widest: Contrast, test: FTest, span: float) -> Enlarged | None:
    """How many more tasters would show a difference, as each adds a degree of freedom at least."""
    if people == 1:
        return None
    for more in range(1, MOST_MORE + 1):
        size = detectable_difference(
            widest.se * float(np.sqrt(people / (people + more))),
            widest.df + more,
            test.df_top,
            test.df_bottom + more,
            span=span,
        )
        if np.isfinite(size):
            return Enlarged(more_tasters=more, points=size)
    return None


def _lead(surface: Surface, best: Best, other: Floats) -> Lead:
    gap = surface.difference(best.target, other)
    low, high = gap.interval()
    return Lead(over=water_target(other), points=gap.estimate, lo=low, hi=high)


def _over_control(
    surface: Surface, best: Best, worst: Floats, recommended: Recommendation | None
) -> Lead | None:
    """The lead as stop and confirming test state it, where there is a recommendation."""
    recipes = surface.scores.recipes
    control = surface.scores.recipe_waters[recipes["is_control"].to_numpy(dtype=bool)]
    served = as_coordinates(best.target)[0]
    if len(control) != 1 or any(np.allclose(control[0], one) for one in (worst, served)):
        return None
    if recommended is not None and recommended.over_control is not None:
        points, low, high = recommended.over_control
        return Lead(over=water_target(control[0]), points=points, lo=low, hi=high)
    return _lead(surface, best, control[0])
