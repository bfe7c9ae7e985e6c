"""What the scores of one coffee say as a page: the verdict, the panel, the waters, what to mind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import numpy as np
import pandas as pd

from labkit.analysis import REML_ENGINE, AttributeReadings, Reading, VerdictKind
from labkit.book import Decision
from labkit.present.asked import remarks, say, to_html
from labkit.present.curve import warnings_of, water_by_water
from labkit.present.extraction import extraction_html
from labkit.present.html import folded
from labkit.present.panel import order_effects
from labkit.present.recommended import source_of
from labkit.present.salts import salts_html
from labkit.present.verdict import ranges_of
from labkit.tasting import SCALES
from labkit.water import COORDINATE, COORDINATES, as_coordinates, describe


@to_html.register
def _page(reading: Reading) -> str:
    first, _, rest = say(reading).partition(". ")
    answer = f"{escape(first)}{'.' if rest else ''}"
    scale = SCALES.get(reading.scores.scale)
    has_mean = scale is None or not scale.middle_is_best
    panel = (say(reading.panel), order_effects(reading.panel)) if has_mean else ()
    waters = (water_by_water(reading),) if has_mean else ()
    models = how_read(reading)
    return (
        f"<p><strong>{answer}</strong> {escape(rest)}</p>"
        + _listed("The panel, and water by water:", (*panel, *waters))
        + _listed("What was measured in the cups:", tuple(map(say, reading.extraction)))
        + extraction_html(reading)
        + salts_html(reading)
        + _listed("These cups cannot tell:", tuple(map(say, reading.cannot_tell)))
        + _listed("Note:", remarks(reading))
        + (folded("How it was read", _list(models)) if models else "")
    )


def _listed(head: str, sentences: Sequence[str]) -> str:
    rows = _list(sentences)
    return f"<p>{head}</p>{rows}" if rows else ""


def _list(sentences: Sequence[str]) -> str:
    rows = "".join(f"<li>{escape(one)}</li>" for one in sentences if one)
    return f"<ul>{rows}</ul>" if rows else ""


@remarks.register
def _mind(reading: Reading) -> tuple[str, ...]:
    """What was left out or put together, and what to mind of the curve."""
    return (*map(say, reading.scores.notes), *warnings_of(reading))


def how_read(reading: Reading) -> tuple[str, ...]:
    """What was chosen or simplified on the way from scores to answer, one sentence each.

    Parameters
    ----------
    reading : Reading
        What the scores of one brew method say.
    """
    surface, served = reading.surface, reading.recommended
    if surface is None:
        return ()
    said = [say(one) for one in (*surface.model.choices, *surface.fit.notes)]
    if served is not None:
        said.append(source_of(served))
        said += [say(served.plain)] if served.plain.disagrees else []
    if surface.fit.components and surface.fit.engine == REML_ENGINE:
        said.append(
            f"Fitted by {REML_ENGINE}: statsmodels' MixedLM would take long here, or did not "
            "converge."
        )
    if reading.no_waters:
        said.append(f"Single waters are not compared: {reading.no_waters}")
    return tuple(said)


@to_html.register
def _side_by_side(side: AttributeReadings) -> str:
    rows = [
        f"<li><b>{escape(name)}</b>: {escape(in_short(one))}</li>"
        for name, one in side.readings.items()
    ]
    rows += [f"<li><b>{escape(n)}</b>: {escape(w)}</li>" for n, w in side.unread.items()]
    found = int((side.table["p_adjusted"] < 0.05).sum()) if len(side.table) else 0
    return (
        f"<p><strong>{found} of {len(side.table)} attributes differ between the waters, "
        f"allowing for how many were tested.</strong></p><ul>{''.join(rows)}</ul>"
    )


def in_short(reading: Reading) -> str:
    """A reading in one line, to stand among others.

    Parameters
    ----------
    reading : Reading
        What the scores of one brew method say.
    """
    verdict = reading.verdict
    if reading.best is None or verdict.kind is VerdictKind.UNKNOWN:
        return say(reading)
    size = verdict.detectable_points
    if verdict.kind is VerdictKind.NOTHING:
        if size is None or not np.isfinite(size):
            return f"{verdict.kind}."
        return f"{verdict.kind}; {size:.1f} points would have been seen with 80 % chance."
    told = [one.factor for one in reading.best.factor_ranges if one.is_told]
    at = describe(as_coordinates(reading.best.target)[0], told)
    return f"highest at {at}; it could be in {ranges_of(reading.best)}."


def decided(decision: Decision) -> str:
    """A decision about what is read of a coffee, in a sentence: since when and until when, and why.

    Parameters
    ----------
    decision : Decision
        As the lab book has it.
    """
    by = f" by {decision.decided_by}" if decision.decided_by else ""
    why = f" {decision.reason}" if decision.reason else ""
    about = decision.attribute
    if decision.scale is not None:
        what = f"{about} is read on {decision.scale}{by}.{why}"
    else:
        what = f"{decision.taster or decision.session} is left out ({about}){by}.{why}"
    said = f"{decision.decided_at:%Y-%m-%d}: {what}"
    if decision.withdrawn_at is None:
        return said
    by = f" by {decision.withdrawn_by}" if decision.withdrawn_by else ""
    because = f": {decision.withdrawn_because}" if decision.withdrawn_because else ""
    return f"{said} Withdrawn on {decision.withdrawn_at:%Y-%m-%d}{by}{because}"


def in_words(row: Mapping[Any, Any]) -> str:
    """A row of `leaving_out` in words: who was read, and what was found.

    Parameters
    ----------
    row : mapping
        One row of the table, as a mapping of column to value.
    """
    found = []
    for name in COORDINATES:
        if pd.notna(row.get(f"best_{name}")):
            digits = COORDINATE[name].digits
            at, low, high = (f"{row[f'{end}_{name}']:.{digits}f}" for end in ("best", "lo", "hi"))
            span = "" if low == high else f" ({low} to {high})"
            found.append(f"best {COORDINATE[name].words} {at}{span}")
    kind, best = VerdictKind(row["verdict"]), ", ".join(found)
    said_best = f"; {best}" if best and kind is VerdictKind.FOUND else ""
    return f"{row['who']} ({row['n_scores']} scores): {kind}{said_best}"
