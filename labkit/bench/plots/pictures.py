"""The pictures of a reading as one piece of HTML, for a view that redraws itself."""

from __future__ import annotations

import base64
import io
from html import escape
from typing import cast

import matplotlib.pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from labkit.analysis import AttributeReadings, CheckedTerms, PairReading, Reading
from labkit.bench.plots.answers import plot_answers, plot_checked, plot_just_about_right
from labkit.bench.plots.attributes import plot_attributes
from labkit.bench.plots.data import varied
from labkit.bench.plots.panel import plot_panel, plot_residuals
from labkit.bench.plots.scores import plot_score, plot_tasters
from labkit.bench.plots.style import DRAWING, unseen
from labkit.bench.plots.surface import plot_surface
from labkit.boundary import checked
from labkit.errors import SheetError
from labkit.present import folded
from labkit.tasting import SCALES
from labkit.water import COORDINATE, COORDINATES

_MAP = "Map of waters"
_TRACES, _PANEL = "Each taster's trace", "The panel"
_LEFT_OVER = "What the curve leaves over"
_FOLDED = {
    _MAP: "The map of waters as a picture, for paper",
    _TRACES: "Taster by taster",
    _PANEL: "Taster by taster",
    _LEFT_OVER: _LEFT_OVER,
}
"""What a page shows behind a line to open, and what the line says."""

_DPI = 140  # sharp at full width, about 60 kB a picture


_LEGIBLE = "20rem"
"""Width below which letters would be too small to read: a narrower page scrolls the picture."""


@checked(SheetError)
def reading_pictures(
    found: Reading | AttributeReadings | PairReading | CheckedTerms,
    *,
    title: str = "",
    for_paper: bool = False,
    with_main: bool = True,
) -> str:
    """The pictures that a reading allows, as pictures within the page; any thread may draw them.

    Of a coffee's score a map where two factors were varied, the score against each factor, a trace
    a taster, the panel, and what the curve leaves over; of several attributes the curves one above
    the other; of answers without a mean their counts.

    Parameters
    ----------
    found : Reading, AttributeReadings, PairReading or CheckedTerms
        What was read.
    title : str
        The coffee's name, where what was read does not hold it.
    for_paper : bool
        Whether it will be printed. On a page the curves are in sight; the rest is folded, the map
        as well: the one that can be touched stands there.
    with_main : bool
        Whether :func:`main_picture` is among them; a report has it on its first page.

    Returns
    -------
    str
        HTML; empty if there is nothing to draw.
    """
    with unseen():
        if isinstance(found, Reading):
            drawn = _of_reading(found, with_main=with_main)
        elif isinstance(found, AttributeReadings):
            drawn = _of_attributes(found)
        elif isinstance(found, CheckedTerms):
            drawn = [("Words checked", plot_checked(found, title=title))]
        else:
            answers = f"Answers, {found.method}"
            drawn = [] if found.result is None else [(answers, plot_answers(found))]
    shown = [(label, page_picture(axes, label)) for label, axes in drawn]
    if for_paper:
        return "".join(picture for _label, picture in shown)
    in_sight = [picture for label, picture in shown if label not in _FOLDED]
    below: dict[str, str] = {}
    for label, picture in shown:
        if label in _FOLDED:
            below[_FOLDED[label]] = below.get(_FOLDED[label], "") + picture
    return "".join([*in_sight, *(folded(line, pictures) for line, pictures in below.items())])


def main_picture(reading: Reading) -> str:
    """The one picture that shows a coffee's answer: the map, else the score against what varied.

    Parameters
    ----------
    reading : Reading
        What was read.

    Returns
    -------
    str
        HTML; empty if there is nothing to draw.
    """
    drawn = _main_of(reading)
    return "" if drawn is None else page_picture(drawn[1], drawn[0])


def _main_of(reading: Reading) -> tuple[str, Axes] | None:
    scale = SCALES.get(reading.scores.scale)
    if scale is not None and scale.middle_is_best:
        return "Just about right", plot_just_about_right(reading)
    if reading.surface is None or not reading.surface.coding.names:
        return None
    first, *more = reading.surface.coding.names
    if more:
        return _MAP, plot_surface(reading)
    return f"Score against {COORDINATE[first].words}", plot_score(reading, first)


def _of_reading(reading: Reading, *, with_main: bool) -> list[tuple[str, Axes]]:
    main = _main_of(reading) if with_main else None
    drawn = [] if main is None else [main]
    scale = SCALES.get(reading.scores.scale)
    if reading.surface is None or (scale is not None and scale.middle_is_best):
        return drawn
    factors = list(reading.surface.coding.names)
    if len(factors) >= 2:
        drawn += [
            (f"Score against {COORDINATE[one].words}", plot_score(reading, one)) for one in factors
        ]
    if factors:
        drawn.append((_TRACES, plot_tasters(reading, factors[0])))
    drawn.append((_PANEL, plot_panel(reading)))
    return [*drawn, (_LEFT_OVER, plot_residuals(reading))]


def _of_attributes(found: AttributeReadings) -> list[tuple[str, Axes]]:
    """One figure per factor that varied in all of them."""
    curves = [one for one in found.readings.values() if one.surface is not None]
    if not curves:
        return []
    shared = set.intersection(*(set(varied(one)) for one in curves))
    return [
        (f"Attributes against {COORDINATE[factor].words}", plot_attributes(curves, factor)[0])
        for factor in COORDINATES
        if factor in shared
    ]


def page_picture(axes: Axes, label: str) -> str:
    """An Axes' figure as a picture that shrinks with the page, as far as it can be read."""
    figure = cast("Figure", axes.get_figure())
    out = io.BytesIO()
    with DRAWING:
        figure.savefig(out, format="png", dpi=_DPI, bbox_inches="tight")
        plt.close(figure)
    data = base64.b64encode(out.getvalue()).decode()
    return (
        '<figure style="display:inline-block;width:min(33rem,100%);margin:.4rem 0;'
        'padding-right:1rem;box-sizing:border-box;vertical-align:top;overflow-x:auto">'
        f'<img alt="{escape(label)}" style="width:100%;min-width:{_LEGIBLE};height:auto" '
        f'src="data:image/png;base64,{data}"></figure>'
    )
