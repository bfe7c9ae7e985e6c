"""Whether the salts matter at the same hardness and alkalinity: chloride or sulfate, Na or K.

A comparison of salts is one factor at fixed other coordinates, and is read like a sweep of the
ratio: slope and bend along the share, a slope of each taster's own, blocks and bowls as the surface
has them. Each comparison is read from the flights that make it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from labkit.analysis.model.coding import Coding, Floats
from labkit.analysis.model.mixed import MixedFit, fit_mixed, identifiable
from labkit.analysis.model.scores import Scores
from labkit.analysis.model.structure import (
    affordable,
    block_effects,
    bowl_component,
    taster_components,
)
from labkit.analysis.reading.differences import differences_of
from labkit.analysis.reading.verdict import VerdictKind
from labkit.errors import ReadingError
from labkit.shown import Shown
from labkit.tasting import ALPHA, SCALES, Factor, Scale, detectable_difference
from labkit.water import COORDINATES, SALT_SHARES, Target, water_numbers

_TERMS = 2
"""Slope and bend."""

_INDEPENDENT = 1e-8
"""A fixed effect with less of its own beside those before is theirs already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SaltsReading(Shown):
    """What the scores say of one share of the salts, at one hardness and alkalinity."""

    share: str
    """What was varied: one of ``labkit.water.SALT_SHARES``."""

    at: Target
    """The coordinates of all these waters, and the other share where it was asked for."""

    kind: VerdictKind
    """Whether the share matters."""

    p_value: float | None
    """Of 'the share does not matter'; None if it could not be tested."""

    levels: pd.DataFrame
    """One row a water, by share: ``recipe, level, n_scores, is_control, mean, se, df, lo, hi``;
    up to three are their own means, of more the curve's."""

    pairs: pd.DataFrame
    """Every two of them, higher minus lower: ``recipe, level, other, other_level, difference, se,
    df, lo, hi, p``; intervals and p hold for all rows at once."""

    detectable_points: float | None
    """Difference between two of the waters that would have been seen with 80 % chance; infinite
    where none that fits on the scale would have been."""

    mixed_once: bool
    """Whether each water was mixed and brewed once: a slip in a jug looks like its salts."""

    n_scores: int
    """Scores that were read."""

    n_tasters: int
    """Who gave them."""

    @property
    def best(self) -> float | None:
        """The share with the highest mean; None unless the share matters."""
        if self.kind is not VerdictKind.FOUND:
            return None
        return float(self.levels["level"].iloc[int(np.argmax(self.levels["mean"]))])

    @property
    def told_from(self) -> pd.DataFrame:
        """The pairs of the best that are told apart, widest first; empty without a best."""
        found = self._of_best()
        return found[found["p"] < ALPHA].sort_values("difference", ascending=False)

    @property
    def not_told_from(self) -> tuple[float, ...]:
        """The shares that the best is not told from."""
        found = self._of_best()
        return tuple(float(one) for one in found.loc[found["p"] >= ALPHA, "other_level"])

    def _of_best(self) -> pd.DataFrame:
        return self.pairs[self.pairs["level"] == self.best]


def read_salts(scores: Scores, *, rng: np.random.Generator) -> tuple[SaltsReading, ...]:
    """Read each share that was varied at each hardness and alkalinity.

    Parameters
    ----------
    scores : Scores
        Of flights that compare salts, as `gather_both` gives them.
    rng : numpy.random.Generator
        For intervals that hold for all pairs at once.

    Returns
    -------
    tuple of SaltsReading
        One for each set of waters that differ in one share alone; of waters that differ in more
        at once there is none.
    """
    recipes = scores.recipes.reset_index(drop=True)
    found = []
    for name in SALT_SHARES:
        for rows in _sets(recipes, name):
            some = _flights_of(scores, recipes["recipe"].iloc[rows])
            if some is not None:
                found.append(_read(some, name, recipes["recipe"].iloc[rows], rng))
    return tuple(found)


def _flights_of(scores: Scores, labels: pd.Series[str]) -> Scores | None:
    """Scores of the flights in which two of these waters or more were compared; None without."""
    frame = scores.frame
    own = frame["recipe"].where(frame["recipe"].isin(labels))
    compared = own.groupby(frame["block"]).transform("nunique") > 1
    return scores.only(compared.to_numpy(dtype=bool)) if compared.any() else None


def _sets(recipes: pd.DataFrame, name: str) -> list[list[int]]:
    """Rows of waters that differ in this share alone, each set by rising share."""
    if name not in recipes.columns:
        return []
    others = recipes.drop(columns=name)
    number = water_numbers(others)
    found = []
    for first in dict.fromkeys(number):
        rows = [n for n in np.flatnonzero(number == first) if np.isfinite(recipes[name][n])]
        if len(rows) > 1:
            found.append(sorted(map(int, rows), key=lambda n: recipes[name][n]))
    return found


def _about(recipes: pd.DataFrame, name: str, rows: list[int]) -> Target:
    one = recipes.iloc[rows[0]]
    shares = {
        other: float(one[other])
        for other in SALT_SHARES
        if other != name and other in recipes.columns and np.isfinite(one[other])
    }
    return Target(**{level: float(one[level]) for level in COORDINATES}, **shares)


def _read(
    scores: Scores, name: str, labels: pd.Series[str], rng: np.random.Generator
) -> SaltsReading:
    recipes = scores.recipes.reset_index(drop=True)
    rows = [int(n) for n in np.flatnonzero(recipes["recipe"].isin(labels))]
    rows.sort(key=lambda n: float(recipes[name][n]))
    some = recipes.iloc[rows].reset_index(drop=True)
    own = scores.frame["recipe"].isin(some["recipe"])
    levels = some[["recipe", name, "n_scores", "is_control"]].rename(columns={name: "level"})
    told = SaltsReading(
        share=name,
        at=_about(recipes, name, rows),
        kind=VerdictKind.UNKNOWN,
        p_value=None,
        levels=levels.assign(
            mean=[scores.score[(scores.frame["recipe"] == one)].mean() for one in some["recipe"]]
        ),
        pairs=pd.DataFrame(columns=["recipe", "level", "other", "other_level", "difference", "p"]),
        detectable_points=None,
        mixed_once=not (scores.frame[own].groupby("recipe")["bowl"].nunique() > 1).any(),
        n_scores=int(own.sum()),
        n_tasters=int(scores.frame.loc[own, "taster"].nunique()),
    )
    try:
        level = told.levels["level"].to_numpy(dtype=np.float64)
        curve = np.column_stack([np.ones(len(level)), _polynomials(level)])
        fit = _fit(scores, told, curve)
        return _told(told, fit, curve, SCALES.get(scores.scale), rng)
    except (ReadingError, np.linalg.LinAlgError):
        return told


def _fit(scores: Scores, told: SaltsReading, curve: Floats) -> MixedFit:
    """The mixed model: the curve, other waters of its flights, blocks; tasters and bowls.

    Raises
    ------
    ReadingError
        If nothing is left to tell waters by.
    """
    recipe, own = scores.column("recipe"), list(told.levels["recipe"])
    fixed = np.zeros((len(recipe), curve.shape[1]))
    for label, row in zip(own, curve, strict=True):
        fixed[recipe == label] = row
    others = [(recipe == label) * 1.0 for label in np.unique(recipe) if label not in own]
    blocks, components, _ = block_effects(scores)
    for column in (*others, *blocks.T):
        wider = np.column_stack([fixed, column])
        if float(np.abs(np.asarray(np.linalg.qr(wider, mode="r"))[-1, -1])) > _INDEPENDENT:
            fixed = wider
    if fixed.shape[1] >= len(fixed):
        raise ReadingError(
            "scores must be more than what is fitted to them. Taste more cups.", field="scores"
        )
    share = scores.frame[told.share].to_numpy(dtype=np.float64)
    factor = Factor(name=told.share, low=np.nanmin(share), high=np.nanmax(share))
    coded = np.nan_to_num(factor.to_coded(share))[:, None]
    random = taster_components(scores, Coding(factors=(factor,)), coded, [(0,)]) + components
    bowl, _ = bowl_component(scores, fixed)
    if bowl is not None:
        random.append(bowl)
    kept, _, columns = identifiable(fixed, affordable(random)[0])
    return fit_mixed(scores.score, fixed, kept, scores.tasters, columns=columns)


def _told(
    told: SaltsReading,
    fit: MixedFit,
    curve: Floats,
    scale: Scale | None,
    rng: np.random.Generator,
) -> SaltsReading:
    labels = told.levels["recipe"].to_numpy(dtype=str)
    weights = np.zeros((len(curve), len(fit.effects.beta)))
    weights[:, : curve.shape[1]] = curve
    test = fit.effects.f_test(np.eye(curve.shape[1], weights.shape[1])[1:])
    means = fit.effects.intervals(weights)
    order = [int(n) for n in np.argsort(-means["mean"].to_numpy(), kind="stable")]
    couples = [(one, two) for n, one in enumerate(order) for two in order[n + 1 :]]
    pairs = differences_of(fit, weights, labels, couples, rng)
    share = dict(zip(labels, told.levels["level"], strict=True))
    pairs.insert(1, "level", pairs["recipe"].map(share))
    pairs.insert(3, "other_level", pairs["other"].map(share))
    gap = fit.effects.contrast(weights[order[0]] - weights[order[-1]])
    known_least = pairs.iloc[int(np.argmax(pairs["se"]))]
    found = test.p_value < ALPHA and gap.p_value < ALPHA
    return replace(
        told,
        kind=VerdictKind.FOUND if found else VerdictKind.NOTHING,
        p_value=test.p_value,
        levels=pd.concat([told.levels.drop(columns="mean"), means], axis=1),
        pairs=pairs,
        detectable_points=detectable_difference(
            float(known_least["se"]),
            float(known_least["df"]),
            test.df_top,
            test.df_bottom,
            span=float("inf") if scale is None else scale.highest - scale.lowest,
        ),
    )


def _polynomials(level: Floats) -> Floats:
    """Slope and bend along these shares, without their means; shape (n, 1 or 2)."""
    powers = np.vander(level - level.mean(), min(_TERMS + 1, len(level)), increasing=True)
    return np.asarray(np.linalg.qr(powers)[0][:, 1:])
