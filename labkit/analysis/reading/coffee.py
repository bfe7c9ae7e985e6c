"""What the scores of one coffee say: the one call that a notebook makes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from statsmodels.stats.multitest import multipletests

from labkit.analysis.model.noted import Note
from labkit.analysis.model.scores import Scores, attributes_of, gather_both
from labkit.analysis.model.surface import Surface, fit_surface
from labkit.analysis.one_thread import one_thread
from labkit.analysis.reading.best import Best, best_to_serve, recommended_of
from labkit.analysis.reading.diagnostics import Diagnostics, diagnose
from labkit.analysis.reading.differences import WaterDifferences, compare_waters
from labkit.analysis.reading.extraction import Extraction, check_extraction
from labkit.analysis.reading.panel import PanelCheck, check_panel
from labkit.analysis.reading.salts import SaltsReading, read_salts
from labkit.analysis.reading.unread import Unread, WhyUnread, nothing_to_fit
from labkit.analysis.reading.verdict import Verdict, VerdictKind, judge, untold
from labkit.analysis.search.recommendation import Recommendation
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.noted import Noted
from labkit.shown import Shown

SEED: Final = 20_250_301
"""Draws use this unless a generator is given, so that the same scores read the same twice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading(Shown):
    """What the scores say about one attribute of one coffee, and how sure that is."""

    scores: Scores
    """The scores that were read."""

    surface: Surface | None
    """The fitted surface; None if there was nothing to fit."""

    best: Best | None
    """The best water as a region; None without a surface."""

    recommended: Recommendation | None
    """The water that the scores speak for, which ``best`` names too and the next flight rests on;
    None where more is not known to be better."""

    waters: WaterDifferences | None
    """Means and differences of the waters tasted; None with one water or too few scores."""

    panel: PanelCheck
    """What the scores say about the tasters."""

    diagnostics: Diagnostics | None
    """Whether the surface can be trusted; None without a surface."""

    verdict: Verdict
    """The plain answer."""

    extraction: tuple[Extraction, ...] = ()
    """Whether differences may be ones of extraction, for strength and for yield; empty where
    neither was measured, or without a surface."""

    salts: tuple[SaltsReading, ...] = ()
    """What flights that compare salts say, by themselves: no part of the surface."""

    no_waters: str = ""
    """Why single waters are not compared, where a surface is; empty if they are."""

    @property
    def cannot_tell(self) -> tuple[Noted[Note], ...]:
        """What these cups cannot tell, one sentence each."""
        return () if self.surface is None else self.surface.model.cannot_tell

    @property
    def has_only_salts(self) -> bool:
        """Whether nothing but salts was compared, so that there is no other answer."""
        unread = self.verdict.unread
        return bool(self.salts) and unread is not None and unread.why is WhyUnread.ONLY_SALTS

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
            why = "" if self.verdict.unread is None else f", as {self.verdict.unread.why}"
            raise ReadingError(f"there is no surface to predict from{why}. Taste more waters.")
        return self.surface.predict(targets, level=level)


@checked(ReadingError)
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
    seed: int | np.random.Generator | None = None,
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
    seed : int or numpy.random.Generator, optional
        For the draws behind the best region; a fixed seed unless given.

    Raises
    ------
    ReadingError
        If there is nothing to read.
    """
    gathered = gather_both(
        frame,
        attribute,
        brew_method=brew_method,
        scale=scale,
        stage=stage,
        without_tasters=without_tasters,
        without_sessions=without_sessions,
    )
    return _read(*gathered, feasible=feasible, seed=seed)


def _read(
    scores: Scores | None,
    of_salts: Scores | None,
    *,
    feasible: Any = None,
    seed: int | np.random.Generator | None = None,
) -> Reading:
    rng = np.random.default_rng(SEED if seed is None else seed)
    if of_salts is None:
        return _read_waters(scores, feasible=feasible, rng=rng)  # type: ignore[arg-type]
    if scores is None:
        only = Unread(why=WhyUnread.ONLY_SALTS, n_scores=len(of_salts.score))
        # The waters are compared by their salts, not once more by their labels.
        nothing = _without_surface(of_salts, only, rng, recommended=None)
        reading = replace(nothing, waters=None)
    else:
        reading = _read_waters(scores, feasible=feasible, rng=rng)
    with one_thread():
        # Draws of its own: what the salts did moves no other number.
        return replace(reading, salts=read_salts(of_salts, rng=np.random.default_rng(SEED)))


def _read_waters(scores: Scores, *, feasible: Any, rng: np.random.Generator) -> Reading:
    refusal = nothing_to_fit(scores)
    with one_thread():
        if refusal is not None:
            return _without_surface(scores, refusal, rng, recommended_of(scores, feasible=feasible))
        try:
            surface = fit_surface(scores)
        except ReadingError as error:
            refused = Unread(why=WhyUnread.REFUSED, error=str(error))
            return _without_surface(scores, refused, rng, recommended_of(scores, feasible=feasible))
        except np.linalg.LinAlgError:
            why = Unread(why=WhyUnread.NO_CURVE)
            return _without_surface(scores, why, rng, recommended_of(scores, feasible=feasible))
        best, recommended = best_to_serve(surface, rng=rng, feasible=feasible)
        waters, no_waters = _waters(scores, rng)
        diagnostics = diagnose(surface, waters)
        verdict = judge(surface, best, recommended)
        return Reading(
            scores=scores,
            surface=surface,
            best=best,
            recommended=recommended,
            waters=waters,
            panel=check_panel(scores, found=verdict.kind is VerdictKind.FOUND),
            diagnostics=diagnostics,
            verdict=verdict,
            # Draws of its own: what was measured moves no other number.
            extraction=check_extraction(scores, rng=np.random.default_rng(SEED), surface=surface),
            no_waters=no_waters,
        )


def _without_surface(
    scores: Scores, why: Unread, rng: np.random.Generator, recommended: Recommendation | None
) -> Reading:
    return Reading(
        scores=scores,
        surface=None,
        best=None,
        recommended=recommended,
        waters=_waters(scores, rng)[0],
        panel=check_panel(scores, found=False),
        diagnostics=None,
        verdict=untold(why),
    )


def _waters(scores: Scores, rng: np.random.Generator) -> tuple[WaterDifferences | None, str]:
    try:
        return compare_waters(scores, rng=rng), ""
    except ReadingError as error:
        return None, str(error)
    except np.linalg.LinAlgError:
        return None, "their cups do not suffice."


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeReadings(Shown):
    """Readings of several attributes side by side."""

    readings: dict[str, Reading]
    """One per attribute that could be read."""

    table: pd.DataFrame
    """``attribute, scale, n_scores, verdict, p, p_adjusted, best_mean``, and ``best_`` and the
    interval of each coordinate; ``p_adjusted`` allows for the number of attributes
    (Benjamini-Hochberg)."""

    unread: dict[str, str]
    """Attributes that could not be read, and why."""


@checked(ReadingError)
def read_attributes(
    frame: pd.DataFrame,
    attributes: Sequence[str] | None = None,
    *,
    feasible: Any = None,
    seed: int | np.random.Generator | None = None,
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
    seed : int or numpy.random.Generator, optional
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
            both = gather_both(frame, attribute, beside=gathered, **choices)
            gathered += [one for one in both if one is not None]
            readings[attribute] = _read(*both, feasible=feasible, seed=seed)
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


@checked(ReadingError)
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
