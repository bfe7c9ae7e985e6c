"""The plain answer: do the waters matter, which is best, or what would have been seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import optimize, stats
from scipy.special import ncfdtr

from labkit.analysis.best import Best
from labkit.analysis.coding import Floats, describe
from labkit.analysis.surface import Surface

FOUND: Final = "best found"
NOTHING: Final = "no difference seen"
UNKNOWN: Final = "cannot tell"

LARGEST: Final = 200.0
"""Standard errors beyond which a difference is not called detectable."""

FARTHEST: Final = 40
"""Waters farthest from the middle that are compared with each other."""

ALPHA: Final = 0.05
"""Chance of claiming a winner where the waters are all one."""


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
    """Difference between two of the waters that would have been seen with 80 % chance."""

    def __str__(self) -> str:
        return self.text


def detectable_difference(se: float, df_top: float, df_bottom: float, chance: float = 0.8) -> float:
    """Smallest difference that an F test at 5 % sees with the given chance, score units.

    Parameters
    ----------
    se : float
        Standard error of the difference.
    df_top, df_bottom : float
        Of the F test.
    chance : float
        Of seeing it.

    Returns
    -------
    float
        Infinite if no difference could be seen.

    Notes
    -----
    Of all surfaces in which this comparison makes the difference, the one that is hardest to see
    has the non-centrality ``(difference / se)^2``; the others are seen at least as often.
    """
    critical = float(stats.f.ppf(1 - ALPHA, df_top, df_bottom))

    def short_of(root: float) -> float:
        return 1 - float(ncfdtr(df_top, df_bottom, root**2, critical)) - chance

    high = 4.0
    while not short_of(high) >= 0:
        high *= 2
        if high > LARGEST:
            return float("inf")
    return float(optimize.brentq(short_of, 1e-6, high, xtol=1e-4)) * se


def judge(surface: Surface, best: Best) -> Verdict:
    """Whether the waters matter, and if so which is best by how much.

    A winner takes both: an F test that the surface does anything, and a best water that differs
    from the worst one tasted.
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
    gap = surface.difference(best.target, worst)
    detectable = detectable_difference(_widest(surface, waters), test.df_top, test.df_bottom)
    found = test.p_value < ALPHA and gap.p_value < ALPHA
    return Verdict(
        kind=FOUND if found else NOTHING,
        text=_found(surface, best, worst) if found else _nothing(surface, detectable),
        p_value=test.p_value,
        detectable_points=detectable,
    )


def _widest(surface: Surface, waters: Floats) -> float:
    """Largest standard error of a difference between two of the waters."""
    middle = surface.spread(waters, waters.mean(axis=0))
    outer = waters[np.argsort(-middle)[:FARTHEST]]
    first, second = np.triu_indices(len(outer), k=1)
    return float(surface.spread(outer[first], outer[second]).max())


def _nothing(surface: Surface, detectable: float) -> str:
    people = len(np.unique(surface.scores.tasters))
    if not np.isfinite(detectable):
        return "No difference seen, but these cups are too few to show one of any size: taste more."
    who = "this taster" if people == 1 else "this panel"
    return (
        f"No difference that {who} can see between these waters. With these cups, a difference of "
        f"{detectable:.1f} points between any two of them would have been seen with 80 % chance; "
        "none was seen. Smaller ones may be there."
    )


def _found(surface: Surface, best: Best, worst: Floats) -> str:
    names = surface.coding.names
    gap = surface.difference(best.target, worst)
    low, high = gap.interval()
    text = (
        f"{best.sentence} Expected score {best.mean:.1f}: {gap.estimate:.1f} points ({low:.1f} to "
        f"{high:.1f}) above the worst water tasted ({describe(worst, names)})"
    )
    recipes = surface.scores.recipes
    control = surface.scores.recipe_waters[recipes["is_control"].to_numpy(dtype=bool)]
    if len(control) == 1 and not np.allclose(control[0], worst):
        over = surface.difference(best.target, control[0])
        low, high = over.interval()
        if low > 0 and over.estimate >= 0.05:
            text += f", {over.estimate:.1f} points ({low:.1f} to {high:.1f}) above the control"
        else:
            text += f"; the control may be as good (at most {max(high, 0.1):.1f} points below)"
    ranges = " and ".join(one.words for one in best.factor_ranges)
    return f"{text}. The best could be anywhere in {ranges}."
