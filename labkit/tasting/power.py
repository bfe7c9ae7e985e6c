"""Before the session: what a plan costs and the smallest difference it would likely see."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum, auto
from functools import lru_cache
from typing import Final

import numpy as np
import pandas as pd
from scipy.special import nctdtr, stdtrit

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.noted import Noted
from labkit.shown import Shown
from labkit.tasting.detectable import detectable_difference
from labkit.tasting.layout import BlocksBy, Draw, lay_out
from labkit.tasting.scales import MOST_POINTS, Scale
from labkit.tasting.sizes import COMFORTABLE_CUPS, Sizes, check_whole, size_flights
from labkit.tasting.sweeps import Sweep
from labkit.tasting.vessels import Vessels
from labkit.water import is_finite

MINUTES_A_CUP: Final = 2.0
"""Tasting and scoring a cup once, all tasters at the same time, common practice."""

MINUTES_A_FLIGHT: Final = 12.0
"""Brewing, breaking and cooling of a flight at the table, common practice."""

MINUTES_OF_REST: Final = 10.0
"""Rest and palate cleansing between flights, common practice."""

MINUTES_A_JUG: Final = 4.0
"""Pipetting the salts of a jug, mixing and labelling it; our judgement."""


@checked(PlanError)
def flight_minutes(cups: int, stages: int = 1) -> float:
    """Time that a flight takes at the table, with its brewing (minutes).

    Parameters
    ----------
    cups : int
        Cups before a taster.
    stages : int
        How often each cup is scored as it cools.
    """
    return MINUTES_A_FLIGHT + cups * stages * MINUTES_A_CUP


@checked(PlanError)
def table_minutes(flights: int, cups: int, stages: int = 1) -> float:
    """Time that flights of one day take at the table, with brewing and rests (minutes).

    Parameters
    ----------
    flights : int
        How many.
    cups : int
        Cups before a taster in each.
    stages : int
        How often each cup is scored as it cools.
    """
    return flights * flight_minutes(cups, stages) + (flights - 1) * MINUTES_OF_REST


_FEWEST_SPARE: Final = 3
"""Differences between jugs, beyond the waters' own, from which a reading judges by jugs too."""

_BEYOND_DOUBT: Final = 40.0
"""Shifts of the noncentral t, over its limit, whose chance of being missed is nothing."""

_MOST_ML: Final = 10_000.0
"""No cup or bowl holds more (mL)."""


class NoiseFrom(Enum):
    """Where a panel's noise is from; in brackets the facts that come with it."""

    GIVEN = auto()
    """Whoever asks."""

    PRACTISED = auto()
    """The default for people who taste for a living."""

    BOOK = auto()
    """The lab book (n: scores, coffee, jug_assumed: whether that of the jug is a default)."""


_GIVEN: Final = Noted(NoiseFrom.GIVEN)


@checked(PlanError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class TasterNoise:
    """Standard deviations of scores that do not come from the water, in points of the scale."""

    repeat_sd: float
    """A taster scoring the same jug again under another code."""

    taster_water_sd: float
    """Tasters differing in how they respond to a water."""

    jug_sd: float
    """The same water mixed and brewed again, for all who taste that jug."""

    source: Noted[NoiseFrom] = _GIVEN
    """Where the numbers are from, said wherever they are used."""

    def __post_init__(self) -> None:
        for name in ("repeat_sd", "taster_water_sd", "jug_sd"):
            value = getattr(self, name)
            if not (is_finite(value) and 0 <= value <= MOST_POINTS):
                raise PlanError(
                    f"{name} must be 0 or more points of the scale, got {value!r}. "
                    "Give a standard deviation.",
                    field=name,
                )
        if self.repeat_sd == 0:
            raise PlanError(
                "repeat_sd must be above 0, got 0: nobody repeats a score exactly. "
                "Take the default noise where there is no history.",
                field="repeat_sd",
            )


@checked(PlanError)
def practised_noise(scale: Scale) -> TasterNoise:
    """Noise of people who taste for a living, where the lab book has no history of them.

    A tenth of the scale for repeating, the figure that sensory texts give for trained panels
    (from memory: Lawless & Heymann, Sensory Evaluation of Food, 2nd ed. 2010). The other two are
    assumptions: six hundredths for tasters' own response, a fiftieth for a jug.

    Parameters
    ----------
    scale : Scale
        Its width sets the points.
    """
    width = scale.highest - scale.lowest
    return TasterNoise(
        repeat_sd=0.10 * width,
        taster_water_sd=0.06 * width,
        jug_sd=0.02 * width,
        source=Noted(NoiseFrom.PRACTISED),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPower(Shown):
    """Cost of a plan and what it would likely see."""

    sizes: Sizes
    """Flights and cups before one taster."""

    n_tasters: int
    """People at the table."""

    jugs: int
    """Jugs to mix and brew, all flights together."""

    water_ml: float
    """Water to mix for all jugs together (mL)."""

    water_each_ml: float
    """Of each water apart from control and duplicates (mL)."""

    minutes: float
    """At the table, with brewing and rests."""

    error_sd: float
    """Standard error of the difference between two waters, in points."""

    degrees_of_freedom: int
    """Of the error that a difference is judged by; 0 if nothing would tell it."""

    degrees_between: int
    """By which a reading judges its best water: of the differences between tasters, or, where
    waters come from more than one jug, half-way to those between jugs. Every second reading finds
    jugs to differ and judges by them: with tasters alone, 69 % of single flights of six tasters and
    64 % of eight saw what was promised for 80 %, so 81 and 78 % do (120 to 200 panels)."""

    n_terms: int
    """Coefficients that a reading fits to these waters, beside the level."""

    span: float
    """Points from the lowest to the highest score of the scale."""

    alpha: float
    """Two-sided risk of seeing a difference that is not there."""

    chance: float
    """Chance asked for to see a difference that is there."""

    region: tuple[tuple[str, float], ...]
    """Factor and width of the narrowest interval for the best level, in natural units."""

    noise: TasterNoise
    """The noise assumed."""

    @property
    def difference(self) -> float:
        """Smallest difference of two waters, named beforehand, seen with the chance asked for.

        Infinite if none that fits on the scale would be.
        """
        return self._seen(self.degrees_of_freedom, 1)

    @property
    def difference_of_any(self) -> float:
        """The same for any two of the waters, seen as a reading sees them: a best one is claimed.

        The reckoning is the reading's own; what tasters differ by is judged by their number.
        """
        return self._seen(self.degrees_between, self.n_terms)

    def power(self, difference: float) -> float:
        """Chance to see a true difference of two waters named beforehand, both tails counted.

        Parameters
        ----------
        difference : float
            True difference (points); its sign does not matter.

        Returns
        -------
        float
            Between 0 and 1, from the noncentral t.

        Raises
        ------
        PlanError
            If the difference is no number.
        """
        if not is_finite(difference):
            raise PlanError(
                f"difference must be a number of points, got {difference!r}.", field="difference"
            )
        if self.degrees_of_freedom < 1:
            return 0.0
        limit = float(stdtrit(self.degrees_of_freedom, 1 - self.alpha / 2))
        shift = abs(difference) / self.error_sd
        if shift > _BEYOND_DOUBT * (1 + limit):
            return 1.0
        above = 1 - float(nctdtr(self.degrees_of_freedom, shift, limit))
        return above + float(nctdtr(self.degrees_of_freedom, shift, -limit))

    def _seen(self, df: int, df_top: int) -> float:
        if df < 1:
            return math.inf
        return detectable_difference(
            self.error_sd,
            df,
            df_top,
            df,
            self.chance,
            known=True,
            alpha=self.alpha,
            span=self.span,
        )

    def to_frame(self) -> pd.DataFrame:
        """What is asked, its number and its unit, for the planning form."""
        of, sizes = self.noise, self.sizes
        rows: list[tuple[str, float, str]] = [
            ("flights", sizes.flights, ""),
            ("cups before a taster", sizes.flights * sizes.cups, "cups"),
            ("of these, hidden control", sizes.flights * sizes.has_control, "cups"),
            ("of these, hidden duplicates", sizes.duplicates, "cups"),
            ("cups in all", sizes.flights * sizes.cups * self.n_tasters, "cups"),
            ("jugs to mix and brew", self.jugs, "jugs"),
            ("of each water", self.water_each_ml, "mL"),
            ("water in all", self.water_ml, "mL"),
            ("at the table", self.minutes, "min"),
            ("smallest difference likely seen, two waters named before", self.difference, "points"),
            ("the same, any two waters", self.difference_of_any, "points"),
        ]
        rows += [(f"narrowest best region, {name}", width, "") for name, width in self.region]
        rows += [
            ("assumed: repeats within", of.repeat_sd, "points SD"),
            ("assumed: tasters' own response", of.taster_water_sd, "points SD"),
            ("assumed: jug to jug", of.jug_sd, "points SD"),
        ]
        return pd.DataFrame(rows, columns=["what", "value", "unit"])


@checked(PlanError, own_numbers=True)
def plan_power(
    n_waters: int,
    n_tasters: int,
    *,
    noise: TasterNoise,
    has_control: bool = True,
    duplicates: int = 1,
    cups_per_flight: int = COMFORTABLE_CUPS,
    flights: int | None = None,
    repeats: int | None = None,
    serving: Vessels = "shared bowls",
    blocks_by: BlocksBy = "flight",
    insist: bool = False,
    vessel_ml: float = 200.0,
    stages: int = 1,
    sweep: Sweep | None = None,
    fall: float | None = None,
    span: float = math.inf,
    alpha: float = 0.05,
    chance: float = 0.8,
) -> PlanPower:
    """What a plan costs and would likely see.

    Parameters
    ----------
    n_waters : int
        Waters apart from a control that is not one of them.
    n_tasters : int
        People who taste.
    noise : TasterNoise
        From the lab book, or :func:`practised_noise`.
    has_control : bool
        Whether one cup of every flight holds the control.
    duplicates, cups_per_flight : int
        Hidden duplicates in the session at least, and cups in a flight at most.
    flights, repeats : int, optional
        Flights in all, and flights that each water is in; chosen if not given.
    serving, blocks_by : str
        As in :func:`labkit.tasting.plan_tasting`.
    insist : bool
        Allow more than six cups in a flight.
    vessel_ml : float
        Water for one bowl or cup (mL).
    stages : int
        How often each cup is scored as it cools.
    sweep : Sweep, optional
        The waters, for the width of the best region.
    fall : float, optional
        Points that the score is assumed to fall from the best level, in the middle, to either
        end of the sweep; an eighth of the scale is a moderate one.
    span : float
        Points from the lowest to the highest score of the scale: no difference can be larger.
    alpha, chance : float
        Two-sided risk of a false difference, and chance wanted to see a true one.

    Raises
    ------
    PlanError
        If the plan does not fit or a number is out of range.

    Notes
    -----
    A taster's difference of two waters varies by ``2 (own**2 + repeat**2 / (r E))``, where `r` is
    the flights each water is in and `E` the efficiency factor; its mean over tasters is judged by
    Student's t with ``(tasters - 1) (waters - 1)`` degrees of freedom, the taster x water error of
    the analysis of variance. To this come jugs, ``2 jug**2 / (r E)``, which more tasters do not
    average out. For two waters in one flight without jug noise that is the paired t test. Where
    each taster has a choice of their own, own response is averaged like repeats. One taster alone
    is judged by the repeats within.

    The best level of a factor varies by the standard error of its slope over twice its curvature
    (delta method at a best level in the middle); the width given is that of its 95 % interval,
    at most the whole range.
    """
    for name, value, low, high in (
        ("alpha", alpha, 0.0, 0.5),
        ("chance", chance, 0.5, 1.0),
        ("vessel_ml", vessel_ml, 0.0, _MOST_ML),
    ):
        if not (is_finite(value) and low < value < high):
            raise PlanError(
                f"{name} must be above {low:g} and below {high:g}, got {value!r}.", field=name
            )
    for name, number, least in (("n_tasters", n_tasters, 0), ("stages", stages, 1)):
        check_whole(name, number, least=least)
    check_whole("n_waters", n_waters, least=0)
    if n_tasters < 1 or n_waters + has_control < 2:
        raise PlanError(
            f"a plan must have a taster and two waters, got {n_tasters} tasters and "
            f"{n_waters + has_control} waters. Add what is missing."
        )
    sizes = size_flights(
        n_waters,
        has_control=has_control,
        duplicates=duplicates,
        cups_per_flight=cups_per_flight,
        flights=flights,
        repeats=repeats,
        in_part=blocks_by == "taster",
        insist=insist,
    )
    efficiency, n, jugs = _trial(sizes, n_tasters, blocks_by)
    served = sizes.repeats * max(efficiency, 1e-9)
    own, repeat, jug = (noise.taster_water_sd**2, noise.repeat_sd**2, noise.jug_sd**2)
    if blocks_by == "taster":
        of_mean = (own + repeat / max(1.0, sizes.repeats)) / (
            n_tasters * min(1.0, sizes.repeats) * max(efficiency, 1e-9)
        )
        of_mean += jug / sizes.flights
    else:
        of_mean = (own * (n_tasters > 1) + repeat / served) / n_tasters + jug / served
    freedom = (
        (n_tasters - 1) * (n - 1)
        if n_tasters > 1
        else sizes.flights * sizes.cups - n - (sizes.flights - 1)
    )
    n_terms = min(n - 1, _n_terms(len(sweep.varied) if sweep is not None else 3))
    between = max(0, freedom if n_tasters == 1 else n_tasters - 1)
    spare = jugs - sizes.flights - n_terms
    if n_tasters > 1 and jugs > n and _FEWEST_SPARE <= spare < between:
        between = (between + spare) // 2
    cups_a_jug = n_tasters * sizes.flights * sizes.cups / jugs if serving == "a cup each" else 1.0
    jugs_each = sizes.flights if blocks_by == "taster" else sizes.repeats
    return PlanPower(
        sizes=sizes,
        n_tasters=n_tasters,
        jugs=jugs,
        water_ml=jugs * cups_a_jug * vessel_ml,
        water_each_ml=jugs_each * cups_a_jug * vessel_ml,
        minutes=table_minutes(sizes.flights, sizes.cups, stages),
        error_sd=math.sqrt(2 * of_mean),
        degrees_of_freedom=max(0, freedom),
        degrees_between=between,
        n_terms=n_terms,
        span=span,
        alpha=alpha,
        chance=chance,
        region=_region(sweep, fall, of_mean, freedom) if sweep is not None else (),
        noise=noise,
    )


@lru_cache(maxsize=1024)
def _trial(sizes: Sizes, n_tasters: int, blocks_by: BlocksBy) -> tuple[float, int, int]:
    """Efficiency, waters and jugs of a trial draw.

    Its seed is fixed: the same question must give the same answer twice, and need not be worked
    out twice.
    """
    layout = lay_out(sizes, n_tasters, blocks_by, Draw(np.random.default_rng(1)))
    return layout.efficiency, layout.n_waters, sum(map(len, layout.jugs))


def _n_terms(factors: int) -> int:
    """Slopes, bends and interactions of a second-order surface."""
    return factors * (factors + 3) // 2


def _region(
    sweep: Sweep, fall: float | None, of_mean: float, freedom: int
) -> tuple[tuple[str, float], ...]:
    """Width of the 95 % interval of the best level of each varied factor, in natural units."""
    if fall is None or not (is_finite(fall) and 0 < fall <= MOST_POINTS):
        raise PlanError(
            f"fall must be above 0 points to size a best region, got {fall}. "
            "An eighth of the scale is a moderate fall.",
            field="fall",
        )
    coded = [
        factor.to_coded([getattr(target, factor.name) for target in sweep.targets])
        for factor in sweep.varied
    ]
    columns = [np.ones(len(sweep.targets)), *coded, *(x**2 for x in coded)]
    columns += [coded[i] * coded[j] for i in range(len(coded)) for j in range(i)]
    design = np.column_stack(columns)
    # Two levels cannot tell a best level between them.
    if np.linalg.matrix_rank(design) < design.shape[1] or freedom < 1:
        return tuple((factor.name, factor.high - factor.low) for factor in sweep.varied)
    variance = of_mean * np.diag(np.linalg.inv(design.T @ design))[1 : len(coded) + 1]
    half = float(stdtrit(freedom, 0.975)) * np.sqrt(variance) / (2 * fall)
    return tuple(
        (factor.name, float(min(1.0, width) * (factor.high - factor.low)))
        for factor, width in zip(sweep.varied, half, strict=True)
    )
