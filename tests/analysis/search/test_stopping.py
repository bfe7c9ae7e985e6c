"""The three verdicts follow from what is believed, and a stop offers a test that can confirm it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, norm

from labkit.analysis.pair_tests.answers import Outcome, read_tests
from labkit.analysis.region import Region, water_target
from labkit.analysis.search.belief import Belief
from labkit.analysis.search.confirming import (
    PAIRS_EACH,
    chance_of_pairs,
    chances_to_settle,
    confirming_test,
    lead_over_control,
)
from labkit.analysis.search.cups import Cups
from labkit.analysis.search.posterior import Posterior
from labkit.analysis.search.recommendation import AT_MOST, SMALL_LOSS, SURE, WIDER, Level
from labkit.analysis.search.stopping import StopKind, StopReason, stop_or_taste
from labkit.tasting.scales import SCALES

RECIPES = np.array([(0.5, 100, 30), (0.2, 60, 10), (0.8, 140, 50)], dtype=float)
CONTROL = 1


def belief(mean, sd, *, n_flights=4, control=CONTROL):
    """Three recipes with normal draws of that SD, all tasted in each of some flights."""
    rng = np.random.default_rng(6)
    draws = np.array(mean) + rng.normal(0, sd, (4000, 3))
    draws += np.array(mean) - draws.mean(axis=0)
    n = 3 * n_flights
    return Belief(
        region=Region(),
        cups=Cups(
            waters=np.tile(RECIPES, (n_flights, 1)),
            value=np.full(n, 6.0),
            noise=0.1 * np.eye(n),
            block=np.repeat(np.arange(n_flights), 3),
            n_scores=np.full(n, 4),
            is_control=np.zeros(n, dtype=bool),
            usual=6.2,
            points=1.0,
            repeat_variance=0.4,
            tasters=("A", "B", "C", "D"),
        ),
        posterior=Posterior(
            recipes=RECIPES, n_allowed=3, mean=np.array(mean), draws=draws.astype(np.float32)
        ),
        scale=SCALES["liking 1-9"],
        control=control,
        engine="test",
    )


def test_a_clear_leader_is_settled_and_offers_its_confirming_test():
    advice = stop_or_taste(belief([7.5, 6.2, 6.0], 0.1))

    assert advice.verdict is StopKind.SETTLED
    assert advice.chance_above_control > 0.99
    assert advice.gain_over_control[0] == pytest.approx(1.3, abs=0.02)
    assert advice.confirm.leader == water_target(RECIPES[0])
    assert advice.confirm.control == water_target(RECIPES[CONTROL])


def test_a_leader_that_may_not_beat_the_control_names_no_winner():
    advice = stop_or_taste(belief([6.55, 6.5, 5.0], 0.05))

    assert advice.verdict is StopKind.NOT_SETTLED
    assert advice.chance_above_control < 0.95
    assert advice.reason is StopReason.UNLIKELY
    assert advice.confirm is None


def test_a_likely_winner_is_not_named_but_may_be_confirmed():
    """Looked at after every flight, 95 % would name winners on flat coffees."""
    advice = stop_or_taste(belief([6.645, 6.5, 5.0], 0.05))

    assert 0.95 < advice.chance_above_control < SURE
    assert advice.verdict is StopKind.NOT_SETTLED
    assert advice.reason is StopReason.LIKELY
    assert advice.confirm.leader == water_target(RECIPES[0])


def test_much_to_lose_or_to_win_means_taste_on():
    much = stop_or_taste(belief([6.6, 6.5, 6.4], 0.5))

    assert much.verdict is StopKind.TASTE_ON
    assert much.expected_loss > SMALL_LOSS
    assert much.reason is StopReason.GAIN


@pytest.mark.parametrize(("n_flights", "few"), [(2, True), (3, True), (4, False)])
def test_a_small_loss_after_too_few_cups_is_not_trusted(n_flights, few):
    """Cups are counted, not flights: three flights of three are nine cups."""
    advice = stop_or_taste(belief([7.5, 6.2, 6.0], 0.1, n_flights=n_flights))

    assert (advice.n_flights, advice.cups_each) == (n_flights, 3 * n_flights)
    assert (advice.verdict is StopKind.TASTE_ON) == few
    assert (advice.reason is StopReason.FEW_CUPS) == few


def test_one_taster_alone_is_told_when_the_own_noise_is_larger_than_what_is_left():
    """Much is left, but so much noise that a flight of one taster wins hardly anything back."""
    told = belief([6.6, 6.55, 6.5], 0.25)
    noisy = replace(told.cups, repeat_variance=4.0, tasters=("A",))
    panel = replace(noisy, tasters=("A", "B"))

    alone = stop_or_taste(replace(told, cups=noisy))

    assert alone.expected_loss > SMALL_LOSS
    assert alone.reason is StopReason.OWN_NOISE
    assert alone.verdict is StopKind.NOT_SETTLED
    assert alone.repeat_sd == 2.0
    assert stop_or_taste(replace(told, cups=panel)).reason is StopReason.GAIN
    quiet = replace(noisy, repeat_variance=0.05)
    assert stop_or_taste(replace(told, cups=quiet)).reason is StopReason.GAIN


@pytest.mark.parametrize("control", [CONTROL, 0, None])
def test_nothing_is_settled_before_it_was_poured(control):
    told = belief([7.5, 6.2, 6.0], 0.1, control=control)
    elsewhere = replace(told.cups, waters=np.tile(RECIPES[[1, 2, 1]], (4, 1)))

    advice = stop_or_taste(replace(told, cups=elsewhere))

    assert stop_or_taste(told).verdict == "stop: settled"
    assert stop_or_taste(told).level is Level.SETTLED
    assert advice.verdict == "taste on"
    assert not advice.was_tasted
    assert advice.level is not Level.SETTLED


def test_plain_means_of_leader_and_control_weigh_each_score_once():
    told = belief([7.5, 6.2, 6.0], 0.1, n_flights=2)
    plain, n_scores = np.array([7.0, 6, 5, 8, 6.5, 5]), np.array([4, 4, 4, 1, 4, 4])
    scored = replace(told, cups=replace(told.cups, plain=plain, n_scores=n_scores))

    advice = stop_or_taste(scored)

    assert advice.leader_mean == pytest.approx((4 * 7 + 8) / 5)
    assert advice.control_mean == pytest.approx(6.25)
    assert scored.cups.plain_mean(np.array([0.4, 90, 20])) is None
    assert stop_or_taste(told).leader_mean is None


def test_the_most_to_gain_is_of_the_best_water_above_the_control():
    told = belief([6.55, 6.5, 5.0], 0.05)
    draws = told.posterior.draws

    over = np.quantile(draws.max(axis=1) - draws[:, CONTROL], AT_MOST)

    assert stop_or_taste(told).most_to_gain == pytest.approx(over)
    assert stop_or_taste(belief([6.55, 6.5, 5.0], 0.05, control=None)).most_to_gain is None


def test_beside_the_surface_alone_a_lead_is_as_unsure_as_beside_the_recommendation():
    told = belief([6.6, 6.5, 5.0], 0.1)
    more = (told.posterior.draws[:, 0] - told.posterior.draws[:, CONTROL]).astype(float)
    wider = more.mean() + WIDER * (more - more.mean())

    advice = stop_or_taste(told)

    assert advice.gain_over_control == pytest.approx(
        (more.mean(), *np.quantile(wider, [0.05, 0.95])), abs=1e-5
    )
    assert advice.chance_above_control == pytest.approx(np.mean(wider > 0), abs=1e-3)


def test_the_expected_loss_is_the_mean_of_best_less_leader():
    told = belief([6.6, 6.5, 6.4], 0.5)
    draws = told.posterior.draws

    advice = stop_or_taste(told)

    assert advice.expected_loss == pytest.approx(np.mean(draws.max(axis=1) - draws[:, 0]), rel=1e-4)


def test_without_a_control_there_is_nothing_to_confirm():
    advice = stop_or_taste(belief([7.5, 6.2, 6.0], 0.1, control=None))

    assert advice.verdict is StopKind.SETTLED
    assert advice.chance_above_control is None
    assert advice.confirm is None


def test_a_control_that_leads_itself_is_kept():
    advice = stop_or_taste(belief([7.5, 6.2, 6.0], 0.1, control=0))

    assert advice.reason is StopReason.CONTROL_LEADS
    assert advice.confirm is None


@pytest.mark.parametrize(("gain", "sd"), [(0.7, 0.1), (0.9, 0.4), (1.3, 0.3)])
def test_the_confirming_test_holds_its_level_and_its_chance(gain, sd):
    """Played: truths as drawn, pairs as two scores apart, counted as ISO 5495 has it."""
    told = belief([6.2 + gain, 6.2, 5.0], sd)
    test = confirming_test(told, leader=water_target(RECIPES[0]))
    n, least = test.n_pairs, test.fewest_preferred
    outcomes = np.arange(n + 1)
    by_chance = binom.pmf(outcomes, n, 0.5)[outcomes >= least].sum()

    rng = np.random.default_rng(3)
    leads = gain + WIDER * sd * np.sqrt(2) * rng.normal(size=(20_000, 1))
    apart = np.sqrt(2 * told.cups.next_cup_variance(1))
    preferred = (leads + apart * rng.normal(size=(20_000, n)) > 0).sum(axis=1)

    assert by_chance <= 0.05 < binom.pmf(outcomes, n, 0.5)[outcomes >= least - 1].sum()
    assert n <= PAIRS_EACH * 4
    assert test.chance == pytest.approx(np.mean(preferred >= least), abs=0.02)
    assert test.n_cups == 2 * n


def test_the_chance_to_confirm_counts_that_the_lead_may_be_smaller():
    """The same lead found: who knows it surely needs fewer pairs than who does not."""
    sure, unsure = belief([7.1, 6.2, 5.0], 0.05), belief([7.1, 6.2, 5.0], 0.4)
    test = confirming_test(sure, leader=water_target(RECIPES[0]))

    assert test.chance >= 0.8
    assert confirming_test(unsure, leader=test.leader).n_pairs > test.n_pairs
    lead = lead_over_control(unsure, test.leader)
    variance = unsure.cups.next_cup_variance(1)
    assert chance_of_pairs(lead, variance, test.n_pairs) < test.chance - 0.05


@pytest.mark.parametrize(("lead", "spread", "variance"), [(0.3, 0.2, 0.1), (0.1, 0.25, 0.06)])
def test_the_chance_to_settle_it_in_flights_is_that_of_normal_arithmetic(lead, spread, variance):
    """Scores of one flight update a normal lead as the textbook has it; settled from .97 on.

    The estimate weighs the leads as drawn, and what it then thinks is WIDER times less sure.
    """
    leads = norm.ppf((np.arange(4000) + 0.5) / 4000, lead, spread)

    first, second, third = chances_to_settle(leads, variance)

    drawn = (spread / WIDER) ** 2
    wanted = norm.ppf(SURE) * WIDER * np.sqrt(1 / (1 / drawn + 1 / variance))
    moves = drawn / (drawn + variance) * np.sqrt(spread**2 + variance)
    assert first == pytest.approx(norm.sf(wanted, lead, moves), abs=0.02)
    assert first < second < third


def test_a_likely_leader_is_first_confirmed_in_ordinary_flights():
    told = stop_or_taste(belief([6.645, 6.5, 5.0], 0.05))
    settled = stop_or_taste(belief([7.5, 6.2, 6.0], 0.1))

    assert told.in_flights.leader == water_target(RECIPES[0])
    assert told.in_flights.control == water_target(RECIPES[CONTROL])
    assert told.in_flights.cups_each == 2
    assert settled.in_flights is None


@pytest.mark.parametrize(("pairs", "least"), [(10, 9), (20, 15), (30, 20), (50, 32)])
def test_least_preferences_are_those_of_the_published_table(pairs, least):
    """ISO 5495, one-sided, 5 % (from memory): what the same formula gives for round numbers."""
    assert int(binom.ppf(0.95, pairs, 0.5)) + 1 == least


def test_a_test_that_this_panel_cannot_drink_is_not_offered():
    test = confirming_test(belief([6.55, 6.5, 5.0], 0.05), leader=water_target(RECIPES[0]))

    assert test.n_cups is None
    assert test.n_pairs is None
    assert test.chance < 0.5
    assert test.most_pairs == 4 * PAIRS_EACH


def test_how_the_coffee_is_served_is_how_it_is_confirmed():
    told = belief([7.5, 6.2, 6.0], 0.1)

    assert stop_or_taste(told).confirm.served_as == "cupping"
    assert stop_or_taste(told, served_as="espresso").confirm.served_as == "espresso"


def test_points_count_by_the_width_of_the_scale():
    """On a scale half as wide, half the loss is as much."""
    told = belief([6.55, 6.45, 6.4], 0.14)
    narrow = replace(told, cups=replace(told.cups, points=0.5))

    assert stop_or_taste(told).verdict is not StopKind.TASTE_ON
    assert stop_or_taste(narrow).verdict is StopKind.TASTE_ON


@pytest.mark.parametrize(
    ("preferred", "outcome", "verdict", "is_open"),
    [
        (8, Outcome.CONFIRMED, StopKind.SETTLED, False),
        (6, Outcome.NOT_SETTLED, StopKind.SETTLED, True),
        (3, Outcome.NOT_CONFIRMED, StopKind.NOT_SETTLED, False),
    ],
)
def test_the_answer_of_the_confirming_test_changes_the_advice(preferred, outcome, verdict, is_open):
    tests = duels(preferred, 8)

    advice = stop_or_taste(belief([7.5, 6.2, 6.0], 0.1), tests=tests)

    assert advice.answer.outcome is outcome
    assert advice.level == {Outcome.NOT_CONFIRMED: Level.OPEN}.get(outcome, Level.SETTLED)
    assert (advice.answer.preferred, advice.answer.n) == (preferred, 8)
    assert advice.verdict is verdict
    assert (advice.confirm is not None) == is_open


def test_what_the_advice_asks_for_confirms_and_one_less_does_not():
    """One rule before and after: the same count, one-sided, whoever drank the pairs."""
    asked = confirming_test(belief([7.5, 6.2, 6.0], 0.1), leader=water_target(RECIPES[0]))

    for preferred in (asked.fewest_preferred, asked.fewest_preferred - 1):
        [reading] = read_tests(duels(preferred, asked.n_pairs))
        answer = reading.answer_on(asked.leader, asked.control)
        assert (answer.outcome is Outcome.CONFIRMED) == (preferred == asked.fewest_preferred)


def test_another_leader_is_not_answered_by_an_older_test():
    other = belief([6.0, 6.2, 7.5], 0.1)

    assert stop_or_taste(other, tests=duels(8, 8)).answer is None


def duels(preferred, n, method="confirming preference"):
    """Pairs of the first recipe against the control, four tasters in turn."""
    rows = []
    for pair in range(n):
        for place, water in enumerate("AB"):
            recipe = RECIPES[0] if water == "A" else RECIPES[CONTROL]
            rows.append(
                {
                    "session": "duel",
                    "flight": 1 + pair // 4,
                    "taster": "ABCD"[pair % 4],
                    "position": place + 1,
                    "water": water,
                    "attribute": "Which cup do you prefer?",
                    "scale": method,
                    "score": float((water == "A") == (pair < preferred)),
                    "mg_share": recipe[0],
                    "hardness_mg_l_caco3": recipe[1],
                    "alkalinity_mg_l_caco3": recipe[2],
                    "is_control": water == "B",
                }
            )
    return pd.DataFrame(rows)
