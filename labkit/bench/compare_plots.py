"""Pictures that set readings side by side: attributes of a coffee, and coffees with each other."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from labkit.analysis import views
from labkit.analysis.reading import Reading
from labkit.bench import plot_data as data
from labkit.bench.score_plots import label_factor
from labkit.bench.style import (
    ACCENT,
    BAND,
    HAIR,
    INK,
    PALE,
    axes_for,
    put_caption,
    put_title,
    score_ticks,
    styled,
)
from labkit.errors import ReadingError


def plot_attributes(
    readings: Sequence[Reading],
    factor: str = "mg_share",
    *,
    axes: Sequence[Axes] | None = None,
) -> list[Axes]:
    """Several attributes of one coffee against the same factor, one above the other.

    Parameters
    ----------
    readings : sequence of Reading
        One for each attribute, of the same coffee.
    factor : str
        The coordinate across, one that varied.
    axes : sequence of Axes, optional
        Where to draw, one for each reading, from the top.

    Raises
    ------
    ReadingError
        If there is no reading, they are of different coffees, or the factor did not vary.
    """
    coffees = sorted({data.coffee_of(reading) for reading in readings})
    if len(coffees) != 1:
        raise ReadingError(
            f"readings must be of one coffee, got {', '.join(coffees) or 'none'}. Read the "
            "attributes of one coffee."
        )
    for reading in readings:
        data.check_factor(reading, factor)
    with styled():
        if axes is None:
            _, grid = plt.subplots(
                len(readings),
                1,
                figsize=(5.8, 1.0 + 1.75 * len(readings)),
                layout="constrained",
                sharex=True,
                squeeze=False,
            )
            axes = list(grid[:, 0])
        for reading, ax in zip(readings, axes, strict=True):
            _draw_attribute(ax, reading, factor)
        label_factor(axes[-1], factor, along_top=False)
        head = f"{coffees[0]}: " if coffees[0] else ""
        put_title(axes[0], f"{head}attributes against {data.NAMES[factor]}")
        put_caption(
            axes[-1],
            "Dots: the panel's mean of each water; line and band: expected score with its 95 % "
            "interval. A dashed line: no difference that this panel can see.",
        )
    return list(axes)


def _draw_attribute(ax: Axes, reading: Reading, factor: str) -> None:
    means = data.water_means(data.cup_means(reading, factor))
    ax.scatter(means[factor], means["score"], s=30, color=INK, zorder=4)
    if reading.surface is not None:
        at = reading.best.target if reading.best is not None else None
        line = views.curve(reading.surface, factor, at=at)
        ax.fill_between(line[factor], line["lo"], line["hi"], color=BAND, linewidth=0)
        seen = reading.verdict.kind == "best found"
        dashes = (None, None) if seen else (5, 3)
        ax.plot(line[factor], line["mean"], color=ACCENT, linewidth=2.2, dashes=dashes)
    ax.set_ylabel(reading.scores.attribute)
    score_ticks(ax)
    ax.grid(axis="y", color=HAIR, linewidth=0.6)
    ax.tick_params(labelsize=10.5)


def best_table(readings: Sequence[Reading], factor: str = "mg_share") -> pd.DataFrame:
    """The best level of a factor for every coffee read, sorted.

    Returns
    -------
    DataFrame
        ``coffee, best, lo, hi, tasted_lo, tasted_hi, n_cups, verdict``; best and its interval are
        missing where the factor did not vary or no best was found.
    """
    rows = []
    for reading in readings:
        ranges = reading.best.factor_ranges if reading.best is not None else ()
        found = next((one for one in ranges if one.factor == factor), None)
        told = found is not None and reading.verdict.kind == "best found"
        tasted = reading.scores.recipes[factor]
        rows.append(
            {
                "coffee": data.coffee_of(reading) or "(no name)",
                "best": found.best if found is not None and told else np.nan,
                "lo": found.lo if found is not None and told else np.nan,
                "hi": found.hi if found is not None and told else np.nan,
                "tasted_lo": float(tasted.min()),
                "tasted_hi": float(tasted.max()),
                "n_cups": len(reading.scores.frame),
                "verdict": reading.verdict.kind if found is not None else "not varied",
            }
        )
    table = pd.DataFrame(rows)
    return table.sort_values("best", kind="stable", ignore_index=True) if rows else table


def plot_best(table: pd.DataFrame, factor: str = "mg_share", *, ax: Axes | None = None) -> Axes:
    """For every coffee the best level of a factor with its interval, sorted.

    Parameters
    ----------
    table : DataFrame
        As from :func:`best_table`.
    factor : str
        The coordinate that the table is about.
    ax : Axes, optional
        Where to draw.

    Raises
    ------
    ReadingError
        If the table is empty.
    """
    if table.empty:
        raise ReadingError("table must hold at least one coffee, got none. Read a coffee first.")
    with styled():
        ax = axes_for(ax, height=1.4 + 0.36 * len(table))
        rows = np.arange(len(table))[::-1]
        for row, one in zip(rows, table.to_dict("records"), strict=True):
            ends = [one["tasted_lo"], one["tasted_hi"]]
            ax.plot(ends, [row] * 2, color=HAIR, linewidth=7, solid_capstyle="butt", zorder=1)
            if np.isfinite(one["best"]):
                ax.plot([one["lo"], one["hi"]], [row] * 2, color=INK, linewidth=2.2, zorder=2)
                ax.plot(one["best"], row, "D", color=INK, markersize=7, zorder=3)
            else:
                ax.text(
                    sum(ends) / 2,
                    row,
                    one["verdict"],
                    ha="center",
                    va="center",
                    fontsize=9.5,
                    color=INK,
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
                    zorder=3,
                )
        ax.set_yticks(rows, [textwrap.fill(name, 18) for name in table["coffee"]])
        ax.tick_params(axis="y", length=0)
        ax.set_ylim(-0.7, len(table) - 0.3)
        ax.spines["left"].set_visible(False)
        counts = ax.secondary_yaxis("right")
        counts.set_yticks(rows, [f"{n} cups" for n in table["n_cups"]])
        counts.tick_params(length=0, labelsize=10, labelcolor=PALE)
        counts.spines["right"].set_visible(False)
        label_factor(ax, factor)
        put_title(ax, f"Best {data.NAMES[factor]} of each coffee")
        short = ", short of all Ca or all Mg," if factor == "mg_share" else ""
        put_caption(
            ax,
            "Diamond: the best; line: where it may well lie (95 %); grey: the range tasted. A "
            f"line that ends with the grey{short} says that better may lie beyond.",
            share=0.66,
        )
    return ax
