"""The classical walk: dial the ratio, then hardness, then alkalinity, each with an honest stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import pandas as pd

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import gather_scores
from labkit.analysis.region import Region, water_target
from labkit.analysis.search.belief import Belief, believe
from labkit.analysis.search.estimate import SEED, estimate
from labkit.analysis.search.recommendation import recommended_by
from labkit.boundary import checked
from labkit.errors import ReadingError, RegionError
from labkit.tasting import Scale, Sweep, alkalinity_dial, hardness_dial, ratio_sweep
from labkit.water import COORDINATE, COORDINATES, Target, amount, as_coordinates

DIALS: Final[dict[str, Callable[..., Sweep]]] = {
    "mg_share": ratio_sweep,
    "hardness_mg_l_caco3": hardness_dial,
    "alkalinity_mg_l_caco3": alkalinity_dial,
}
"""The walk's order (common practice), and the sweep that each step tastes."""

EVEN_AND_MODERATE: Final = (0.5, 100.0, 30.0)
"""Where the walk begins unless told otherwise (common practice)."""

FEWEST_LEVELS: Final = 3
"""Levels side by side that make a dial."""

SMALL_LOSS: Final = 0.15
"""Points of a 1-9 scale that nobody would miss."""

MOST_REPEATS: Final = 2
"""A dial is tasted that often before the walk goes on whatever it told."""


class WalkState(StrEnum):
    """Where the walk stands."""

    BEGINS = "begins"
    NEXT = "goes on to the next dial"
    AGAIN = "tastes the last dial again"
    END = "is at its end"


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkStep:
    """Where the walk stands, and what to taste next."""

    sweep: Sweep | None
    """The next dial; None when the walk is at its end."""

    kept: Target
    """The recommended water; where the walk began before the first dial."""

    dialled: tuple[str, ...]
    """Coordinates dialled so far."""

    expected_loss: float | None
    """Points that the level kept is expected to give away on the last dial; None before it."""

    state: WalkState
    """Where it stands."""

    is_told: bool = True
    """Whether the last dial tells the level kept."""


@checked(ReadingError)
def classical_walk(
    frame: pd.DataFrame | None,
    region: Region | None = None,
    k: int = 5,
    *,
    start: object | None = None,
    attribute: str = "overall",
    brew_method: str | None = None,
    scale: Scale | None = None,
    seed: int | np.random.Generator | None = None,
) -> WalkStep:
    """The next dial of the classical walk.

    A dial holds two coordinates and varies the third. The walk goes on from the water that is
    recommended everywhere, not from the best single mean. A dial that leaves much open is tasted a
    second time before the walk goes on.

    Parameters
    ----------
    frame : DataFrame or None
        The scores so far; None or empty at the beginning.
    region : Region, optional
        Where to walk; a locked coordinate is not dialled.
    k : int
        Levels of a dial, at least 3.
    start : Target, optional
        Where to begin; an even ratio at moderate hardness and alkalinity unless given.
    attribute, brew_method, scale, seed : optional
        As for :func:`labkit.analysis.believe`.

    Raises
    ------
    RegionError
        If `k` is below 3, or no coordinate can be dialled.
    """
    region = Region() if region is None else region
    rng = np.random.default_rng(SEED if seed is None else seed)
    order = [name for name in DIALS if name in region.varied]
    if k < FEWEST_LEVELS or not order:
        raise RegionError(
            f"k must be at least {FEWEST_LEVELS} levels of a coordinate that may vary, got {k} of "
            f"{', '.join(order) or 'none'}. Take more cups, or unlock a coordinate.",
            field="k",
        )
    begin = region.nearest(EVEN_AND_MODERATE if start is None else start)[0]
    if frame is None or frame.empty:
        sweep = _dial(region, begin, order[0], k)
        return WalkStep(
            sweep=sweep,
            kept=water_target(begin),
            dialled=(),
            expected_loss=None,
            state=WalkState.BEGINS,
        )
    dials: list[tuple[str, int]] = []
    for name in order:
        n_times = _times_dialled(frame, name)
        if not n_times:
            break
        dials.append((name, n_times))
    kept, loss, unsettled, is_told = begin, None, False, True
    if dials:
        last, n_times = dials[-1]
        scores = gather_scores(frame, attribute, brew_method=brew_method)
        served = recommended_by(estimate(scores, scale=scale))
        kept, is_told = (
            as_coordinates(served.water)[0],
            last not in [n.factor for n in served.untold],
        )
        line = _line(region, kept, last)
        asked = np.vstack([line, kept])
        # What one dial leaves open is asked of the surface, which lends the least of its own.
        belief = believe(scores, region, scale=scale, also=asked, engine="surface", seed=rng)
        loss = _loss_on(belief, line, kept)
        unsettled = loss > SMALL_LOSS * belief.cups.points and n_times < MOST_REPEATS
    done = [name for name, _ in dials]
    return _next_step(region, kept, order, done, loss, k, unsettled=unsettled, is_told=is_told)


def _next_step(
    region: Region,
    kept: Floats,
    order: list[str],
    done: list[str],
    loss: float | None,
    k: int,
    *,
    unsettled: bool,
    is_told: bool,
) -> WalkStep:
    sweep, state = None, WalkState.END
    if unsettled:
        sweep, state = _dial(region, kept, done[-1], k), WalkState.AGAIN
    elif len(done) < len(order):
        sweep, state = _dial(region, kept, order[len(done)], k), WalkState.NEXT
    return WalkStep(
        sweep=sweep,
        kept=water_target(kept),
        dialled=tuple(done),
        expected_loss=loss,
        state=state,
        is_told=is_told,
    )


def _times_dialled(frame: pd.DataFrame, name: str) -> int:
    """Flights that dialled a coordinate alone."""
    tasted = frame[["session", "flight", *COORDINATES]].drop_duplicates()
    flights = tasted.groupby(["session", "flight"], sort=False).ngroup().to_numpy()
    waters = tasted[list(COORDINATES)].to_numpy(dtype=float)
    column = COORDINATES.index(name)
    others = np.delete(waters, column, axis=1)
    times = 0
    for flight in np.unique(flights):
        mine = flights == flight
        for level in np.unique(others[mine], axis=0):
            line = waters[mine & (np.abs(others - level) < 1e-6).all(axis=1)]
            if len(line) >= FEWEST_LEVELS:
                times += 1
    return times


def _line(region: Region, through: Floats, name: str) -> Floats:
    """Recipes of the grid that differ from `through` in one coordinate only."""
    column = COORDINATES.index(name)
    nearest = region.nearest(through)[0]
    others = [i for i in range(3) if i != column]
    on = (np.abs(region.grid[:, others] - nearest[others]) < 1e-6).all(axis=1)
    return np.asarray(region.grid[on])


def _dial(region: Region, kept: Floats, name: str, k: int) -> Sweep:
    line = _line(region, kept, name)
    if len(line) < FEWEST_LEVELS:
        raise RegionError(
            f"the region must hold at least {FEWEST_LEVELS} levels of {COORDINATE[name].words} "
            f"around {amount(name, float(kept[COORDINATES.index(name)]))}, got {len(line)}. "
            "Take finer steps or a wider range."
        )
    column = COORDINATES.index(name)
    spread = np.linspace(0, len(line) - 1, min(k, len(line))).round().astype(int)
    levels = np.sort(line[:, column])[spread]
    held = {other: float(kept[i]) for i, other in enumerate(COORDINATES) if other != name}
    return DIALS[name](levels.tolist(), **held)


def _loss_on(belief: Belief, line: Floats, kept: Floats) -> float:
    """Points that the water kept is expected to give away against the best on the line."""
    draws = belief.posterior.draws[:, belief.posterior.places(line)]
    served = belief.posterior.draws[:, belief.posterior.places(kept)[0]]
    return float(np.mean(np.maximum(draws.max(axis=1), served) - served))
