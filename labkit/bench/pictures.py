"""The pictures of a reading as one piece of HTML, for a view that redraws itself."""

from __future__ import annotations

import base64
import io
from html import escape
from typing import cast

import matplotlib.pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from labkit.analysis.reading import Reading
from labkit.bench.panel_plots import plot_panel
from labkit.bench.plot_data import NAMES
from labkit.bench.score_plots import plot_score, plot_tasters
from labkit.bench.surface_plots import plot_surface

_DPI = 140  # sharp at full width, about 60 kB a picture


def reading_pictures(reading: Reading) -> str:
    """The pictures that a reading allows, as pictures within the page.

    A contour where two factors were varied, the score against each factor, a trace a taster, and
    the panel.

    Parameters
    ----------
    reading : Reading
        What :func:`labkit.analysis.read_coffee` returned.

    Returns
    -------
    str
        HTML; empty if the reading has no surface to draw.
    """
    if reading.surface is None:
        return ""
    varied = list(reading.surface.coding.names)
    drawn: list[tuple[str, Axes]] = []
    if len(varied) >= 2:
        drawn.append(("Contour of the score", plot_surface(reading)))
    drawn += [(f"Score against {NAMES[one]}", plot_score(reading, one)) for one in varied]
    if varied:
        drawn.append(("Each taster's trace", plot_tasters(reading, varied[0])))
    drawn.append(("The panel", plot_panel(reading)))
    return "".join(page_picture(axes, label) for label, axes in drawn)


def page_picture(axes: Axes, label: str) -> str:
    """An Axes' figure as a picture that shrinks with the page; the figure is closed."""
    figure = cast("Figure", axes.get_figure())
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=_DPI, bbox_inches="tight")
    plt.close(figure)
    data = base64.b64encode(out.getvalue()).decode()
    return (
        '<figure style="display:inline-block;width:min(36rem,100%);margin:.4rem 1rem .4rem 0;'
        f'vertical-align:top"><img alt="{escape(label)}" style="width:100%;height:auto" '
        f'src="data:image/png;base64,{data}"></figure>'
    )
