"""Where the best water lies, as a region rather than a point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from labkit.analysis.model.coding import Bools, Floats, Term, term_matrix, to_frame
from labkit.analysis.model.scores import Scores
from labkit.analysis.model.surface import Surface
from labkit.analysis.search.recommendation import Recommendation, recommend
from labkit.errors import ReadingError
from labkit.water import COORDINATE, COORDINATES, Target, as_coordinates

DRAWS: Final = 1000
"""Surfaces drawn from the estimate."""

AT_ONCE: Final = 40
"""Draws compared at a time: their heights on the grid stay in the processor's cache."""

STEPS: Final = {1: 101, 2: 41, 3: 17}
"""Levels per factor of the grid that is searched, by number of factors."""

NEAR: Final = 0.6
"""Coded units within which a cup counts as tasted near a water."""

FLAT: Final = 1e-9
"""A surface whose coefficients are all below this has no shape."""


class Shape(StrEnum):
    """What a second-order surface is about its level point."""

    PEAK = "peak"
    SADDLE = "saddle"
    RIDGE = "ridge"
    TROUGH = "trough"
    SLOPE = "slope"


class End(StrEnum):
    """An end of the range tasted."""

    LOW = "low"
    HIGH = "high"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stationary:
    """The point where the fitted surface is level, and what it is."""

    kind: Shape
    """What the surface is there; a slope has no such point."""

    eigenvalues: Floats
    """Of the matrix of bends, coded units, largest first."""

    coded: Floats
    """The point, coded units; NaN for a slope."""

    coordinates: Floats
    """The point, natural units, shape (3,); NaN for a slope."""

    inside: bool
    """Whether it lies within the ranges tasted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorRange:
    """Where the best level of one factor lies, natural units."""

    factor: str
    """Name of the coordinate."""

    best: float
    """Level of the best water."""

    lo: float
    """Lower end of the levels that could be the best (95 %)."""

    hi: float
    """Upper end."""

    tasted_lo: float
    """Lowest level tasted."""

    tasted_hi: float
    """Highest level tasted."""

    is_told: bool = True
    """Whether the scores say anything of this factor. If not, any level tasted may be the best,
    and ``best`` is one near which cups were tasted."""

    @property
    def edge(self) -> End | None:
        """Which end of the range tasted the best level is at; None if at none."""
        if not self.is_told:
            return None
        near = 0.02 * (self.tasted_hi - self.tasted_lo)
        if self.best - self.tasted_lo < near:
            return End.LOW
        return End.HIGH if self.tasted_hi - self.best < near else None

    @property
    def open_end(self) -> bool:
        """Whether a still better level may lie beyond the range tasted."""
        lowest = self.edge is End.LOW and self.tasted_lo <= 0
        top = COORDINATE[self.factor].highest
        highest = self.edge is End.HIGH and self.tasted_hi >= top
        return self.edge is not None and not (lowest or highest)


@dataclass(frozen=True, slots=True, kw_only=True)
class Best:
    """The best water within what was tasted (and can be made), with its uncertainty."""

    target: Target
    """The water to serve: what was recommended (`serve`), or where the surface is highest."""

    highest: Target
    """Where the fitted surface is highest."""

    mean: float
    """Expected score of the water to serve."""

    lo: float
    """Lower end of its interval: 90 % of what was recommended, 95 % of the surface alone."""

    hi: float
    """Upper end."""

    factor_ranges: tuple[FactorRange, ...]
    """Where the best level of each factor lies."""

    region: pd.DataFrame | None
    """The grid that was searched: coordinates, ``mean``, ``in_region`` (could well be the best),
    ``chance_near_best`` (share of the surfaces that fit in which it is among the best); None where
    it was not kept, as among many coffees."""

    stationary: Stationary
    """The surface's own level point."""

    is_makeable: bool
    """Whether any water that can be made lies within what was tasted."""

    was_tasted_near: bool
    """Whether a cup was tasted near the water to serve."""

    @property
    def ranges(self) -> pd.DataFrame:
        """``factor_ranges`` as a frame, a column a field."""
        return pd.DataFrame([asdict(one) for one in self.factor_ranges])


def level_point(
    terms: Sequence[Term], coefficients: ArrayLike, n_factors: int
) -> tuple[Floats, Floats | None]:
    """Bends and level point of a second-order surface, coded units.

    Parameters
    ----------
    terms : sequence of Term
        Beside the level.
    coefficients : array_like, shape (n_terms,)
        One per term, in coded units.
    n_factors : int
        Coordinates that vary.

    Returns
    -------
    eigenvalues : ndarray, shape (n_factors,)
        Of the matrix of bends, largest first.
    point : ndarray of shape (n_factors,), or None
        Where the surface is level; None if it bends nowhere or not in some direction.
    """
    slopes, bends = np.zeros(n_factors), np.zeros((n_factors, n_factors))
    for term, value in zip(terms, np.asarray(coefficients, dtype=np.float64), strict=True):
        if len(term) == 1:
            slopes[term[0]] = value
        elif term[0] == term[1]:
            bends[term[0], term[0]] = value
        else:
            bends[term[0], term[1]] = bends[term[1], term[0]] = value / 2
    eigenvalues = np.sort(np.linalg.eigvalsh(bends))[::-1]
    sizes = np.abs(eigenvalues)
    if not n_factors or sizes.max() < FLAT or sizes.min() < 1e-6 * sizes.max():
        return eigenvalues, None
    return eigenvalues, np.asarray(-0.5 * np.linalg.solve(bends, slopes), dtype=np.float64)


def stationary_point(surface: Surface) -> Stationary:
    """Classify the fitted surface by its level point.

    A direction whose bend is less than a tenth of the strongest is taken as level: a ridge.
    """
    k = len(surface.coding.factors)
    eigenvalues, point = level_point(surface.terms, surface.coefficients[1:], k)
    strongest = float(np.abs(eigenvalues).max()) if k else 0.0
    if point is None:
        return Stationary(
            kind=Shape.SLOPE if strongest < FLAT else Shape.RIDGE,
            eigenvalues=eigenvalues,
            coded=np.full(k, np.nan),
            coordinates=np.full(3, np.nan),
            inside=False,
        )
    if np.abs(eigenvalues).min() < 0.1 * strongest:
        kind = Shape.RIDGE
    elif (eigenvalues < 0).all():
        kind = Shape.PEAK
    else:
        kind = Shape.TROUGH if (eigenvalues > 0).all() else Shape.SADDLE
    return Stationary(
        kind=kind,
        eigenvalues=eigenvalues,
        coded=point,
        coordinates=surface.coding.decode(point[None], surface.model.held)[0],
        inside=bool((np.abs(point) <= 1).all()),
    )


def search_grid(surface: Surface, feasible: Any = None) -> Floats:
    """Waters within the ranges tasted that are compared, shape (n, 3).

    ``feasible`` (targets, an (n, 3) array, or anything with such a ``grid``) limits them to what
    can be made, and may leave none; coordinates that never varied are put where they stayed.
    """
    coding, held = surface.coding, surface.model.held
    if feasible is not None:
        grid = np.array(as_coordinates(getattr(feasible, "grid", feasible)))
        for place, name in enumerate(COORDINATES):
            if name not in coding.names:
                grid[:, place] = held[place]
        grid = np.unique(grid.round(9), axis=0)
        return np.asarray(grid[surface.within_tasted(grid)], dtype=np.float64)
    k = len(coding.factors)
    if not k:
        return coding.decode(np.empty((1, 0)), held)
    levels = np.linspace(-1, 1, STEPS[k])
    coded = np.stack(np.meshgrid(*[levels] * k, indexing="ij"), axis=-1).reshape(-1, k)
    return coding.decode(coded, held)


def find_best(surface: Surface, *, rng: np.random.Generator, feasible: Any = None) -> Best:
    """The best water by draws from the estimate, each taken to its best feasible water."""
    grid = search_grid(surface, feasible)
    makeable = bool(len(grid))
    grid = grid if makeable else search_grid(surface)
    coded = surface.coding.code(grid)
    design = np.column_stack([np.ones(len(grid)), term_matrix(coded, surface.terms)])
    means = design @ surface.coefficients
    told = [place for place in range(coded.shape[1]) if _is_told(surface, place)]
    top = int(np.argmax(means)) if len(told) == coded.shape[1] else _top(surface, coded, means)
    draws = surface.draws(DRAWS, seed=rng)
    near = np.zeros(len(grid))
    winners = np.empty(DRAWS, dtype=np.intp)
    spread = float(np.ptp(means))
    margin = 0.1 * max(spread, FLAT)
    for start in range(0, DRAWS, AT_ONCE):
        heights = draws[start : start + AT_ONCE] @ design.T
        first = heights.argmax(axis=1)
        winners[start : start + AT_ONCE] = first
        enough = heights[np.arange(len(first)), first] - margin
        # Counted in bytes, which AT_ONCE draws cannot overflow: a fourth of the whole time.
        near += (heights >= enough[:, None]).view(np.uint8).sum(axis=0, dtype=np.uint8)
    places = grid[winners]
    table = to_frame(grid)
    table["mean"] = means
    table["in_region"] = _inside(coded[:, told], coded[winners][:, told])
    table["chance_near_best"] = near / DRAWS
    ranges = _ranges(surface, grid[top], places)
    at = surface.level_at(grid[top])
    lo, hi = at.interval()
    point = stationary_point(surface)
    target = Target(**dict(zip(COORDINATES, map(float, grid[top]), strict=True)))
    return Best(
        target=target,
        highest=target,
        mean=at.estimate,
        lo=lo,
        hi=hi,
        factor_ranges=ranges,
        region=table,
        stationary=point,
        is_makeable=makeable,
        was_tasted_near=_was_tasted_near(surface, target),
    )


def best_to_serve(
    surface: Surface, *, rng: np.random.Generator, feasible: Any = None
) -> tuple[Best, Recommendation | None]:
    """The best water as everybody shall name it, and the recommendation that it is.

    The surface's own and None where the scale is not known to be one on which more is better.
    """
    best = find_best(surface, rng=rng, feasible=feasible)
    recommended = recommended_of(surface.scores, feasible=feasible)
    return best if recommended is None else serve(best, surface, recommended), recommended


def recommended_of(scores: Scores, *, feasible: Any = None) -> Recommendation | None:
    """The recommendation, surface or not: the next flight rests on it too.

    None where the scale is not known to be one on which more is better.
    """
    try:
        return recommend(scores, feasible=feasible)
    except ReadingError:
        return None


def serve(best: Best, surface: Surface, recommended: Recommendation) -> Best:
    """The same with the recommended water as the one to serve, and the score expected of that.

    A coordinate is told if both say so: what moved with another one the surface cannot tell apart.
    Its range is where the recommendation's own draws have the best water, which the map shows, and
    is widened to hold the water to serve; a coordinate that is not told may be best anywhere.
    """
    told = {one.factor: one for one in recommended.coordinates}
    ranges = []
    for one in best.factor_ranges:
        now = told[one.factor]
        if one.is_told and now.is_told:
            lo, hi = recommended.range_of(one.factor)
            lo, hi = min(lo, now.level), max(hi, now.level)
        else:
            lo, hi = one.tasted_lo, one.tasted_hi
        ranges.append(
            replace(
                one,
                best=now.level,
                lo=lo,
                hi=hi,
                is_told=one.is_told and now.is_told,
            )
        )
    return replace(
        best,
        target=recommended.water,
        mean=recommended.expected,
        lo=recommended.low,
        hi=recommended.high,
        factor_ranges=tuple(ranges),
        was_tasted_near=_was_tasted_near(surface, recommended.water),
    )


def _inside(coded: Floats, winners: Floats) -> Bools:
    """Grid points no further from the centre of the winners than 95 % of the winners are."""
    if not coded.shape[1]:
        return np.ones(len(coded), dtype=bool)
    centre = winners.mean(axis=0)
    covariance = np.atleast_2d(np.cov(winners.T)) + 1e-6 * np.eye(coded.shape[1])
    inverse = np.linalg.inv(covariance)

    def away(points: Floats) -> Floats:
        shift = points - centre
        return np.asarray(np.einsum("np,pq,nq->n", shift, inverse, shift))

    limit = float(np.quantile(away(winners), 0.95)) + 1e-9
    return np.asarray(away(coded) <= limit)


def _is_told(surface: Surface, place: int) -> bool:
    """Whether the surface says anything of a factor: one without a term may be best anywhere."""
    return any(place in term for term in surface.terms)


def _top(surface: Surface, coded: Floats, means: Floats) -> int:
    """Of waters that are equally high in all that is told, the one nearest to the cups tasted."""
    alike = np.flatnonzero(means >= means.max() - FLAT * max(1.0, float(np.abs(means).max())))
    tasted = surface.coding.code(surface.scores.recipe_waters)
    middle = surface.coding.code(surface.model.held[None])
    away = np.linalg.norm(coded[alike][:, None] - tasted[None], axis=2).min(axis=1).round(9)
    off = np.linalg.norm(coded[alike] - middle, axis=1)
    return int(alike[np.lexsort((off, away))[0]])


def _ranges(surface: Surface, best: Floats, places: Floats) -> tuple[FactorRange, ...]:
    found = []
    columns = zip(surface.coding.factors, surface.coding.columns, strict=True)
    for place, (factor, column) in enumerate(columns):
        lo, hi = np.quantile(places[:, column], [0.025, 0.975]).clip(factor.low, factor.high)
        if not _is_told(surface, place):
            lo, hi = factor.low, factor.high
        found.append(
            FactorRange(
                factor=factor.name,
                best=float(best[column]),
                lo=float(lo),
                hi=float(hi),
                tasted_lo=factor.low,
                tasted_hi=factor.high,
                is_told=_is_told(surface, place),
            )
        )
    return tuple(found)


def _was_tasted_near(surface: Surface, target: Target) -> bool:
    coding = surface.coding
    place = coding.code(as_coordinates(target))
    away = np.abs(coding.code(surface.scores.recipe_waters) - place)
    return not (away.shape[1] and float(away.max(axis=1).min()) > NEAR)
