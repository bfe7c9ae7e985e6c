"""The one recommendation: which water these scores speak for, how surely, and what is not told.

Headline, card, report, tank, walk and confirming test all take it from here. It reads the average
over shapes within what was tasted. A coordinate that the cups do not tell stays where it was held.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import Scores
from labkit.analysis.one_thread import one_thread
from labkit.analysis.region import STANDARD_STEPS, water_target
from labkit.analysis.remembered import Remembered
from labkit.analysis.search.estimate import (
    SEED,
    Estimate,
    SecondOpinion,
    estimate,
    second_opinion,
    served_control,
)
from labkit.analysis.search.posterior import N_BEST, around, every_other_level
from labkit.errors import ReadingError
from labkit.tasting import SCALES, Scale
from labkit.water import COORDINATE, COORDINATES, STANDARD_SPAN, Target, as_coordinates

NEAR_EQUAL: Final = 0.005
"""Points of a 1-9 scale below which waters count as equal, and sense decides between them."""

TOLD: Final = 0.55
"""Chance that moving a coordinate from where it was held betters the cup, from which the cups tell
it. Possible truths in which no water matters count half."""

DEAREST: Final = 0.05
"""Points of a 1-9 scale that coordinates which are not told may give away at most together."""

SURE: Final = 0.97
"""Chance of beating the control from which a water is called better: it is asked after every flight
and of the best of many waters, so that .95 named a winner on 6 of 140 flat coffees, .97 on one."""

LIKELY: Final = 0.8
"""Chance of beating the control from which a confirming test is worth its cups."""

WIDER: Final = 1.15
"""By how much a difference to the control is less sure than its draws: coffees are unlike every
shape. Chances of .85 and .94 as drawn came true in .77 to .82 and .90 to .92 (DEVELOPERS.md)."""

FEWEST_CUPS: Final = 12
"""Before that many cups a taster (three flights of four) what is thought sure is mostly the
engine's own opinion: of searches after one flight of five cups or two, stated chances of .8 to .9
came true in two thirds (65 cases)."""

SMALL_LOSS: Final = 0.15
"""Points of a 1-9 scale that nobody would miss."""

MATTERS: Final = 0.5
"""Points of a 1-9 scale from which a water matters: a step of the score sheet."""

AT_MOST: Final = 0.95
"""Share of the draws in which no water lies higher than what any may win at most. It is said with a
chance of 90 %: who says it only where it is little says it of the draws that fell low. Of .9 it was
true in .87 of 85 states that were told that no water matters, of .95 in .93 of 44."""

FEWEST_LEVELS: Final = 4
"""Steps that even a narrow range tasted is cut into."""

MOST_LEVELS: Final = 20
"""Steps that a wide one is cut into at most."""

MOST_KEPT: Final = 200
"""Recommendations that are kept."""


class Level(StrEnum):
    """How sure it is that the recommended water is the one to serve, rather than the control."""

    SETTLED = "settled"
    """Better than the control; or the control itself, and little is given away."""

    LIKELY = "likely"
    """Worth a confirming test."""

    OPEN = "open"

    NO_WATER_MATTERS = "no water matters"
    """None lies above the control by more than ``most_to_gain``."""


_KEPT: Final[Remembered[Recommendation]] = Remembered(MOST_KEPT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the cups say of one coordinate."""

    factor: str
    """Name of the coordinate."""

    level: float
    """Of the recommended water."""

    was_varied: bool
    """Whether cups differ in it at all."""

    is_told: bool
    """Whether they tell that moving it from where it was held betters the cup, or that it is well
    where it was. One that is not told stays where it was held."""

    anywhere: bool
    """Whether any level tasted may be the best (95 %), even if moving it likely betters the cup."""

    may_cost: float | None
    """Points that keeping it is expected to give away; None if told, or never varied."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recommendation:
    """The water that one coffee's scores speak for."""

    water: Target
    """What to serve."""

    expected: float
    """Score that is expected of it."""

    low: float
    """Lower end of the 90 % interval of its score."""

    high: float
    """Upper end."""

    control: Target | None
    """The water to beat; None if none was served."""

    held: Target
    """Where coordinates stay that are not told: at the level of the water that a test confirmed
    last, else of the control, else of the most central water tasted."""

    chance_above_control: float | None
    """Probability that it is truly better than the control; None without one, or if it is it."""

    over_control: tuple[float, float, float] | None
    """Points above the control: expected, and the ends of the 90 % interval."""

    most_to_gain: float | None
    """Points by which any water within what was tasted lies above the control at most, with a
    chance of 90 % (``AT_MOST``); None without a control."""

    expected_loss: float
    """Points that it is expected to give away against the best water within what was tasted."""

    level: Level
    """How sure it is that it is better than the control."""

    coordinates: tuple[Told, ...]
    """What is told, one a coordinate, in the order of ``COORDINATES``."""

    was_tasted: bool
    """Whether a cup of it was poured."""

    plain: SecondOpinion
    """What the second-order surface alone would choose within what was tasted, and whether each
    way of reading is sure of its own."""

    where: tuple[tuple[Target, float], ...] = ()
    """Where the best water within what was tasted may lie: waters, each with the chance that it is
    the best of those compared; the chances sum to 1."""

    plain_means: tuple[float, float] | None = None
    """Plain means of the scores of the water and of the control; None unless both were scored."""

    n_older: int = 0
    """Cups of earlier flights that were not read: a history of thousands is cut."""

    @property
    def untold(self) -> tuple[Told, ...]:
        """The coordinates that are not told."""
        return tuple(one for one in self.coordinates if not one.is_told)

    def range_of(self, factor: str, *, chance: float = 0.95) -> tuple[float, float]:
        """Between which levels of a coordinate the best water lies.

        Parameters
        ----------
        factor : str
            One of ``labkit.water.COORDINATES``.
        chance : float
            That it does, as ``where`` has it; what is left is halved between both ends.
        """
        return _between(self.where, factor, chance)

    @property
    def is_control(self) -> bool:
        """Whether the control itself is recommended."""
        return self.control == self.water


def recommend(scores: Scores, *, feasible: Any = None) -> Recommendation:
    """The water to serve after these scores; what was worked out once is kept.

    Parameters
    ----------
    scores : Scores
        Of one coffee, one attribute and one brew method, on a scale on which more is better.
    feasible : Region, targets or (n, 3) array, optional
        Waters to choose from; anything within the ranges tasted unless given.

    Raises
    ------
    ReadingError
        If the scores cannot be read.

    Notes
    -----
    Of the waters within what was tasted the one with the highest expected score is taken. A
    coordinate whose move from the held level betters the cup with a chance below ``TOLD`` goes
    back, the cheapest first, the others being chosen anew, unless they would give away
    ``DEAREST``. Among waters that are then less than ``NEAR_EQUAL`` apart sense decides
    (`by_sense`). What comes out and was never poured cannot be settled: a poured water that surely
    beats the control goes before it, unless that would give away ``DEAREST``.
    """
    if feasible is not None:
        return _recommended(estimate(scores), scores, feasible)
    key = _key(scores, served_control(scores), SCALES.get(scores.scale))
    return _KEPT.get(key, lambda: _recommended(estimate(scores), scores))


def recommended_by(now: Estimate) -> Recommendation:
    """The same from an estimate that stands already, of scores."""
    if now.scores is None:
        raise ReadingError("there must be scores to recommend from, got none. Taste first.")
    scores = now.scores
    key = _key(scores, now.control, now.scale)
    return _KEPT.get(key, lambda: _recommended(now, scores))


def _key(scores: Scores, control: Floats, scale: Scale | None) -> tuple[object, ...]:
    """What tells one set of scores from another: all that the estimate reads."""
    columns = ["session", "flight", "taster", "jug", "position", "is_control", *COORDINATES]
    read = scores.frame[[*columns, "score"]]
    hashes = pd.util.hash_pandas_object(read.astype(str), index=False).to_numpy()
    digest = hashlib.sha256(hashes.tobytes()).digest()
    return scores.attribute, digest, control.tobytes(), scale, scores.confirmed


def _recommended(now: Estimate, scores: Scores, feasible: Any = None) -> Recommendation:
    waters = scores.recipe_waters
    held = now.control[0] if len(now.control) else _most_central(waters)
    stays = _confirmed_or(held, scores)
    grid = tasted_grid(waters, stays)
    if feasible is not None:
        some = np.array(as_coordinates(getattr(feasible, "grid", feasible)))
        stayed = np.ptp(grid, axis=0) == 0
        some[:, stayed] = grid[0, stayed]
        some = np.unique(some.round(9), axis=0)
        within = (some >= grid.min(axis=0) - 1e-6) & (some <= grid.max(axis=0) + 1e-6)
        grid = some[within.all(axis=1)] if within.all(axis=1).any() else grid
    points = now.cups.points
    rng = np.random.default_rng(SEED)
    with one_thread():
        looked, mean, n_rough = _looked_at(now, grid, waters, stays)
        top, kept = put_back_untold(now, looked, mean, stays, rng)
        place = by_sense(looked, mean, stays, waters, points, top, kept)
        if len(now.control) and now.cups.cups_each >= FEWEST_CUPS:
            poured = np.flatnonzero(_among(looked, waters) & _stays(looked, stays, kept))
            place = settled_before_unpoured(now, looked, mean, place, poured)
        best = looked[place]
        plain = grid[[int(np.argmax(now.plain.expected(grid)))]]
        compared = np.vstack([best, held, plain, looked[:n_rough]])
        draws = now.truths(compared)
        mine = float(np.mean(draws[:, 0] > draws[:, 2]))
        where = _where(compared, draws)
        told = _of_coordinates(now, grid, best, stays, waters, where)
        second = second_opinion(now.plain, plain, best[None], mine, scale=now.scale, rng=rng)
    stated = (draws[:, 0].mean(), *np.quantile(draws[:, 0], [0.05, 0.95]))
    expected, low, high = now.stated(np.array(stated)).tolist()
    water = water_target(best)
    highest = draws.max(axis=1)
    loss = now.told.loss_scale * float((highest - draws[:, 0]).mean())
    control, chance, over, most_to_gain = None, None, None, None
    if len(now.control):
        control = water_target(held)
        most_to_gain = float(np.quantile(highest - draws[:, 1], AT_MOST))
        if control != water:
            more = differences(draws[:, 0], draws[:, 1])
            chance = float(np.mean(more > 0))
            least, most = np.quantile(more, [0.05, 0.95])
            over = (float(more.mean()), float(least), float(most))
    was_tasted = bool(_among(best[None], waters)[0])
    return Recommendation(
        water=water,
        expected=expected,
        low=low,
        high=high,
        control=control,
        held=water_target(stays),
        chance_above_control=chance,
        over_control=over,
        most_to_gain=most_to_gain,
        expected_loss=loss,
        level=level_of(
            chance,
            was_tasted=was_tasted,
            cups_each=now.cups.cups_each,
            most_to_gain=None if most_to_gain is None else most_to_gain / points,
            expected_loss=loss / points,
        ),
        coordinates=told,
        was_tasted=was_tasted,
        plain=second,
        where=where,
        plain_means=None if control is None or control == water else _plain_means(now, best, held),
        n_older=now.cups.n_older,
    )


def differences(mine: Floats, theirs: Floats) -> Floats:
    """Possible differences between two waters, as unsure as they turn out to be.

    Parameters
    ----------
    mine, theirs : ndarray
        Possible scores of each, draw by draw, shape (n_draws, ...), which must broadcast.

    Returns
    -------
    ndarray
        Of the same shape, wider than the differences of the draws by ``WIDER``; draws in which
        both are equal stay so.
    """
    more = mine - theirs
    middle = more.mean(axis=0)
    return np.where(more == 0, 0.0, middle + WIDER * (more - middle))


def _where(waters: Floats, draws: Floats) -> tuple[tuple[Target, float], ...]:
    """The waters that are the best in some draws, and in what share of them.

    Where all are equal in a draw, any of them is: one by chance.
    """
    best = draws.argmax(axis=1)
    equal = np.flatnonzero(draws.min(axis=1) == draws.max(axis=1))
    distinct = np.unique(waters, axis=0, return_index=True)[1]
    best[equal] = np.random.default_rng(SEED).choice(distinct, len(equal))
    place, times = np.unique(best, return_counts=True)
    return tuple(
        (water_target(waters[at]), float(n) / len(draws))
        for at, n in zip(place, times, strict=True)
    )


def _between(
    where: tuple[tuple[Target, float], ...], factor: str, chance: float = 0.95
) -> tuple[float, float]:
    levels = np.array([getattr(water, factor) for water, _chance in where])
    order = np.argsort(levels)
    reached = np.cumsum(np.array([each for _water, each in where])[order])
    least, most = np.searchsorted(reached, [(1 - chance) / 2 + 1e-9, (1 + chance) / 2 - 1e-9])
    return float(levels[order][least]), float(levels[order][min(most, len(levels) - 1)])


def _plain_means(now: Estimate, best: Floats, control: Floats) -> tuple[float, float] | None:
    mine, theirs = now.cups.plain_mean(best), now.cups.plain_mean(control)
    return None if mine is None or theirs is None else (mine, theirs)


def tasted_grid(waters: Floats, held: Floats) -> Floats:
    """Recipes within the ranges of the waters tasted, and these themselves, shape (n, 3).

    Levels of the dose grid where the range holds enough of them, the level held among them; what
    never varied stays.
    """
    axes = []
    for place, name in enumerate(COORDINATES):
        levels = waters[:, place]
        least, most = float(levels.min()), float(levels.max())
        if most - least <= COORDINATE[name].settled:
            axes.append(np.array([float(np.median(levels))]))
            continue
        usual = STANDARD_STEPS[name]
        step = usual * max(1.0, np.ceil((most - least) / (MOST_LEVELS * usual)))
        steps = np.arange(np.ceil(least / step - 1e-9), np.floor(most / step + 1e-9) + 1) * step
        if len(steps) <= FEWEST_LEVELS:
            steps = np.linspace(least, most, FEWEST_LEVELS + 1)
        axes.append(np.unique(np.r_[least, steps, most, held[place]].round(9)))
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.unique(np.vstack([grid, waters.round(9), held[None].round(9)]), axis=0)


def _confirmed_or(held: Floats, scores: Scores) -> Floats:
    """The water that a test confirmed last, level by level where these cups reach it."""
    if scores.confirmed is None:
        return held
    waters, confirmed = scores.recipe_waters, as_coordinates(scores.confirmed)[0]
    reached = (confirmed >= waters.min(axis=0) - 1e-6) & (confirmed <= waters.max(axis=0) + 1e-6)
    return np.where(reached, confirmed, held)


def _most_central(waters: Floats) -> Floats:
    """The water tasted that lies nearest to the middle of all of them."""
    off = ((waters - waters.mean(axis=0)) / STANDARD_SPAN) ** 2
    return np.asarray(waters[int(np.argmin(off.sum(axis=1).round(9)))])


def level_of(
    chance: float | None,
    *,
    was_tasted: bool,
    cups_each: int,
    most_to_gain: float | None,
    expected_loss: float,
) -> Level:
    """How sure it is that a water is better than the control.

    Parameters
    ----------
    chance : float or None
        That it is; None for the control itself, and without one.
    was_tasted : bool
        Whether it was poured: what was not is never settled.
    cups_each : int
        Cups before a taster so far.
    most_to_gain : float or None
        Points of a 1-9 scale by which any water lies above the control at most; None without one.
    expected_loss : float
        Points of a 1-9 scale that serving it is expected to give away.
    """
    enough = cups_each >= FEWEST_CUPS
    if chance is not None and chance >= SURE and was_tasted and enough:
        return Level.SETTLED
    if chance is not None and chance >= LIKELY and enough:
        return Level.LIKELY
    if chance is None and was_tasted and enough and expected_loss <= SMALL_LOSS:
        return Level.SETTLED
    if most_to_gain is not None and most_to_gain <= MATTERS and enough:
        return Level.NO_WATER_MATTERS
    return Level.OPEN


def _looked_at(
    now: Estimate, grid: Floats, waters: Floats, held: Floats
) -> tuple[Floats, Floats, int]:
    """Waters worth looking at, what is expected of them, and how many rough ones come first.

    After the rough levels of the grid: all levels around the best of those, what was tasted, and
    every water with a coordinate where it was held.
    """
    rough = every_other_level(grid)
    mean = now.told.expected(grid[rough])
    near = around(grid, rough[np.argsort(-mean, kind="stable")[:N_BEST]])
    stayed = np.flatnonzero((np.abs(grid - held) < 1e-6).any(axis=1))
    poured = np.flatnonzero(_among(grid, waters))
    more = np.setdiff1d(np.concatenate([near, stayed, poured]), rough)
    mean = np.concatenate([mean, now.told.expected(grid[more])])
    return grid[np.concatenate([rough, more])], mean, len(rough)


def put_back_untold(
    now: Estimate, looked: Floats, mean: Floats, held: Floats, rng: np.random.Generator
) -> tuple[int, list[int]]:
    """The best water once every coordinate that is not told is back where it was held, and these.

    A coordinate of which no water can be made at the level held is not put back.
    """
    kept: list[int] = []
    top = best = int(np.argmax(mean))
    while True:
        back, others = [], []
        for place in range(3):
            there = np.flatnonzero(_stays(looked, held, [*kept, place]))
            if place not in kept and abs(looked[best, place] - held[place]) > 1e-6 and len(there):
                back.append(place)
                others.append(int(there[np.argmax(mean[there])]))
        if not back:
            return best, kept
        draws = now.draws(looked[[best, *others]], rng=rng)
        more = draws[:, :1] - draws[:, 1:]
        # Where both are equal, nothing speaks for either.
        chances = ((more > 0).mean(axis=0) + (more >= 0).mean(axis=0)) / 2
        loss = mean[top] - mean[others]
        loss[chances >= TOLD] = np.inf
        least = int(np.argmin(loss))
        if loss[least] >= DEAREST * now.cups.points:
            return best, kept
        kept.append(back[least])
        best = others[least]


def _among(waters: Floats, others: Floats) -> NDArray[np.bool_]:
    """Which of the waters are one of the others."""
    apart = np.abs(waters[:, None, :] - others).max(axis=2)
    return np.asarray((apart < 1e-6).any(axis=1))


def _stays(waters: Floats, held: Floats, places: list[int]) -> NDArray[np.bool_]:
    return np.asarray((np.abs(waters[:, places] - held[places]) < 1e-6).all(axis=1))


def by_sense(
    looked: Floats,
    mean: Floats,
    held: Floats,
    poured: Floats,
    points: float,
    best: int,
    kept: list[int],
) -> int:
    """Of the waters that are as good as `best`, the most sensible.

    In this order: the fewest coordinates away from where they were held; a water that was poured;
    the nearest to the one held, by tenths of the usual ranges; the least scale (hardness that
    alkalinity can throw out of the water); the fewest salts; and the most points.
    """
    equal = np.flatnonzero(_stays(looked, held, kept) & (mean >= mean[best] - NEAR_EQUAL * points))
    waters = looked[equal]
    share, hardness, alkalinity = waters.T
    away = np.abs(waters - held)
    tasted = _among(waters, poured)
    salts = (share > 0).astype(int) + (share < 1) + (alkalinity > 0)
    keys = (
        -mean[equal],
        salts,
        np.minimum(hardness, alkalinity),
        np.sqrt(((away / STANDARD_SPAN) ** 2).sum(axis=1)).round(1),
        ~tasted,
        (away > 1e-6).sum(axis=1),
    )
    return int(equal[np.lexsort(keys)[0]])


def settled_before_unpoured(
    now: Estimate, looked: Floats, mean: Floats, best: int, poured: NDArray[np.int_]
) -> int:
    """The best water; or, where no cup of it was poured, one that surely beats the control.

    That is the best of those poured, if it gives away less than ``DEAREST``: what was never poured
    cannot be settled, and a flight only to pour it is worth no more than that.

    Parameters
    ----------
    now : Estimate
        With a control.
    looked : ndarray, shape (n, 3)
        Waters that are looked at.
    mean : ndarray, shape (n,)
        What is expected of them.
    best : int
        Which of them is to be recommended.
    poured : ndarray of int
        Which of them were poured, and keep what is not told.
    """
    near = poured[mean[poured] > mean[best] - DEAREST * now.cups.points]
    if best in poured or not len(near):
        return best
    instead = int(near[np.argmax(mean[near])])
    draws = now.truths(np.vstack([looked[instead], now.control]))
    is_sure = np.mean(differences(draws[:, 0], draws[:, 1]) > 0) >= SURE
    return instead if is_sure else best


def _of_coordinates(
    now: Estimate,
    grid: Floats,
    best: Floats,
    held: Floats,
    tasted: Floats,
    where: tuple[tuple[Target, float], ...],
) -> tuple[Told, ...]:
    """What is told of each coordinate: it moved, or both ends of what was tasted are worse.

    That it is well where it was is not told where the best may lie anywhere in what was tasted.
    """
    told, rng = [], np.random.default_rng(SEED)
    for place, name in enumerate(COORDINATES):
        levels = np.unique(grid[:, place])
        was_varied = float(np.ptp(levels)) > COORDINATE[name].settled
        moved = bool(abs(best[place] - held[place]) > 1e-6)
        low, high = _between(where, name)
        anywhere = low <= tasted[:, place].min() + 1e-6 and high >= tasted[:, place].max() - 1e-6
        is_told, may_cost = was_varied and moved, None
        if was_varied and not is_told:
            line = np.tile(best, (len(levels), 1))
            line[:, place] = levels
            draws = now.draws(np.vstack([best, line]), rng=rng)
            ends = [at for at in (0, -1) if abs(levels[at] - best[place]) > 1e-9]
            worse = np.mean(draws[:, :1] > draws[:, 1:][:, ends], axis=0)
            is_told = bool(worse.min() >= LIKELY) and not anywhere
            may_cost = None if is_told else float((draws.max(axis=1) - draws[:, 0]).mean())
        told.append(
            Told(
                factor=name,
                level=float(best[place]),
                was_varied=was_varied,
                is_told=is_told,
                anywhere=was_varied and anywhere,
                may_cost=may_cost,
            )
        )
    return tuple(told)
