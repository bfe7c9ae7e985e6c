"""Is the panel seeing anything: each taster's repeatability, discrimination and agreement.

What is said of a taster is a description, never an exclusion: leaving a taster out is a choice that
the reading records (``without_tasters``) and whose effect ``leaving_out`` shows. Whether the waters
differ is the reading's to say; the panel's own test answers only where it is asked alone.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import pandas as pd
from scipy import stats

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import Scores
from labkit.analysis.reading.agreement import (
    Cells,
    Concordance,
    IntraclassCorrelations,
    WatersAgainstInteraction,
    intraclass_correlations,
    kendall_w,
    waters_against_interaction,
)
from labkit.analysis.reading.many_tests import for_all
from labkit.analysis.reading.repeat_noise import RepeatNoise, rounding
from labkit.analysis.reading.serving_order import order_effects
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.tasting import ALPHA

AGREES: Final = 0.3
"""Correlation with the rest of the panel from which a taster goes with it (common practice)."""

FEWEST_WATERS: Final = 3
"""Waters below which no taster is judged."""


class TasterKind(StrEnum):
    """What the scores say of one taster."""

    SEES = "sees differences"
    DISAGREES = "repeats but disagrees"
    UNKNOWN = "cannot tell yet"


class PanelKind(StrEnum):
    """What they say of all tasters together."""

    ALONE = "one taster"
    SEES = "sees differences"
    DISAGREES = "repeats but disagrees"
    UNKNOWN = "cannot tell yet"
    NOT_FOUND = "no difference was found"


@dataclass(frozen=True, slots=True, kw_only=True)
class TasterCheck:
    """What the scores say about one taster; NaN where it cannot be told."""

    taster: str
    """Who."""

    n_scores: int
    """Scores given."""

    n_waters: int
    """Different waters scored."""

    n_repeats: int
    """Scores beyond the first of a water."""

    repeatability_sd: float
    """Spread between scores of the same water, points."""

    discrimination_f: float
    """Spread between waters over spread between repeats, the panel's repeats drawn in."""

    discrimination_p: float
    """Its p-value."""

    discrimination_p_adjusted: float
    """The same, allowing for the number of tasters looked at (Holm)."""

    agreement: float
    """Correlation with the mean of the other tasters (this one left out) over waters."""

    rank_agreement: float
    """The same for ranks."""

    departure_p: float
    """Of 'answers to the waters as the others do', allowing for the number of tasters (Holm)."""

    level: float
    """Points above the panel's mean over the same waters."""

    scale_slope: float
    """Points per point of the others: 1 the same use of the scale, below 0 the reverse."""

    spread: float
    """Spread of this taster's means of waters, points."""

    interaction_share: float
    """Share of all disagreement that is this taster's."""

    mandel_h: float
    """How far out this taster's level is at worst, in spreads between tasters (ISO 5725-2)."""

    kind: TasterKind
    """What all of this comes to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelCheck:
    """What the scores say about those who gave them."""

    tasters: tuple[TasterCheck, ...]
    """One entry per taster."""

    traces: pd.DataFrame
    """``taster, recipe, mean, rest_of_panel, n``: for a plot of each taster's own answer."""

    order: pd.DataFrame
    """``effect, estimate, se, p``: first cup, later positions, the cup before."""

    correlations: IntraclassCorrelations | None
    """Over waters that every taster scored; None if there are fewer than two."""

    concordance: Concordance | None
    """The same for rankings."""

    variance: WatersAgainstInteraction | None
    """Waters against taster by water; None if a taster missed a water."""

    kind: PanelKind
    """What all of this comes to."""

    n_waters: int
    """Waters scored."""

    n_shared: int
    """Waters that everyone scored."""

    @property
    def table(self) -> pd.DataFrame:
        """``tasters`` as a frame, one row each."""
        return pd.DataFrame([asdict(one) for one in self.tasters])


@checked(ReadingError)
def check_panel(scores: Scores, *, found: bool | None = None) -> PanelCheck:
    """Check the panel on the scores of one attribute.

    Parameters
    ----------
    scores : Scores
        Of one coffee.
    found : bool, optional
        Whether the reading of these scores found a best water; then the panel is not asked
        again. Unless given, waters are tested against what tasters disagree on.
    """
    cells = Cells.of(scores.tasters, scores.column("recipe"), scores.score)
    whole = np.asarray(np.isfinite(cells.mean).all(axis=0))
    correlations = concordance = None
    if whole.sum() >= 2 and len(cells.tasters) >= 2:
        correlations = intraclass_correlations(cells.mean[:, whole].T)
        concordance = kendall_w(cells.mean[:, whole].T)
    variance = waters_against_interaction(cells)
    noise = RepeatNoise.of(cells, least=rounding(scores.score))
    rows = range(len(cells.tasters))
    tests = [noise.discrimination(row, cells) for row in rows]
    apart = for_all([p for _, p in tests])
    departs = for_all([noise.departure(row, cells) for row in rows])
    checks = tuple(
        _one_taster(row, cells, variance, (*tests[row], apart[row], departs[row])) for row in rows
    )
    return PanelCheck(
        tasters=checks,
        traces=_traces(cells),
        order=order_effects(scores),
        correlations=correlations,
        concordance=concordance,
        variance=variance,
        kind=_panel_kind(checks, found, _sees(correlations, variance)),
        n_waters=len(whole),
        n_shared=int(whole.sum()),
    )


def _traces(cells: Cells) -> pd.DataFrame:
    row, column = np.nonzero(cells.count)
    mean = cells.mean[row, column]
    others = np.isfinite(cells.mean).sum(axis=0)[column] - 1
    rest = np.nansum(cells.mean, axis=0)[column] - mean
    return pd.DataFrame(
        {
            "taster": np.array(cells.tasters)[row],
            "recipe": np.array(cells.waters)[column],
            "mean": mean,
            "rest_of_panel": np.divide(
                rest, others, out=np.full(len(rest), np.nan), where=others > 0
            ),
            "n": cells.count[row, column].astype(int),
        }
    )


def _one_taster(
    row: int,
    cells: Cells,
    variance: WatersAgainstInteraction | None,
    tests: tuple[float, float, float, float],
) -> TasterCheck:
    f, p, p_adjusted, departure = tests
    table, taster = cells.mean, cells.tasters[row]
    mine, others = table[row], np.delete(table, row, axis=0)
    scored = np.isfinite(mine)
    known = scored & np.isfinite(others).any(axis=0)
    x, y = np.nanmean(others[:, known], axis=0) if known.any() else mine[:0], mine[known]
    enough = len(x) >= FEWEST_WATERS and np.ptp(x) > 0
    varied = enough and np.ptp(y) > 0
    sizes, within = cells.count[row, scored], float(cells.within[row].sum())
    n_repeats = int((sizes - 1).sum())
    agreement = _correlation(x, y, varied)
    x_rank, y_rank = stats.rankdata([x, y], axis=1)
    return TasterCheck(
        taster=taster,
        n_scores=int(sizes.sum()),
        n_waters=int(scored.sum()),
        n_repeats=n_repeats,
        repeatability_sd=float(np.sqrt(within / n_repeats)) if n_repeats else float("nan"),
        discrimination_f=f,
        discrimination_p=p,
        discrimination_p_adjusted=p_adjusted,
        agreement=agreement,
        rank_agreement=_correlation(x_rank, y_rank, varied),
        departure_p=departure,
        level=float((mine[scored] - np.nanmean(table[:, scored], axis=0)).mean()),
        scale_slope=float((x - x.mean()) @ y / np.var(x) / len(x)) if enough else float("nan"),
        spread=_spread(mine[scored]),
        interaction_share=float("nan") if variance is None else float(variance.shares[row]),
        mandel_h=_mandel_h(row, table),
        kind=_kind(p_adjusted, departure, agreement),
    )


def _correlation(x: Floats, y: Floats, varied: bool) -> float:
    if not varied:
        return float("nan")
    x, y = x - x.mean(), y - y.mean()
    return float(x @ y / np.sqrt((x @ x) * (y @ y)))


def _spread(means: Floats) -> float:
    """SD, from one of the values: exactly 0 where they are all alike."""
    return float(np.std(means - means[0], ddof=1)) if len(means) > 1 else float("nan")


def _mandel_h(me: int, table: Floats) -> float:
    shared = np.isfinite(table).sum(axis=0) > 1
    shared &= np.isfinite(table[me])
    if not shared.any():
        return float("nan")
    apart = table[:, shared] - table[me, shared]
    spread = np.nanstd(apart, axis=0, ddof=1)
    h = np.abs(np.nanmean(apart, axis=0))[spread > 0]
    return float((h / spread[spread > 0]).max()) if len(h) else float("nan")


def _kind(p: float, departure: float, agreement: float) -> TasterKind:
    if np.isnan(p) or np.isnan(agreement) or p >= ALPHA:
        return TasterKind.UNKNOWN
    is_other = agreement < AGREES and departure < ALPHA
    return TasterKind.DISAGREES if is_other else TasterKind.SEES


def _sees(
    correlations: IntraclassCorrelations | None, variance: WatersAgainstInteraction | None
) -> bool:
    """Whether the panel's own test tells the waters apart, where no reading says so."""
    if variance is not None:
        return variance.p_water < ALPHA
    return correlations is not None and correlations.agreement_mean_lo > 0


def _panel_kind(checks: tuple[TasterCheck, ...], found: bool | None, own_test: bool) -> PanelKind:
    if len(checks) == 1:
        return PanelKind.ALONE
    if any(one.kind is TasterKind.DISAGREES for one in checks):
        return PanelKind.DISAGREES
    if own_test if found is None else found:
        return PanelKind.SEES
    return PanelKind.UNKNOWN if found is None else PanelKind.NOT_FOUND
