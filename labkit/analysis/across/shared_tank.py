"""One water for several coffees: the one that costs them least, and what each of them loses by it.

It reads the estimate that recommends each coffee's own water, and only within what was tasted of
it. Where that says nothing, the loss is unknown, is said to be, and is never guessed. Along a
coordinate that a coffee does not tell no water counts as better or worse for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final

import numpy as np
import pandas as pd

from labkit.analysis.across.coffees import CoffeeReading
from labkit.analysis.model.coding import Bools, Floats, to_frame
from labkit.analysis.model.surface import Surface
from labkit.analysis.one_thread import one_thread
from labkit.analysis.reading.best import Best, search_grid
from labkit.analysis.reading.coffee import SEED
from labkit.analysis.search.estimate import Estimate, estimate
from labkit.analysis.search.recommendation import NEAR_EQUAL
from labkit.errors import ReadingError
from labkit.shown import Shown
from labkit.steps import note_step
from labkit.water import (
    COORDINATE,
    COORDINATES,
    STANDARD_SPAN,
    Target,
    as_coordinates,
    find_water,
)

AS_GOOD: Final = 0.1
"""Points within which another water counts as good a compromise."""


class LossStatus(StrEnum):
    """Whether it is known what a coffee loses."""

    KNOWN = "known"
    UNREACHED = "not tasted near"
    UNTOLD = "cannot tell"
    OTHER_SCALE = "another scale"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tasted:
    """Levels of one coordinate that were tasted of a coffee."""

    factor: str
    """Name of the coordinate."""

    low: float
    """Lowest level."""

    high: float
    """Highest; the same where it never varied."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoffeeLoss:
    """What one coffee loses by the shared water; NaN where that is not known."""

    reading: CoffeeReading
    """The coffee."""

    share: float
    """Of the cups sold."""

    status: LossStatus
    """Whether the loss is known."""

    scale: str
    """The scale on which losses are counted."""

    loss: float = float("nan")
    """Expected points below its own best water."""

    lo: float = float("nan")
    """Lower end of the 95 % interval."""

    hi: float = float("nan")
    """Upper end."""

    loss_with_own: float = float("nan")
    """What is lost even with the coffee's own best water so far, because it is not known better."""

    untold: tuple[str, ...] = ()
    """Names of the coordinates that the loss leaves out, as the coffee's cups do not tell them."""

    only_at: tuple[Tasted, ...] = ()
    """Coordinates at which the water lies outside what was tasted of the coffee."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OneWater(Shown):
    """The water that costs the chosen coffees least, and what each loses by it."""

    target: Target
    """The compromise."""

    loss: float
    """Expected loss of the average cup sold, points below each coffee's own best; over the coffees
    whose loss is known."""

    lo: float
    """Lower end of its 95 % interval."""

    hi: float
    """Upper end."""

    coffees: tuple[CoffeeLoss, ...]
    """What each coffee loses, the dearest first."""

    candidates: pd.DataFrame
    """Every water compared: coordinates, ``loss``, ``share_known`` (of the cups sold)."""

    as_good: Floats
    """Waters that lose at most ``AS_GOOD`` points more, the target among them, shape (n, 3)."""

    @property
    def losses(self) -> pd.DataFrame:
        """As a frame: ``client, coffee, share, status, loss, lo, hi, loss_with_own``."""
        return pd.DataFrame(
            [
                {
                    "client": one.reading.client,
                    "coffee": one.reading.coffee,
                    "share": one.share,
                    "status": one.status,
                    "loss": one.loss,
                    "lo": one.lo,
                    "hi": one.hi,
                    "loss_with_own": one.loss_with_own,
                }
                for one in self.coffees
            ]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """One coffee's losses at the candidates that it knows."""

    surface: Surface
    """The coffee's."""
    best: Best
    """Its own water, and what is told of it."""
    now: Estimate
    """What its scores say of any water."""
    seed: int
    """Of its draws: the same again at other waters."""
    knows: Bools
    """Which candidates lie within what was tasted, shape (n,)."""
    loss: Floats
    """Expected loss at each candidate, points, NaN where not known, shape (n,)."""
    top: Floats
    """Height of the best water in each draw, shape (n_draws,)."""
    with_own: float
    """Expected loss at the own recommended water."""

    @property
    def untold(self) -> tuple[str, ...]:
        """Coordinates that varied and are not told."""
        return tuple(one.factor for one in self.best.factor_ranges if not one.is_told)

    def drawn(self, waters: Floats) -> Floats:
        """Possible scores of some waters, jointly with every other call, shape (n_draws, n)."""
        waters = as_told(self.best, waters)
        return self.now.draws(waters, rng=np.random.default_rng(self.seed))


def one_water(
    readings: Sequence[CoffeeReading],
    region: Any,
    *,
    sold: Mapping[tuple[str, str], float] | None = None,
    seed: int | np.random.Generator | None = None,
) -> OneWater:
    """Find the water with the least expected loss over several coffees.

    Parameters
    ----------
    readings : sequence of CoffeeReading
        The coffees, as in ``Across.readings``.
    region : Region, targets or (n, 3) array
        Waters that can be made.
    sold : mapping of (client, coffee) to float, optional
        How much of each coffee is sold, in any unit; alike unless given.
    seed : int or numpy.random.Generator, optional
        For the draws; a fixed seed unless given.

    Notes
    -----
    The loss of a coffee at a water is how far its estimate lies there below its own best water
    within what was tasted and can be made; its expectation is over draws of the estimate, in each
    of which the best is found anew. Among the waters, those known to the largest share of the cups
    sold come first, of these the one with the least expected loss, and of equals the one nearest to
    the waters recommended for the coffees.

    Raises
    ------
    ReadingError
        If no coffee can be told, none reaches a water that can be made, or ``sold`` is no weight.
    """
    rng = np.random.default_rng(SEED if seed is None else seed)
    shares = _shares(readings, sold)
    scale = _main_scale(readings, shares)
    told = {}
    for place, one in enumerate(readings):
        note_step(place, 2 * len(readings))
        if one.best and one.recommended and _scale(one) == scale and one.surface:
            told[place] = one.surface, one.best
    own = np.array([as_coordinates(best.target)[0] for _, best in told.values()])
    waters = _candidates(region, own.reshape(-1, 3))
    seeds = rng.integers(2**32, size=len(readings))
    with one_thread():
        known = {}
        for place, both in told.items():
            note_step(len(readings) + place, 2 * len(readings))
            known[place] = _losses(*both, waters, region, int(seeds[place]))
    if not known:
        raise ReadingError(
            "coffees must have at least one whose scores can be read, got "
            f"{len(readings)} of which none can. Taste, lock and open a flight first.",
            field="coffees",
        )
    reach = np.sum([shares[place] * one.knows for place, one in known.items()], axis=0)
    if not len(reach) or reach.max() <= 0:
        raise ReadingError(
            "the waters that can be made must lie within what was tasted of at least one coffee, "
            "got none that does. Make bottles that reach the waters tasted, or taste others."
        )
    total = np.sum([shares[i] * np.nan_to_num(one.loss) for i, one in known.items()], axis=0)
    mean = np.divide(total, reach, out=np.full(len(reach), np.inf), where=reach > 0)
    most = reach >= reach.max() - 1e-9
    middle = np.average(own, axis=0, weights=[max(shares[place], 1e-9) for place in told])
    away = (((waters - middle) / STANDARD_SPAN) ** 2).sum(axis=1)
    # Among near-equals, the nearest to what the coffees' own scores speak for: of one coffee alone
    # its own water, which was settled in the same way.
    points = next(iter(known.values())).now.cups.points
    near = mean <= mean[most].min() + NEAR_EQUAL * points
    at = int(np.lexsort((mean.round(6), away.round(9), ~near, ~most))[0])
    target = Target(**dict(zip(COORDINATES, map(float, waters[at]), strict=True)))
    drawn = {place: _at(one, waters[at]) for place, one in known.items() if one.knows[at]}
    average = np.sum([shares[place] * values for place, values in drawn.items()], axis=0)
    average = average / sum(shares[place] for place in drawn)
    lo, hi = np.quantile(average, [0.025, 0.975])
    coffees = [
        _loss(one, shares[place], known.get(place), drawn.get(place), waters[at], scale)
        for place, one in enumerate(readings)
    ]
    coffees.sort(key=lambda one: -np.inf if np.isnan(one.loss) else one.loss, reverse=True)
    candidates = to_frame(waters).assign(
        loss=np.where(np.isfinite(mean), mean, np.nan), share_known=reach
    )
    return OneWater(
        target=target,
        loss=float(average.mean()),
        lo=float(lo),
        hi=float(hi),
        coffees=tuple(coffees),
        candidates=candidates,
        as_good=waters[most & (mean <= mean[at] + AS_GOOD)],
    )


def _shares(
    readings: Sequence[CoffeeReading], sold: Mapping[tuple[str, str], float] | None
) -> Floats:
    """Each coffee's share of the cups sold, shape (n_coffees,)."""
    weights = np.array(
        [1.0 if sold is None else float(sold.get((r.client, r.coffee), 0.0)) for r in readings]
    )
    if not np.isfinite(weights).all() or (weights < 0).any() or weights.sum() <= 0:
        raise ReadingError(
            "sold must be 0 or more for each coffee and above 0 for one, got "
            f"{', '.join(f'{w:g}' for w in weights) or 'no coffee'}. Say how much of each is sold.",
            field="sold",
        )
    return np.asarray(weights / weights.sum())


def _main_scale(readings: Sequence[CoffeeReading], shares: Floats) -> str:
    """The scale behind most cups sold: points of two scales cannot be added."""
    counts: dict[str, float] = {}
    for one, share in zip(readings, shares, strict=True):
        if one.best is not None and one.recommended is not None:
            counts[_scale(one)] = counts.get(_scale(one), 0.0) + float(share)
    return max(counts, key=lambda name: counts[name]) if counts else ""


def _scale(one: CoffeeReading) -> str:
    return "" if one.facts is None else one.facts.scale


def _candidates(region: Any, own: Floats) -> Floats:
    """Waters that can be made; among them the coffees' own, where they can."""
    waters = np.array(as_coordinates(getattr(region, "grid", region)), dtype=np.float64)
    if not hasattr(region, "contains") or not len(own):
        return waters
    own = own[region.contains(own)]
    more = [water for water in own if find_water(water, list(waters)) is None]
    return np.unique(np.vstack([waters, *more]), axis=0)


def as_told(best: Best, waters: Floats) -> Floats:
    """The waters with every coordinate that a coffee does not tell where it is kept."""
    told = [one.factor for one in best.factor_ranges if one.is_told]
    kept = [place for place, name in enumerate(COORDINATES) if name not in told]
    waters = np.array(waters, dtype=np.float64)
    waters[:, kept] = as_coordinates(best.target)[0, kept]
    return waters


def _losses(surface: Surface, best: Best, waters: Floats, region: Any, seed: int) -> _Known:
    now = estimate(surface.scores)
    knows = surface.within_tasted(waters)
    own = search_grid(surface, region)
    own = own if len(own) else search_grid(surface)
    served = as_coordinates(best.target)
    own = np.unique(np.vstack([served, as_told(best, own)]).round(9), axis=0)
    draws = now.draws(np.vstack([served, own]), rng=np.random.default_rng(seed))
    top = draws.max(axis=1)
    loss = np.full(len(waters), np.nan)
    if knows.any():
        distinct, at = np.unique(as_told(best, waters[knows]), axis=0, return_inverse=True)
        loss[knows] = top.mean() - now.told.expected(distinct)[at]
    return _Known(
        surface=surface,
        best=best,
        now=now,
        seed=seed,
        knows=knows,
        loss=loss,
        top=top,
        with_own=float((top - draws[:, 0]).mean()),
    )


def _at(known: _Known, water: Floats) -> Floats:
    """The coffee's loss at one water in each draw, shape (n_draws,)."""
    return np.maximum(known.top - known.drawn(water[None])[:, 0], 0.0)


def _loss(
    one: CoffeeReading,
    share: float,
    known: _Known | None,
    drawn: Floats | None,
    water: Floats,
    scale: str,
) -> CoffeeLoss:
    nothing = CoffeeLoss(reading=one, share=float(share), status=LossStatus.UNTOLD, scale=scale)
    if known is None:
        other = one.has_surface
        return replace(nothing, status=LossStatus.OTHER_SCALE) if other else nothing
    if drawn is None:
        return replace(
            nothing,
            status=LossStatus.UNREACHED,
            loss_with_own=known.with_own,
            only_at=_only_at(known.surface, water),
        )
    lo, hi = np.quantile(drawn, [0.025, 0.975])
    return replace(
        nothing,
        status=LossStatus.KNOWN,
        loss=float(drawn.mean()),
        lo=float(lo),
        hi=float(hi),
        loss_with_own=known.with_own,
        untold=known.untold,
    )


def _only_at(surface: Surface, water: Floats) -> tuple[Tasted, ...]:
    """What was tasted of the coordinates in which the water lies outside of it."""
    tasted, held = surface.scores.waters, surface.model.held
    outside = []
    for place, name in enumerate(COORDINATES):
        low, high = float(tasted[:, place].min()), float(tasted[:, place].max())
        varied = name in surface.coding.names
        near = abs(water[place] - held[place]) <= COORDINATE[name].settled
        if not (low - 1e-6 <= water[place] <= high + 1e-6 if varied else near):
            outside.append(Tasted(factor=name, low=low, high=high if varied else low))
    return tuple(outside)
