"""The checks of a fit find what was planted and stay silent otherwise."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.analysis.model.scores import gather_scores
from labkit.analysis.model.surface import fit_surface
from labkit.analysis.reading.coffee import read_coffee
from labkit.analysis.reading.diagnostics import PILED, end_shares
from labkit.analysis.reading.ordinal import Ordinal, ordinal_check

from .conftest import RATIOS, tasted


def test_a_kink_is_a_lack_of_fit():
    frame = tasted(effect=0, tasters="ABCDEF")
    frame.loc[frame["mg_share"] == 0.6, "score"] += 2.5

    checks = read_coffee(frame).diagnostics

    assert checks.lack_of_fit.p_value < 0.01
    assert checks.misfits


def test_a_true_curve_has_none(ratio_scores):
    checks = read_coffee(ratio_scores).diagnostics

    assert checks.lack_of_fit.p_value > 0.05
    assert checks.lack_of_fit.df_top == 3
    assert not checks.misfits
    assert not checks.alone
    assert max(checks.at_lowest, checks.at_highest) <= PILED


def test_a_saturated_curve_cannot_be_checked():
    assert read_coffee(tasted(waters=RATIOS[::2][:3])).diagnostics.lack_of_fit is None


def test_scores_piled_at_the_end_of_the_scale_are_warned_of(ratio_scores):
    piled = ratio_scores.assign(score=np.minimum(ratio_scores["score"] + 2.5, 9))

    checks = read_coffee(piled).diagnostics

    assert checks.at_highest > 0.25
    assert checks.at_highest > PILED


def test_an_unknown_scale_has_no_known_ends(ratio_scores):
    low, high = end_shares(gather_scores(ratio_scores.assign(scale="our own")))

    assert np.isnan(low)
    assert np.isnan(high)


def test_leverage_is_the_hat_matrix_gathered_by_water():
    """Against the generalised least squares hat matrix, formed outright."""
    surface = fit_surface(gather_scores(tasted(missing=0.2, seed=3)))
    reading = read_coffee(tasted(missing=0.2, seed=3))
    fit, fixed = surface.fit, surface.model.fixed
    variance = fit.residual_variance * np.eye(len(fixed))
    for component, size in zip(fit.components, fit.variances, strict=True):
        variance += size * (component.matrix @ component.matrix.T).toarray()
    weights = np.linalg.inv(variance)
    hat = np.linalg.solve(fixed.T @ weights @ fixed, fixed.T @ weights)
    recipes = surface.scores.recipes
    labels = surface.scores.column("recipe")
    expected = [
        (surface.design(recipes.iloc[[i]]) @ hat[: surface.model.n_surface])[
            0, labels == name
        ].sum()
        for i, name in enumerate(recipes["recipe"])
    ]

    np.testing.assert_allclose(reading.diagnostics.leverage["own_share"], expected, atol=1e-8)


def test_a_curve_that_rests_on_one_water_is_warned_of():
    waters = [(0.4, 80, 20), (0.4, 80, 20), (0.5, 80, 20), (1, 80, 20)]

    checks = read_coffee(tasted(waters=waters)).diagnostics

    assert checks.alone


def test_residuals_come_with_what_a_plot_needs(ratio_scores):
    table = read_coffee(ratio_scores).diagnostics.residuals

    assert len(table) == len(ratio_scores)
    assert table["residual"].mean() == pytest.approx(0, abs=1e-6)
    assert np.corrcoef(table["standardised"], table["normal"])[0, 1] > 0.9


@pytest.mark.slow
def test_counting_scores_by_order_alone_leaves_the_best_water_in_place(ratio_scores):
    """Treating nine points as continuous moves the optimum little."""
    check = ordinal_check(fit_surface(gather_scores(ratio_scores)))

    assert check.moved < 0.15
    assert check.outcome is Ordinal.STAYS


def test_two_different_scores_make_no_ordinal_check(ratio_scores):
    halves = ratio_scores.assign(score=np.where(ratio_scores["score"] > 6, 7.0, 6.0))

    check = ordinal_check(fit_surface(gather_scores(halves)))

    assert check.best is None
    assert check.outcome is Ordinal.NOT_MADE
