"""Before the first cup: what each path is expected to find, by flights, tasters and cups."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from tqdm.auto import tqdm

from labkit.analysis.model.coding import Floats
from labkit.analysis.one_thread import one_thread
from labkit.analysis.pair_tests.difference import check_count
from labkit.analysis.region import Region
from labkit.analysis.search.belief import believe
from labkit.analysis.search.cups import WIDTH
from labkit.analysis.search.next_flight import suggest_flight
from labkit.analysis.search.shapes import Shapes, draw_shapes
from labkit.analysis.search.simulate import LIKING, PanelNoise, SimulatedPanel
from labkit.analysis.search.walk import classical_walk
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.shown import Shown
from labkit.steps import note_step
from labkit.tasting import MINUTES_A_JUG, Scale, table_minutes
from labkit.water import as_coordinates, water_numbers

Path: TypeAlias = Literal["search", "classical walk"]

PATHS: Final[tuple[Path, ...]] = ("search", "classical walk")
SEED: Final = 20_250_304
EFFECT_POINTS: Final = (0.5, 2.0)
"""Points of a 1-9 scale that water may cost a coffee, in the simulated ones."""

DRAWN_A_COFFEE: Final = 16
"""Coffees drawn for each one that is simulated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanCurves(Shown):
    """Expected loss against flights, for each path, panel size and number of cups."""

    frame: pd.DataFrame
    """Columns ``path, n_tasters, cups, flight, n_cups, repeats, minutes, jug_minutes, loss, low,
    high``: cups mixed so far, how many of them on average held a water of their flight again,
    minutes at the table and at the jugs so far, mean points given away, and the 90 % interval of
    that mean over the simulated coffees."""

    n_coffees: int
    """Simulated coffees behind each curve."""

    points: float
    """One point of a 1-9 scale in points of the scale simulated."""

    def cups_needed(self, loss: float) -> pd.DataFrame:
        """For each path, panel size and number of cups: cups until the mean loss is that low.

        Parameters
        ----------
        loss : float
            Points that may be given away against the best water.

        Returns
        -------
        DataFrame
            Columns ``path, n_tasters, cups, n_cups``; ``n_cups`` is NaN where it was never reached.
        """
        reached = self.frame[self.frame["loss"] <= loss].groupby(_DESIGN)["n_cups"].min()
        settings = self.frame[_DESIGN].drop_duplicates()
        return settings.merge(reached.reset_index(), on=_DESIGN, how="left").reset_index(drop=True)

    def soonest(self, loss: float) -> Soonest:
        """Which design reaches a loss in the fewest minutes at the table, and what others cost.

        Parameters
        ----------
        loss : float
            Points that may be given away against the best water.
        """
        designs = [
            Design(flights=row["flight"], **{name: row[name] for name in (*_DESIGN, *_COSTS)})
            for row in self.frame.to_dict("records")
        ]
        nearest = min(designs, key=lambda one: (one.loss, one.minutes))
        first: dict[tuple[object, ...], Design] = {}
        for one in designs:
            if one.loss <= loss:
                first.setdefault((one.path, one.n_tasters, one.cups), one)
        sooner = sorted(first.values(), key=lambda one: one.effort)
        best = [one for one in sooner if not any(other.dominates(one) for other in sooner)]
        return Soonest(
            loss=loss,
            design=best[0] if best else None,
            next_best=best[1] if len(best) > 1 else None,
            nearest=nearest,
            n_flights=int(self.frame["flight"].max()),
            n_coffees=self.n_coffees,
        )

    def beside(self, other: PlanCurves) -> PlanCurves:
        """These curves and those of other designs that tasted the same coffees.

        Parameters
        ----------
        other : PlanCurves
            Of as many coffees, of the same seed, scale and noise.
        """
        return replace(self, frame=pd.concat([self.frame, other.frame], ignore_index=True))


_DESIGN: Final = ["path", "n_tasters", "cups"]
_COSTS: Final = ("repeats", "minutes", "jug_minutes", "loss", "low", "high")


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A panel and its flights, and what they cost and are expected to give away."""

    path: Path
    """Which cups are chosen."""

    n_tasters: int
    """People at the table."""

    cups: int
    """Cups side by side."""

    flights: int
    """How many are tasted."""

    repeats: float
    """Cups of all flights that hold a water of their flight again, on average."""

    minutes: float
    """At the table."""

    jug_minutes: float
    """At the jugs before."""

    loss: float
    """Points expected to be given away."""

    low: float
    """Lower end of the 90 % interval of that mean over the simulated coffees."""

    high: float
    """Upper end."""

    @property
    def effort(self) -> tuple[float, float, int]:
        """Minutes at the table, minutes at the jugs, tasters: compared in this order."""
        return self.minutes, self.jug_minutes, self.n_tasters

    def dominates(self, other: Design) -> bool:
        """Whether this costs no more of anything, and less of something or for a smaller loss.

        Parameters
        ----------
        other : Design
            That reaches as much.
        """
        pairs = list(zip(self.effort, other.effort, strict=True))
        is_less = any(a < b for a, b in pairs) or self.loss < other.loss
        return all(a <= b for a, b in pairs) and is_less


@dataclass(frozen=True, slots=True, kw_only=True)
class Soonest(Shown):
    """The design that reaches a loss in the fewest minutes at the table."""

    loss: float
    """Points that may be given away."""

    design: Design | None
    """The one; None where none reaches it in the flights simulated."""

    next_best: Design | None
    """The next one that is not worse in everything: with fewer tasters, or less at the jugs."""

    nearest: Design
    """That which gives away least, in the flights simulated."""

    n_flights: int
    """Flights simulated."""

    n_coffees: int
    """Coffees simulated."""


@checked(ReadingError)
def plan_curves(
    *,
    n_tasters: Sequence[int] = (4,),
    cups: Sequence[int] = (5,),
    n_flights: int = 6,
    paths: Sequence[Path] = PATHS,
    noise: PanelNoise | None = None,
    scale: Scale = LIKING,
    region: Region | None = None,
    n_coffees: int = 24,
    n_jobs: int = 1,
    progress: bool = True,
    seed: int = SEED,
) -> PlanCurves:
    """Simulate tastings and tell what they are expected to give away, flight by flight.

    Every path, panel size and number of cups tastes the same simulated coffees: domes, hills,
    tents, ridges and twin hills, as often as the search takes them for likely beforehand, those
    with much to gain and those with little in their proportion.

    Parameters
    ----------
    n_tasters, cups : sequence of int
        Panel sizes and cups a flight to compare.
    n_flights : int
        Length of the curves.
    paths : sequence of str
        Of ``"search"`` (this package's suggestions) and ``"classical walk"``.
    noise : PanelNoise, optional
        The panel's own, as of :class:`labkit.analysis.PanelHistory`; the usual unless given.
    scale : Scale
        What is scored on.
    region : Region, optional
        Where to search; the usual ranges unless given.
    n_coffees : int
        Simulated coffees; the interval of the mean narrows with its root.
    n_jobs : int
        Processes, as for joblib; inside ``joblib.parallel_config(backend="dask")`` a cluster.
    progress : bool
        Whether to show a bar.
    seed : int
        Of the coffees and all chance.

    Raises
    ------
    ReadingError
        If a number is below 1, not whole, or too large.
    """
    asked = [("n_flights", n_flights), ("n_coffees", n_coffees)]
    asked += [("n_tasters", size) for size in n_tasters] + [("cups", many) for many in cups]
    for name, number in asked:
        check_count(name, number)
    points = (scale.highest - scale.lowest) / WIDTH
    setting = _Setting(
        n_flights=n_flights,
        noise=PanelNoise().times(points) if noise is None else noise,
        scale=scale,
        points=points,
        region=Region() if region is None else region,
        seed=seed,
    )
    coffees = planted_coffees(n_coffees, points, setting.region, np.random.default_rng(seed))
    designs = [(path, size, many) for path in paths for size in n_tasters for many in cups]
    games = [design for design in designs for _ in coffees]
    played = Parallel(n_jobs=n_jobs, return_as="generator")(
        delayed(_play)(setting, peak, number, *design)
        for design in designs
        for number, peak in enumerate(coffees)
    )
    losses = []
    for coffee in tqdm(played, total=len(games), desc="simulated coffees", disable=not progress):
        losses.append(coffee)
        note_step(len(losses), len(games))
    rows = [
        {
            "path": path,
            "n_tasters": size,
            "cups": many,
            "flight": flight,
            "n_cups": flight * many,
            "repeats": repeats,
            "minutes": table_minutes(flight, many),
            "jug_minutes": flight * many * MINUTES_A_JUG,
            "loss": loss,
        }
        for (path, size, many), coffee in zip(games, losses, strict=True)
        for flight, (loss, repeats) in enumerate(coffee, start=1)
    ]
    keys = [*_DESIGN, "flight", "n_cups", "minutes", "jug_minutes"]
    games_by = pd.DataFrame(rows).groupby(keys, sort=False)
    told = games_by["loss"].agg(["mean", "sem"]).reset_index()
    told["repeats"] = games_by["repeats"].mean().to_numpy()
    told["sem"] = told["sem"].fillna(0.0)
    told = told.assign(
        loss=told["mean"],
        low=(told["mean"] - 1.645 * told["sem"]).clip(lower=0),
        high=told["mean"] + 1.645 * told["sem"],
    )
    return PlanCurves(
        frame=told[[*_DESIGN, "flight", "n_cups", *_COSTS]], n_coffees=n_coffees, points=points
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Setting:
    """What all games of one simulation share."""

    n_flights: int
    noise: PanelNoise
    scale: Scale
    points: float
    region: Region
    seed: int


def _play(
    setting: _Setting, peak: PlantedShape, number: int, path: Path, n_tasters: int, cups: int
) -> list[tuple[float, int]]:
    """Points given away after each flight, and cups that held a water again so far, of a coffee."""
    rng = np.random.default_rng([setting.seed, number])
    panel = SimulatedPanel.draw(
        [f"taster {i + 1}" for i in range(n_tasters)],
        peak,
        seed=rng,
        scale=setting.scale,
        noise=setting.noise,
    )
    best = float(peak(setting.region.grid).max())
    with one_thread():
        chosen, repeats = (_search if path == "search" else _walk)(setting, panel, cups, rng)
    losses = [best - float(peak(water)[0]) for water in chosen]
    return list(zip(losses, np.cumsum(repeats).tolist(), strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantedShape:
    """A surface of the kinds that the search averages over."""

    shapes: Shapes
    """Among them."""

    number: int
    """Which of them."""

    points: float
    """By how many it falls from its best water to low ones."""

    def __call__(self, waters: Floats) -> Floats:
        """Points relative to the best water of the standard ranges, shape (n,)."""
        heights = self.shapes.heights(np.atleast_2d(waters), np.array([self.number]))
        return np.asarray(self.points * heights[0], dtype=float)


def planted_coffees(
    n_coffees: int, points: float, region: Region, rng: np.random.Generator
) -> list[PlantedShape]:
    """Coffees of any kind, drawn anew: none is the library's, and few stand for all.

    Many are drawn and put in order by what the water better than 99 of 100 still gives away: much
    where the hill is narrow and high, as good as nothing where the coffee is flat. Of each of
    equally many in a row one is taken by chance. Of twelve drawn freely, too many may be flat, and
    a mean over them promises too much.

    Parameters
    ----------
    n_coffees : int
        How many are taken.
    points : float
        One point of a 1-9 scale in points of the scale simulated.
    region : Region
        Where to search.
    rng : numpy.random.Generator
        Where they come from.
    """
    shapes = draw_shapes(n_coffees * DRAWN_A_COFFEE, rng=rng)
    drawn = [
        PlantedShape(shapes=shapes, number=at, points=effect * points)
        for at, effect in enumerate(rng.uniform(*EFFECT_POINTS, len(shapes)))
    ]
    heights = shapes.heights(region.grid)
    near_best = heights.max(axis=1) - np.quantile(heights, 0.99, axis=1)
    given_away = near_best * [coffee.points for coffee in drawn]
    parts = np.argsort(given_away, kind="stable").reshape(n_coffees, DRAWN_A_COFFEE)
    return [drawn[rng.choice(part)] for part in parts]


def _search(
    setting: _Setting, panel: SimulatedPanel, cups: int, rng: np.random.Generator
) -> tuple[list[Floats], list[int]]:
    scores: pd.DataFrame | None = None
    chosen, repeats = [], []
    belief = believe(
        None, setting.region, n_tasters=len(panel.tasters), scale=setting.scale, seed=rng
    )
    for flight in range(1, setting.n_flights + 1):
        waters = suggest_flight(belief, k=cups, seed=rng).served
        repeats.append(len(waters) - len(set(water_numbers(waters))))
        told = panel.taste_flights([waters], seed=rng, first_flight=flight)
        scores = told if scores is None else pd.concat([scores, told], ignore_index=True)
        belief = believe(scores, setting.region, scale=setting.scale, seed=rng)
        chosen.append(belief.posterior.recipes[belief.leader])
    return chosen, repeats


def _walk(
    setting: _Setting, panel: SimulatedPanel, cups: int, rng: np.random.Generator
) -> tuple[list[Floats], list[int]]:
    scores: pd.DataFrame | None = None
    chosen, repeats = [], []
    step = classical_walk(None, setting.region, cups, scale=setting.scale, seed=rng)
    for flight in range(1, setting.n_flights + 1):
        repeats.append(0)
        if step.sweep is not None:
            repeats[-1] = len(step.sweep.targets) - len(set(water_numbers(step.sweep.targets)))
            told = panel.taste_flights([step.sweep.targets], seed=rng, first_flight=flight)
            scores = told if scores is None else pd.concat([scores, told], ignore_index=True)
            step = classical_walk(scores, setting.region, cups, scale=setting.scale, seed=rng)
        chosen.append(as_coordinates(step.kept)[0])
    return chosen, repeats
