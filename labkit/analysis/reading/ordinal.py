"""Does it matter that scores are steps of a scale: a cumulative-link check beside the surface."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from scipy import special
from statsmodels.miscmodels.ordinal_model import OrderedModel
from statsmodels.tools.sm_exceptions import ConvergenceWarning, HessianInversionWarning

from labkit.analysis.model.coding import Floats, term_matrix
from labkit.analysis.model.structure import centred_contrasts
from labkit.analysis.model.surface import Surface
from labkit.analysis.reading.best import search_grid
from labkit.boundary import checked
from labkit.errors import ReadingError

FAR: Final = 0.25
"""Coded units by which the best water may move before it is worth a warning."""

MOST_LEVELS: Final = 25
"""Different scores above which a scale is as good as continuous."""


class Ordinal(StrEnum):
    """What the check came to."""

    STAYS = "the best water stays"
    MOVES = "the best water moves"
    NOT_MADE = "not made"
    NOT_SETTLED = "did not settle"


@dataclass(frozen=True, slots=True, kw_only=True)
class OrdinalCheck:
    """The best water when scores count only by their order."""

    best: Floats | None
    """Coordinates, shape (3,); None if the check could not be made."""

    moved: float
    """Largest distance from the surface's best water along a factor, coded units; NaN if none."""

    outcome: Ordinal
    """What it came to."""

    n_levels: int
    """Different scores."""

    factors: tuple[str, ...]
    """Names of the coordinates that varied."""


class _Probit(OrderedModel):  # type: ignore[misc]
    """Cumulative probit without the checks of scipy's distributions: the fit asks 5000 times."""

    def cdf(self, x: Floats) -> Floats:
        return np.asarray(special.ndtr(x))


@checked(ReadingError)
def ordinal_check(surface: Surface) -> OrdinalCheck:
    """Refit with statsmodels' ``OrderedModel`` (probit), tasters and flights as fixed effects.

    Parameters
    ----------
    surface : Surface
        The fitted surface, with its scores.

    Returns
    -------
    OrdinalCheck
        How far the best water moves (coded units) and what that means; nothing to compare if there
        are too few or too many different scores.
    """
    scores = surface.scores
    levels, codes = np.unique(scores.score, return_inverse=True)
    factors = tuple(surface.coding.names)

    def without(outcome: Ordinal) -> OrdinalCheck:
        return OrdinalCheck(
            best=None,
            moved=float("nan"),
            outcome=outcome,
            n_levels=len(levels),
            factors=factors,
        )

    if not surface.terms or not 2 < len(levels) <= MOST_LEVELS:
        return without(Ordinal.NOT_MADE)
    coded = surface.coding.code(scores.waters)
    columns = [term_matrix(coded, surface.terms), centred_contrasts(list(scores.tasters))]
    if len(np.unique(scores.column("block"))) <= MOST_LEVELS:
        columns.append(centred_contrasts(list(scores.column("block"))))
    design = np.column_stack(columns)
    centred = design - design.mean(axis=0)
    if np.linalg.matrix_rank(centred) < design.shape[1]:
        # A block that a taster alone attended: keep what can be told apart.
        design = np.column_stack(columns[:2])
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)
            warnings.simplefilter("ignore", HessianInversionWarning)
            warnings.simplefilter("ignore", RuntimeWarning)
            fit = _Probit(codes, design, distr="probit").fit(
                method="bfgs", disp=False, maxiter=200, skip_hessian=True
            )
        slopes = np.asarray(fit.params)[: len(surface.terms)]
        usable = bool(np.isfinite(slopes).all()) and float(np.abs(slopes).max()) < 50
    except (np.linalg.LinAlgError, ValueError):
        usable = False
    if not usable:
        return without(Ordinal.NOT_SETTLED)
    grid = search_grid(surface)
    there = term_matrix(surface.coding.code(grid), surface.terms)
    ours = grid[int(np.argmax(there @ surface.coefficients[1:]))]
    theirs = grid[int(np.argmax(there @ slopes))]
    moved = float(np.abs(surface.coding.code(theirs[None]) - surface.coding.code(ours[None])).max())
    return OrdinalCheck(
        best=theirs,
        moved=moved,
        outcome=Ordinal.MOVES if moved > FAR else Ordinal.STAYS,
        n_levels=len(levels),
        factors=factors,
    )
