"""Why a cup is proposed, with its numbers; every reason is computed and can be false."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from labkit.analysis.model.coding import Floats
from labkit.analysis.search.belief import Belief
from labkit.water import COORDINATES, STANDARD_SPAN

NEAR: Final = 0.2
"""Waters closer than this, as a share of the standard ranges, are neighbours."""

AWAY_FROM_ENDS: Final = 0.15
"""Share of the way between two waters that must be left on either side."""


class ReasonKind(StrEnum):
    """Why one cup is proposed."""

    ASKED_FOR = "asked for"
    AGAINST_LEADER = "the control, against the leader"
    REPEAT_OF_LEADER = "repeat of the leader"
    REPEAT_OF_RIVAL = "repeat of a rival"
    NEW_LEADER = "new leader"
    OPEN_GROUND = "open ground"
    BETWEEN_THE_BEST = "between the two best"
    NEXT_TO_LEADER = "next to the leader"
    LEAST_SURE = "least sure"


class Band(StrEnum):
    """An outer third of a coordinate's range in the region."""

    LOWER = "lower"
    UPPER = "upper"


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """One coordinate in which a water differs from the leader."""

    factor: str
    """Name of the coordinate."""

    level: float
    """Of the water."""

    instead_of: float
    """Of the leader."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why one cup is proposed, with the figures that its sentence needs; None where not needed."""

    kind: ReasonKind
    """The reason."""

    number: float
    """The number it rests on: cups so far, score, distance or chance, as the kind says."""

    n_cups: int = 0
    """Cups of this water so far."""

    is_again: bool = False
    """Whether another cup of the flight is of this water too."""

    is_first: bool = False
    """Whether nobody has tasted anything yet."""

    expected: float | None = None
    """Score expected of it."""

    low: float | None = None
    """Lower end of the 90 % interval of its score."""

    high: float | None = None
    """Upper end."""

    behind: float | None = None
    """Points expected below the leader."""

    distance: float | None = None
    """From the nearest cup, as a share of the usual range."""

    bands: tuple[tuple[str, Band], ...] = ()
    """Name of a coordinate, and the outer third in which the water lies."""

    changed: tuple[Changed, ...] = ()
    """How it differs from the leader."""


def reason_for(
    belief: Belief,
    place: int,
    earlier: Sequence[int],
    *,
    asked_for: bool,
    confirms: bool = False,
) -> Reason:
    """The first reason that is true of the recipe at `place`, given cups chosen before it.

    Where the flight confirms, the control stands against the leader.
    """
    posterior, cups = belief.posterior, belief.cups
    water = posterior.recipes[place]
    if asked_for:
        return Reason(kind=ReasonKind.ASKED_FOR, number=1.0)
    n_cups = int((np.abs(cups.waters - water) < 1e-6).all(axis=1).sum())
    n_again = n_cups + sum(other == place for other in earlier)
    leader = belief.leader
    if confirms and place == belief.control:
        return Reason(
            kind=ReasonKind.AGAINST_LEADER,
            number=float(n_cups),
            n_cups=n_cups,
            is_again=n_again > n_cups,
        )
    if n_again:
        return _repeat(belief, place, n_cups, twice=n_again > n_cups)
    seen = np.vstack([cups.waters, posterior.recipes[list(earlier)]])
    if place == leader and len(cups.value):
        mean, _, _ = belief.stated(place)
        return Reason(kind=ReasonKind.NEW_LEADER, number=mean, expected=mean)
    bands = _bands(belief, water)
    if bands and not any(_bands(belief, other).items() >= bands.items() for other in seen):
        gap = _distance(seen, water)
        return Reason(
            kind=ReasonKind.OPEN_GROUND,
            number=1.0 if gap is None else gap,
            is_first=not len(cups.value),
            distance=gap,
            bands=tuple(bands.items()),
        )
    share = _between_two_best(belief, water)
    if share is not None:
        return Reason(kind=ReasonKind.BETWEEN_THE_BEST, number=share)
    return _beside_or_unsure(belief, place, seen)


def _repeat(belief: Belief, place: int, n_cups: int, *, twice: bool) -> Reason:
    posterior = belief.posterior
    if place == belief.leader:
        expected, low, high = belief.stated(place)
        return Reason(
            kind=ReasonKind.REPEAT_OF_LEADER,
            number=float(n_cups),
            n_cups=n_cups,
            is_again=twice,
            expected=expected,
            low=low,
            high=high,
        )
    return Reason(
        kind=ReasonKind.REPEAT_OF_RIVAL,
        number=posterior.chance_above(place, belief.leader),
        n_cups=n_cups,
        is_again=twice,
        behind=float(posterior.mean[belief.leader] - posterior.mean[place]),
    )


def _beside_or_unsure(belief: Belief, place: int, seen: Floats) -> Reason:
    posterior = belief.posterior
    water, best = posterior.recipes[place], posterior.recipes[belief.leader]
    if np.linalg.norm((water - best) / STANDARD_SPAN) <= NEAR and len(belief.cups.value):
        changed = (
            Changed(factor=name, level=float(new), instead_of=float(old))
            for name, new, old in zip(COORDINATES, water, best, strict=True)
            if abs(new - old) > 1e-6
        )
        return Reason(
            kind=ReasonKind.NEXT_TO_LEADER,
            number=posterior.chance_above(place, belief.leader),
            changed=tuple(changed),
        )
    _, low, high = belief.stated(place)
    return Reason(
        kind=ReasonKind.LEAST_SURE,
        number=high - low,
        low=low,
        high=high,
        distance=_distance(seen, water),
    )


def _bands(belief: Belief, water: Floats) -> dict[str, Band]:
    """Outer thirds in which a water lies, by varied coordinate."""
    grid = belief.region.grid
    bands = {}
    for name in belief.region.varied:
        column = COORDINATES.index(name)
        low, high = grid[:, column].min(), grid[:, column].max()
        share = (water[column] - low) / (high - low)
        if share < 1 / 3 or share > 2 / 3:
            bands[name] = Band.LOWER if share < 1 / 3 else Band.UPPER
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
