"""Unbalanced, crossed and lopsided tables: the fit agrees with the definitions worked out in full.

Everything here is written once more with dense matrices straight from Kenward and Roger (1997), so
that a slip in the cross-products cannot hide.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.linalg import inv, slogdet
from scipy import optimize, stats

from labkit.analysis.model.mixed import Component, fit_mixed

SHAPES = {
    "unbalanced": [(t, w) for t in range(5) for w in range(6) for _ in range((t * w) % 3)],
    "crossed without replication": [(t, w) for t in range(4) for w in range(6)],
    "one flight, a taster with one cup": [(t, w) for t in range(3) for w in range(7)] + [(3, 2)],
    "two tasters, one of them much more": [(0, w % 5) for w in range(20)] + [(1, 0), (1, 4)],
}


def table(shape, seed):
    """Scores, fixed part (level, slope, bend) and the components of one shape."""
    rng = np.random.default_rng(seed)
    taster, water = np.array(SHAPES[shape]).T
    x = 2 * water / water.max() - 1
    fixed = np.column_stack([np.ones(len(x)), x, x**2])
    scores = 6 + 0.5 * x - x**2 + rng.normal(0, 0.6, 9)[taster] + rng.normal(0, 0.5, len(x))
    scores += (rng.normal(0, 0.5, 9)[taster]) * x
    names = taster.astype(str)
    parts = [
        Component.grouped("taster", names, keep_at_zero=True),
        Component.grouped("slope", names, times=x, keep_at_zero=True),
    ]
    return scores, fixed, parts, names


def criterion(variances, scores, fixed, matrices):
    """Restricted log-likelihood by its definition."""
    v = variances[-1] * np.eye(len(scores))
    for variance, z in zip(variances, matrices, strict=False):
        v = v + variance * z @ z.T
    w = inv(v)
    information = fixed.T @ w @ fixed
    left = scores - fixed @ inv(information) @ fixed.T @ w @ scores
    n = len(scores) - fixed.shape[1]
    return -0.5 * (
        slogdet(v)[1] + slogdet(information)[1] + left @ w @ left + n * np.log(2 * np.pi)
    )


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("shape", SHAPES)
def test_the_likelihood_is_at_its_maximum(shape, seed):
    scores, fixed, parts, names = table(shape, seed)
    matrices = [one.matrix.toarray() for one in parts]

    fit = fit_mixed(scores, fixed, parts, names)

    here = np.append(fit.variances, fit.residual_variance)
    assert criterion(here, scores, fixed, matrices) == pytest.approx(fit.loglik, abs=1e-6)
    best = max(
        -optimize.minimize(
            lambda logs: -criterion(np.exp(logs), scores, fixed, matrices),
            np.log(start),
            method="Nelder-Mead",
            options={"maxiter": 4000, "fatol": 1e-10, "xatol": 1e-8},
        ).fun
        for start in ([0.3, 0.1, 0.3], [0.01, 0.01, 0.6])
    )
    assert fit.loglik >= best - 1e-5


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("shape", SHAPES)
def test_covariance_and_degrees_of_freedom_are_those_of_the_paper(shape, seed):
    scores, fixed, parts, names = table(shape, seed)
    fit = fit_mixed(scores, fixed, parts, names)
    spreads = [one.matrix.toarray() @ one.matrix.toarray().T for one in parts]
    spreads.append(np.eye(len(scores)))
    here = np.append(fit.variances, fit.residual_variance)

    w = inv(sum(variance * g for variance, g in zip(here, spreads, strict=True)))
    phi = inv(fixed.T @ w @ fixed)
    p = [-fixed.T @ w @ g @ w @ fixed for g in spreads]
    projected = w - w @ fixed @ phi @ fixed.T @ w
    information = [
        [0.5 * np.trace(projected @ one @ projected @ two) for two in spreads] for one in spreads
    ]
    wv = inv(np.array(information))
    adjusted = phi.copy()
    for i, one in enumerate(spreads):
        for j, two in enumerate(spreads):
            q = fixed.T @ w @ one @ w @ two @ w @ fixed
            adjusted += 2 * wv[i, j] * phi @ (q - p[i] @ phi @ p[j]) @ phi
    beta = phi @ fixed.T @ w @ scores

    np.testing.assert_allclose(fit.effects.beta, beta, rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(fit.effects.gls_covariance, phi, rtol=1e-7, atol=1e-12)
    np.testing.assert_allclose(fit.effects.covariance, adjusted, rtol=1e-6, atol=1e-12)
    for contrast in np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 2, 0.5]]):
        size = contrast @ phi @ contrast
        slopes = [contrast @ phi @ one @ phi @ contrast for one in p]
        df = 2 * size**2 / (np.array(slopes) @ wv @ np.array(slopes))
        df = max(df, 1.0)  # below 1 (two tasters who differ) an interval has no use
        assert fit.effects.degrees_of_freedom(contrast[None])[0] == pytest.approx(df, rel=1e-6)


def test_a_paired_comparison_is_the_paired_t_test():
    """Two waters, seven tasters, one cup each: exact by design."""
    rng = np.random.default_rng(8)
    level, gain = rng.normal(6, 1, 7), rng.normal(0.5, 0.4, 7)
    scores = np.concatenate([level, level + gain])
    names = np.tile(np.arange(7).astype(str), 2)
    fixed = np.column_stack([np.ones(14), np.repeat([0.0, 1.0], 7)])

    fit = fit_mixed(scores, fixed, [Component.grouped("taster", names)], names)

    found = fit.effects.contrast(np.array([0.0, 1.0]))
    paired = stats.ttest_rel(scores[7:], scores[:7])
    assert found.df == pytest.approx(6, rel=1e-6)
    assert found.p_value == pytest.approx(paired.pvalue, rel=1e-6)
