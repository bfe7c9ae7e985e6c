"""Pictures of the panel and of the fit: who tells waters apart, what the surface leaves over."""

from __future__ import annotations

from typing import Final

import numpy as np
from matplotlib.axes import Axes

from labkit.analysis import AGREES, Reading, TasterKind
from labkit.bench.plots import data
from labkit.bench.plots.style import (
    HAIR,
    INK,
    PALE,
    axes_for,
    put_caption,
    put_title,
    styled,
    trace_style,
)
from labkit.boundary import checked
from labkit.errors import ReadingError, SheetError
from labkit.present import say, warnings_of

_MARKS: Final = {
    TasterKind.SEES: ("o", INK),
    TasterKind.DISAGREES: ("X", "white"),
    TasterKind.UNKNOWN: ("o", "white"),
}


@checked(SheetError)
def plot_panel(reading: Reading, *, ax: Axes | None = None) -> Axes:
    """Each taster's agreement with the others, verdict and repeatability.

    Parameters
    ----------
    reading : Reading
        What :func:`labkit.analysis.read_coffee` found.
    ax : Axes, optional
        Where to draw.
    """
    check, tasters = reading.panel, reading.panel.tasters
    with styled():
        ax = axes_for(ax, height=1.3 + 0.55 * len(tasters))
        rows = np.arange(len(tasters))[::-1]
        ax.axvspan(AGREES, 1.05, color="#eef1f2", linewidth=0)
        ax.axvline(0, color=PALE, linewidth=0.8)
        for row, one in zip(rows, tasters, strict=True):
            ax.axhline(row, color=HAIR, linewidth=0.6, zorder=0.5)
            mark, face = _MARKS[one.kind]
            if np.isfinite(one.agreement):
                ax.plot(
                    one.agreement,
                    row,
                    mark,
                    markersize=11,
                    markerfacecolor=face,
                    markeredgecolor=INK,
                    markeredgewidth=1.7,
                )
            else:
                ax.text(0.03, row, "agreement not known yet", va="center", fontsize=10, color=PALE)
            sd = one.repeatability_sd
            text = f"± {sd:.1f}" if np.isfinite(sd) else "–"
            ax.text(1.09, row, text, va="center", fontsize=11)
        # Below the column: above it, a long title would lie over it.
        ax.text(1.09, -0.68, "repeats\nwithin", va="top", fontsize=10, color=PALE)
        ax.set_yticks(rows, [f"{one.taster}\n{one.kind}" for one in tasters])
        ax.tick_params(axis="y", length=0)
        ax.set_ylim(-0.6, len(tasters) - 0.4)
        ax.set_xlim(-1.05, 1.05)
        ax.set_xticks([-1, -0.5, 0, 0.5, 1])
        ax.spines["left"].set_visible(False)
        ax.set_xlabel("agreement with the others (correlation)")
        put_title(ax, data.title_of(reading, "as the panel scores it"))
        put_caption(
            ax,
            f"{say(check)} Filled: {TasterKind.SEES}; cross: {TasterKind.DISAGREES}; ring: "
            f"{TasterKind.UNKNOWN}. Shaded: goes with the panel. Repeats within: spread between "
            "scores of the same water, in points.",
            share=0.62,
        )
    return ax


@checked(SheetError)
def plot_residuals(reading: Reading, *, ax: Axes | None = None) -> Axes:
    """What the surface leaves over, in standard errors, against the expected score.

    Parameters
    ----------
    reading : Reading
        What :func:`labkit.analysis.read_coffee` found.
    ax : Axes, optional
        Where to draw.

    Raises
    ------
    ReadingError
        If no surface could be fitted.
    """
    if reading.diagnostics is None:
        raise ReadingError(f"there is no surface to check: {say(reading)}")
    table = reading.diagnostics.residuals
    with styled():
        ax = axes_for(ax)
        for edge in (-2, 2):
            ax.axhline(edge, color=PALE, linewidth=0.9, dashes=(4, 3))
        ax.axhline(0, color=INK, linewidth=1)
        for index, (taster, some) in enumerate(table.groupby("taster", sort=True)):
            look = trace_style(index)
            ax.scatter(
                some["fitted"],
                some["standardised"],
                s=34,
                marker=look["marker"],
                facecolor="white",
                edgecolor=look["color"],
                linewidth=1.3,
                label=str(taster),
            )
        reach = max(3.0, float(table["standardised"].abs().max()) * 1.1)
        ax.set_ylim(-reach, reach)
        ax.set_xlabel("expected score")
        ax.set_ylabel("left over (standard errors)")
        ax.legend(loc="upper left", bbox_to_anchor=(1, 1), handletextpad=0.2, borderaxespad=0.2)
        put_title(ax, data.title_of(reading, "left over by the surface"))
        found = " ".join(warnings_of(reading))
        put_caption(
            ax,
            "Each mark is a cup. About 19 of 20 should lie between the dashed lines, without a "
            f"bend or a widening. {found}".strip(),
            share=0.72,
        )
    return ax
