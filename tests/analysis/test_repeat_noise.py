"""Who scores one duplicate alike is no wonder: repeats are pooled, and false alarms stay rare."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from labkit.analysis.model.scores import gather_scores
from labkit.analysis.reading.agreement import Cells, intraclass_correlations
from labkit.analysis.reading.panel import TasterKind, check_panel
from labkit.analysis.reading.repeat_noise import RepeatNoise, rounding
from tests.benchmarks.panel_alarms import SCALES, judged, tasted


def cells(n_tasters, n_waters, scores, repeats=1):
    """Each taster's first `repeats` waters twice: scores of shape (tasters, waters + repeats)."""
    waters = [*range(n_waters), *range(repeats)]
    return Cells.of(
        np.repeat(np.arange(n_tasters), len(waters)),
        np.tile(waters, n_tasters),
        np.asarray(scores, dtype=float).ravel(),
    )


def test_the_variance_is_smyths_weighted_mean():
    """By hand: ``(d0 s0^2 + d s^2) / (d0 + d)``, Smyth (2004), section 3, with d0 = 12.

    Squares within 0, 2 and 0.5 on one degree of freedom each: s0^2 = 2.5 / 3.
    """
    found = RepeatNoise.of(cells(3, 3, [[5, 6, 7, 5], [5, 6, 7, 7], [5, 6, 7, 6]]))

    pooled = 2.5 / 3
    by_hand = [(12 * pooled + own) / 13 for own in (0, 2, 0.5)]
    np.testing.assert_allclose(found.variance, by_hand)
    np.testing.assert_allclose(found.df, 3)  # never more than all repeats together


def test_whoever_scores_the_duplicate_alike_is_not_certain_for_that():
    noisy = cells(3, 3, [[5, 6, 7, 5], [5, 6, 7, 7], [5, 6, 7, 6]])
    f, p = RepeatNoise.of(noisy).discrimination(0, noisy)

    assert 0 < f < 5
    assert p > 0.1


def test_a_panel_that_repeats_everything_is_as_sure_as_its_scale_is_fine():
    """No spread at all: what the steps of the scale hide is a rectangle, step^2 / 12."""
    alike = cells(3, 3, [[5, 6, 7, 5]] * 3)
    noise = RepeatNoise.of(alike, least=rounding(np.array([5.0, 6, 7, 5])))

    # The floor is drawn in with 12 of 13 degrees of freedom.
    np.testing.assert_allclose(noise.variance, 12 / 13 / 12)
    assert np.isfinite(noise.discrimination(0, alike)[0])


def test_a_taster_alone_is_the_one_way_analysis_of_variance():
    """Against scipy.stats.f_oneway."""
    scores = np.random.default_rng(2).normal(size=10)
    alone = Cells.of(["A"] * 10, [0, 0, 0, 1, 1, 2, 2, 3, 3, 3], scores)
    expected = stats.f_oneway(scores[:3], scores[3:5], scores[5:7], scores[7:])

    f, p = RepeatNoise.of(alone).discrimination(0, alone)

    assert (f, p) == pytest.approx((expected.statistic, expected.pvalue))


def test_nobody_is_judged_where_nobody_scored_a_water_twice():
    once = cells(3, 3, [[5, 6, 7], [6, 5, 7], [7, 6, 5]], repeats=0)
    noise = RepeatNoise.of(once)

    assert np.isnan(noise.discrimination(0, once)[1])
    assert np.isnan(noise.departure(0, once))


@pytest.mark.parametrize("score", [7.0, 7.1, 6.7, 8.3, 1 / 3])
def test_where_all_scores_are_alike_nothing_is_tested(score):
    """Neither spread nor a difference: 0/0, though a sum of 6.7 and 6.7 and 6.7 is rounded."""
    levels = score + np.array([[0.0], [0.3], [1.1]])
    for scores in (np.full((3, 7), score), levels.repeat(7, axis=1)):
        alike = cells(3, 5, scores, repeats=2)
        noise = RepeatNoise.of(alike)
        agreed = intraclass_correlations(alike.mean.T)

        assert (alike.within == 0).all()
        assert np.isnan([noise.discrimination(row, alike) for row in range(3)]).all()
        assert np.isnan([noise.departure(row, alike) for row in range(3)]).all()
        assert agreed.mean_squares[0] == agreed.mean_squares[3] == 0
        assert np.isnan([agreed.agreement_lo, agreed.agreement_hi, agreed.consistency]).all()


def test_whoever_departs_without_any_noise_departs_for_certain():
    exact = cells(3, 3, [[5, 6, 7, 5], [5, 6, 7, 5], [7, 6, 5, 7]])
    noise = RepeatNoise.of(exact)

    assert noise.departure(2, exact) == 0


@pytest.mark.parametrize("repeats", [1, 5])
def test_both_tests_keep_their_level_on_noise_alone(repeats):
    """2000 panels of four, five waters; 5 % within four Monte Carlo errors (2 points)."""
    rng = np.random.default_rng(8)
    waters = rng.normal(size=5)[[*range(5), *range(repeats)]]  # the same for all: nobody departs
    apart = departs = 0
    for _ in range(2000):
        scores = rng.normal(size=(4, 5 + repeats))
        flat = cells(4, 5, scores, repeats)
        apart += RepeatNoise.of(flat).discrimination(0, flat)[1] < 0.05
        true = cells(4, 5, scores + waters, repeats)
        departs += RepeatNoise.of(true).departure(0, true) < 0.05

    assert apart / 2000 == pytest.approx(0.05, abs=0.02)
    assert departs / 2000 == pytest.approx(0.05, abs=0.02)


@pytest.mark.parametrize(
    ("points", "n_tasters", "word"), [(0, 6, "whole points"), (1, 4, "half points")]
)
def test_tasters_are_not_condemned_on_noise(points, n_tasters, word):
    """40 simulated coffees of one flight and one duplicate, seeded; at most 5 % are allowed.

    Before repeats were pooled, three of four such panels of six were said to disagree.
    """
    rng = np.random.default_rng(31)
    found = [
        judged(
            check_panel(
                gather_scores(tasted(rng, points=points, n_tasters=n_tasters, scale=SCALES[word]))
            )
        )
        for _ in range(40)
    ]

    assert np.mean([one["the panel disagrees"] for one in found]) <= 0.05
    if not points:
        assert np.mean([one["tasters with p < .05"] for one in found]) < 0.09
        assert np.mean([one["a taster is said to see"] for one in found]) <= 0.1


def test_tasters_who_tell_waters_apart_are_still_found():
    """Three flights, a duplicate in each; the first answers 2.5 times as strongly, or back."""
    rng = np.random.default_rng(5)
    keen = [
        check_panel(gather_scores(tasted(rng, points=2, flights=3, odd=2.5))).tasters[0].kind
        for _ in range(12)
    ]
    turned = [
        check_panel(gather_scores(tasted(rng, points=2, flights=3, odd=-2.5))).tasters[0].kind
        for _ in range(12)
    ]

    assert keen.count(TasterKind.SEES) >= 9
    assert turned.count(TasterKind.DISAGREES) >= 9
