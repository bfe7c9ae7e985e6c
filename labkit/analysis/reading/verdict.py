"""The plain answer: do the waters matter, which is best, or what would have been seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import optimize, special

from labkit.analysis.model.coding import Floats, describe
from labkit.analysis.model.kenward_roger import Contrast
from labkit.analysis.reading.best import Best
from labkit.analysis.reading.surface import Surface

FOUND: Final = "best found"
NOTHING: Final = "no difference seen"
UNKNOWN: Final = "cannot tell"

LARGEST: Final = 200.0
"""Standard errors beyond which a difference is not called detectable."""

FAR: Final = 35.0
"""Standard errors beyond which a difference counts as this many: the tables of t end near it."""

MANY: Final = 1e4
"""Degrees of freedom beyond which a variance counts as known."""

PARTS: Final = 40
"""Equally likely parts into which the uncertainty of a standard error is cut."""

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


def detectable_difference(
    se: float, df: float, df_top: float, df_bottom: float, chance: float = 0.8
) -> float:
    """Smallest difference that such cups call a winner with the given chance, score units.

    Parameters
    ----------
    se, df : float
        Standard error of the difference, as these cups estimate it, and its degrees of freedom.
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
    A winner takes both tests of `judge` at 5 %, so the less likely of the two counts. Of all
    surfaces in which this comparison makes the difference, the one that is hardest to see has the
    non-centrality ``(difference / se)^2``; the others are seen at least as often. The standard
    error is itself an estimate: the chance is averaged over how far it may be off (chi-squared
    with ``df``), without which three tasters saw in half of the cases what was promised for 80 %.
    """
    df, df_bottom = min(df, MANY), min(df_bottom, MANY)
    critical_f = float(special.fdtri(df_top, df_bottom, 1 - ALPHA))
    critical_t = float(special.stdtrit(df, 1 - ALPHA / 2))
    off = np.sqrt(special.chdtri(df, 1 - (np.arange(PARTS) + 0.5) / PARTS) / df)

    def short_of(size: float) -> float:
        root = np.minimum(size * off, FAR)
        by_f = 1 - special.ncfdtr(df_top, df_bottom, root**2, critical_f)
        by_t = 1 - special.nctdtr(df, root, critical_t)
        return float(np.minimum(by_f, by_t).mean()) - chance

    high = 4.0
    while not short_of(high) >= 0:
        high *= 2
        if high > LARGEST:
            return float("inf")
    return float(optimize.brentq(short_of, 1e-6, high, xtol=1e-4)) * se


def judge(surface: Surface, best: Best) -> Verdict:
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
    detectable = detectable_difference(widest.se, widest.df, test.df_top, test.df_bottom)
    found = test.p_value < ALPHA and gap.p_value < ALPHA
    return Verdict(
        kind=FOUND if found else NOTHING,
        text=_found(surface, best, worst) if found else _nothing(surface, detectable),
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
