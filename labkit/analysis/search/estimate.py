"""The one estimate of what the panel would score any water, made once from the scores.

Recommendation, next flight and stop read it; the second-order surface that statsmodels fits is one
of its foundations (spreads of tasters and bowls) and stands beside it as a second opinion.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np
import pandas as pd

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import Scores, gather_scores
from labkit.analysis.model.surface import Surface, fit_surface
from labkit.analysis.one_thread import one_thread
from labkit.analysis.region import water_target
from labkit.analysis.search.cups import Cups, cups_of, no_cups, rising_scale
from labkit.analysis.search.posterior import moved_to
from labkit.analysis.search.shape_average import ShapeAverage, odds_by_control, weigh
from labkit.analysis.search.shape_library import shape_library
from labkit.analysis.search.simulate import LIKING
from labkit.analysis.search.surface_belief import SurfaceBelief, surface_belief
from labkit.errors import ReadingError
from labkit.tasting import Scale
from labkit.water import COORDINATES, Target, as_coordinates

SEED: Final = 20_250_302
"""Draws use this unless a generator is given, so that the same scores suggest the same twice."""

SURE: Final = 0.95
"""Chance from which an engine counts as sure."""

Engine: TypeAlias = Literal["shapes", "surface"]

N_DRAWS: Final = 1024
"""Possible truths drawn; fewer blur the choice of cups."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """What these scores say of any water."""

    scores: Scores | None
    """What it was made from; None before the first flight."""

    cups: Cups
    """The same as values of cups."""

    scale: Scale
    """What scores are given on."""

    told: ShapeAverage | SurfaceBelief
    """Expected scores of any waters, and joint draws of them."""

    plain: SurfaceBelief
    """The second-order surface alone."""

    control: Floats
    """Coordinates of the control, the one given or the one served most; shape (1 or 0, 3)."""

    odds: Floats | None = None
    """How likely each shape was before the cups, of mean 1; None for alike, and beside the surface
    alone."""

    def draws(self, waters: Floats, *, rng: np.random.Generator) -> Floats:
        """Joint draws of the scores of some waters, moved to their exact means."""
        drawn = self.told.draws(waters, N_DRAWS, rng=rng)
        return moved_to(self.told.expected(waters), drawn)

    def stated(self, scores: Floats) -> Floats:
        """Scores as they are stated: none lies beyond the ends of the scale."""
        return np.asarray(np.clip(scores, self.scale.lowest, self.scale.highest))

    def truths(self, waters: Floats) -> Floats:
        """Draws that are the same possible truths each time, whichever waters are asked about.

        A truth is drawn as a whole surface, and the waters only say where it is read off: so that
        recommendation, map and slices state the same chances.
        """
        return self.draws(waters, rng=np.random.default_rng(SEED))


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

    is_same: bool
    """Whether that is the recipe chosen anyway."""

    ours: float
    """Chance that the recipe chosen is truly better, as the average over shapes sees it."""

    theirs: float
    """Chance that the surface's is truly better, as the surface sees it."""


def estimate(
    frame: pd.DataFrame | Scores | None,
    *,
    attribute: str = "overall",
    brew_method: str | None = None,
    n_tasters: int | None = None,
    control: object | None = None,
    scale: Scale | None = None,
    engine: Engine = "shapes",
) -> Estimate:
    """What the scores say of any water; arguments as for `believe`, or scores gathered before.

    Raises
    ------
    ReadingError
        If the scores cannot be read.
    """
    scores, fitted = None, None
    with one_thread():
        if frame is None or (isinstance(frame, pd.DataFrame) and frame.empty):
            scale = LIKING if scale is None else scale
            cups = no_cups(4 if n_tasters is None else n_tasters, scale)
        else:
            scores = (
                frame
                if isinstance(frame, Scores)
                else gather_scores(frame, attribute, brew_method=brew_method)
            )
            scale = rising_scale(scores.scale, scale)
            fitted = _fitted(scores)
            cups = cups_of(scores, scale, fitted)
        plain = surface_belief(cups, fitted)
        own = np.empty((0, 3)) if scores is None else served_control(scores)
        beaten = own if control is None else as_coordinates(control)[:1]
        library = shape_library() if engine == "shapes" else None
        odds = None if library is None else odds_by_control(library, beaten)
        return Estimate(
            scores=scores,
            cups=cups,
            scale=scale,
            told=plain if library is None else weigh(cups, library, odds),
            plain=plain,
            control=beaten,
            odds=odds,
        )


def second_opinion(
    surface: SurfaceBelief,
    other: Floats,
    ours: Floats,
    mine: float,
    *,
    scale: Scale,
    rng: np.random.Generator,
) -> SecondOpinion:
    """What the second-order surface alone says of its own best recipe beside another one.

    Parameters
    ----------
    surface : SurfaceBelief
        The second-order surface.
    other, ours : ndarray, shape (1, 3)
        Its best recipe, and the one that the average over shapes chose.
    mine : float
        Chance that ``ours`` is truly better, as the average over shapes sees it.
    scale : Scale
        No score is stated beyond its ends.
    rng : numpy.random.Generator
        For the draws.
    """
    draws = surface.draws(np.vstack([other, ours]), N_DRAWS, rng=rng)
    stated = (surface.expected(other)[0], *np.quantile(draws[:, 0], [0.05, 0.95]))
    expected, low, high = np.clip(stated, scale.lowest, scale.highest).tolist()
    theirs = float(np.mean(draws[:, 0] > draws[:, 1]))
    same = bool(np.allclose(other, ours))
    sure = not same and mine >= SURE and theirs >= SURE
    return SecondOpinion(
        leader=water_target(other[0]),
        expected=expected,
        low=low,
        high=high,
        disagrees=sure,
        is_same=same,
        ours=mine,
        theirs=theirs,
    )


def _fitted(scores: Scores) -> Surface | None:
    """The surface that statsmodels fits to these scores, if they suffice for one."""
    try:
        return fit_surface(scores)
    except (ReadingError, np.linalg.LinAlgError):
        return None


def served_control(scores: Scores) -> Floats:
    """Coordinates of the water served as control in most cups, shape (1 or 0, 3)."""
    is_control = scores.frame["is_control"].to_numpy(dtype=bool)
    if not is_control.any():
        return np.empty((0, 3))
    cups = scores.frame[is_control].drop_duplicates(["block", "jug"])
    waters, often = np.unique(
        cups[list(COORDINATES)].to_numpy(dtype=float), axis=0, return_counts=True
    )
    return np.asarray(waters[[int(np.argmax(often))]])
