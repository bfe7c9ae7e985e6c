"""Kenward-Roger: covariance, degrees of freedom and F tests that hold for a handful of tasters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.reml import CrossProducts, Solved

MOST_DF = 1e6
"""Degrees of freedom that stand for 'known exactly'."""

LEAST_LEFT = 0.1
"""``1 - 2 / df`` below which the moments that F is matched by are not there to rest on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """One combination of fixed effects, with what is known about it."""

    estimate: float
    """Its value."""

    se: float
    """Standard error, small-sample corrected."""

    df: float
    """Kenward-Roger degrees of freedom."""

    @property
    def p_value(self) -> float:
        """Two-sided p-value of 'it is zero'."""
        if self.se == 0:
            return 1.0 if self.estimate == 0 else 0.0
        return float(2 * special.stdtr(self.df, -abs(self.estimate) / self.se))

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Two-sided interval."""
        reach = float(special.stdtrit(self.df, 0.5 + level / 2)) * self.se
        return self.estimate - reach, self.estimate + reach


@dataclass(frozen=True, slots=True, kw_only=True)
class FTest:
    """A test that several combinations of fixed effects are all zero."""

    statistic: float
    """F, scaled as Kenward and Roger propose."""

    df_top: float
    """Number of combinations tested."""

    df_bottom: float
    """Denominator degrees of freedom."""

    @property
    def p_value(self) -> float:
        """Upper tail."""
        return float(special.fdtrc(self.df_top, self.df_bottom, self.statistic))


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedEffects:
    """Fixed effects with their small-sample covariance.

    Notes
    -----
    The covariance and the degrees of freedom follow [1]_ for variance components, whose second
    derivatives vanish; of the components that are given, those estimated at zero count too, as
    they do in the R package pbkrtest [2]_, which keeps the degrees of freedom from being flattered
    by a boundary. Which ones a surface may leave out, says `structure.told_at_zero`.

    References
    ----------
    .. [1] Kenward, M. G. and Roger, J. H. (1997). Small sample inference for fixed effects from
       restricted maximum likelihood. Biometrics, 53, 983-997.
    .. [2] Halekoh, U. and Højsgaard, S. (2014). A Kenward-Roger approximation and parametric
       bootstrap methods for tests in linear mixed models. J. Stat. Softw., 59(9).
    """

    beta: Floats
    """Estimates, shape (p,)."""

    gls_covariance: Floats
    """``(X'V^-1 X)^-1``, shape (p, p)."""

    covariance: Floats
    """The same, corrected for the variances being estimated."""

    sensitivities: Floats
    """``Phi P_i Phi`` for each variance component, the residual last; shape (k + 1, p, p)."""

    variance_covariance: Floats
    """Covariance of the estimated variances, shape (k + 1, k + 1)."""

    @classmethod
    def of(cls, products: CrossProducts, at: Solved) -> FixedEffects:
        """The corrected fixed effects of a model solved at its estimated variance ratios."""
        gram, p, k = products.gram, products.n_fixed, len(products.blocks)
        s2 = at.residual_variance
        size = gram.shape[0] - 1
        # H^-1 maps the span of [X Z] into itself: its matrix there is `step`.
        step = np.eye(size)
        ratios = products.spread(at.ratios)
        z = slice(p, size)
        if k:
            step[z] -= ratios[:, None] * at.weighted[z, :size]
        once = at.weighted[:size, :size] / s2
        twice = (at.weighted[:size, :size] @ step) / s2**2
        phi = at.information * s2

        def parts(power: Floats) -> list[Floats]:
            return [power[:p, block] for block in products.blocks]

        to_x, twice_to_x = parts(once), parts(twice)
        thrice_x = twice[:p] @ step[:, :p] / s2
        # P_i and Q_ij of the paper: X' (dV^-1/di) X, and X' V^-1 G_i V^-1 G_j V^-1 X.
        slopes = [-(half @ half.T) for half in to_x] + [-twice[:p, :p]]
        curves = np.empty((k + 1, k + 1, p, p))
        traces = np.empty((k + 1, k + 1))
        for i, left in enumerate(products.blocks):
            for j, right in enumerate(products.blocks):
                between = once[left, right]
                curves[i, j] = to_x[i] @ between @ to_x[j].T
                traces[i, j] = np.sum(between**2)
            curves[i, k] = to_x[i] @ twice_to_x[i].T
            curves[k, i] = curves[i, k].T
            traces[i, k] = traces[k, i] = np.trace(twice[left, left])
        curves[k, k] = thrice_x
        traces[k, k] = _trace_of_squared_inverse(products, at) / s2**2
        sensitivities = np.array([phi @ slope @ phi for slope in slopes])
        # tr(P G_i P G_j) / 2, expanded so that no matrix as large as the scores is needed.
        information = np.empty((k + 1, k + 1))
        for i in range(k + 1):
            for j in range(k + 1):
                information[i, j] = 0.5 * (
                    traces[i, j]
                    - 2 * np.sum(phi * curves[i, j].T)
                    + np.sum(sensitivities[i] * slopes[j])
                )
        information = (information + information.T) / 2
        spread = np.linalg.pinv(information, hermitian=True)
        correction = np.zeros((p, p))
        for i in range(k + 1):
            for j in range(k + 1):
                correction += spread[i, j] * (curves[i, j] - slopes[i] @ phi @ slopes[j])
        # The paper's R_ij is missing: V is linear in its variances.
        corrected = phi + 2 * phi @ correction @ phi
        return cls(
            beta=at.beta,
            gls_covariance=phi,
            covariance=(corrected + corrected.T) / 2,
            sensitivities=sensitivities,
            variance_covariance=np.asarray(spread, dtype=np.float64),
        )

    def contrast(self, weights: Floats) -> Contrast:
        """One combination of the fixed effects, weights of shape (p,)."""
        return Contrast(
            estimate=float(weights @ self.beta),
            se=float(np.sqrt(max(float(weights @ self.covariance @ weights), 0.0))),
            df=float(self.degrees_of_freedom(weights[None])[0]),
        )

    def intervals(self, weights: Floats, level: float = 0.95) -> pd.DataFrame:
        """Combinations of the fixed effects with their t intervals.

        Parameters
        ----------
        weights : ndarray, shape (n, p)
            One combination a row.
        level : float
            Coverage of each interval.

        Returns
        -------
        DataFrame
            ``mean, se, df, lo, hi``, one row a combination.
        """
        mean = weights @ self.beta
        se = np.sqrt(np.einsum("np,pq,nq->n", weights, self.covariance, weights).clip(0))
        df = self.degrees_of_freedom(weights)
        reach = special.stdtrit(df, 0.5 + level / 2) * se
        return pd.DataFrame(
            {"mean": mean, "se": se, "df": df, "lo": mean - reach, "hi": mean + reach}
        )

    def degrees_of_freedom(self, weights: Floats) -> Floats:
        """Kenward-Roger degrees of freedom of each row of weights (n, p), shape (n,)."""
        variance = np.einsum("np,pq,nq->n", weights, self.gls_covariance, weights)
        slopes = np.einsum("np,kpq,nq->nk", weights, self.sensitivities, weights)
        uncertainty = np.einsum("nk,kl,nl->n", slopes, self.variance_covariance, slopes)
        with np.errstate(divide="ignore", invalid="ignore"):
            df = np.where(uncertainty > 0, 2 * variance**2 / uncertainty, MOST_DF)
        return np.clip(df, 1.0, MOST_DF)

    def f_test(self, weights: Floats) -> FTest:
        """Test that all rows of ``weights @ beta`` (weights of shape (q, p)) are zero."""
        q = len(weights)
        gls = weights @ self.gls_covariance @ weights.T
        middle = weights.T @ np.linalg.solve(gls, weights)
        shaken = np.array([middle @ slope for slope in self.sensitivities])
        single = np.array([np.trace(one) for one in shaken])
        double = np.einsum("ipq,jqp->ij", shaken, shaken)
        a1 = float(np.sum(self.variance_covariance * np.outer(single, single)))
        a2 = float(np.sum(self.variance_covariance * double))
        estimate = weights @ self.beta
        raw = float(estimate @ np.linalg.solve(weights @ self.covariance @ weights.T, estimate)) / q
        if a2 <= q / MOST_DF:
            return FTest(statistic=raw, df_top=q, df_bottom=MOST_DF)
        df, scaling = denominator(q, a1, a2)
        return FTest(statistic=scaling * raw, df_top=q, df_bottom=min(df, MOST_DF))


def denominator(q: int, a1: float, a2: float) -> tuple[float, float]:
    """Denominator degrees of freedom and scaling of F, after the moments of Kenward and Roger.

    ``shrink`` and ``fall`` are two estimates of 1 - 2 / df, equal where the statistic is exactly
    an F or Hotelling's T squared, and both 0 at two degrees of freedom: 0 / 0. Close to that the
    moments to be matched do not exist, and the ratio of the two can be any number. There the form
    is taken that both exact cases share and that needs no ratio: n - d degrees of freedom, scaling
    (n - d) / n, where d is 0 for an F, and n is the degrees of freedom of Hotelling's covariance.
    """
    b = (a1 + 6 * a2) / (2 * q)
    g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
    base = 3 * q + 2 * (1 - g)
    rise, fall, tail = 1 + g / base * b, 1 - (q - g) / base * b, 1 - (q + 2 - g) / base * b
    shrink = 1 - a2 / q
    if min(shrink, fall) >= LEAST_LEFT:
        # Multiplied out, as tail is 0 at four degrees of freedom: left is 1 - 2 / df as published.
        squared = (shrink / fall) ** 2 * rise
        left = (2 * squared + q * tail) / (4 * squared + (q - 2) * tail)
        if LEAST_LEFT <= left < 1:
            return 2 / (1 - left), shrink / left
    n, d = base / b, q - 2 - g
    df = max(n - d, 1.0)
    return df, min(df / n, 1.0)


def _trace_of_squared_inverse(products: CrossProducts, at: Solved) -> float:
    """``tr(H^-2)`` from the random columns alone."""
    z = products.random
    root = np.sqrt(products.spread(at.ratios))
    inner = products.gram[z, z] * np.outer(root, root)
    eigenvalues = np.clip(np.linalg.eigvalsh(inner), 0, None)
    return float(products.n_scores - len(eigenvalues) + np.sum((1 + eigenvalues) ** -2.0))
