"""What the scores of one coffee say: the one call that a notebook makes."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from labkit.analysis.best import Best, detectable_difference, find_best
from labkit.analysis.coding import describe
from labkit.analysis.region import coordinates
from labkit.analysis.scores import Scores, gather_scores
from labkit.analysis.surface import Surface, fit_surface
from labkit.errors import ReadingError

SEED: Final = 20_250_301
"""Draws use this unless a generator is given, so that the same scores read the same twice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The plain answer."""

    kind: str
    """``'best found'``, ``'no difference seen'`` or ``'cannot tell'``."""

    text: str
    """In words and numbers, for the lead of the tasting."""

    p_value: float | None
    """Of 'the waters do not matter'; None if it could not be tested."""

    detectable_points: float | None
    """Difference between two of the waters that would have been seen with 80 % chance."""

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What the scores say about one attribute of one coffee, and how sure that is."""

    scores: Scores
    """The scores that were read."""

    surface: Surface | None
    """The fitted surface; None if there was nothing to fit."""

    best: Best | None
    """The best water as a region; None without a surface."""

    verdict: Verdict
    """The plain answer."""

    cannot_tell: tuple[str, ...]
    """What these cups cannot tell, one sentence each."""

    notes: tuple[str, ...]
    """What was left out, put together or simplified, one sentence each."""

    def predict(self, targets: Any, *, level: float = 0.95) -> pd.DataFrame:
        """Expected scores: coordinates, ``mean, se, df, lo, hi``, ``within_tasted``."""
        if self.surface is None:
            raise ReadingError(f"there is no surface to predict from: {self.verdict.text}")
        return self.surface.predict(targets, level=level)

    def _repr_html_(self) -> str:
        def listed(head: str, sentences: Sequence[str]) -> str:
            rows = "".join(f"<li>{html.escape(one)}</li>" for one in sentences)
            return f"<p>{head}</p><ul>{rows}</ul>" if rows else ""

        return (
            f"<p><strong>{html.escape(self.verdict.text)}</strong></p>"
            + listed("These cups cannot tell:", self.cannot_tell)
            + listed("Mind:", self.notes)
        )


def read_coffee(
    frame: pd.DataFrame,
    attribute: str = "overall",
    *,
    brew_method: str | None = None,
    stage: str | None = None,
    without_tasters: Sequence[str] = (),
    feasible: Any = None,
    rng: np.random.Generator | None = None,
) -> Reading:
    """Read the opened scores of one coffee.

    Parameters
    ----------
    frame : DataFrame
        The scores frame of one client and one coffee.
    attribute : str
        Which attribute.
    brew_method : str, optional
        ``'cupping'``, ``'filter'`` or ``'espresso'``; the most scored unless given. They are never
        pooled.
    stage : str, optional
        ``'hot'``, ``'warm'`` or ``'cool'``; the average over the stages scored unless given.
    without_tasters : sequence of str
        Tasters left out by choice; the reading says so.
    feasible : Region, targets or (n, 3) array, optional
        Waters that can be made; anything within the ranges tasted unless given.
    rng : numpy.random.Generator, optional
        For the draws behind the best region; a fixed seed unless given.

    Raises
    ------
    ReadingError
        If there is nothing to read.
    """
    scores = gather_scores(
        frame,
        attribute,
        brew_method=brew_method,
        stage=stage,
        without_tasters=without_tasters,
    )
    rng = np.random.default_rng(SEED) if rng is None else rng
    refusal = _nothing_to_fit(scores)
    if refusal:
        return Reading(
            scores=scores,
            surface=None,
            best=None,
            verdict=Verdict(kind="cannot tell", text=refusal, p_value=None, detectable_points=None),
            cannot_tell=(),
            notes=scores.notes,
        )
    with threadpool_limits(1):
        surface = fit_surface(scores)
        best = find_best(surface, rng=rng, feasible=feasible)
        verdict = judge(surface, best)
    return Reading(
        scores=scores,
        surface=surface,
        best=best,
        verdict=verdict,
        cannot_tell=surface.model.cannot_tell,
        notes=(*scores.notes, *surface.model.choices),
    )


def _nothing_to_fit(scores: Scores) -> str:
    recipes = scores.recipes
    mean = float(scores.score.mean())
    if len(recipes) == 1:
        return (
            f"Only one water was scored ({describe(scores.waters[0])}; mean {mean:.2f}): "
            "nothing to compare it with."
        )
    if np.ptp(scores.score) == 0:
        return (
            f"Every score is {mean:g}: no difference between waters, tasters or cups was put on "
            "paper, so nothing can be told."
        )
    if len(scores.score) < len(recipes) + 2:
        return (
            f"{len(scores.score)} scores for {len(recipes)} waters are too few to tell a "
            "difference from chance."
        )
    return ""


def judge(surface: Surface, best: Best) -> Verdict:
    """Whether the waters matter, and if so which is best by how much."""
    test = surface.test()
    if test is None:
        return Verdict(
            kind="cannot tell",
            text="The waters did not vary enough to tell one from another.",
            p_value=None,
            detectable_points=None,
        )
    tasted = surface.scores.recipes
    waters = coordinates(tasted)
    worst = waters[int(np.argmin(surface.mean(waters)))]
    gap = surface.difference(best.target, worst)
    first, second = np.triu_indices(len(waters), k=1)
    largest = float(surface.compare(waters[first], waters[second])["se"].max())
    detectable = detectable_difference(largest, test.df_top, test.df_bottom)
    n_tasters = len(np.unique(surface.scores.tasters))
    who = "this taster" if n_tasters == 1 else "this panel"
    if test.p_value >= 0.05 or gap.p_value >= 0.05:
        text = (
            f"No difference that {who} can see between these waters. With these cups, a difference "
            f"of {detectable:.1f} points between any two of them would have been seen with 80 % "
            "chance; none was."
        )
        return Verdict(
            kind="no difference seen",
            text=text,
            p_value=test.p_value,
            detectable_points=detectable,
        )
    low, high = gap.interval()
    text = (
        f"{best.sentence} Expected score {best.mean:.1f}, which is {gap.estimate:.1f} points "
        f"({low:.1f} to {high:.1f}) above the worst water tasted "
        f"({describe(worst, surface.coding.names)}). The best could be anywhere in "
        f"{', '.join(one.words for one in best.factor_ranges)}."
    )
    return Verdict(kind="best found", text=text, p_value=test.p_value, detectable_points=detectable)
