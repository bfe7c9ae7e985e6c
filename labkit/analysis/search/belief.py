"""One step from the scores to what is believed about every water; suggestion and stop share it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Final, Literal, TypeAlias

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import Scores, gather_scores
from labkit.analysis.pair_tests.difference import check_count
from labkit.analysis.reading.surface import Surface, fit_surface
from labkit.analysis.region import Region
from labkit.analysis.search.cups import Cups, cups_of, no_cups, rising_scale
from labkit.analysis.search.earlier_coffees import Followed, HeadStart, follow
from labkit.analysis.search.posterior import Posterior, posterior_of
from labkit.analysis.search.shape_average import ShapeAverage, weigh
from labkit.analysis.search.shape_library import shape_library
from labkit.analysis.search.simulate import LIKING
from labkit.analysis.search.surface_belief import SurfaceBelief, surface_belief
from labkit.errors import ReadingError
from labkit.tasting import Scale
from labkit.water import COORDINATES, Target, as_coordinates, percent

SEED: Final = 20_250_302
"""Draws use this unless a generator is given, so that the same scores suggest the same twice."""

SURE: Final = 0.95
"""Chance from which an engine counts as sure."""

Engine: TypeAlias = Literal["shapes", "surface"]

ENGINES: Final[dict[Engine, str]] = {
    "shapes": "average over shapes",
    "surface": "second-order surface",
}

N_DRAWS: Final = 1024
"""Possible truths drawn; fewer blur the choice of cups."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondOpinion:
    """What the fitted second-order surface alone would choose."""

    leader: Target
    """Its best recipe."""

    expected: float
    """The score it expects of that one."""

    low: float
    """Lower end of its 90 % interval."""

    high: float
    """Upper end."""

    disagrees: bool
    """Whether each engine is 95 % sure that its own best recipe beats the other's."""

    text: str
    """In words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Helped:
    """Which recipe is best once earlier coffees are counted in."""

    followed: Followed
    """How far they still count."""

    leader: Target
    """The recipe with the highest expected score."""

    expected: float
    """The score expected of it."""

    low: float
    """Lower end of its 90 % interval."""

    high: float
    """Upper end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """What is believed about every recipe of a region after the cups so far."""

    region: Region
    """Where the search may go."""

    cups: Cups
    """What was tasted."""

    posterior: Posterior
    """What is believed."""

    scale: Scale
    """What scores are given on."""

    control: int | None
    """Place of the control among the posterior's recipes; None if there is none."""

    engine: str
    """What it rests on, in words."""

    second: SecondOpinion | None = None
    """What the other engine says; None before the first flight and beside the surface itself."""

    helped: Helped | None = None
    """The same with a head start from earlier coffees; None without one."""

    notes: tuple[str, ...] = ()
    """What was left out or put together on the way from the scores, one sentence each."""

    @property
    def n_tasters(self) -> int:
        """Size of the panel."""
        return len(self.cups.tasters)


def believe(
    frame: pd.DataFrame | None,
    region: Region | None = None,
    *,
    attribute: str = "overall",
    brew_method: str | None = None,
    n_tasters: int | None = None,
    control: object | None = None,
    scale: Scale | None = None,
    also: object = (),
    engine: Engine = "shapes",
    head_start: HeadStart | None = None,
    rng: np.random.Generator | None = None,
) -> Belief:
    """What is believed about every recipe of `region` after the scores in `frame`.

    Parameters
    ----------
    frame : DataFrame or None
        The scores frame; None or empty before the first flight, which then needs `n_tasters`.
    region : Region, optional
        Where to search; the usual ranges unless given.
    attribute, brew_method : str, optional
        As for :func:`labkit.analysis.model.scores.gather_scores`.
    n_tasters : int, optional
        Who will come; as many as have scored so far unless given.
    control : Target, optional
        The water to beat; the cups served as control unless given.
    scale : Scale, optional
        Looked up by its name in `frame` unless given.
    also : targets
        Further waters to say something about, also outside the region.
    engine : str
        ``"shapes"`` averages over many shapes of liking; ``"surface"`` takes the fitted
        second-order surface alone.
    head_start : HeadStart, optional
        What earlier coffees say of this one, as ``head_start`` gives it. The average over
        shapes takes it as its prior for the recipe in ``helped``; all else, the choice of cups and
        the verdict too, stays with the coffee's own cups.
    rng : numpy.random.Generator, optional
        A stated seed unless given.

    Raises
    ------
    ReadingError
        If there is nothing to start from, or the scores cannot be read.
    """
    region = Region() if region is None else region
    rng = np.random.default_rng(SEED) if rng is None else rng
    if n_tasters is not None:
        check_count("n_tasters", n_tasters)
    if head_start is not None and engine != "shapes":
        raise ReadingError(
            f"head_start must go with the engine 'shapes', got {engine!r}, which holds no shapes "
            "to make likelier. Leave it out, or choose the average over shapes."
        )
    with threadpool_limits(1):  # many small products: threads would only get in each other's way
        cups, scale, fitted, notes = _read(
            frame, attribute, brew_method, scale, 4 if n_tasters is None else n_tasters
        )
        reference = _control_water(cups, control)
        surface = surface_belief(cups, fitted)
        other = region.grid[[int(np.argmax(surface.expected(region.grid)))]]
        told: ShapeAverage | SurfaceBelief = surface
        others = np.vstack([as_coordinates(also), reference, other])
        if engine == "shapes":
            told = weigh(cups, shape_library())
        posterior = _posterior(region, cups, others, told, rng)
        second = None
        if engine == "shapes" and len(cups.value):
            second = _second_opinion(posterior, surface, other, rng)
        helped = None
        if head_start is not None and isinstance(told, ShapeAverage):
            lent = weigh(cups, shape_library(), head_start.odds)
            # Draws of its own, so that the same cups are proposed with a head start and without.
            apart = np.random.default_rng(SEED)
            helped = _helped(
                follow(head_start, told.of_shapes), _posterior(region, cups, others, lent, apart)
            )
    return Belief(
        region=region,
        cups=cups,
        posterior=posterior,
        scale=scale,
        control=int(posterior.places(reference)[0]) if len(reference) else None,
        engine=ENGINES[engine],
        second=second,
        helped=helped,
        notes=notes if helped is None else (*helped.followed.notes, *notes),
    )


def _posterior(
    region: Region,
    cups: Cups,
    others: Floats,
    told: ShapeAverage | SurfaceBelief,
    rng: np.random.Generator,
) -> Posterior:
    return posterior_of(
        region,
        cups,
        others,
        expected=told.expected,
        draws=partial(told.draws, n_draws=N_DRAWS, rng=rng),
    )


def _helped(followed: Followed, posterior: Posterior) -> Helped:
    low, high = posterior.interval(posterior.leader)
    return Helped(
        followed=followed,
        leader=water_target(posterior.recipes[posterior.leader]),
        expected=float(posterior.mean[posterior.leader]),
        low=low,
        high=high,
    )


def _second_opinion(
    posterior: Posterior, surface: SurfaceBelief, other: Floats, rng: np.random.Generator
) -> SecondOpinion:
    leader, place = posterior.leader, int(posterior.places(other)[0])
    pair = np.vstack([other, posterior.recipes[[leader]]])
    expected = float(surface.expected(other)[0])
    draws = surface.draws(pair, N_DRAWS, rng=rng)
    low, high = np.quantile(draws[:, 0], [0.05, 0.95])
    mine = posterior.chance_above(leader, place)
    theirs = float(np.mean(draws[:, 0] > draws[:, 1]))
    target = water_target(other[0])
    if place == leader:
        text = "The second-order surface alone chooses the same recipe."
    else:
        text = f"The second-order surface alone would choose {target.text} ({expected:.2f})"
        sure = mine >= SURE and theirs >= SURE
        text += (
            f", and the two ways of reading the scores disagree: this one is {percent(mine)} sure "
            f"of its own, the surface {percent(theirs)}. Taste both side by side."
            if sure
            else f"; neither is sure of its own ({percent(mine)} and {percent(theirs)})."
        )
    return SecondOpinion(
        leader=target,
        expected=expected,
        low=float(low),
        high=float(high),
        disagrees=place != leader and mine >= SURE and theirs >= SURE,
        text=text,
    )


def water_target(water: Floats) -> Target:
    """One row of coordinates as a target."""
    return Target(**dict(zip(COORDINATES, map(float, water), strict=True)))


def _read(
    frame: pd.DataFrame | None,
    attribute: str,
    brew_method: str | None,
    scale: Scale | None,
    n_tasters: int,
) -> tuple[Cups, Scale, Surface | None, tuple[str, ...]]:
    """Cups, their scale, the surface fitted to them, and what had to be left out."""
    if frame is None or frame.empty:
        scale = LIKING if scale is None else scale
        return no_cups(n_tasters, scale), scale, None, ()
    scores = gather_scores(frame, attribute, brew_method=brew_method)
    scale = rising_scale(scores.scale, scale)
    fitted = _fitted(scores)
    return cups_of(scores, scale, fitted), scale, fitted, scores.notes


def _fitted(scores: Scores) -> Surface | None:
    """The surface that statsmodels fits to these scores, if they suffice for one."""
    try:
        return fit_surface(scores)
    except (ReadingError, np.linalg.LinAlgError):
        return None


def _control_water(cups: Cups, control: object | None) -> Floats:
    """Coordinates of the control, the one given or the one served most; shape (1 or 0, 3)."""
    if control is not None:
        return as_coordinates(control)[:1]
    if not cups.is_control.any():
        return np.empty((0, 3))
    waters, often = np.unique(cups.waters[cups.is_control], axis=0, return_counts=True)
    return np.asarray(waters[[int(np.argmax(often))]])
