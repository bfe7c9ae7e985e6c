"""Why a cup is proposed, in words with numbers; every reason is computed and can be false."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from labkit.analysis.model.coding import Floats
from labkit.analysis.search.belief import Belief
from labkit.water import COORDINATE, COORDINATES, STANDARD_SPAN, amount, percent

BANDS: Final = {
    "mg_share": ("rich in calcium", "even in calcium and magnesium", "rich in magnesium"),
    "hardness_mg_l_caco3": ("soft", "of middling hardness", "hard"),
    "alkalinity_mg_l_caco3": ("low in alkalinity", "moderate in alkalinity", "alkaline"),
}
"""Words for the lower, middle and upper third of a coordinate's range in the region."""

NEAR: Final = 0.2
"""Waters closer than this, as a share of the standard ranges, are neighbours."""

AWAY_FROM_ENDS: Final = 0.15
"""Share of the way between two waters that must be left on either side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why one cup is proposed."""

    kind: str
    """``'asked for'``, ``'repeat of the leader'``, ``'repeat of a rival'``, ``'new leader'``,
    ``'open ground'``, ``'between the two best'``, ``'next to the leader'`` or ``'least sure'``."""

    text: str
    """In words, with the numbers."""

    number: float
    """The number it rests on: cups so far, score, distance or chance, as the words say."""


def reason_for(belief: Belief, place: int, earlier: Sequence[int], *, asked_for: bool) -> Reason:
    """The first reason that is true of the recipe at `place`, given cups chosen before it."""
    posterior, cups = belief.posterior, belief.cups
    water = posterior.recipes[place]
    if asked_for:
        return Reason(kind="asked for", text="you asked for it", number=1.0)
    n_cups = int((np.abs(cups.waters - water) < 1e-6).all(axis=1).sum())
    n_again = n_cups + sum(other == place for other in earlier)
    leader = belief.leader
    if n_again:
        return _repeat(belief, place, n_cups, twice=n_again > n_cups)
    seen = np.vstack([cups.waters, posterior.recipes[list(earlier)]])
    if place == leader and len(cups.value):
        return Reason(
            kind="new leader",
            text=f"predicted best of all at {posterior.mean[place]:.2f}, and nobody has tasted it",
            number=float(posterior.mean[place]),
        )
    bands = _bands(belief, water)
    if bands and not any(_bands(belief, other).items() >= bands.items() for other in seen):
        words = " and ".join(BANDS[name][band] for name, band in bands.items())
        gap = _distance(seen, water)
        far = "" if gap is None else f" (the nearest cup is {percent(gap)} of the usual range away)"
        who = "nobody has tasted" if len(cups.value) else "no other cup of this flight is"
        return Reason(
            kind="open ground",
            text=f"{who} a water yet that is {words}{far}" if len(cups.value) else f"{who} {words}",
            number=1.0 if gap is None else gap,
        )
    share = _between_two_best(belief, water)
    if share is not None:
        return Reason(
            kind="between the two best",
            text=f"between the two best so far, {percent(share)} of the way from the best",
            number=share,
        )
    return _beside_or_unsure(belief, place, seen)


def _repeat(belief: Belief, place: int, n_cups: int, *, twice: bool) -> Reason:
    posterior = belief.posterior
    cups = "1 cup" if n_cups == 1 else f"{n_cups} cups"
    known = f"tasted in {cups} so far" if n_cups else "new, and served twice in this flight"
    again = ", and again in this flight" if twice and n_cups else ""
    if place == belief.leader:
        low, high = posterior.interval(place)
        return Reason(
            kind="repeat of the leader",
            text=f"repeat of the leader, {known}{again}: {posterior.mean[place]:.2f} is only known "
            f"to lie in {low:.2f} to {high:.2f}",
            number=float(n_cups),
        )
    behind = float(posterior.mean[belief.leader] - posterior.mean[place])
    chance = posterior.chance_above(place, belief.leader)
    return Reason(
        kind="repeat of a rival",
        text=f"repeat of a rival, {known}{again}: {behind:.2f} behind the leader, with a chance "
        f"of {percent(chance)} to be better",
        number=chance,
    )


def _beside_or_unsure(belief: Belief, place: int, seen: Floats) -> Reason:
    posterior = belief.posterior
    water, best = posterior.recipes[place], posterior.recipes[belief.leader]
    chance = posterior.chance_above(place, belief.leader)
    if np.linalg.norm((water - best) / STANDARD_SPAN) <= NEAR and len(belief.cups.value):
        changed = [
            f"{amount(name, new)} instead of {COORDINATE[name].state(old)}"
            for name, new, old in zip(COORDINATES, water, best, strict=True)
            if abs(new - old) > 1e-6
        ]
        return Reason(
            kind="next to the leader",
            text=f"next to the leader ({', '.join(changed)}), with a chance of "
            f"{percent(chance)} to be better",
            number=chance,
        )
    low, high = posterior.interval(place)
    gap = _distance(seen, water)
    far = "" if gap is None else f", {percent(gap)} of the usual range from the nearest cup"
    return Reason(
        kind="least sure",
        text=f"its score is only known to lie in {low:.2f} to {high:.2f}{far}",
        number=high - low,
    )


def _bands(belief: Belief, water: Floats) -> dict[str, int]:
    """Outer thirds (0 lower, 2 upper) in which a water lies, by varied coordinate."""
    grid = belief.region.grid
    bands = {}
    for name in belief.region.varied:
        column = COORDINATES.index(name)
        low, high = grid[:, column].min(), grid[:, column].max()
        share = (water[column] - low) / (high - low)
        if share < 1 / 3 or share > 2 / 3:
            bands[name] = 0 if share < 1 / 3 else 2
    return bands


def _distance(seen: Floats, water: Floats) -> float | None:
    """From the nearest of the waters seen, in shares of the standard ranges."""
    if not len(seen):
        return None
    return float(np.linalg.norm((seen - water) / STANDARD_SPAN, axis=1).min())


def _between_two_best(belief: Belief, water: Floats) -> float | None:
    """Share of the way from the best tasted water to the second best, if it lies between them."""
    tasted = np.unique(belief.cups.waters, axis=0)
    if len(tasted) < 2:
        return None
    mean = belief.posterior.mean[belief.posterior.places(tasted)]
    first, second = tasted[np.argsort(-mean, kind="stable")[:2]] / STANDARD_SPAN
    way = second - first
    from_first = water / STANDARD_SPAN - first
    share = float(from_first @ way / (way @ way))
    beside = float(np.linalg.norm(from_first - share * way))
    if AWAY_FROM_ENDS <= share <= 1 - AWAY_FROM_ENDS and beside <= NEAR / 2:
        return share
    return None
