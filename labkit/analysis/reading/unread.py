"""Why scores cannot be read as a curve: what they are, and the figures that say so."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from labkit.analysis.model.scores import Scores
from labkit.analysis.reading.agreement import Cells
from labkit.analysis.region import water_target
from labkit.tasting import SCALES
from labkit.water import Target


class WhyUnread(StrEnum):
    """Why nothing can be told of the waters."""

    NOT_OPEN = "no flight has been scored and opened yet"
    REFUSED = "the scores cannot be read"
    MIDDLE_IS_BEST = "a mean of just-about-right answers says nothing"
    ONE_WATER = "only one water was scored"
    ONLY_SALTS = "only waters that differ in their salts were scored"
    ALL_ALIKE = "every score is the same"
    EACH_ALIKE = "each taster gave every cup the same score"
    TOO_FEW = "there are too few scores"
    NO_CURVE = "no curve could be fitted"
    NOT_TESTED = "the cups cannot tell one water from another"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """Why nothing can be told, with what its sentence needs; None where that does not apply."""

    why: WhyUnread
    """The reason."""

    error: str | None = None
    """What the scores were refused with."""

    share_right: float | None = None
    """Share of the answers that are just right."""

    water: Target | None = None
    """The only water."""

    mean: float | None = None
    """Mean score."""

    n_scores: int | None = None
    """Scores."""

    n_waters: int | None = None
    """Waters scored."""


def nothing_to_fit(scores: Scores) -> Unread | None:
    """Why no curve can be drawn through these scores; None if one can."""
    recipes = scores.recipes
    mean = float(scores.score.mean())
    scale = SCALES.get(scores.scale)
    if scale is not None and scale.middle_is_best:
        right = float((scores.score == (scale.lowest + scale.highest) / 2).mean())
        return Unread(why=WhyUnread.MIDDLE_IS_BEST, share_right=right)
    if len(recipes) == 1:
        return Unread(why=WhyUnread.ONE_WATER, water=water_target(scores.waters[0]), mean=mean)
    if np.ptp(scores.score) == 0:
        return Unread(why=WhyUnread.ALL_ALIKE, mean=mean)
    cells = Cells.of(scores.tasters, np.full(len(scores.score), ""), scores.score)
    if cells.within.sum() == 0 and len(cells.tasters) > 1:
        return Unread(why=WhyUnread.EACH_ALIKE)
    if len(scores.score) < len(recipes) + 2 and len(scores.score) < 6:
        return Unread(why=WhyUnread.TOO_FEW, n_scores=len(scores.score), n_waters=len(recipes))
    return None
