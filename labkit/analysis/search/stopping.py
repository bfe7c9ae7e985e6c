"""When to stop: what settling now would cost, what one more flight would buy, how to confirm."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import pandas as pd

from labkit.analysis.pair_tests.answers import Answer, Outcome, last_answer
from labkit.analysis.region import Region, water_target
from labkit.analysis.search.belief import Belief, believe
from labkit.analysis.search.confirming import (
    ConfirmingFlights,
    ConfirmingTest,
    confirming_flights,
    confirming_test,
)
from labkit.analysis.search.estimate import SEED
from labkit.analysis.search.next_flight import suggest_flight
from labkit.analysis.search.recommendation import (
    AT_MOST,
    FEWEST_CUPS,
    LIKELY,
    SMALL_LOSS,
    SURE,
    Level,
    differences,
    level_of,
)
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.shown import Shown
from labkit.tasting import Scale
from labkit.water import Target

LITTLE_GAIN: Final = 0.02
"""Points of a 1-9 scale that are not worth one more flight."""


class StopKind(StrEnum):
    """Whether to taste on."""

    SETTLED = "stop: settled"
    NOT_SETTLED = "stop: not settled"
    TASTE_ON = "taste on"


class StopReason(StrEnum):
    """What that rests on."""

    GAIN = "one more flight is worth its cups"
    OWN_NOISE = "one taster's own noise is larger than what is left"
    FEW_CUPS = "so few cups cannot be trusted to be settled"
    NOT_POURED = "no cup of the leader was poured yet"
    NO_CONTROL = "little is given away, and there is no control to beat"
    CONTROL_LEADS = "little is given away, and the control leads"
    CONFIRMED = "the confirming test confirmed the leader"
    NOT_CONFIRMED = "the confirming test did not confirm the leader"
    SURE = "the leader surely beats the control"
    LIKELY = "the leader likely beats the control"
    UNLIKELY = "no water is likely enough to beat the control"


@dataclass(frozen=True, slots=True, kw_only=True)
class StopAdvice(Shown):
    """Whether to taste on, with the numbers it rests on."""

    verdict: StopKind
    """One of the three."""

    reason: StopReason
    """Why."""

    leader: Target
    """Today's best recipe."""

    expected_loss: float
    """Points that settling on the leader now is expected to give away."""

    next_flight_gain: float
    """Points by which one more flight is expected to better the final choice."""

    chance_above_control: float | None
    """Probability that the leader is better than the control; None without one."""

    gain_over_control: tuple[float, float, float] | None
    """Points above the control: expected, and the ends of the 90 % interval."""

    level: Level
    """How sure it is that the leader is better than the control, a confirming test counted in."""

    was_tasted: bool
    """Whether a cup of the leader was poured."""

    n_flights: int
    """Flights tasted so far."""

    cups_each: int
    """Cups before a taster in them."""

    confirm: ConfirmingTest | None
    """The test that a stop offers; None if there is nothing to confirm, or it was answered."""

    in_flights: ConfirmingFlights | None = None
    """How likely ordinary flights settle it that hold leader and control; None unless the leader is
    likely better and nothing but that is left to find out."""

    answer: Answer | None = None
    """What the latest test of this leader against the control said; None if none was opened."""

    most_to_gain: float | None = None
    """Points by which any water lies above the control at most, with a chance of 90 %; None without
    a control."""

    repeat_sd: float | None = None
    """To how many points a taster repeats a score of the same water; None where it is not known."""

    leader_mean: float | None = None
    """Plain mean of the leader's scores; None if no cup of it was scored."""

    control_mean: float | None = None
    """Plain mean of the control's scores."""


@checked(ReadingError)
def stop_or_taste(
    frame: pd.DataFrame | Belief,
    region: Region | None = None,
    *,
    k: int = 5,
    seed: int | np.random.Generator | None = None,
    attribute: str = "overall",
    brew_method: str | None = None,
    control: object | None = None,
    scale: Scale | None = None,
    served_as: str = "cupping",
    tests: pd.DataFrame | None = None,
) -> StopAdvice:
    """Whether to stop, after the scores in `frame`.

    Parameters
    ----------
    frame : DataFrame or Belief
        The scores frame, or what was believed of it already.
    region : Region, optional
        Where to search; the usual ranges unless given. Of a ``Belief``, its own.
    k : int
        Cups that one more flight would have.
    seed : int or numpy.random.Generator, optional
        A stated seed unless given.
    attribute, brew_method, control, scale : optional
        As for :func:`labkit.analysis.believe`.
    served_as : str
        How the coffee is served to guests: "cupping", "filter" or "espresso".
    tests : DataFrame, optional
        Opened scores that hold the coffee's tests of two waters: the latest of this leader against
        this control decides, whatever the scores alone would say of the two.

    Raises
    ------
    ReadingError
        If the scores cannot be read.

    Notes
    -----
    A head start never counts: earlier coffees must not name a winner that this one's cups have not.
    """
    rng = np.random.default_rng(SEED if seed is None else seed)
    if isinstance(frame, Belief):
        belief = frame
    else:
        belief = believe(
            frame,
            region,
            attribute=attribute,
            brew_method=brew_method,
            control=control,
            scale=scale,
            seed=rng,
        )
    posterior, cups = belief.posterior, belief.cups
    flight = suggest_flight(belief, k=k, seed=rng)
    leader = belief.leader
    loss = posterior.loss_of(leader)
    chance, over, most_to_gain, level = _above_control(belief, loss)
    was_tasted = bool((np.abs(cups.waters - posterior.recipes[leader]) < 1e-6).all(axis=1).any())
    is_worth_little = flight.gain <= LITTLE_GAIN * cups.points
    settled = loss <= SMALL_LOSS * cups.points and is_worth_little
    enough = cups.cups_each >= FEWEST_CUPS
    answer, confirm, in_flights = None, None, None
    if tests is not None and belief.control is not None:
        control_water = water_target(posterior.recipes[belief.control])
        answer = last_answer(tests, flight.leader, control_water)
    level = level if answer is None else _ANSWERED.get(answer.outcome, level)
    reason = _reason(
        belief,
        chance,
        settled=settled,
        enough=enough,
        was_tasted=was_tasted,
        answer=answer,
        noisy=is_worth_little and belief.n_tasters == 1,
    )
    verdict = _VERDICTS[reason]
    is_open = answer is None or answer.outcome is Outcome.NOT_SETTLED
    if (
        is_open
        and verdict is not StopKind.TASTE_ON
        and over is not None
        and chance is not None
        and chance >= LIKELY
    ):
        confirm = confirming_test(belief, served_as=served_as, leader=flight.leader)
        if reason is StopReason.LIKELY:
            in_flights = confirming_flights(belief, leader=flight.leader, k=k)
    return StopAdvice(
        verdict=verdict,
        reason=reason,
        leader=flight.leader,
        expected_loss=loss,
        next_flight_gain=flight.gain,
        chance_above_control=chance,
        gain_over_control=over,
        level=level,
        was_tasted=was_tasted,
        n_flights=cups.n_flights,
        cups_each=cups.cups_each,
        confirm=confirm,
        in_flights=in_flights,
        answer=answer,
        most_to_gain=most_to_gain,
        repeat_sd=float(np.sqrt(cups.repeat_variance)),
        leader_mean=cups.plain_mean(posterior.recipes[leader]),
        control_mean=(
            None if belief.control is None else cups.plain_mean(posterior.recipes[belief.control])
        ),
    )


_VERDICTS: Final = {
    StopReason.GAIN: StopKind.TASTE_ON,
    StopReason.OWN_NOISE: StopKind.NOT_SETTLED,
    StopReason.FEW_CUPS: StopKind.TASTE_ON,
    StopReason.NOT_POURED: StopKind.TASTE_ON,
    StopReason.NO_CONTROL: StopKind.SETTLED,
    StopReason.CONTROL_LEADS: StopKind.SETTLED,
    StopReason.CONFIRMED: StopKind.SETTLED,
    StopReason.NOT_CONFIRMED: StopKind.NOT_SETTLED,
    StopReason.SURE: StopKind.SETTLED,
    StopReason.LIKELY: StopKind.NOT_SETTLED,
    StopReason.UNLIKELY: StopKind.NOT_SETTLED,
}
"""What each reason speaks for."""

_ANSWERED: Final = {Outcome.CONFIRMED: Level.SETTLED, Outcome.NOT_CONFIRMED: Level.OPEN}
"""What a confirming test makes of the level."""


def _above_control(
    belief: Belief, loss: float
) -> tuple[float | None, tuple[float, float, float] | None, float | None, Level]:
    """Chance that the leader beats the control, points above it, most to gain, how sure that is."""
    if belief.recommended is not None:
        one = belief.recommended
        return one.chance_above_control, one.over_control, one.most_to_gain, one.level
    posterior, cups, leader = belief.posterior, belief.cups, belief.leader
    chance, over, most = None, None, None
    if belief.control is not None:
        control = posterior.draws[:, belief.control].astype(float)
        most = float(np.quantile(posterior.draws.max(axis=1) - control, AT_MOST))
        if belief.control != leader:
            more = differences(posterior.draws[:, leader].astype(float), control)
            chance = float(np.mean(more > 0))
            low, high = np.quantile(more, [0.05, 0.95])
            over = (float(more.mean()), float(low), float(high))
    level = level_of(
        chance,
        was_tasted=bool((np.abs(cups.waters - posterior.recipes[leader]) < 1e-6).all(axis=1).any()),
        cups_each=cups.cups_each,
        most_to_gain=None if most is None else most / cups.points,
        expected_loss=loss / cups.points,
    )
    return chance, over, most, level


def _reason(
    belief: Belief,
    chance: float | None,
    *,
    settled: bool,
    enough: bool,
    was_tasted: bool,
    answer: Answer | None,
    noisy: bool,
) -> StopReason:
    if not settled:
        return StopReason.OWN_NOISE if noisy and enough else StopReason.GAIN
    if not enough:
        return StopReason.FEW_CUPS
    unsettled = answer is None or answer.outcome is Outcome.NOT_SETTLED
    if not was_tasted and unsettled and (chance is None or chance >= SURE):
        return StopReason.NOT_POURED
    if chance is None:
        return StopReason.NO_CONTROL if belief.control is None else StopReason.CONTROL_LEADS
    if answer is not None and answer.outcome is Outcome.CONFIRMED:
        return StopReason.CONFIRMED
    if answer is not None and answer.outcome is Outcome.NOT_CONFIRMED:
        return StopReason.NOT_CONFIRMED
    if chance >= SURE:
        return StopReason.SURE
    return StopReason.LIKELY if chance >= LIKELY else StopReason.UNLIKELY
