"""Which waters differ: means of each water tasted, with intervals that hold for all at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy import optimize, special
from scipy.stats import qmc

from labkit.analysis.model.coding import Floats, coding_of
from labkit.analysis.model.mixed import Component, MixedFit, fit_mixed, identifiable
from labkit.analysis.model.reml import Columns
from labkit.analysis.model.scores import Scores
from labkit.analysis.model.structure import affordable, block_effects, taster_components
from labkit.analysis.reading.many_tests import for_all
from labkit.errors import ReadingError

DIRECTIONS: Final = 2**13
"""Quasi-random directions behind a simultaneous interval; its level is then within about 0.05 %
of 95 %."""

_GROUPS: Final = 2**9
"""Directions of nearly the same reach are counted together, by so many groups."""

MOST_WATERS: Final = 60
"""Waters beyond which a mean of each says less than a curve through them."""

MOST_PAIRS: Final = 500
"""Comparisons up to which their correlation is used; beyond it Holm's correction takes over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterDifferences:
    """Means of the waters tasted and the differences between them, by the mixed model."""

    means: pd.DataFrame
    """``recipe``, coordinates, ``n_scores, is_control, mean, se, df, lo, hi``, best mean first."""

    against_control: pd.DataFrame
    """Each other water minus the control: ``recipe, control, difference, se, df, lo, hi, p``;
    intervals and p hold for all rows at once. Empty without a control."""

    pairs: pd.DataFrame
    """Every pair of waters, higher minus lower: ``recipe, other, difference, se, df, lo, hi, p``;
    all rows at once."""

    fit: MixedFit
    """The mixed model with one mean per water: its first fixed effects, in order of label."""

    linked: bool
    """Whether all flights hang together through waters served in several."""

    @property
    def apart(self) -> pd.DataFrame:
        """The pairs that are told apart when all are compared at once, the surest first."""
        return self.pairs[self.pairs["p"] < 0.05].sort_values("p")


def simultaneous(
    differences: pd.DataFrame, covariance: Floats, *, seed: int | np.random.Generator
) -> pd.DataFrame:
    """Intervals and p-values that hold for all differences at once.

    Parameters
    ----------
    differences : DataFrame
        ``difference, se, df``, one row each.
    covariance : ndarray, shape (n, n)
        Of the differences.
    seed : int or numpy.random.Generator
        Shifts the directions over which the multivariate t distribution is integrated.

    Returns
    -------
    DataFrame
        With ``lo, hi, p`` added. Every difference is judged at the same level of its own t
        distribution; the level is the one at which a multivariate t with their correlation and
        their median degrees of freedom exceeds it anywhere in 5 % of cases [1]_ [2]_.

    References
    ----------
    .. [1] Dunnett, C. W. (1955). A multiple comparison procedure for comparing several treatments
       with a control. J. Am. Stat. Assoc., 50, 1096-1121.
    .. [2] Hothorn, T., Bretz, F. and Westfall, P. (2008). Simultaneous inference in general
       parametric models. Biom. J., 50, 346-363.
    """
    rng = np.random.default_rng(seed)
    table = differences.copy()
    if not len(table):
        return table.assign(lo=[], hi=[], p=[])
    se, df = table["se"].to_numpy(), table["df"].to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        size = np.where(se > 0, np.abs(table["difference"].to_numpy()) / se, 0.0)
    single = 2 * special.stdtr(df, -size)
    if len(table) == 1 or not (se > 0).any():
        p, level = single, 0.05
    elif len(table) > MOST_PAIRS:
        p = for_all(single)
        level = 0.05 / len(table)
    else:
        scale = np.where(se > 0, se, 1.0)
        largest = _LargestT(covariance / np.outer(scale, scale), float(np.median(df)), rng=rng)
        level = largest.level(0.05)
        p = np.maximum(largest.beyond(single), single)
    reach = special.stdtrit(df, 1 - level / 2) * se
    table["lo"], table["hi"] = table["difference"] - reach, table["difference"] + reach
    table["p"] = p
    return table


class _LargestT:
    """The largest of several correlated Student's t, integrated over directions.

    A multivariate t is a direction times a length whose square, over the number of dimensions, has
    an F distribution: only the direction takes quasi-random points, the rest is exact. Nothing
    here turns with the eigenvectors that a processor happens to choose among equal eigenvalues.
    """

    def __init__(self, correlation: Floats, df: float, *, rng: np.random.Generator) -> None:
        root = _root(correlation)
        self._df, self._dimensions = df, root.shape[1]
        points = qmc.Sobol(self._dimensions, rng=rng).random(DIRECTIONS) * (1 - 1e-9) + 5e-10
        directions = special.ndtri(points)
        directions /= np.sqrt((directions**2).sum(axis=1, keepdims=True))
        reach = np.sort(np.abs(root @ directions.T).max(axis=0))
        self._reach = reach.reshape(_GROUPS, -1).mean(axis=1)

    def beyond(self, single: Floats) -> Floats:
        """Chance that any is as far out as what one alone exceeds with chance ``single``."""
        size = special.stdtrit(self._df, np.asarray(single) / 2)[..., None]
        length = (size / self._reach) ** 2 / self._dimensions
        return np.asarray(special.fdtrc(self._dimensions, self._df, length).mean(axis=-1))

    def level(self, chance: float) -> float:
        """Level at which each must be judged alone for this chance that any exceeds it."""
        # Bonferroni's inequality: at chance / n the sum of the chances is just the chance.
        least = 1e-4 * chance / MOST_PAIRS
        found = optimize.brentq(
            lambda log: float(self.beyond(np.exp(log))) - chance,
            np.log(least),
            np.log(chance) + 1e-6,  # where all go together, it is the chance itself
            xtol=1e-9,
        )
        return float(np.exp(found))


def _root(correlation: Floats) -> Floats:
    """A matrix whose product with its transpose is ``correlation``, without columns of zeros.

    Cholesky's, in the order given, passing over what depends on what came before.
    """
    root = np.zeros_like(correlation)
    rank = 0
    for place in range(len(correlation)):
        left = correlation[place:, place] - root[place:, :rank] @ root[place, :rank]
        if left[0] > 1e-10:
            root[place:, rank] = left / np.sqrt(left[0])
            rank += 1
    return root[:, :rank]


def compare_waters(scores: Scores, *, rng: np.random.Generator) -> WaterDifferences:
    """Fit one mean per water and compare them.

    Raises
    ------
    ReadingError
        If there are fewer than two waters or no score to spare.
    """
    recipes = scores.recipes
    labels = recipes["recipe"].to_numpy(dtype=str)
    if len(labels) < 2 or len(scores.score) <= len(labels):
        raise ReadingError(
            f"waters must be two or more, and scores more than waters, got {len(labels)} waters "
            f"and {len(scores.score)} scores. Taste more."
        )
    if len(labels) > MOST_WATERS:
        raise ReadingError(
            f"waters compared one by one must be {MOST_WATERS} or fewer, got {len(labels)}. "
            "Read the curve."
        )
    fit, linked = _fit(scores, labels)
    n = len(labels)
    weights = np.column_stack([np.eye(n), np.zeros((n, len(fit.effects.beta) - n))])
    means = pd.concat([recipes, fit.effects.intervals(weights)], axis=1)
    control = [int(i) for i in np.flatnonzero(recipes["is_control"].to_numpy(dtype=bool))]
    against = differences_of(
        fit, weights, labels, [(i, c) for c in control for i in range(n) if i not in control], rng
    )
    order = np.argsort(-means["mean"].to_numpy(), kind="stable")
    pairs = differences_of(
        fit,
        weights,
        labels,
        [(int(order[i]), int(order[j])) for i in range(n) for j in range(i + 1, n)],
        rng,
    )
    return WaterDifferences(
        means=means.iloc[order].reset_index(drop=True),
        against_control=against.rename(columns={"other": "control"}),
        pairs=pairs,
        fit=fit,
        linked=linked,
    )


def _fit(scores: Scores, labels: Floats) -> tuple[MixedFit, bool]:
    fixed, random, columns, linked = scores.once(
        "one mean per water", lambda: _model(scores, labels)
    )
    fit = fit_mixed(scores.score, fixed, random, scores.tasters, columns=columns)
    return fit, linked


def _model(scores: Scores, labels: Floats) -> tuple[Floats, list[Component], Columns, bool]:
    indicators = (scores.column("recipe")[:, None] == labels[None]).astype(np.float64)
    blocks, components, _ = block_effects(scores)
    fixed = indicators
    for column in blocks.T:
        wider = np.column_stack([fixed, column])
        independent = float(np.abs(np.asarray(np.linalg.qr(wider, mode="r"))[-1, -1])) > 1e-8
        if independent and len(column) > wider.shape[1]:
            fixed = wider
    linked = fixed.shape[1] == indicators.shape[1] + blocks.shape[1]
    coding = coding_of(scores.waters)
    coded = coding.code(scores.waters)
    slopes = [(place,) for place in range(len(coding.factors))]
    random = taster_components(scores, coding, coded, slopes) + components
    random += _duplicate_bowls(scores)
    random, _ = affordable(random)
    kept, _, columns = identifiable(fixed, random)
    return fixed, kept, columns, linked


def _duplicate_bowls(scores: Scores) -> list[Component]:
    bowls = scores.column("bowl")
    again = len(np.unique(bowls)) - len(np.unique(scores.column("recipe")))
    if again < 2 or len(np.unique(scores.tasters)) < 2:
        return []
    return [Component.grouped("bowl", bowls)]


def differences_of(
    fit: MixedFit,
    weights: Floats,
    labels: Floats,
    pairs: list[tuple[int, int]],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Differences between waters, all at once: ``recipe, other, difference, se, df, lo, hi, p``."""
    rows = np.array([weights[i] - weights[j] for i, j in pairs]).reshape(-1, weights.shape[1])
    known = fit.effects.intervals(rows)
    table = pd.DataFrame(
        {
            "recipe": [str(labels[i]) for i, _ in pairs],
            "other": [str(labels[j]) for _, j in pairs],
            "difference": known["mean"],
            "se": known["se"],
            "df": known["df"],
        }
    )
    return simultaneous(table, rows @ fit.effects.covariance @ rows.T, seed=rng)
