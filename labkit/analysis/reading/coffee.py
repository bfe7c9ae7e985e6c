"""What the scores of one coffee say: the one call that a notebook makes."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from statsmodels.stats.multitest import multipletests
from threadpoolctl import threadpool_limits

from labkit.analysis.model.mixed import REML_ENGINE
from labkit.analysis.model.scores import Scores, attributes_of, gather_scores
from labkit.analysis.model.surface import Surface, fit_surface
from labkit.analysis.reading.agreement import Cells
from labkit.analysis.reading.best import Best, best_to_serve
from labkit.analysis.reading.diagnostics import Diagnostics, diagnose
from labkit.analysis.reading.differences import WaterDifferences, compare_waters
from labkit.analysis.reading.panel import PanelCheck, check_panel
from labkit.analysis.reading.verdict import FOUND, UNKNOWN, Verdict, judge
from labkit.analysis.search.recommendation import Recommendation
from labkit.errors import ReadingError
from labkit.tasting import SCALES
from labkit.water import as_coordinates, describe, percent

SEED: Final = 20_250_301
"""Draws use this unless a generator is given, so that the same scores read the same twice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What the scores say about one attribute of one coffee, and how sure that is."""

    scores: Scores
    """The scores that were read."""

    surface: Surface | None
    """The fitted surface; None if there was nothing to fit."""

    best: Best | None
    """The best water as a region; None without a surface."""

    recommended: Recommendation | None
    """The water to serve, which ``best`` names too; None without a surface."""

    waters: WaterDifferences | None
    """Means and differences of the waters tasted; None with one water or too few scores."""

    panel: PanelCheck
    """What the scores say about the tasters."""

    diagnostics: Diagnostics | None
    """Whether the surface can be trusted; None without a surface."""

    verdict: Verdict
    """The plain answer."""

    cannot_tell: tuple[str, ...]
    """What these cups cannot tell, one sentence each."""

    notes: tuple[str, ...]
    """What was left out, put together or simplified, one sentence each."""

    def predict(self, targets: Any, *, level: float = 0.95) -> pd.DataFrame:
        """Expected scores of any waters in the average flight.

        Parameters
        ----------
        targets : Target, sequence of Target, DataFrame or array_like of shape (n, 3)
            The waters.
        level : float
            Coverage of the intervals, between 0 and 1.

        Returns
        -------
        DataFrame
            One row a water: coordinates, ``mean, se, df, lo, hi`` (points), ``within_tasted``.

        Raises
        ------
        ReadingError
            If the scores gave no surface.
        """
        if self.surface is None:
            raise ReadingError(f"there is no surface to predict from: {self.verdict.text}")
        return self.surface.predict(targets, level=level)

    @property
    def waters_sentence(self) -> str:
        """Which waters differ compared singly, and what that is worth beside the verdict."""
        if self.waters is None:
            return ""
        apart = len(self.waters.pairs) and (self.waters.pairs["p"] < 0.05).any()
        if not apart or self.verdict.kind == FOUND:
            return self.waters.sentence
        return (
            f"Compared singly: {self.waters.sentence} The reading as a whole does not bear it out: "
            "serve these two again before you rely on it."
        )

    def _repr_html_(self) -> str:
        def listed(head: str, sentences: Sequence[str]) -> str:
            rows = "".join(f"<li>{html.escape(one)}</li>" for one in sentences if one)
            return f"<p>{head}</p><ul>{rows}</ul>" if rows else ""

        first, _, rest = self.verdict.text.partition(". ")
        answer = f"{html.escape(first)}{'.' if rest else ''}"
        warned = () if self.diagnostics is None else self.diagnostics.warnings
        plain = [one for one in self.notes if one in (*self.scores.notes, *warned)]
        models = [one for one in self.notes if one not in plain]
        scale = SCALES.get(self.scores.scale)
        has_mean = scale is None or not scale.middle_is_best
        panel = (self.panel.verdict, self.panel.order_sentence) if has_mean else ()
        waters = (self.waters_sentence,) if has_mean else ()
        folded = listed("", models).replace("<p></p>", "")
        return (
            f"<p><strong>{answer}</strong> {html.escape(rest)}</p>"
            + listed("The panel, and water by water:", (*panel, *waters))
            + listed("These cups cannot tell:", self.cannot_tell)
            + listed("Mind:", plain)
            + (f"<details><summary>How it was read</summary>{folded}</details>" if models else "")
        )


def read_coffee(
    frame: pd.DataFrame,
    attribute: str = "overall",
    *,
    brew_method: str | None = None,
    scale: str | None = None,
    stage: str | None = None,
    without_tasters: Sequence[str] = (),
    without_sessions: Sequence[str] = (),
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
    scale : str, optional
        Which scale, where the attribute was scored on several; the most scored unless given, of
        equals the newest. They are never pooled.
    stage : str, optional
        ``'hot'``, ``'warm'`` or ``'cool'``; the average over the stages scored unless given.
    without_tasters, without_sessions : sequence of str
        Left out by choice; the reading says so.
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
        scale=scale,
        stage=stage,
        without_tasters=without_tasters,
        without_sessions=without_sessions,
    )
    return _read(scores, feasible=feasible, rng=rng)


def _read(
    scores: Scores, *, feasible: Any = None, rng: np.random.Generator | None = None
) -> Reading:
    rng = np.random.default_rng(SEED) if rng is None else rng
    refusal = nothing_to_fit(scores)
    with threadpool_limits(1):
        if refusal:
            return _without_surface(scores, refusal, rng)
        try:
            surface = fit_surface(scores)
        except ReadingError as error:
            return _without_surface(scores, str(error), rng)
        except np.linalg.LinAlgError:
            return _without_surface(
                scores, "No curve could be fitted to these cups: read the single waters.", rng
            )
        best, recommended = best_to_serve(surface, rng=rng, feasible=feasible)
        waters, why_not = _waters(scores, rng)
        diagnostics = diagnose(surface, waters)
        notes = [*scores.notes, *surface.model.choices, *surface.fit.notes]
        if recommended is not None:
            other = [recommended.plain.text] if recommended.plain.disagrees else []
            notes += [recommended.source, *other]
        if surface.fit.components and surface.fit.engine == REML_ENGINE:
            notes.append(
                f"Fitted by {REML_ENGINE}: statsmodels' MixedLM would take long here, or did not "
                "settle."
            )
        verdict = judge(surface, best, recommended)
        return Reading(
            scores=scores,
            surface=surface,
            best=best,
            recommended=recommended,
            waters=waters,
            panel=check_panel(scores, found=verdict.kind == FOUND),
            diagnostics=diagnostics,
            verdict=verdict,
            cannot_tell=surface.model.cannot_tell,
            notes=(*notes, *why_not, *diagnostics.warnings),
        )


def _without_surface(scores: Scores, why: str, rng: np.random.Generator) -> Reading:
    return Reading(
        scores=scores,
        surface=None,
        best=None,
        recommended=None,
        waters=_waters(scores, rng)[0],
        panel=check_panel(scores, found=False),
        diagnostics=None,
        verdict=Verdict(kind=UNKNOWN, text=why, p_value=None, detectable_points=None),
        cannot_tell=(),
        notes=scores.notes,
    )


def _waters(
    scores: Scores, rng: np.random.Generator
) -> tuple[WaterDifferences | None, tuple[str, ...]]:
    try:
        return compare_waters(scores, rng=rng), ()
    except ReadingError as error:
        return None, (f"Single waters are not compared: {error}",)
    except np.linalg.LinAlgError:
        return None, ("Single waters are not compared: their cups do not suffice.",)


def nothing_to_fit(scores: Scores) -> str:
    """Why no curve can be drawn through these scores, in a sentence; empty if one can."""
    recipes = scores.recipes
    mean = float(scores.score.mean())
    scale = SCALES.get(scores.scale)
    if scale is not None and scale.middle_is_best:
        right = float((scores.score == (scale.lowest + scale.highest) / 2).mean())
        return (
            f"{percent(right)} of the answers are 'just right'. A mean of such answers says "
            "nothing, so no curve is drawn: read the shares of too little and too much."
        )
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
    cells = Cells.of(scores.tasters, np.full(len(scores.score), ""), scores.score)
    if cells.within.sum() == 0 and len(cells.tasters) > 1:
        return (
            "Each taster gave every cup the same score: no difference between waters was put on "
            "paper, so nothing can be told."
        )
    if len(scores.score) < len(recipes) + 2 and len(scores.score) < 6:
        return (
            f"{len(scores.score)} scores for {len(recipes)} waters are too few to tell a "
            "difference from chance."
        )
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeReadings:
    """Readings of several attributes side by side."""

    readings: dict[str, Reading]
    """One per attribute that could be read."""

    table: pd.DataFrame
    """``attribute, scale, n_scores, verdict, p, p_adjusted, best_mean``, and ``best_`` and the
    interval of each coordinate; ``p_adjusted`` allows for the number of attributes
    (Benjamini-Hochberg)."""

    unread: dict[str, str]
    """Attributes that could not be read, and why."""

    def _repr_html_(self) -> str:
        rows = [
            f"<li><b>{html.escape(name)}</b>: {html.escape(_in_short(one))}</li>"
            for name, one in self.readings.items()
        ]
        rows += [
            f"<li><b>{html.escape(n)}</b>: {html.escape(w)}</li>" for n, w in self.unread.items()
        ]
        found = int((self.table["p_adjusted"] < 0.05).sum()) if len(self.table) else 0
        return (
            f"<p><strong>{found} of {len(self.table)} attributes differ between the waters, "
            f"their number allowed for.</strong></p><ul>{''.join(rows)}</ul>"
        )


def read_attributes(
    frame: pd.DataFrame,
    attributes: Sequence[str] | None = None,
    *,
    feasible: Any = None,
    rng: np.random.Generator | None = None,
    **choices: Any,
) -> AttributeReadings:
    """Read several attributes (all that were scored unless named); choices as `read_coffee`.

    Parameters
    ----------
    frame : DataFrame
        The opened scores of one coffee.
    attributes : sequence of str, optional
        Which to read; all that were scored if not given.
    feasible : Region, targets or (n, 3) array, optional
        Waters that can be made; anything within the ranges tasted unless given.
    rng : numpy.random.Generator, optional
        For the draws behind the best region; a fixed seed unless given.
    **choices : Any
        Further choices, as :func:`gather_scores` takes them.

    Returns
    -------
    AttributeReadings
        A reading of each attribute, a table of all with p-values adjusted together (Benjamini and
        Hochberg), and why the others could not be read.

    References
    ----------
    Benjamini, Y. and Hochberg, Y. (1995). Controlling the false discovery rate. J. R. Stat. Soc. B,
    57, 289-300 (from memory).
    """
    gathered: list[Scores] = []
    readings: dict[str, Reading] = {}
    unread: dict[str, str] = {}
    for attribute in attributes_of(frame) if attributes is None else attributes:
        try:
            scores = gather_scores(frame, attribute, beside=gathered, **choices)
            gathered.append(scores)
            readings[attribute] = _read(scores, feasible=feasible, rng=rng)
        except ReadingError as error:
            unread[attribute] = str(error)
    rows = [_summary(name, reading) for name, reading in readings.items()]
    table = pd.DataFrame(rows)
    if len(table):
        table.insert(5, "p_adjusted", np.nan)
        known = table["p"].notna()
        if known.any():
            table.loc[known, "p_adjusted"] = multipletests(
                table.loc[known, "p"].to_numpy(dtype=np.float64), method="fdr_bh"
            )[1]
    return AttributeReadings(readings=readings, table=table, unread=unread)


def _in_short(reading: Reading) -> str:
    """A reading in one line, to stand among others."""
    if reading.best is None or reading.verdict.kind == UNKNOWN:
        return reading.verdict.text
    size = reading.verdict.detectable_points
    if reading.verdict.kind != FOUND:
        return (
            f"{reading.verdict.kind}."
            if size is None or not np.isfinite(size)
            else f"{reading.verdict.kind}; {size:.1f} points would have been seen with 80 % chance."
        )
    places = " and ".join(one.words for one in reading.best.factor_ranges)
    told = [one.factor for one in reading.best.factor_ranges if one.is_told]
    at = describe(as_coordinates(reading.best.target), told)
    return f"highest at {at}; it could be in {places}."


def _summary(attribute: str, reading: Reading) -> dict[str, object]:
    p = reading.verdict.p_value
    row: dict[str, object] = {
        "attribute": attribute,
        "scale": reading.scores.scale,
        "n_scores": len(reading.scores.score),
        "verdict": reading.verdict.kind,
        "p": float("nan") if p is None else p,
    }
    if reading.best is not None:
        row["best_mean"] = reading.best.mean
        for one in reading.best.factor_ranges:
            if not one.is_told:
                continue
            row |= {
                f"best_{one.factor}": one.best,
                f"lo_{one.factor}": one.lo,
                f"hi_{one.factor}": one.hi,
            }
    return row


def leaving_out(
    frame: pd.DataFrame,
    tasters: Sequence[str] = (),
    attribute: str = "overall",
    *,
    sessions: Sequence[str] = (),
    **choices: Any,
) -> pd.DataFrame:
    """What leaving tasters or sessions out would change: the reading with all and without them.

    Parameters
    ----------
    frame : DataFrame
        The opened scores of one coffee.
    tasters, sessions : sequence of str
        Names to leave out.
    attribute : str
        What was scored.
    **choices : Any
        Further choices, as :func:`read_coffee` takes them.

    Returns
    -------
    DataFrame
        Two rows: ``who, n_scores, verdict, p, best_mean`` and the best level of each factor with
        its interval, as in ``AttributeReadings.table``.

    Raises
    ------
    ReadingError
        If the scores cannot be read.
    """
    rows = []
    left_out = ", ".join([*tasters, *sessions])
    for who, people, days in (
        ("everyone" if not sessions else "all", (), ()),
        (f"without {left_out}", tasters, sessions),
    ):
        reading = read_coffee(
            frame, attribute, without_tasters=people, without_sessions=days, **choices
        )
        row = _summary(attribute, reading)
        row.pop("attribute")
        rows.append({"who": who, **row})
    return pd.DataFrame(rows)


def in_words(row: Mapping[Any, Any]) -> str:
    """A row of `leaving_out` in words: who was read, and what was found.

    Parameters
    ----------
    row : mapping
        One row of the table, as a mapping of column to value.
    """
    found = []
    for name, label, digits in (
        ("mg_share", "Mg share", 2),
        ("hardness_mg_l_caco3", "hardness", 0),
        ("alkalinity_mg_l_caco3", "alkalinity", 0),
    ):
        if pd.notna(row.get(f"best_{name}")):
            at, low, high = (f"{row[f'{end}_{name}']:.{digits}f}" for end in ("best", "lo", "hi"))
            span = "" if low == high else f" ({low} to {high})"
            found.append(f"best {label} {at}{span}")
    best = ", ".join(found)
    said_best = f"; {best}" if best and row["verdict"] == "best found" else ""
    return f"{row['who']} ({row['n_scores']} scores): {row['verdict']}{said_best}"
