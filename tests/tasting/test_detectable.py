"""What a tasting shows: one reckoning before and after it, never beyond the scale."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from labkit.tasting import SCALES, plan_power, practised_noise, ratio_sweep
from labkit.tasting.detectable import detectable_difference

LIKING = SCALES["liking 1-9"]
NOISE = practised_noise(LIKING)


def test_a_known_error_is_the_students_t_test():
    """80 % of noncentral t above its limit, by scipy.stats; one term, so that F is t squared."""
    size = detectable_difference(0.5, 6, 1, 6, known=True)
    limit = stats.t.ppf(0.975, 6)

    assert stats.nct(6, size / 0.5).sf(limit) == pytest.approx(0.8, abs=1e-3)


@pytest.mark.parametrize("df", [4, 6, 12])
def test_an_estimated_error_is_averaged_over_how_far_it_may_be_off(df):
    """80 % of noncentral t again, integrated by scipy over the chi-squared of the estimate."""
    size = detectable_difference(0.5, df, 1, df)
    limit, of_error = stats.t.ppf(0.975, df), stats.chi2(df)

    seen = of_error.expect(lambda c: stats.nct.sf(limit, df, size / 0.5 * np.sqrt(c / df)))
    assert seen == pytest.approx(0.8, abs=2e-3)


def test_an_estimated_error_needs_more_than_a_known_one():
    assert detectable_difference(0.5, 6, 1, 6) > detectable_difference(0.5, 6, 1, 6, known=True)


def test_a_winner_with_a_known_error_is_seen_as_often_as_promised():
    """Three waters, six tasters, 4000 times: both tests, within 4 Monte Carlo errors."""
    n_tasters = 6
    size = detectable_difference(math.sqrt(2 / n_tasters), 10, 2, 10, known=True)
    scores = np.random.default_rng(4).normal(size=(4000, n_tasters, 3))
    scores += np.array([-0.5, 0, 0.5]) * size  # hardest to see: the third water in the middle
    left = scores - scores.mean(axis=1, keepdims=True)
    left -= left.mean(axis=2, keepdims=True)
    means = scores.mean(axis=1)
    top = n_tasters * means.var(axis=1, ddof=1)
    f = top / ((left**2).sum(axis=(1, 2)) / 10)
    t = (means[:, 2] - means[:, 0]) / np.sqrt((left**2).sum(axis=(1, 2)) / 10 * 2 / n_tasters)
    seen = (f > stats.f.ppf(0.95, 2, 10)) & (t > stats.t.ppf(0.975, 10))

    assert seen.mean() == pytest.approx(0.8, abs=4 * math.sqrt(0.8 * 0.2 / 4000))


@pytest.mark.parametrize("df", [1, 2, 3, 8])
@pytest.mark.parametrize("se", [0.2, 1.0, 3.0])
def test_no_difference_is_larger_than_the_scale(df, se):
    size = detectable_difference(se, df, 2, df, span=8)

    assert size <= 8 or size == math.inf


@pytest.mark.parametrize(("n_tasters", "flights"), [(1, 1), (2, 1), (2, 3), (4, 1), (6, 2)])
def test_a_plan_promises_nothing_beyond_its_scale(n_tasters, flights):
    plan = plan_power(4, n_tasters, noise=NOISE, flights=flights, cups_per_flight=6, span=8)

    for size in (plan.difference, plan.difference_of_any):
        assert size <= 8 or size == math.inf


def test_two_tasters_can_show_no_best_water_and_six_can():
    """What two differ by rests on one degree of freedom: beyond 8 points."""
    two, six = (plan_power(4, n, noise=NOISE, flights=3, cups_per_flight=6, span=8) for n in (2, 6))

    assert two.difference_of_any == math.inf
    assert six.difference_of_any < 2.5


@pytest.mark.parametrize(("n_tasters", "degrees"), [(4, 3), (6, 4), (8, 5)])
def test_a_single_flight_with_a_duplicate_is_judged_by_its_few_jugs_too(n_tasters, degrees):
    """By tasters alone 64 to 69 % of readings saw what was promised for 80 % (DEVELOPERS.md)."""
    sweep = ratio_sweep([0, 0.25, 0.5, 0.75, 1], hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)

    def plan(**more):
        return plan_power(
            *(4, n_tasters), noise=NOISE, cups_per_flight=6, sweep=sweep, fall=1.0, **more
        )

    assert plan(flights=1).degrees_between == degrees
    assert plan(flights=1, duplicates=0).degrees_between == n_tasters - 1  # jugs cannot be told
    assert plan(flights=3).degrees_between == n_tasters - 1  # jugs enough
