"""Confirming the leader against the control: in ordinary flights first, or by a test of pairs.

What either is likely to settle is averaged over what is not known: over possible truths, in some
of which the leader is hardly better, or worse. The lead that was found is no truth.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom, norm, qmc

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import Scores
from labkit.analysis.pair_tests.preference import fewest_preferring
from labkit.analysis.region import water_target
from labkit.analysis.search.belief import Belief
from labkit.analysis.search.cups import cups_of, rising_scale
from labkit.analysis.search.recommendation import SURE, WIDER, Recommendation, differences
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.tasting import ALPHA
from labkit.water import Target

POWER: Final = 0.8
"""Chance to settle it from which more pairs are not asked for."""

WORTH_POURING: Final = 0.5
"""Chance to settle it below which a test of pairs is not offered."""

PAIRS_EACH: Final = 6
"""Pairs that a taster drinks in a sitting at most: twelve cups, as two flights of six."""

TIMES_POURED: Final = 2
"""Cups of the leader and of the control in a flight that confirms."""

FLIGHTS_AHEAD: Final = 3
"""Confirming flights that are looked ahead."""

N_LEADS: Final = 256
"""Possible leads that are weighed, equally likely."""

N_NOISES: Final = 8
"""Courses that the scores may take for each of them."""

SEED: Final = 20_250_305


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfirmingFlights:
    """Leader and control, both poured again among the cups of ordinary flights."""

    leader: Target
    """The water that shall be shown to be better."""

    control: Target
    """The water it has to beat."""

    cups_each: int
    """Cups of either in each flight."""

    chances: tuple[float, ...]
    """Chance that the leader is settled after one such flight, within two, within three."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfirmingTest:
    """Leader against control, side by side, asked only which is better (ISO 5495)."""

    leader: Target
    """The water that shall be shown to be better."""

    control: Target
    """The water it has to beat."""

    chance_per_pair: float
    """Share of pairs in which the leader is preferred, the mean over possible truths."""

    n_pairs: int | None
    """Pairs to pour; None if as many as this panel drinks settle it with a chance below one half.

    As few as show it with a chance of 80 %, or as many as are drunk.
    """

    fewest_preferred: int | None
    """How often the leader must be preferred in them."""

    served_as: str
    """How to brew for it: "cupping", or as the coffee is served."""

    chance: float
    """Chance that these pairs show the leader to be better; where none are offered, that as many
    as this panel drinks would."""

    most_pairs: int
    """Pairs that this panel drinks in a sitting."""

    @property
    def n_cups(self) -> int | None:
        """Cups to pour: two a pair."""
        return None if self.n_pairs is None else 2 * self.n_pairs


@cache
def _pairs(most: int) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Numbers of pairs that can show anything, and the fewest that must prefer the leader."""
    fewest = {n: fewest_preferring(n, ALPHA, first_named=True) for n in range(1, most + 1)}
    able = {n: least for n, least in fewest.items() if least is not None}
    return np.array(list(able), dtype=int), np.array(list(able.values()), dtype=int)


@checked(ReadingError)
def confirming_test(
    belief: Belief,
    *,
    leader: Target,
    served_as: str = "cupping",
) -> ConfirmingTest | None:
    """Pairs of leader against control that can be poured, and how likely they settle anything.

    One-sided, as the leader is named before the test (ISO 5495); every pair counts, and the answer
    is read by the same rule (`labkit.analysis.pair_tests.preference`).

    If the leader is ahead by ``d``, the share of pairs that prefer it is what two scores with the
    panel's repeat noise and each cup's own brew give, ``P(N(d, 2 variance) > 0)``. The chance to
    show it is the mean of the exact power over the possible truths ``d``.

    Parameters
    ----------
    belief : Belief
        What the scores so far say of every water.
    leader : Target
        The water that may be best.
    served_as : str
        How the pairs would be brewed.

    Returns
    -------
    ConfirmingTest or None
        None without a control, if it leads itself, or if the leader is not thought better.
    """
    lead = lead_over_control(belief, leader)
    if lead is None or lead.mean() <= 0:
        return None
    share = _preferring(lead, belief.cups.next_cup_variance(1))
    pairs, fewest = _pairs(PAIRS_EACH * belief.n_tasters)
    if not len(pairs):
        return None
    chance = binom.sf(fewest[:, None] - 1, pairs[:, None], share).mean(axis=1)
    # The exact power saws up and down with the number of pairs: the first that reaches it.
    place = int(np.argmax(chance >= min(POWER, chance.max())))
    is_offered = bool(chance[place] >= WORTH_POURING)
    return ConfirmingTest(
        leader=leader,
        control=_control_of(belief),
        chance_per_pair=float(share.mean()),
        n_pairs=int(pairs[place]) if is_offered else None,
        fewest_preferred=int(fewest[place]) if is_offered else None,
        served_as=served_as,
        chance=float(chance[place]),
        most_pairs=PAIRS_EACH * belief.n_tasters,
    )


def chance_of_pairs(lead: Floats, variance: float, n_pairs: int) -> float:
    """Chance that so many pairs show the water to be better that was named before the test.

    Parameters
    ----------
    lead : ndarray, shape (n,)
        By how many points it may be ahead, equally likely.
    variance : float
        Of one taster's score for one cup, its brew counted in (points squared).
    n_pairs : int
        Pairs that are poured.
    """
    fewest = fewest_preferring(n_pairs, ALPHA, first_named=True)
    if fewest is None:
        return 0.0
    return float(binom.sf(fewest - 1, n_pairs, _preferring(lead, variance)).mean())


@checked(ReadingError)
def chance_to_confirm(recommended: Recommendation, scores: Scores, n_pairs: int) -> float | None:
    """Chance that so many pairs confirm the recommended water against the control.

    Parameters
    ----------
    recommended : Recommendation
        What the scores speak for; its lead counts as normal around what is expected.
    scores : Scores
        The scores, for this panel's noise.
    n_pairs : int
        Pairs that are poured.

    Returns
    -------
    float or None
        None if it is the control itself, or without one.
    """
    if recommended.over_control is None:
        return None
    middle, low, high = recommended.over_control
    spread = (high - low) / (norm.ppf(0.95) - norm.ppf(0.05))
    lead = middle + spread * norm.ppf((np.arange(N_LEADS) + 0.5) / N_LEADS)
    variance = cups_of(scores, rising_scale(scores.scale)).next_cup_variance(1)
    return chance_of_pairs(lead, variance, n_pairs)


def _preferring(lead: Floats, variance: float) -> Floats:
    """Share of pairs that prefer a water which is ahead by so much."""
    return np.asarray(norm.cdf(lead / np.sqrt(2 * variance)))


def confirming_flights(
    belief: Belief, *, leader: Target, k: int = 5, n_tasters: int | None = None
) -> ConfirmingFlights | None:
    """How likely the leader is settled by pouring it and the control again in ordinary flights.

    Each possible truth is scored as this panel would, and what is then thought of the lead is
    weighed by all of them: as the next estimate will, after each flight.

    Parameters
    ----------
    belief : Belief
        What the scores so far say of every water.
    leader : Target
        The water that may be best.
    k : int
        Cups in such a flight.
    n_tasters : int, optional
        Who will come; as many as so far unless given.

    Returns
    -------
    ConfirmingFlights or None
        None without a control, if it leads itself, or where a flight has no room for both.
    """
    lead = lead_over_control(belief, leader)
    cups_each = min(TIMES_POURED, k // 2)
    if lead is None or not cups_each:
        return None
    variance = 2 * belief.cups.next_cup_variance(n_tasters) / cups_each
    return ConfirmingFlights(
        leader=leader,
        control=_control_of(belief),
        cups_each=cups_each,
        chances=chances_to_settle(lead, variance),
    )


def chances_to_settle(lead: Floats, variance: float) -> tuple[float, ...]:
    """Chance that a lead is settled within one more flight, two, three.

    Parameters
    ----------
    lead : ndarray, shape (n,)
        Possible leads, equally likely, as unsure as they turn out to be (points).
    variance : float
        Of the lead that one such flight finds, around the true one (points squared).

    Notes
    -----
    The true lead is one of these. What is thought of it after a flight is what the next estimate
    will think: it weighs the leads as drawn, and takes what is left for ``WIDER`` times less sure.
    """
    rng = np.random.default_rng(SEED)
    lead = np.quantile(lead, (np.arange(N_LEADS) + 0.5) / N_LEADS)
    drawn = lead.mean() + (lead - lead.mean()) / WIDER
    truth = np.repeat(lead, N_NOISES)
    # A Sobol point may be 0, whose normal quantile is minus infinity.
    points = qmc.Sobol(1 + FLIGHTS_AHEAD, rng=rng).random(N_LEADS * N_NOISES)
    slips = norm.ppf(points[np.argsort(points[:, 0]), 1:] * (1 - 1e-9) + 5e-10)
    told = np.zeros(len(truth))
    settled = np.zeros(len(truth), dtype=bool)
    chances = []
    for flights in range(1, FLIGHTS_AHEAD + 1):
        told += truth + np.sqrt(variance) * slips[:, flights - 1]
        off = (told / flights)[:, None] - drawn
        weights = np.exp(-(off**2) * flights / (2 * variance))
        weights /= weights.sum(axis=1, keepdims=True)
        middle = (weights @ drawn)[:, None]
        is_ahead = middle + WIDER * (drawn - middle) > 0
        settled |= (weights * is_ahead).sum(axis=1) >= SURE
        chances.append(float(settled.mean()))
    return tuple(chances)


def lead_over_control(belief: Belief, leader: Target) -> Floats | None:
    """Possible leads over the control, as unsure as they turn out to be, shape (n_draws,).

    None without a control, or if it is the leader itself.

    Parameters
    ----------
    belief : Belief
        What the scores so far say of every water.
    leader : Target
        The water that may be best.
    """
    if belief.control is None or _control_of(belief) == leader:
        return None
    draws = belief.posterior.draws
    place = int(belief.posterior.places([leader])[0])
    return differences(draws[:, place].astype(float), draws[:, belief.control].astype(float))


def _control_of(belief: Belief) -> Target:
    return water_target(belief.posterior.recipes[belief.control])
