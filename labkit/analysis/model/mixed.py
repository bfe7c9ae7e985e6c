"""Mixed models: statsmodels' ``MixedLM`` with its weak spots guarded.

``MixedLM`` fits; restricted maximum likelihood on cross-products (``reml``) gives it a start, finds
the components that are zero, checks what it returns and stands in where it fails or where crossed
effects would make it crawl. The higher restricted likelihood wins, and ``engine`` says whose it is.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams, VCSpec
from statsmodels.tools.sm_exceptions import ConvergenceWarning, HessianInversionWarning

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.kenward_roger import FixedEffects
from labkit.analysis.model.noted import Note
from labkit.analysis.model.reml import Columns, Solved, fit_reml, solve
from labkit.analysis.one_thread import one_thread
from labkit.noted import Noted, noted

OPTIMISERS: Final = ("bfgs", "powell")
"""In this order: quick, then the one that has not been seen to fail."""

MOST_CROSSED: Final = 160
"""Scores up to which ``MixedLM`` is asked to fit effects that cross tasters."""

MOST_NESTED: Final = 1500
"""Scores up to which it is asked to fit effects within tasters."""

ALIKE: Final = 1e-6
"""A component whose shape is this near to the others' cannot be told from them."""

REML_ENGINE: Final = "REML on cross-products"
MIXEDLM_ENGINE: Final = "statsmodels MixedLM"


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One source of chance differences, with one independent effect per column."""

    name: str
    """Such as ``'taster'``, ``'taster:mg_share'``, ``'bowl'``."""

    labels: tuple[str, ...]
    """Whom or what each effect belongs to."""

    place: NDArray[np.intp]
    """Which label each score belongs to, shape (n_scores,)."""

    times: Floats
    """What the effect is multiplied by, shape (n_scores,): 1, or a factor for a slope."""

    keep_at_zero: bool = False
    """Whether it goes on costing degrees of freedom when it is estimated as zero."""

    @classmethod
    def grouped(
        cls,
        name: str,
        groups: NDArray[np.str_],
        *,
        times: Floats | None = None,
        keep_at_zero: bool = False,
    ) -> Component:
        """One random effect per group, each multiplied by ``times``.

        Parameters
        ----------
        name : str
            Name of the component in the model.
        groups : ndarray of str, shape (n_scores,)
            Group of each score.
        times : ndarray, shape (n_scores,), optional
            What the effect is multiplied by in each score (a random slope); 1 if not given.
        keep_at_zero : bool
            Whether the component counts as present though its variance is estimated as 0.
        """
        labels, place = np.unique(groups, return_inverse=True)
        return cls(
            name=name,
            labels=tuple(str(label) for label in labels),
            place=place,
            times=np.ones(len(groups)) if times is None else times,
            keep_at_zero=keep_at_zero,
        )

    @property
    def matrix(self) -> sparse.csr_array:
        """Columns of the mixed model, shape (n_scores, n_labels)."""
        n = len(self.place)
        return sparse.csr_array(
            (self.times, self.place, np.arange(n + 1)), shape=(n, len(self.labels))
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedFit:
    """A fitted mixed model: fixed effects, variance components, taster effects."""

    effects: FixedEffects
    """Fixed effects with small-sample covariance."""

    components: tuple[Component, ...]
    """Random components in the model, also those estimated at zero."""

    notes: tuple[Noted[Note], ...]
    """What was simplified on the way."""

    variances: Floats
    """Variance of each component, score units squared, shape (k,)."""

    residual_variance: float
    """What is left, score units squared."""

    loglik: float
    """Restricted log-likelihood."""

    engine: str
    """Whose estimate it is."""

    solved: Solved
    """The model at its estimate."""

    fitted: Floats
    """Fixed part and predicted random effects, shape (n,)."""

    random_effects: tuple[Floats, ...]
    """Best linear unbiased predictions, one array per component."""

    def variance_of(self, name: str) -> float:
        """Variance of a component; 0 if it is not in the model.

        Parameters
        ----------
        name : str
            As in ``Component.name``.

        Returns
        -------
        float
            In points squared.
        """
        for component, variance in zip(self.components, self.variances, strict=True):
            if component.name == name:
                return float(variance)
        return 0.0

    def project(self, scores: Floats, fixed: Floats) -> Floats:
        """Fixed effects that other scores would give at the same variances.

        Parameters
        ----------
        scores : ndarray, shape (n_scores, m)
            Sets of scores of the same cups, one a column.
        fixed : ndarray, shape (n_scores, p)
            The fixed columns of the model that was fitted.

        Returns
        -------
        ndarray, shape (p, m)
            One column of coefficients for each set.
        """
        p = fixed.shape[1]
        onto = fixed.T @ scores
        start = p
        for component, ratio in zip(self.components, self.solved.ratios, strict=True):
            block = slice(start, start + len(component.labels))
            start = block.stop
            onto = onto - ratio * self.solved.weighted[:p, block] @ (component.matrix.T @ scores)
        return np.asarray(self.solved.information @ onto)


def columns_of(fixed: Floats, components: Sequence[Component]) -> Columns:
    """The columns of a mixed model, for `fit_mixed`."""
    return Columns.of(fixed, [one.matrix for one in components])


def identifiable(
    fixed: Floats, components: Sequence[Component]
) -> tuple[list[Component], list[Component], Columns]:
    """Components whose variance the design can tell apart, the rest, and the columns of the first.

    A component counts if its covariance pattern, after the fixed effects are projected out, is
    not (nearly) a combination of the residual's and of the components before it. ``MixedLM``
    itself reports convergence for models that fail this.
    """
    products = columns_of(fixed, components)
    p, blocks = products.n_fixed, products.blocks
    z = slice(p, None)
    onto = np.linalg.solve(products.gram[:p, :p], products.gram[:p, z])
    # Z'MZ, with M the projection off the fixed effects; the residual's pattern M comes first.
    projected = products.gram[z, z] - products.gram[z, :p] @ onto
    gram = np.array([[float(len(fixed) - p)]])
    kept: list[int] = []
    for place, component in enumerate(components):
        here = slice(blocks[place].start - p, blocks[place].stop - p)
        own = projected[here, here]
        square = float(np.sum(own**2))
        if gram[0, 0] <= 0 or square <= (1e-9 * float(np.sum(component.times**2))) ** 2:
            continue
        row = [float(np.trace(own))]
        row += [
            float(np.sum(projected[here, blocks[k].start - p : blocks[k].stop - p] ** 2))
            for k in kept
        ]
        wider = np.block([[gram, np.array(row)[:, None]], [np.array([*row, square])[None]]])
        scale = np.sqrt(np.diag(wider))
        if np.linalg.eigvalsh(wider / np.outer(scale, scale))[0] >= ALIKE:
            kept.append(place)
            gram = wider
    out = [place for place in range(len(components)) if place not in kept]
    return [components[i] for i in kept], [components[i] for i in out], products.keep(kept)


@one_thread()
def fit_mixed(
    scores: Floats,
    fixed: Floats,
    components: Sequence[Component],
    tasters: NDArray[np.str_],
    *,
    start: Floats | None = None,
    columns: Columns | None = None,
) -> MixedFit:
    """Fit by restricted maximum likelihood.

    Parameters
    ----------
    scores : ndarray, shape (n,)
        In points.
    fixed : ndarray, shape (n, p)
        Full column rank, more rows than columns.
    components : sequence of Component
        Identifiable ones.
    tasters : ndarray of str, shape (n,)
        Whom each score belongs to; the groups of ``MixedLM`` where nothing crosses them.
    start : ndarray, shape (n_components,), optional
        Ratios of variances to begin at.
    columns : Columns, optional
        Of ``fixed`` and ``components``, if they were put together before.

    Returns
    -------
    MixedFit
        Fixed effects with their small-sample covariance, variances, and what was left out.

    Raises
    ------
    ReadingError
        If the scores leave no noise to judge a difference by.

    References
    ----------
    Patterson, H. D. and Thompson, R. (1971). Recovery of inter-block information when block sizes
    are unequal. Biometrika, 58, 545-554 (from memory).
    """
    columns = columns_of(fixed, components) if columns is None else columns
    products = columns.with_scores(scores)
    solved, converged = fit_reml(products, start=start)
    active = [i for i, ratio in enumerate(solved.ratios) if ratio > 0]
    gone = [i for i, one in enumerate(components) if solved.ratios[i] == 0 and not one.keep_at_zero]
    if not converged:
        gone = [len(components) - 1]
    if gone:
        left = [i for i in range(len(components)) if i not in gone]
        kept = [components[i] for i in left]
        near = solved.ratios[left] if converged else None
        simpler = fit_mixed(scores, fixed, kept, tasters, start=near, columns=columns.keep(left))
        return replace(simpler, notes=(*_simplified(components, gone, converged), *simpler.notes))
    engine = REML_ENGINE
    if active:
        theirs = mixedlm_ratios(
            scores,
            fixed,
            [components[i] for i in active],
            tasters,
            ratios=solved.ratios[active],
            beta=solved.beta,
        )
        if theirs is not None:
            ratios = np.zeros(len(components))
            ratios[active] = theirs
            other = solve(products, ratios)
            if other.loglik >= solved.loglik - 1e-6:
                solved, engine = other, MIXEDLM_ENGINE
    else:
        engine = "least squares"
    p, z = fixed.shape[1], products.random
    scaled = solved.weighted[z, -1] - solved.weighted[z, :p] @ solved.beta
    predicted = products.spread(solved.ratios) * scaled
    starts = [slice(b.start - p, b.stop - p) for b in products.blocks]
    fitted = fixed @ solved.beta
    for component, place in zip(components, starts, strict=True):
        fitted = fitted + component.times * predicted[place][component.place]
    return MixedFit(
        effects=FixedEffects.of(products, solved),
        components=tuple(components),
        notes=tuple(
            noted(Note.NO_SPREAD, component=one.name)
            for one, ratio in zip(components, solved.ratios, strict=True)
            if ratio == 0
        ),
        variances=solved.ratios * solved.residual_variance,
        residual_variance=solved.residual_variance,
        loglik=solved.loglik,
        engine=engine,
        solved=solved,
        fitted=fitted,
        random_effects=tuple(predicted[place] for place in starts),
    )


def _simplified(
    components: Sequence[Component], gone: Sequence[int], converged: bool
) -> tuple[Noted[Note], ...]:
    kind = Note.NOT_SEEN if converged else Note.NOT_ESTIMATED
    return tuple(noted(kind, component=components[i].name) for i in gone)


def mixedlm_ratios(
    scores: Floats,
    fixed: Floats,
    components: Sequence[Component],
    tasters: NDArray[np.str_],
    *,
    ratios: Floats,
    beta: Floats,
) -> Floats | None:
    """Variance ratios by ``MixedLM`` started at these ratios and fixed effects.

    None if there are too many scores for it, or if no optimiser brings it to an end.
    """
    people = np.unique(tasters)
    nested = len(people) > 1 and all(
        len(np.unique(np.char.add(tasters, one.place.astype(str)))) == len(np.unique(one.place))
        for one in components
    )
    if len(scores) > (MOST_NESTED if nested else MOST_CROSSED):
        return None
    groups = tasters if nested else np.full(len(scores), "all")
    names, columns, matrices = [], [], []
    for place, one in enumerate(components):
        # MixedLM lists components in alphabetical order: name them so that ours stays.
        names.append(f"v{place:02d}")
        blocks, dense = [], one.matrix.toarray()
        for who in people if nested else ["all"]:
            rows = dense[groups == who]
            blocks.append(rows[:, rows.any(axis=0)])
        matrices.append(blocks)
        columns.append([[f"c{j}" for j in range(block.shape[1])] for block in blocks])
    no_hessian = partial(_no_hessian, fixed.shape[1] + len(components))
    for optimiser in OPTIMISERS:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ConvergenceWarning)
                warnings.simplefilter("ignore", HessianInversionWarning)
                warnings.simplefilter("ignore", UserWarning)
                warnings.simplefilter("ignore", RuntimeWarning)
                model = MixedLM(scores, fixed, groups, exog_vc=VCSpec(names, columns, matrices))
                # A third of its time, for standard errors that are worked out elsewhere.
                model.hessian = no_hessian
                start = MixedLMParams.from_components(
                    fe_params=beta, cov_re=np.empty((0, 0)), vcomp=ratios
                )
                fit = model.fit(start_params=start, method=optimiser, reml=True)
        except (np.linalg.LinAlgError, ValueError, FloatingPointError, ZeroDivisionError):
            continue
        found = np.asarray(fit.vcomp, dtype=np.float64) / float(fit.scale)
        if fit.converged and np.isfinite(found).all() and (found >= 0).all():
            return found
    return None


def _no_hessian(size: int, _: MixedLMParams) -> tuple[Floats, bool]:
    """Stands in for the joint Hessian: nothing reads what ``MixedLM`` makes of it."""
    return -np.eye(size), False
