"""Can the fitted surface be trusted: lack of fit, residuals, leverage, scores at a scale's end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy import stats

from labkit.analysis.model.kenward_roger import FTest
from labkit.analysis.model.scores import Scores
from labkit.analysis.model.surface import Surface
from labkit.analysis.reading.differences import WaterDifferences
from labkit.tasting import SCALES

PILED: Final = 0.25
"""Share of scores at one end of the scale above which they are piled up there."""

MISFIT: Final = 0.05
"""Level at which single waters lie off the surface."""

ALONE: Final = 0.9
"""Share of the surface at a water that comes from that water's own cups, to be warned of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnostics:
    """Checks of one fitted surface."""

    lack_of_fit: FTest | None
    """Waters against the surface; None if there is no water to spare."""

    residuals: pd.DataFrame
    """``taster, recipe, block, position, fitted, residual, standardised, normal``: the last is
    the quantile that the residual of this rank would have under a normal distribution."""

    leverage: pd.DataFrame
    """``recipe, own_share``: share of the surface at a water that its own cups decide (0..1)."""

    at_lowest: float
    """Share of scores at the lower end of the scale; NaN if the scale is unknown."""

    at_highest: float
    """Share of scores at the upper end."""

    @property
    def misfits(self) -> bool:
        """Whether single waters lie off the curve by more than chance."""
        return self.lack_of_fit is not None and self.lack_of_fit.p_value < MISFIT

    @property
    def alone(self) -> tuple[str, ...]:
        """Labels of the waters at which the curve rests on that water's own cups alone."""
        labels = self.leverage.loc[self.leverage["own_share"] >= ALONE, "recipe"].tolist()
        return tuple(sorted(labels, key=lambda label: (len(label), label)))  # W9 before W10


def diagnose(surface: Surface, waters: WaterDifferences | None) -> Diagnostics:
    """Check a fitted surface, beside the model with one mean per water."""
    scores = surface.scores
    test = lack_of_fit(surface, waters)
    leverage = _leverage(surface)
    low, high = end_shares(scores)
    return Diagnostics(
        lack_of_fit=test,
        residuals=_residuals(surface),
        leverage=leverage,
        at_lowest=low,
        at_highest=high,
    )


def lack_of_fit(surface: Surface, waters: WaterDifferences | None) -> FTest | None:
    """F test that the means of the waters lie on the surface; None if none is to spare.

    Tested on the model with one mean per water, against how tasters and cups differ.
    """
    if waters is None or not waters.linked:
        return None
    design = surface.design(surface.scores.recipe_waters)
    beyond = np.linalg.svd(design, full_matrices=True)[0][:, np.linalg.matrix_rank(design) :]
    if not beyond.shape[1]:
        return None
    rest = len(waters.fit.effects.beta) - len(design)
    return waters.fit.effects.f_test(np.column_stack([beyond.T, np.zeros((beyond.shape[1], rest))]))


def _residuals(surface: Surface) -> pd.DataFrame:
    frame = surface.scores.frame
    residual = surface.scores.score - surface.fit.fitted
    sd = float(np.sqrt(surface.fit.residual_variance))
    ranks = stats.rankdata(residual)
    return pd.DataFrame(
        {
            "taster": frame["taster"].to_numpy(),
            "recipe": frame["recipe"].to_numpy(),
            "block": frame["block"].to_numpy(),
            "position": frame["position"].to_numpy(),
            "fitted": surface.fit.fitted,
            "residual": residual,
            "standardised": residual / sd if sd > 0 else np.zeros(len(residual)),
            "normal": stats.norm.ppf((ranks - 0.375) / (len(ranks) + 0.25)),
        }
    )


def _leverage(surface: Surface) -> pd.DataFrame:
    """How much the fitted mean of a water moves per point by which its own scores move."""
    scores, fit = surface.scores, surface.fit
    recipe = scores.column("recipe")
    labels, place = np.unique(recipe, return_inverse=True)
    # X'V^-1 applied to the indicator of each water, without ever forming V.
    moved = fit.project(np.eye(len(labels))[place], surface.model.fixed)
    design = surface.design(scores.recipe_waters)
    own = np.einsum("np,pn->n", design, moved[: design.shape[1]])
    return pd.DataFrame({"recipe": labels, "own_share": own})


def end_shares(scores: Scores) -> tuple[float, float]:
    """Share of scores at the lowest and the highest end of the scale; NaN for an unknown scale."""
    scale = SCALES.get(scores.scale)
    if scale is None:
        return float("nan"), float("nan")
    score = scores.score
    return float((score <= scale.lowest).mean()), float((score >= scale.highest).mean())
