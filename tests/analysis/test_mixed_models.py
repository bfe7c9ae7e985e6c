"""The mixed-model machinery against exact theory, statsmodels and its own guards."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.regression.mixed_linear_model import MixedLM
from threadpoolctl import threadpool_info, threadpool_limits

from labkit.analysis import Note
from labkit.analysis.model import mixed
from labkit.analysis.model.kenward_roger import denominator
from labkit.analysis.model.mixed import (
    MIXEDLM_ENGINE,
    REML_ENGINE,
    Component,
    fit_mixed,
    identifiable,
)
from labkit.analysis.model.reml import CrossProducts, fit_reml, solve
from labkit.errors import ReadingError
from labkit.noted import noted


def complete_block(tasters=5, waters=4, repeats=1, seed=1, level_sd=1.0):
    rng = np.random.default_rng(seed)
    who = np.repeat(np.arange(tasters), waters * repeats)
    what = np.tile(np.repeat(np.arange(waters), repeats), tasters)
    score = rng.normal(0, level_sd, tasters)[who] + 0.3 * what + rng.normal(0, 0.5, len(who))
    fixed = np.eye(waters)[what]
    return score, fixed, who.astype(str), what.astype(str)


def taster_of(who):
    return Component.grouped("taster", who)


def test_a_complete_block_has_the_degrees_of_freedom_of_the_analysis_of_variance():
    """In a balanced block Kenward-Roger is exact: (tasters - 1)(waters - 1)."""
    score, fixed, who, _ = complete_block(tasters=5, waters=4)

    fit = fit_mixed(score, fixed, [taster_of(who)], who)
    contrast = fit.effects.contrast(np.array([1.0, -1, 0, 0]))

    assert contrast.df == pytest.approx(12, rel=1e-6)
    assert contrast.se == pytest.approx(np.sqrt(2 * fit.residual_variance / 5), rel=1e-6)


def test_the_f_test_of_a_complete_block_is_the_analysis_of_variance():
    score, fixed, who, _ = complete_block(tasters=6, waters=4, seed=3)
    table = score.reshape(6, 4)
    left = table - table.mean(0) - table.mean(1)[:, None] + table.mean()
    expected = (6 * ((table.mean(0) - table.mean()) ** 2).sum() / 3) / ((left**2).sum() / 15)

    fit = fit_mixed(score, fixed, [taster_of(who)], who)
    test = fit.effects.f_test(np.array([[1.0, -1, 0, 0], [0, 1, -1, 0], [0, 0, 1, -1]]))

    assert test.statistic == pytest.approx(expected, rel=1e-5)
    assert test.df_bottom == pytest.approx(15, rel=1e-5)
    assert test.p_value == pytest.approx(stats.f.sf(expected, 3, 15), rel=1e-4)


def test_without_components_it_is_least_squares():
    """Against statsmodels' OLS."""
    score, fixed, who, _ = complete_block()
    theirs = OLS(score, fixed).fit()

    fit = fit_mixed(score, fixed, [], who)
    contrast = fit.effects.contrast(np.array([0.0, 1, 0, -1]))

    expected = theirs.t_test(np.array([0.0, 1, 0, -1]))
    assert fit.engine == "least squares"
    assert contrast.se == pytest.approx(float(expected.sd.item()))
    assert contrast.df == pytest.approx(theirs.df_resid)
    assert contrast.p_value == pytest.approx(float(expected.pvalue))


@pytest.mark.parametrize("q", [1, 2, 3, 5])
@pytest.mark.parametrize("spare", [1, 2, 3, 4])
def test_without_components_the_f_test_is_least_squares_at_few_degrees_of_freedom(q, spare):
    """Against statsmodels' OLS; at two degrees of freedom the published form is 0 / 0."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        fixed = np.column_stack([np.ones(q + 1 + spare), rng.normal(size=(q + 1 + spare, q))])
        score = 2 * fixed[:, -1] + rng.normal(size=len(fixed))
        weights = np.eye(q + 1)[1:]
        theirs = OLS(score, fixed).fit().f_test(weights)

        test = fit_mixed(score, fixed, [], np.full(len(score), "1")).effects.f_test(weights)

        assert test.statistic == pytest.approx(float(theirs.fvalue), rel=1e-6)
        assert test.df_bottom == pytest.approx(spare, rel=1e-6)
        assert test.p_value == pytest.approx(float(theirs.pvalue), rel=1e-6)


@pytest.mark.parametrize("q", [2, 3, 5])
@pytest.mark.parametrize("df", [1, 2, 2.0001, 2.1, 2.3, 3, 4, 4.0001, 10, 60])
def test_f_and_hotellings_t_squared_are_met_exactly(q, df):
    """The two cases that Kenward and Roger (1997) fit; T squared after Anderson (from memory)."""
    n = df + q - 1

    of_f = denominator(q, 2 * q * q / df, 2 * q / df)
    of_t_squared = denominator(q, 2 * q / n, q * (q + 1) / n)

    assert of_f == pytest.approx((df, 1), rel=1e-6)
    assert of_t_squared == pytest.approx((df, df / n), rel=1e-6)


@pytest.mark.parametrize("q", [2, 3, 5])
def test_slopes_known_from_few_tasters_keep_their_level_beside_the_poles(q):
    """Each slope has a variance of its own on nu degrees of freedom, as with nu + 1 tasters."""
    rng = np.random.default_rng(7)
    for nu in (1, 1.5, 1.9, 2, 2.05, 2.1, 2.2, 2.4, 3, 5):
        f = np.mean(rng.standard_t(nu, (20_000, q)) ** 2, axis=1)

        df, scaling = denominator(q, 2 * q / nu, 2 * q / nu)

        assert 0.005 < np.mean(stats.f.sf(scaling * f, q, df) < 0.05) < 0.065


def test_reml_on_cross_products_finds_the_maximum_that_mixedlm_finds():
    score, fixed, who, _ = complete_block(tasters=8, waters=5, repeats=2, seed=7)
    with warnings.catch_warnings(action="ignore"):
        theirs = MixedLM(score, fixed, who).fit(method=["bfgs", "powell"], reml=True)

    products = CrossProducts.of(score, fixed, [taster_of(who).matrix])
    solved, converged = fit_reml(products)

    assert converged
    assert solved.loglik == pytest.approx(theirs.llf, abs=1e-6)
    assert solved.ratios[0] * solved.residual_variance == pytest.approx(
        float(theirs.cov_re.item()), rel=1e-3
    )


def test_the_fitting_library_is_mixedlm_and_reml_gives_the_same_without_it(monkeypatch):
    score, fixed, who, _ = complete_block(repeats=2)
    fit = fit_mixed(score, fixed, [taster_of(who)], who)
    monkeypatch.setattr(mixed, "MOST_NESTED", 0)
    alone = fit_mixed(score, fixed, [taster_of(who)], who)

    assert fit.engine == MIXEDLM_ENGINE
    assert alone.engine == REML_ENGINE
    np.testing.assert_allclose(alone.variances, fit.variances, rtol=1e-3)
    np.testing.assert_allclose(alone.effects.beta, fit.effects.beta, atol=1e-6)


def test_a_mixedlm_that_breaks_down_is_replaced(monkeypatch):
    def broken(*_args, **_kwargs):
        raise np.linalg.LinAlgError("Singular matrix")

    monkeypatch.setattr(mixed, "MixedLM", broken)
    score, fixed, who, _ = complete_block()

    assert fit_mixed(score, fixed, [taster_of(who)], who).engine == REML_ENGINE


def test_one_taster_has_no_spread_between_tasters_to_estimate():
    """MixedLM reports convergence here."""
    _, fixed, who, _ = complete_block(tasters=1, repeats=3)

    kept, dropped, _ = identifiable(fixed, [taster_of(who)])

    assert not kept
    assert [one.name for one in dropped] == ["taster"]


def test_taster_by_water_needs_a_water_tasted_twice():
    """With one score per cell it is the residual; MixedLM reports convergence here."""
    for repeats, expected in ((1, ["taster"]), (2, ["taster", "taster:water"])):
        _, fixed, who, what = complete_block(repeats=repeats)
        pair = Component.grouped("taster:water", np.char.add(np.char.add(who, "|"), what))

        kept, *_ = identifiable(fixed, [taster_of(who), pair])

        assert [one.name for one in kept] == expected


def test_a_component_at_zero_is_left_out_with_a_sentence():
    score, fixed, who, _ = complete_block(level_sd=0.0, seed=12)
    score = score - (score.reshape(5, 4).mean(1) - score.mean()).repeat(4)

    fit = fit_mixed(score, fixed, [taster_of(who)], who)

    assert not fit.components
    assert fit.notes == (noted(Note.NOT_SEEN, component="taster"),)


def test_a_component_kept_at_zero_goes_on_costing_degrees_of_freedom():
    score, fixed, who, _ = complete_block(level_sd=0.0, seed=12)
    score = score - (score.reshape(5, 4).mean(1) - score.mean()).repeat(4)
    kept = Component.grouped("taster", who, keep_at_zero=True)

    fit = fit_mixed(score, fixed, [kept], who)
    mean = fit.effects.contrast(np.full(4, 0.25))

    assert fit.variance_of("taster") == 0
    assert mean.df < 16
    assert fit.notes == (noted(Note.NO_SPREAD, component="taster"),)


def test_scores_without_noise_are_refused_in_a_sentence():
    _, fixed, who, what = complete_block(repeats=2)

    with pytest.raises(ReadingError, match="repeat without any spread"):
        fit_mixed(what.astype(float), fixed, [taster_of(who)], who)


def test_a_maximum_out_of_reach_is_answered_by_a_simpler_model(monkeypatch):
    def never(products, *, start=None):
        return solve(products, np.full(len(products.blocks), 0.2)), not products.blocks

    monkeypatch.setattr(mixed, "fit_reml", never)
    score, fixed, who, _ = complete_block()

    fit = fit_mixed(score, fixed, [taster_of(who)], who)

    assert not fit.components
    assert fit.notes[0] == noted(Note.NOT_ESTIMATED, component="taster")


def test_random_effects_are_drawn_towards_the_panel():
    """In a balanced block the prediction is the mean times k v / (k v + s2)."""
    score, fixed, who, _ = complete_block(tasters=6, waters=4)
    fit = fit_mixed(score, fixed, [taster_of(who)], who)
    means = score.reshape(6, 4).mean(1) - score.mean()
    share = 4 * fit.variances[0] / (4 * fit.variances[0] + fit.residual_variance)

    np.testing.assert_allclose(fit.random_effects[0], share * means, atol=1e-8)


def test_a_fit_takes_one_thread_and_gives_the_others_back(monkeypatch):
    """Two wait for each other in thousands of small products: 12 ms each instead of .2, once."""
    score, fixed, who, _ = complete_block()
    seen = []

    def look(*given, **more):
        seen.append(blas_threads())
        return fit_reml(*given, **more)

    def blas_threads():
        return {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}

    monkeypatch.setattr(mixed, "fit_reml", look)
    with threadpool_limits(2):
        fit_mixed(score, fixed, [taster_of(who)], who)

        assert seen == [{1}]
        assert blas_threads() == {2}
