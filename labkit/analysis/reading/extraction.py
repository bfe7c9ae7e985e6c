"""Whether a difference between waters may be one of extraction: the surface at equal strength.

Strength moves liking (common practice), and waters extract differently: a water that extracts more
is not the same as one that tastes better. Where the preparer measured the cups, the surface is
fitted twice to the same scores, without and with strength (or extraction yield) as a covariate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType
from typing import Final

import numpy as np
import pandas as pd

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.kenward_roger import Contrast, FTest
from labkit.analysis.model.mixed import Component, fit_mixed, identifiable
from labkit.analysis.model.scores import Scores
from labkit.analysis.model.structure import TOLERANCE
from labkit.analysis.model.surface import Surface, fit_surface
from labkit.analysis.reading.differences import simultaneous
from labkit.errors import ReadingError
from labkit.tasting import ALPHA
from labkit.water import COORDINATES

FEWEST_MEASURED: Final = 0.5
"""Share of the scores whose cups must have been measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Covariate:
    """A quantity of the brew that may stand behind a difference between waters."""

    name: str
    """Column of the scores frame."""

    step: float
    """Its effect is told for so much of it (percentage points)."""

    alike: float
    """Cups that differ by less were equal: what the instrument resolves (common practice)."""


COVARIATES: Final[Mapping[str, Covariate]] = MappingProxyType(
    {
        one.name: one
        for one in (
            Covariate(name="strength_percent", step=0.1, alike=0.02),
            Covariate(name="extraction_percent", step=1.0, alike=0.3),
        )
    }
)
"""What is tried, one at a time: yield is strength times a ratio of masses."""


class ExtractionKind(StrEnum):
    """Whether a difference between waters may be one of extraction."""

    OWN = "the waters differ at equal extraction too"
    SHARED = "the difference may be one of extraction"
    NOTHING = "no difference to explain"
    TOGETHER = "extraction went with the water"
    ALIKE = "all cups were extracted alike"
    TOO_FEW = "too few cups were measured"


@dataclass(frozen=True, slots=True, kw_only=True)
class Extraction:
    """One covariate: what the waters' differences are without and with it in the model."""

    covariate: Covariate
    """Strength or yield."""

    kind: ExtractionKind
    """The plain answer."""

    n_scores: int
    """Scores whose cup was measured; both models are fitted to these alone."""

    n_cups: int
    """Cups that were measured."""

    unmeasured: tuple[str, ...]
    """Waters of which no cup was measured."""

    centre: float
    """The covariate's mean over those scores: where waters are compared (percent)."""

    waters: pd.DataFrame
    """One row a water: ``recipe``, coordinates, ``n_cups, level, lowest, highest`` (of the
    covariate, percent) and, where both models stand, ``difference, lo, hi`` (points) without and
    ``difference_equal, lo_equal, hi_equal`` with the covariate; intervals hold for all rows of a
    model at once."""

    against: str | None
    """The water that differences are from, the control; None for the mean of all waters."""

    without: FTest | None
    """That no water differs, without the covariate; None where the two cannot be compared."""

    equal: FTest | None
    """The same at equal values of the covariate."""

    effect: Contrast | None
    """Points for one ``step`` of the covariate at the same water."""


def check_extraction(
    scores: Scores, *, rng: np.random.Generator, surface: Surface | None = None
) -> tuple[Extraction, ...]:
    """Read the waters' differences without and with strength and yield, where they were measured.

    Parameters
    ----------
    scores : Scores
        Of one attribute, with the columns of `COVARIATES` where cups were measured.
    rng : numpy.random.Generator
        For simultaneous intervals.
    surface : Surface, optional
        Fitted to these scores, if it was; it serves again where every cup was measured.

    Returns
    -------
    tuple of Extraction
        One for each covariate that was measured at all.

    Notes
    -----
    The covariate enters centred and linear, with a slope of each taster's own where the cups can
    tell it: tasters differ in how they like strength, and a common slope alone would call that a
    difference between waters. What is left of it after waters and flights must be enough to tell
    the two apart. An error of the refractometer is not taken out of the slope: of a spread between
    cups that is error to a tenth, a tenth of the strength's effect stays with the waters.
    """
    found = []
    for covariate in COVARIATES.values():
        if covariate.name not in scores.frame.columns:
            continue
        level = pd.to_numeric(scores.frame[covariate.name], errors="coerce").to_numpy(np.float64)
        if np.isfinite(level).any():
            found.append(_check(scores, covariate, level, rng, surface))
    return tuple(found)


def _check(
    scores: Scores,
    covariate: Covariate,
    level: Floats,
    rng: np.random.Generator,
    surface: Surface | None,
) -> Extraction:
    measured = np.isfinite(level)
    unmeasured = sorted(set(scores.column("recipe")) - set(scores.column("recipe")[measured]))
    some, level = scores.only(measured), level[measured]
    told = Extraction(
        covariate=covariate,
        kind=ExtractionKind.TOO_FEW,
        n_scores=len(level),
        n_cups=int(_cups(some, level)["n_cups"].sum()),
        unmeasured=tuple(map(str, unmeasured)),
        centre=float(level.mean()),
        waters=_cups(some, level),
        against=None,
        without=None,
        equal=None,
        effect=None,
    )
    if unmeasured or measured.mean() < FEWEST_MEASURED:
        return told
    if np.ptp(level) < covariate.alike:
        return replace(told, kind=ExtractionKind.ALIKE)
    try:
        whole = surface is not None and bool(measured.all())
        without = surface if whole and surface is not None else fit_surface(some)
        if not without.terms:
            return told
        equal = _at_equal(without, (level - level.mean()) / covariate.step, covariate.name)
    except (ReadingError, np.linalg.LinAlgError):
        return told
    if equal is None:
        return replace(told, kind=ExtractionKind.TOGETHER)
    return _compared(told, without, equal, rng)


def _at_equal(surface: Surface, centred: Floats, name: str) -> Surface | None:
    """The same surface with the covariate as its last fixed column; None if it went with it."""
    model, scores = surface.model, surface.scores
    rest = centred - model.fixed @ np.linalg.lstsq(model.fixed, centred, rcond=None)[0]
    if np.linalg.norm(rest) <= TOLERANCE * np.linalg.norm(centred):
        return None
    fixed = np.column_stack([model.fixed, centred])
    if fixed.shape[1] >= len(fixed):
        raise ReadingError("scores must be more than what is fitted to them. Taste more cups.")
    own = Component.grouped(f"taster:{name}", scores.tasters, times=centred, keep_at_zero=True)
    kept, _, columns = identifiable(fixed, [*model.components, own])
    fit = fit_mixed(scores.score, fixed, kept, scores.tasters, columns=columns)
    wider = replace(model, fixed=fixed, components=tuple(kept), columns=columns)
    return Surface(model=wider, fit=fit, scores=scores)


def _compared(
    told: Extraction, without: Surface, equal: Surface, rng: np.random.Generator
) -> Extraction:
    plain, same = without.test(), equal.test()
    if plain is None or same is None:
        return told
    if same.p_value < ALPHA:
        kind = ExtractionKind.OWN
    else:
        kind = ExtractionKind.SHARED if plain.p_value < ALPHA else ExtractionKind.NOTHING
    recipes = without.scores.recipes
    control = np.flatnonzero(recipes["is_control"].to_numpy(dtype=bool))
    place = int(control[0]) if len(control) == 1 else None
    table = told.waters
    for surface, end in ((without, ""), (equal, "_equal")):
        found = _differences(surface, place, rng).add_suffix(end)
        table = pd.concat([table, found], axis=1)
    last = np.zeros(len(equal.fit.effects.beta))
    last[-1] = 1.0
    return replace(
        told,
        kind=kind,
        waters=table,
        against=None if place is None else str(recipes["recipe"].iloc[place]),
        without=plain,
        equal=same,
        effect=equal.fit.effects.contrast(last),
    )


def _differences(surface: Surface, place: int | None, rng: np.random.Generator) -> pd.DataFrame:
    """Each water minus the control, or minus the mean of all: ``difference, lo, hi``."""
    effects = surface.fit.effects
    design = surface.design(surface.scores.recipe_waters)
    rows = design - (design.mean(axis=0) if place is None else design[place])
    weights = np.column_stack([rows, np.zeros((len(rows), len(effects.beta) - rows.shape[1]))])
    others = [n for n in range(len(rows)) if n != place]
    known = effects.intervals(weights[others])
    table = known.rename(columns={"mean": "difference"})[["difference", "se", "df"]]
    covariance = weights[others] @ effects.covariance @ weights[others].T
    found = simultaneous(table, covariance, seed=rng).set_axis(others)
    # The control is no different from itself.
    return found[["difference", "lo", "hi"]].reindex(range(len(rows)), fill_value=0.0)


def _cups(scores: Scores, level: Floats) -> pd.DataFrame:
    """What was measured, water by water; a shared bowl counts once, whoever drank from it."""
    names = ["session", "flight", "jug", "blind_code"]
    frame = scores.frame[["recipe", *names]].assign(level=level)
    whole = scores.frame["serving"].astype(str) != "a cup each"
    cups = frame.assign(taster=scores.frame["taster"].where(~whole, ""))
    cups = cups.drop_duplicates([*names, "taster"])
    by_water = cups.groupby("recipe")["level"]
    found = by_water.agg(n_cups="size", level="mean", lowest="min", highest="max")
    table = scores.recipes[["recipe", *COORDINATES]].merge(found, on="recipe")
    return table.reset_index(drop=True)
