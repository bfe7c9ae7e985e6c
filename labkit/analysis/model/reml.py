"""Restricted maximum likelihood for variance components, worked on cross-products.

Everything is computed from ``[X Z y]'[X Z y]``, whose size does not depend on the number of
scores. It starts, checks and (where crossed effects make that slow) stands in for statsmodels'
``MixedLM``, and it carries what the Kenward-Roger correction needs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import sparse
from scipy.linalg import lapack

from labkit.analysis.model.coding import Floats
from labkit.errors import ReadingError

NO_NOISE: Final = 1e-10
"""Residual variance, as a share of what is to be explained, that counts as none."""

NO_NOISE_SENTENCE: Final = (
    "The scores repeat without any spread, so there is no noise to judge a difference by, and how "
    "sure one can be cannot be told."
)

ROUNDING: Final = 1e-10
"""Difference of two log-likelihoods of a few hundred that rounding alone may make."""

MOST_STEPS: Final = 60
"""Scoring steps before giving up; five to ten are usual."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossProducts:
    """``[X Z y]'[X Z y]`` of a mixed model, and where each part of it sits."""

    gram: Floats
    """Shape (p + q + 1, p + q + 1)."""

    n_scores: int
    """Rows of the model."""

    n_fixed: int
    """Columns of X."""

    blocks: tuple[slice, ...]
    """Columns of each random component within ``[X Z y]``."""

    @classmethod
    def of(cls, y: Floats, fixed: Floats, random: Sequence[sparse.csr_array]) -> CrossProducts:
        """Cross-products of the scores (n,), the fixed columns and one matrix per component."""
        return Columns.of(fixed, random).with_scores(y)

    @property
    def random(self) -> slice:
        """All columns of Z."""
        return slice(self.n_fixed, self.gram.shape[0] - 1)

    def spread(self, per_component: Floats) -> Floats:
        """One value per component to one per column of Z, shape (q,)."""
        widths = [block.stop - block.start for block in self.blocks]
        return np.repeat(np.asarray(per_component, dtype=np.float64), widths)


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """``[X Z]`` of a mixed model and its cross-products: the part that knows no score."""

    matrix: sparse.csr_array
    """Shape (n_scores, p + q)."""

    gram: Floats
    """Shape (p + q, p + q)."""

    n_fixed: int
    """Columns of X."""

    blocks: tuple[slice, ...]
    """Columns of each random component."""

    @classmethod
    def of(cls, fixed: Floats, random: Sequence[sparse.csr_array]) -> Columns:
        """The fixed columns and one matrix per component, side by side."""
        whole = sparse.csr_array(sparse.hstack([sparse.csr_array(fixed), *random]))
        ends = np.cumsum([fixed.shape[1], *(matrix.shape[1] for matrix in random)]).tolist()
        return cls(
            matrix=whole,
            gram=(whole.T @ whole).toarray(),
            n_fixed=fixed.shape[1],
            blocks=tuple(map(slice, ends[:-1], ends[1:])),
        )

    def keep(self, places: Sequence[int]) -> Columns:
        """The same with these random components only."""
        if list(places) == list(range(len(self.blocks))):
            return self
        kept = [self.blocks[place] for place in places]
        columns = np.concatenate(
            [np.arange(self.n_fixed), *(np.arange(b.start, b.stop) for b in kept)]
        )
        ends = np.cumsum([self.n_fixed, *(b.stop - b.start for b in kept)]).tolist()
        return Columns(
            matrix=self.matrix[:, columns],
            gram=self.gram[np.ix_(columns, columns)],
            n_fixed=self.n_fixed,
            blocks=tuple(map(slice, ends[:-1], ends[1:])),
        )

    def with_scores(self, y: Floats) -> CrossProducts:
        """Cross-products of everything with scores of shape (n,) as the last column."""
        size = len(self.gram)
        gram = np.empty((size + 1, size + 1))
        gram[:size, :size] = self.gram
        gram[:size, size] = gram[size, :size] = self.matrix.T @ y
        gram[size, size] = y @ y
        return CrossProducts(gram=gram, n_scores=len(y), n_fixed=self.n_fixed, blocks=self.blocks)


@dataclass(frozen=True, slots=True, kw_only=True)
class Solved:
    """The mixed model solved at given ratios of the components to the residual variance."""

    ratios: Floats
    """Component variance over residual variance, one per component."""

    beta: Floats
    """Fixed effects, shape (p,)."""

    residual_variance: float
    """Profiled restricted estimate."""

    loglik: float
    """Restricted log-likelihood, with the constant that lme4 and statsmodels use."""

    information: Floats
    """``(X'H^-1 X)^-1`` with H = V / residual variance, shape (p, p)."""

    weighted: Floats
    """``[X Z y]' H^-1 [X Z y]``."""


def solve(products: CrossProducts, ratios: Floats) -> Solved:
    """Profile fixed effects and residual variance out at given variance ratios."""
    gram, p = products.gram, products.n_fixed
    root = np.sqrt(products.spread(ratios))
    # Woodbury: H^-1 and |H| from a matrix as large as the random columns of components not at 0.
    used = np.flatnonzero(root)
    weighted = gram
    logdet = 0.0
    if len(used):
        root, used = root[used], used + p
        scaled = gram[:, used] * root
        inner = scaled[used] * root[:, None]
        inner[np.diag_indices(len(used))] += 1
        lower = np.linalg.cholesky(inner)
        # Transposed, both lie as LAPACK wants them, and nothing is copied.
        half = lapack.dtrtrs(lower.T, scaled.T, trans=1, overwrite_b=1)[0]
        weighted = gram - half.T @ half
        logdet = 2 * float(np.log(np.diag(lower)).sum())
    factor = np.linalg.cholesky(weighted[:p, :p])
    inverse = lapack.dtrtrs(factor, np.eye(p), lower=1)[0]
    information = inverse.T @ inverse
    beta = information @ weighted[:p, -1]
    left = products.n_scores - p
    # An exact fit leaves no squares, and rounding may leave less: the logarithm needs some.
    squares = max(float(weighted[-1, -1] - weighted[:p, -1] @ beta), np.finfo(float).tiny)
    variance = squares / left
    loglik = -0.5 * (
        logdet
        + 2 * float(np.log(np.diag(factor)).sum())
        + left * (1 + np.log(2 * np.pi * variance))
    )
    return Solved(
        ratios=np.asarray(ratios, dtype=np.float64),
        beta=beta,
        residual_variance=variance,
        loglik=loglik,
        information=information,
        weighted=weighted,
    )


def _scores_and_information(products: CrossProducts, at: Solved) -> tuple[Floats, Floats]:
    """Gradient of the restricted log-likelihood, and its expected information, in variances.

    The residual variance comes last. With P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1 the gradient is
    ``-(tr(P G_i) - y'P G_i P y) / 2`` and the information ``tr(P G_i P G_j) / 2``.
    """
    p, k = products.n_fixed, len(products.blocks)
    s2 = at.residual_variance
    w = at.weighted
    zs, starts = products.random, [block.start - p for block in products.blocks]
    zpz = (w[zs, zs] - w[zs, :p] @ at.information @ w[:p, zs]) / s2
    zpy = (w[zs, -1] - w[zs, :p] @ at.beta) / s2
    ypy = (w[-1, -1] - w[-1, :p] @ at.beta) / s2
    left = products.n_scores - p
    gamma = products.spread(at.ratios)
    # Along V itself, trace and quadratic form are known: tr(PV) = n - p, and P V P = P.
    gradient = np.empty(k + 1)
    information = np.empty((k + 1, k + 1))
    traces = np.add.reduceat(np.diag(zpz), starts)
    squares = np.add.reduceat(zpy**2, starts)
    gradient[:k] = -0.5 * (traces - squares)
    norms = np.add.reduceat(np.add.reduceat(zpz**2, starts, axis=0), starts, axis=1)
    information[:k, :k] = 0.5 * norms
    # I = (V - sum gamma_i s2 G_i) / s2 gives everything that concerns the residual.
    tr_pg_p = (traces - norms @ (at.ratios * s2)) / s2
    information[:k, k] = information[k, :k] = 0.5 * tr_pg_p
    tr_p = (left - at.ratios * s2 @ traces) / s2 if k else left / s2
    information[k, k] = 0.5 * (tr_p - at.ratios * s2 @ tr_pg_p) / s2 if k else 0.5 * tr_p / s2
    ypp_y = (ypy - float((gamma * s2) @ zpy**2)) / s2 if k else ypy / s2
    gradient[k] = -0.5 * (tr_p - ypp_y)
    return gradient, information


def fit_reml(products: CrossProducts, *, start: Floats | None = None) -> tuple[Solved, bool]:
    """Variance ratios at the maximum of the restricted likelihood.

    Fisher scoring on the variances, each kept at or above zero, with step halving.

    Returns
    -------
    solved : Solved
    converged : bool
        False also if the components together leave no noise.

    Raises
    ------
    ReadingError
        If fixed effects and one component fit the scores exactly: there is no noise to judge by.
    """
    k = len(products.blocks)
    plain = solve(products, np.zeros(k)).residual_variance
    if plain * products.n_scores < NO_NOISE * products.gram[-1, -1]:
        raise ReadingError(NO_NOISE_SENTENCE)
    at = solve(products, np.full(k, 0.3) if start is None else start)
    if not k:
        return at, True
    for _ in range(MOST_STEPS):
        if at.residual_variance < NO_NOISE * plain:
            if k == 1:
                raise ReadingError(NO_NOISE_SENTENCE)
            return at, False
        gradient, information = _scores_and_information(products, at)
        variances = np.append(at.ratios, 1.0) * at.residual_variance
        # A component at 0 moves only if the likelihood rises above 0.
        free = (variances > 0) | (gradient > 0)
        step = np.zeros(k + 1)
        step[free] = np.linalg.lstsq(information[np.ix_(free, free)], gradient[free], rcond=None)[0]
        fraction, better = 1.0, None
        while fraction > 1e-4:
            moved = np.maximum(variances + fraction * step, 0.0)
            # Ratios are to the residual variance: one bad step must not take it to 0.
            moved[-1] = max(moved[-1], variances[-1] / 20)
            moved[:-1][moved[:-1] < 1e-9 * moved[-1]] = 0.0
            trial = solve(products, moved[:-1] / moved[-1])
            if trial.loglik >= at.loglik - ROUNDING:
                better = trial
                break
            fraction /= 2
        if better is None:
            return at, bool(np.abs(gradient[free] * variances[free]).max() < 1e-3)
        change = np.abs(better.ratios - at.ratios).max() / (1 + at.ratios.max())
        gain = better.loglik - at.loglik
        at = better
        if gain < ROUNDING and change < 1e-7:
            return at, True
    return at, False
