"""One step from the scores to what is believed about every water; suggestion and stop share it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
import pandas as pd

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.noted import Note
from labkit.analysis.model.scores import Scores
from labkit.analysis.one_thread import one_thread
from labkit.analysis.pair_tests.difference import check_count
from labkit.analysis.region import Region, water_target
from labkit.analysis.search.cups import Cups
from labkit.analysis.search.earlier_coffees import Followed, HeadStart, follow
from labkit.analysis.search.estimate import (
    N_DRAWS,
    SEED,
    Engine,
    SecondOpinion,
    estimate,
    second_opinion,
)
from labkit.analysis.search.posterior import Posterior, posterior_of
from labkit.analysis.search.recommendation import Recommendation, recommended_by
from labkit.analysis.search.shape_average import ShapeAverage, weigh
from labkit.analysis.search.shape_library import shape_library
from labkit.analysis.search.surface_belief import SurfaceBelief
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.noted import Noted
from labkit.tasting import Scale
from labkit.water import Target, as_coordinates

ENGINES: Final[dict[Engine, str]] = {
    "shapes": "average over shapes",
    "surface": "second-order surface",
}


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

    notes: tuple[Noted[Note], ...] = ()
    """What was left out or put together on the way from the scores, one sentence each."""

    recommended: Recommendation | None = None
    """What the scores speak for, whatever the region; None before the first flight and beside the
    surface itself."""

    @property
    def leader(self) -> int:
        """Place among the posterior's recipes of the water that the scores speak for."""
        if self.recommended is None:
            return self.posterior.leader
        return int(self.posterior.places([self.recommended.water])[0])

    @property
    def leader_expected(self) -> tuple[float, float, float]:
        """Score expected of the leader, and the ends of its 90 % interval."""
        if self.recommended is not None:
            return self.recommended.expected, self.recommended.low, self.recommended.high
        return self.stated(self.leader)

    @checked(ReadingError)
    def stated(self, place: int) -> tuple[float, float, float]:
        """Score expected of one of the posterior's recipes, and the ends of its 90 % interval.

        None of them lies beyond the ends of the scale.

        Parameters
        ----------
        place : int
            Which recipe.
        """
        told = (self.posterior.mean[place], *self.posterior.interval(place))
        expected, low, high = np.clip(told, self.scale.lowest, self.scale.highest).tolist()
        return expected, low, high

    @property
    def n_tasters(self) -> int:
        """Size of the panel."""
        return len(self.cups.tasters)


@checked(ReadingError)
def believe(
    frame: pd.DataFrame | Scores | None,
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
    seed: int | np.random.Generator | None = None,
) -> Belief:
    """What is believed about every recipe of `region` after the scores in `frame`.

    Parameters
    ----------
    frame : DataFrame, Scores or None
        The scores frame, or what was gathered of it; None or empty before the first flight, which
        then needs `n_tasters`.
    region : Region, optional
        Where to search; the usual ranges unless given.
    attribute, brew_method : str, optional
        As for :func:`labkit.analysis.gather_scores`.
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
    seed : int or numpy.random.Generator, optional
        A stated seed unless given.

    Raises
    ------
    ReadingError
        If there is nothing to start from, or the scores cannot be read.
    """
    region = Region() if region is None else region
    rng = np.random.default_rng(SEED if seed is None else seed)
    if n_tasters is not None:
        check_count("n_tasters", n_tasters)
    if head_start is not None and engine != "shapes":
        raise ReadingError(
            f"head_start must go with the engine 'shapes', got {engine!r}, which holds no shapes "
            "to make likelier. Leave it out, or choose the average over shapes.",
            field="head_start",
        )
    now = estimate(
        frame,
        attribute=attribute,
        brew_method=brew_method,
        n_tasters=n_tasters,
        control=control,
        scale=scale,
        engine=engine,
    )
    cups, surface = now.cups, now.plain
    recommended = recommended_by(now) if engine == "shapes" and now.scores is not None else None
    with one_thread():
        other = region.grid[[int(np.argmax(surface.expected(region.grid)))]]
        served = as_coordinates(() if recommended is None else recommended.water)
        others = np.vstack([as_coordinates(also), now.control, other, served])
        posterior = _posterior(region, cups, others, now.told, rng)
        second = None
        if engine == "shapes" and len(cups.value):
            leader, place = posterior.leader, int(posterior.places(other)[0])
            mine = posterior.chance_above(leader, place)
            ours = posterior.recipes[[leader]]
            second = second_opinion(surface, other, ours, mine, scale=now.scale, rng=rng)
        helped = None
        if head_start is not None and isinstance(now.told, ShapeAverage):
            before = np.ones(len(head_start.odds)) if now.odds is None else now.odds
            odds = head_start.odds * before
            lent = weigh(cups, shape_library(), odds / odds.mean())
            # Draws of its own, so that the same cups are proposed with a head start and without.
            apart = np.random.default_rng(SEED)
            helped = _helped(
                follow(head_start, (now.told.of_shapes / before).astype(np.float32)),
                _posterior(region, cups, others, lent, apart),
                now.scale,
            )
    notes = () if now.scores is None else now.scores.notes
    return Belief(
        region=region,
        cups=cups,
        posterior=posterior,
        scale=now.scale,
        control=int(posterior.places(now.control)[0]) if len(now.control) else None,
        engine=ENGINES[engine],
        second=second,
        helped=helped,
        notes=notes,
        recommended=recommended,
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
        loss_scale=told.loss_scale,
        gain_scale=told.gain_scale,
    )


def _helped(followed: Followed, posterior: Posterior, scale: Scale) -> Helped:
    stated = (posterior.mean[posterior.leader], *posterior.interval(posterior.leader))
    expected, low, high = np.clip(stated, scale.lowest, scale.highest).tolist()
    return Helped(
        followed=followed,
        leader=water_target(posterior.recipes[posterior.leader]),
        expected=expected,
        low=low,
        high=high,
    )
