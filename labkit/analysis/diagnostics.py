"""Can the fitted surface be trusted: lack of fit, residuals, leverage, scores at a scale's end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy import stats

from labkit.analysis.kenward_roger import FTest
from labkit.analysis.mixed import fit_mixed
from labkit.analysis.scores import Scores
from labkit.analysis.surface import Surface
from labkit.tasting.scales import SCALES

PILED: Final = 0.25
"""Share of scores at one end of the scale above which they are piled up there."""

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

    warnings: tuple[str, ...]
    """What to mind, one sentence each."""


def diagnose(surface: Surface) -> Diagnostics:
    """Check a fitted surface."""
    scores = surface.scores
    test = lack_of_fit(surface)
    leverage = _leverage(surface)
    low, high = end_shares(scores)
    warnings = []
    if test is not None and test.p_value < 0.05:
        warnings.append(
            f"The curve misses something: single waters lie off it by more than chance "
            f"(p = {test.p_value:.3f}). Trust the means of the waters more than the curve."
        )
    for share, end in ((low, "lowest"), (high, "highest")):
        if share > PILED:
            warnings.append(
                f"{100 * share:.0f} % of the scores are the {end} of the scale: differences "
                "there could not be put on paper, and the curve is flattened."
            )
    alone = leverage.loc[leverage["own_share"] >= ALONE, "recipe"].tolist()
    if alone and surface.terms:
        warnings.append(
            f"At {', '.join(alone)} the curve rests on that water's cups alone: a slip in mixing "
            "it would move the answer."
        )
    return Diagnostics(
        lack_of_fit=test,
        residuals=_residuals(surface),
        leverage=leverage,
        at_lowest=low,
        at_highest=high,
        warnings=tuple(warnings),
    )


def lack_of_fit(surface: Surface) -> FTest | None:
    """F test that the waters lie on the surface, against how tasters and cups differ."""
    fixed = surface.model.fixed
    recipe = surface.scores.column("recipe")
    labels = np.unique(recipe)
    extra = []
    basis = np.linalg.qr(fixed)[0]
    for label in labels:
        column = (recipe == label).astype(np.float64)
        rest = column - basis @ (basis.T @ column)
        rest -= basis @ (basis.T @ rest)
        if np.linalg.norm(rest) > 1e-6 * np.linalg.norm(column):
            basis = np.column_stack([basis, rest / np.linalg.norm(rest)])
            extra.append(column)
    wider = np.column_stack([fixed, *extra])
    if not extra or len(wider) - wider.shape[1] < 2:
        return None
    components = [one for one in surface.fit.components if one.name != "bowl"]
    fit = fit_mixed(surface.scores.score, wider, components, surface.scores.tasters)
    if fit.residual_variance < 1e-12 * max(float(np.var(surface.scores.score)), 1e-300):
        return None
    return fit.effects.f_test(np.eye(wider.shape[1])[fixed.shape[1] :])


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
    fixed = surface.model.fixed
    # X'V^-1 applied to the indicator of each water, without ever forming V (Woodbury).
    moved = np.zeros((fixed.shape[1], len(labels)))
    for label in range(len(labels)):
        moved[:, label] = fit.project((place == label).astype(np.float64), fixed)
    waters = scores.recipes.set_index("recipe").loc[list(labels)]
    design = surface.design(waters.reset_index())
    own = np.einsum("np,pn->n", design, moved[: design.shape[1]])
    return pd.DataFrame({"recipe": labels, "own_share": own})


def end_shares(scores: Scores) -> tuple[float, float]:
    """Share of scores at the lowest and the highest end of the scale; NaN for an unknown scale."""
    scale = SCALES.get(scores.scale)
    if scale is None:
        return float("nan"), float("nan")
    score = scores.score
    return float((score <= scale.lowest).mean()), float((score >= scale.highest).mean())
