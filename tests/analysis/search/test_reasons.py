"""Every reason is true where it is given, and gone as soon as it is not."""

import numpy as np
import pytest

from labkit.analysis.region import Region
from labkit.analysis.search.belief import Belief
from labkit.analysis.search.cups import Cups
from labkit.analysis.search.posterior import Posterior
from labkit.analysis.search.reasons import Band, Changed, ReasonKind, reason_for
from labkit.tasting.scales import SCALES

MIDDLE = (0.5, 110, 30)
SOFT_ALKALINE = (0.5, 30, 55)
SOFT_LOW = (0.5, 30, 5)
BESIDE = (0.5, 120, 30)
HALFWAY = (0.5, 90, 25)
SOFTER = (0.5, 70, 20)


def belief(recipes, mean, tasted):
    """A belief over a few recipes, draws of SD 0.3 around `mean`, cups at `tasted`."""
    recipes, mean = np.array(recipes, dtype=float), np.array(mean, dtype=float)
    tasted = np.array(tasted, dtype=float).reshape(-1, 3)
    n = len(tasted)
    draws = mean + np.random.default_rng(1).normal(0, 0.3, (400, len(mean)))
    draws += mean - draws.mean(axis=0)
    return Belief(
        region=Region(),
        cups=Cups(
            waters=tasted,
            value=np.full(n, 6.0),
            noise=0.1 * np.eye(n),
            block=np.zeros(n, dtype=int),
            n_scores=np.full(n, 4),
            is_control=np.zeros(n, dtype=bool),
            usual=6.2,
            points=1.0,
            repeat_variance=0.4,
            tasters=("A", "B", "C", "D"),
        ),
        posterior=Posterior(
            recipes=recipes, n_allowed=len(recipes), mean=mean, draws=draws.astype(np.float32)
        ),
        scale=SCALES["liking 1-9"],
        control=None,
        engine="test",
    )


def kind(*args, place=0, earlier=(), asked_for=False):
    return reason_for(belief(*args), place, earlier, asked_for=asked_for).kind


def test_asked_for_only_what_was_asked_for():
    told = [MIDDLE, SOFT_LOW], [6, 7], [MIDDLE]

    assert kind(*told, asked_for=True) is ReasonKind.ASKED_FOR
    assert kind(*told) is not ReasonKind.ASKED_FOR


def test_repeat_of_the_leader_needs_that_it_was_tasted_and_leads():
    assert kind([MIDDLE, SOFT_LOW], [7, 6], [MIDDLE, MIDDLE]) is ReasonKind.REPEAT_OF_LEADER
    assert kind([MIDDLE, SOFT_LOW], [6, 7], [MIDDLE, MIDDLE]) is ReasonKind.REPEAT_OF_RIVAL
    assert kind([MIDDLE, SOFT_LOW], [7, 6], [SOFT_LOW]) is ReasonKind.NEW_LEADER


def test_the_number_of_a_repeat_counts_its_cups():
    reason = reason_for(belief([MIDDLE, SOFT_LOW], [7, 6], [MIDDLE] * 3), 0, (), asked_for=False)

    assert reason.number == 3
    assert reason.n_cups == 3


def test_a_rival_is_behind_by_what_is_said_with_the_chance_that_is_said():
    told = belief([MIDDLE, SOFT_LOW], [6.6, 7], [MIDDLE])

    reason = reason_for(told, 0, (), asked_for=False)

    draws = told.posterior.draws
    assert reason.behind == pytest.approx(0.4)
    assert reason.number == pytest.approx(np.mean(draws[:, 0] > draws[:, 1]))


def test_twice_in_one_flight_is_known():
    reason = reason_for(belief([MIDDLE, SOFT_LOW], [7, 6], [SOFT_LOW]), 0, (0,), asked_for=False)

    assert (reason.n_cups, reason.is_again) == (0, True)


def test_open_ground_is_open_until_somebody_has_been_there():
    recipes, mean = [SOFT_ALKALINE, MIDDLE], [6, 7]

    reason = reason_for(belief(recipes, mean, [MIDDLE, SOFT_LOW]), 0, (), asked_for=False)

    assert reason.kind is ReasonKind.OPEN_GROUND
    assert reason.bands == (
        ("hardness_mg_l_caco3", Band.LOWER),
        ("alkalinity_mg_l_caco3", Band.UPPER),
    )
    assert kind(recipes, mean, [MIDDLE, (0.5, 40, 50)]) is not ReasonKind.OPEN_GROUND
    in_this_flight = [SOFT_ALKALINE, MIDDLE, (0.5, 40, 50)]
    assert kind(in_this_flight, [6, 7, 6], [MIDDLE], earlier=(2,)) is not ReasonKind.OPEN_GROUND


def test_open_ground_knows_how_far_the_nearest_cup_is():
    reason = reason_for(belief([SOFT_ALKALINE, MIDDLE], [6, 7], [SOFT_LOW]), 0, (), asked_for=False)

    assert reason.number == pytest.approx(50 / 60)
    assert reason.distance == reason.number


def test_between_the_two_best_is_between_them():
    recipes, mean = [HALFWAY, MIDDLE, SOFTER, (0.95, 110, 30)], [6.5, 7.0, 6.8, 5]
    tasted = recipes[1:]

    reason = reason_for(belief(recipes, mean, tasted), 0, (), asked_for=False)

    assert reason.kind is ReasonKind.BETWEEN_THE_BEST
    assert reason.number == pytest.approx(0.5)
    others = [6.5, 7.0, 5, 6.8]  # now the second best is elsewhere
    assert kind(recipes, others, tasted) is not ReasonKind.BETWEEN_THE_BEST


def test_next_to_the_leader_is_near_and_knows_what_changes():
    recipes, mean = [BESIDE, MIDDLE, SOFT_LOW], [6.5, 7.0, 6.9]

    reason = reason_for(belief(recipes, mean, [MIDDLE, SOFT_LOW]), 0, (), asked_for=False)

    assert reason.kind is ReasonKind.NEXT_TO_LEADER
    assert reason.changed == (Changed(factor="hardness_mg_l_caco3", level=120.0, instead_of=110.0),)
    far = [(0.9, 120, 30), MIDDLE, SOFT_LOW]
    assert kind(far, mean, [MIDDLE, SOFT_LOW, (0.95, 110, 30)]) is ReasonKind.LEAST_SURE


def test_least_sure_tells_the_interval_it_rests_on():
    told = belief([(0.9, 120, 30), MIDDLE], [6.5, 7.0], [MIDDLE, (0.95, 110, 30)])

    reason = reason_for(told, 0, (), asked_for=False)

    low, high = np.quantile(told.posterior.draws[:, 0], [0.05, 0.95])
    assert reason.kind is ReasonKind.LEAST_SURE
    assert reason.number == pytest.approx(high - low, rel=1e-5)
    assert (reason.low, reason.high) == pytest.approx((low, high), rel=1e-5)


def test_a_first_flight_spreads_out():
    reason = reason_for(belief([SOFT_ALKALINE, MIDDLE], [6, 7], []), 0, (1,), asked_for=False)

    assert reason.kind is ReasonKind.OPEN_GROUND
    assert reason.is_first
