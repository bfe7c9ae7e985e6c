"""Which plan to take: all that fit the table, what each costs and sees, and the one that pays."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.shown import Shown
from labkit.tasting.power import PlanPower, TasterNoise, plan_power
from labkit.tasting.sizes import COMFORTABLE_CUPS, Sizes, size_flights
from labkit.tasting.sweeps import Sweep
from labkit.tasting.vessels import Vessels
from labkit.water import is_finite

USUAL_MINUTES: Final = 45.0
"""At the table where nobody has said otherwise, common practice: one flight, or two small ones."""

MOST_FLIGHTS: Final = 4
"""Flights of a session that are looked at where fewer would do; one to three are common."""

MOST_DUPLICATES: Final = 3
"""Hidden duplicates that are asked for; flights of equal size may hold more."""

# Averaging alone lets what is seen shrink with the square root of the cups. A longer plan is
# worth its cups and minutes if it gains half of that, on a logarithmic scale: twice of both must
# show differences smaller by 16 %. Our judgement, as is what a hidden check is worth: a plan
# without the control, which links flights and days, must show differences smaller by a fifth, one
# without a duplicate by a tenth.
_PAYS: Final = 1 / 4
_CONTROL: Final = math.log(1.25)
_DUPLICATE: Final = math.log(1.1)

_MOST_ALTERNATIVES: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanChoice:
    """One plan that could be made, with what it costs and would likely see."""

    duplicates: int
    """Hidden duplicates to ask for; flights of equal size may hold more."""

    power: PlanPower
    """Its sizes, cost and power."""

    difference: float
    """Smallest difference of any two waters that it likely shows (points).

    Infinite if none that fits on the scale.
    """

    @property
    def sizes(self) -> Sizes:
        """Flights and cups before one taster."""
        return self.power.sizes

    @property
    def flights(self) -> int:
        """Flights in all."""
        return self.sizes.flights

    @property
    def repeats(self) -> int:
        """Flights that each water is in."""
        return round(self.sizes.repeats)

    @property
    def has_control(self) -> bool:
        """Whether one cup of every flight holds the control."""
        return self.sizes.has_control

    @property
    def has_duplicate(self) -> bool:
        """Whether a water is mixed and brewed twice for a flight."""
        return self.sizes.duplicates > 0

    @property
    def asked(self) -> dict[str, Any]:
        """What :func:`labkit.tasting.plan_tasting` is asked for to draw exactly this plan.

        Where it has no control, that is among it; else the control is still to be said.
        """
        without = {} if self.has_control else {"control": "none"}
        return without | {
            "flights": self.flights,
            "repeats": self.repeats,
            "duplicates": self.duplicates,
            "cups_per_flight": self.cups_side_by_side,
        }

    @property
    def checks(self) -> int:
        """Kinds of hidden checks that are kept: control and duplicate."""
        return self.has_control + self.has_duplicate

    @property
    def cups_side_by_side(self) -> int:
        """Cups in each flight."""
        return self.sizes.cups

    @property
    def cups(self) -> int:
        """Cups to taste, all tasters and flights together."""
        return self.sizes.flights * self.sizes.cups * self.power.n_tasters

    @property
    def jugs(self) -> int:
        """Jugs to mix and brew."""
        return self.power.jugs

    @property
    def minutes(self) -> float:
        """At the table, with brewing and rests."""
        return self.power.minutes


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanChoices(Shown):
    """The plan that tells most for its cups and minutes, and what others would buy."""

    minutes: float
    """What there is time for, at the table."""

    recommended: PlanChoice
    """The plan to take."""

    alternatives: tuple[PlanChoice, ...]
    """Up to three others worth a thought: fewer cups, another check, more to see."""

    undominated: tuple[PlanChoice, ...]
    """All that no other is better than, by cups: the recommended one and its alternatives too."""

    @property
    def fits(self) -> bool:
        """Whether there is time for the recommended plan."""
        return self.recommended.minutes <= self.minutes

    def to_frame(self) -> pd.DataFrame:
        """One row a plan that none is better than.

        Columns: ``flights, side_by_side, repeats, control, duplicates, cups, jugs, minutes,
        difference`` (points) and ``choice`` ("recommended", "alternative" or "").
        """
        rows = [
            {
                "flights": one.flights,
                "side_by_side": one.cups_side_by_side,
                "repeats": one.repeats,
                "control": one.has_control,
                "duplicates": one.sizes.duplicates,
                "cups": one.cups,
                "jugs": one.jugs,
                "minutes": one.minutes,
                "difference": one.difference,
                "choice": "recommended"
                if one == self.recommended
                else "alternative" * (one in self.alternatives),
            }
            for one in self.undominated
        ]
        return pd.DataFrame(rows)


@checked(PlanError, own_numbers=True)
def choose_plan(
    n_waters: int,
    n_tasters: int,
    *,
    minutes: float = USUAL_MINUTES,
    noise: TasterNoise,
    cups_per_flight: int = COMFORTABLE_CUPS,
    control: bool | None = None,
    free_control: bool = False,
    serving: Vessels = "shared bowls",
    stages: int = 1,
    vessel_ml: float = 200.0,
    sweep: Sweep | None = None,
    span: float = math.inf,
) -> PlanChoices:
    """Look at every plan that fits the table, and recommend the one that pays.

    Parameters
    ----------
    n_waters : int
        Waters to taste, a control that is one of them included.
    n_tasters : int
        People who taste.
    minutes : float
        Time at the table.
    noise : TasterNoise
        From the lab book, or :func:`practised_noise`.
    cups_per_flight : int
        Most cups side by side.
    control : bool, optional
        Whether every flight holds the control; both are looked at if not given.
    free_control : bool
        Whether the control is one of the waters to taste.
    serving : {"shared bowls", "a cup each"}
        As in :func:`labkit.tasting.plan_tasting`.
    stages : int
        How often each cup is scored as it cools.
    vessel_ml : float
        Water for one bowl or cup (mL).
    sweep : Sweep, optional
        The waters, for what a reading would fit to them.
    span : float
        Points from the lowest to the highest score of the scale.

    Raises
    ------
    PlanError
        If a number is out of range, or no plan fits.

    Notes
    -----
    A plan is dominated if another is no worse in cups, minutes and the difference it shows, keeps
    the control and a duplicate where this one does, and is better in one of these. What is
    recommended is not: of the plans there is time for, it has the least product of the difference
    and the eighth root of cups times minutes; a control counts for a fifth of the difference, a
    duplicate for a tenth. If there is time for none, the shortest plans are looked at.
    """
    check_minutes(minutes)

    def power_of(has_control: bool, sized: Mapping[str, Any]) -> PlanPower:
        return plan_power(
            n_waters - (has_control and free_control),
            n_tasters,
            noise=noise,
            has_control=has_control,
            cups_per_flight=cups_per_flight,
            serving=serving,
            stages=stages,
            vessel_ml=vessel_ml,
            sweep=sweep,
            fall=None if sweep is None else span / 8 if math.isfinite(span) else 1.0,
            span=span,
            **sized,
        )

    wanted = (True, False) if control is None else (control,)
    plans = [
        PlanChoice(duplicates=sized["duplicates"], power=power, difference=power.difference_of_any)
        for has_control in wanted
        for sized in _sized(n_waters - (has_control and free_control), has_control, cups_per_flight)
        for power in [power_of(has_control, sized)]
    ]
    in_time = [one for one in plans if one.minutes <= minutes]
    shortest = min(one.minutes for one in plans)
    pool = in_time or [one for one in plans if one.minutes == shortest]
    measure = _measure(pool)
    weighed = [_Weighed(one, measure(one)) for one in plans]
    telling = [one for one in weighed if math.isfinite(one.seen)]
    best = [one for one in telling if not any(other.dominates(one) for other in telling)]
    best.sort(key=lambda one: (one.plan.cups, one.plan.minutes, one.effort))
    taken = min((one for one in best if one.plan in pool), key=lambda one: one.effort)
    return PlanChoices(
        minutes=minutes,
        recommended=taken.plan,
        alternatives=_alternatives(best, taken, minutes),
        undominated=tuple(one.plan for one in best),
    )


_MOST_MINUTES: Final = 1440.0


@checked(PlanError, own_numbers=True)
def check_minutes(minutes: float) -> None:
    """Refuse a time at the table that is none.

    Parameters
    ----------
    minutes : float
        Time at the table.

    Raises
    ------
    PlanError
        If it is not above 0, or more than a day.
    """
    if not (is_finite(minutes) and 0 < minutes <= _MOST_MINUTES):
        raise PlanError(
            f"minutes must be above 0 and at most {_MOST_MINUTES:g}, got {minutes!r}. "
            "Say how long you have at the table.",
            field="minutes",
        )


def _sized(n_waters: int, has_control: bool, cups_per_flight: int) -> Iterator[dict[str, Any]]:
    """Flights, repeats and duplicates of every plan that fits, each once."""
    known: set[Sizes] = set()
    size: dict[str, Any] = {"has_control": has_control, "cups_per_flight": cups_per_flight}
    fewest = size_flights(n_waters, duplicates=0, **size).flights
    for flights in range(1, max(MOST_FLIGHTS, fewest) + 1):
        for repeats in range(1, flights + 1):
            for duplicates in range(MOST_DUPLICATES + 1):
                asked: dict[str, Any] = {
                    "flights": flights,
                    "repeats": repeats,
                    "duplicates": duplicates,
                }
                try:
                    sizes = size_flights(n_waters, **size, **asked)
                except PlanError:
                    continue
                if sizes not in known:
                    known.add(sizes)
                    yield asked


def _measure(pool: Sequence[PlanChoice]) -> Callable[[PlanChoice], float]:
    """What plans are compared by: the difference of any two waters, where a plan shows one."""
    measures: tuple[Callable[[PlanChoice], float], ...] = (
        lambda one: one.difference,
        lambda one: one.power.difference,
        lambda one: one.power.error_sd,
    )
    return next(seen for seen in measures if any(math.isfinite(seen(one)) for one in pool))


class _Weighed:
    """A plan with what it is compared by."""

    def __init__(self, plan: PlanChoice, seen: float) -> None:
        self.plan, self.seen = plan, seen

    @property
    def effort(self) -> float:
        """What is seen, cups, minutes and checks on one logarithmic scale: the less the better."""
        spent = math.log(self.plan.cups) + math.log(self.plan.minutes)
        kept = _CONTROL * self.plan.has_control + _DUPLICATE * self.plan.has_duplicate
        return math.log(self.seen) + _PAYS / 2 * spent - kept

    def dominates(self, other: _Weighed) -> bool:
        """Whether this is no worse than another in anything, and better in something."""
        one, two = self.plan, other.plan
        pairs = (
            (one.cups, two.cups),
            (one.minutes, two.minutes),
            (self.seen, other.seen),
            (-one.has_control, -two.has_control),
            (-one.has_duplicate, -two.has_duplicate),
        )
        return all(a <= b for a, b in pairs) and any(a < b for a, b in pairs)


def _alternatives(
    plans: Sequence[_Weighed], taken: _Weighed, minutes: float
) -> tuple[PlanChoice, ...]:
    """For each thing that one may want instead, the plan that gives it.

    With fewer cups, that with the least effort; to see more, the next step; a check, the cheapest.
    """
    checks = taken.plan.checks
    others = [one for one in plans if one is not taken]
    more = [one for one in others if one.seen < taken.seen]
    more = [one for one in more if one.plan.checks >= checks] or more
    fewer = sorted(
        (one for one in others if one.plan.cups < taken.plan.cups), key=lambda one: one.effort
    )
    wanted = (
        fewer,
        [one for one in more if one.plan.minutes <= minutes],
        [one for one in others if one.plan.checks > checks],
        [one for one in more if one.plan.minutes > minutes],
    )
    found = dict.fromkeys(those[0].plan for those in wanted if those)
    return tuple(found)[:_MOST_ALTERNATIVES]
