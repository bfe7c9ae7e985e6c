"""Is the panel seeing anything: each taster's repeatability, discrimination and agreement.

A verdict is a description, never an exclusion: leaving a taster out is a choice that the reading
records (``without_tasters``) and whose effect ``leaving_out`` shows.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy import special, stats

from labkit.analysis.model.coding import Floats, p_text
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
from labkit.analysis.reading.serving_order import order_effects

SEES: Final = "sees differences"
DISAGREES: Final = "repeats but disagrees"
UNKNOWN: Final = "cannot tell yet"

_ORDER: Final = {
    "first cup": "the first cup of a flight",
    "each later place": "each later place",
    "cup before": "each point of the cup before",
}

AGREES: Final = 0.3
"""Correlation with the rest of the panel from which a taster goes with it (common practice)."""

FEWEST_WATERS: Final = 3
"""Waters below which no taster is judged."""


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
    """Spread between waters over spread between repeats."""

    discrimination_p: float
    """Its p-value."""

    agreement: float
    """Correlation with the mean of the other tasters (this one left out) over waters."""

    rank_agreement: float
    """The same for ranks."""

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

    verdict: str
    """``SEES``, ``DISAGREES`` or ``UNKNOWN``."""

    sentence: str
    """The verdict in plain words."""


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

    verdict: str
    """The panel in one sentence."""

    notes: tuple[str, ...]
    """What could not be told, one sentence each."""

    @property
    def order_sentence(self) -> str:
        """Whether a cup's place or the cup before it changed its score; empty if it is not told."""
        if not len(self.order):
            return ""
        seen = self.order[self.order["p"] < 0.05]
        if not len(seen):
            return "Neither a cup's place in the flight nor the cup before it moved the scores."
        parts = [
            f"{_ORDER[row['effect']]} ({row['estimate']:+.1f} points, {p_text(row['p'])})"
            for row in seen.to_dict("records")
        ]
        return f"The order of cups moved the scores: {' and '.join(parts)}. Orders even that out."

    @property
    def table(self) -> pd.DataFrame:
        """``tasters`` as a frame, one row each."""
        return pd.DataFrame([asdict(one) for one in self.tasters])


def check_panel(scores: Scores) -> PanelCheck:
    """Check the panel on the scores of one attribute."""
    cells = Cells.of(scores.tasters, scores.column("recipe"), scores.score)
    notes: list[str] = []
    whole = np.asarray(np.isfinite(cells.mean).all(axis=0))
    correlations = concordance = None
    if whole.sum() >= 2 and len(cells.tasters) >= 2:
        correlations = intraclass_correlations(cells.mean[:, whole].T)
        concordance = kendall_w(cells.mean[:, whole].T)
        if not whole.all():
            notes.append(
                f"Agreement is taken over the {whole.sum()} of {len(whole)} waters that everyone "
                "scored."
            )
    elif len(cells.tasters) >= 2:
        notes.append("Fewer than two waters were scored by everyone: agreement cannot be told.")
    variance = waters_against_interaction(cells)
    checks = tuple(_one_taster(row, cells, variance) for row in range(len(cells.tasters)))
    if not any(one.n_repeats for one in checks):
        notes.append(
            "Nobody scored the same water twice: repeatability cannot be told. Serve a hidden "
            "duplicate."
        )
    return PanelCheck(
        tasters=checks,
        traces=_traces(cells),
        order=order_effects(scores),
        correlations=correlations,
        concordance=concordance,
        variance=variance,
        verdict=_panel_sentence(checks, correlations, variance),
        notes=tuple(notes),
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


def _one_taster(row: int, cells: Cells, variance: WatersAgainstInteraction | None) -> TasterCheck:
    table, taster = cells.mean, cells.tasters[row]
    mine, others = table[row], np.delete(table, row, axis=0)
    scored = np.isfinite(mine)
    known = scored & np.isfinite(others).any(axis=0)
    x, y = np.nanmean(others[:, known], axis=0) if known.any() else mine[:0], mine[known]
    enough = len(x) >= FEWEST_WATERS and np.ptp(x) > 0
    varied = enough and np.ptp(y) > 0
    sizes, within = cells.count[row, scored], float(cells.within[row].sum())
    n_repeats = int((sizes - 1).sum())
    f, p = _discrimination(mine[scored], sizes, within)
    agreement = _correlation(x, y, varied)
    x_rank, y_rank = stats.rankdata([x, y], axis=1)
    verdict = _verdict(p, agreement)
    return TasterCheck(
        taster=taster,
        n_scores=int(sizes.sum()),
        n_waters=int(scored.sum()),
        n_repeats=n_repeats,
        repeatability_sd=float(np.sqrt(within / n_repeats)) if n_repeats else float("nan"),
        discrimination_f=f,
        discrimination_p=p,
        agreement=agreement,
        rank_agreement=_correlation(x_rank, y_rank, varied),
        level=float((mine[scored] - np.nanmean(table[:, scored], axis=0)).mean()),
        scale_slope=float((x - x.mean()) @ y / np.var(x) / len(x)) if enough else float("nan"),
        spread=float(np.std(mine[scored], ddof=1)) if scored.sum() > 1 else float("nan"),
        interaction_share=float("nan") if variance is None else float(variance.shares[row]),
        mandel_h=_mandel_h(row, table),
        verdict=verdict,
        sentence=_sentence(taster, verdict, agreement, n_repeats, len(table)),
    )


def _correlation(x: Floats, y: Floats, varied: bool) -> float:
    if not varied:
        return float("nan")
    x, y = x - x.mean(), y - y.mean()
    return float(x @ y / np.sqrt((x @ x) * (y @ y)))


def _discrimination(waters: Floats, sizes: Floats, within: float) -> tuple[float, float]:
    """One-way analysis of variance of one taster's scores over waters."""
    df = int((sizes - 1).sum())
    if not df or len(waters) < 2:
        return float("nan"), float("nan")
    grand = float(sizes @ waters / sizes.sum())
    between = float(sizes @ (waters - grand) ** 2) / (len(waters) - 1)
    if within <= 0:
        return (float("inf"), 0.0) if between > 0 else (float("nan"), float("nan"))
    f = between / (within / df)
    return f, float(special.fdtrc(len(waters) - 1, df, f))


def _mandel_h(me: int, table: Floats) -> float:
    shared = np.isfinite(table).sum(axis=0) > 1
    shared &= np.isfinite(table[me])
    if not shared.any():
        return float("nan")
    spread = np.nanstd(table[:, shared], axis=0, ddof=1)
    h = np.abs(table[me, shared] - np.nanmean(table[:, shared], axis=0))[spread > 0]
    return float((h / spread[spread > 0]).max()) if len(h) else float("nan")


def _verdict(p: float, agreement: float) -> str:
    if np.isnan(p) or np.isnan(agreement) or p >= 0.05:
        return UNKNOWN
    return SEES if agreement >= AGREES else DISAGREES


def _sentence(name: str, verdict: str, agreement: float, n_repeats: int, n_tasters: int) -> str:
    if verdict == SEES:
        return f"{name} tells the waters apart and goes with the panel."
    if verdict == DISAGREES:
        if agreement < 0:
            return f"{name} tells the waters apart but scores up what the others score down."
        return f"{name} tells the waters apart but goes another way than the others."
    if n_tasters == 1:
        return f"{name} is the only taster: there is no panel to compare with."
    if not n_repeats:
        return f"{name} scored no water twice: cannot tell yet."
    if np.isnan(agreement):
        return f"{name} scored too few waters, or all the same: cannot tell yet."
    return f"{name} has not shown to tell these waters apart: cannot tell yet."


def _panel_sentence(
    checks: tuple[TasterCheck, ...],
    correlations: IntraclassCorrelations | None,
    variance: WatersAgainstInteraction | None,
) -> str:
    if len(checks) == 1:
        return "One taster: there is no panel to judge."
    against = [one.taster for one in checks if one.verdict == DISAGREES]
    seeing = sum(one.verdict == SEES for one in checks)
    if against:
        return (
            f"The panel {DISAGREES}: {seeing} of {len(checks)} tasters are seen to go together, "
            f"{' and '.join(against)} another way. Leaving a taster out is your choice."
        )
    if variance is not None and variance.p_water < 0.05 and len(checks) > 2:
        return f"The panel {SEES}: the waters stand out from what tasters disagree on."
    if seeing >= 2:
        return f"The panel {SEES}: {seeing} of {len(checks)} tasters do, and go together."
    if correlations is not None and correlations.agreement_mean_lo > 0:
        return f"The panel {SEES}: its mean is repeatable (ICC {correlations.agreement_mean:.2f})."
    return "Whether the panel sees differences: cannot tell yet."
