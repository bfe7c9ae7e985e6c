"""Pictures of many coffees: the best water of each, and what one water costs them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.ticker import MaxNLocator

from labkit.analysis import (
    Across,
    CoffeeReading,
    Floats,
    LossStatus,
    OneWater,
    Recommendation,
)
from labkit.bench.plots.pictures import page_picture
from labkit.bench.plots.style import (
    HAIR,
    INK,
    PALE,
    WIDTH_IN,
    axes_for,
    bare_rows,
    named_rows,
    put_caption,
    put_title,
    styled,
    subplots,
)
from labkit.boundary import checked
from labkit.errors import ReadingError, SheetError
from labkit.water import COORDINATE, COORDINATES, describe, levels_of, percent

_HILL: Final = "#8fa6b2"


@checked(SheetError)
def plot_across(across: Across, *, axes: Sequence[Axes] | None = None) -> list[Axes]:
    """For every coffee where its best Mg share, hardness and alkalinity may lie, and its interval.

    Parameters
    ----------
    across : Across
        The coffees, drawn in its order from the top.
    axes : sequence of three Axes, optional
        Where to draw.

    Raises
    ------
    ReadingError
        If there is no coffee.
    """
    if not across.readings:
        raise ReadingError(
            "coffees must hold at least one, got none. Loosen the filter, or taste a coffee.",
            field="coffees",
        )
    rows = np.arange(len(across.readings))[::-1].astype(float)
    with styled():
        if axes is None:
            figure, made = subplots(1, 3, figsize=(WIDTH_IN, 1.95 + 0.62 * len(rows)), sharey=True)
            height = float(figure.get_figheight())
            figure.subplots_adjust(
                left=0.02, right=0.98, top=1 - 0.35 / height, bottom=1.6 / height, wspace=0.09
            )
            axes = list(made)
        for factor, ax in zip(COORDINATES, axes, strict=True):
            _panel(ax, across, factor, rows)
        names = [
            f"{one['coffee']}  "
            + (f"({one['cups']} cups, {one['tasters']} tasters)" if one["cups"] else "(no cup)")
            for one in across.table.to_dict("records")
        ]
        named_rows(axes[0], names, list(rows + 0.42))
        axes[0].set_zorder(2)  # names run on over the next panels
        axes[0].patch.set_visible(False)
        axes[0].set_title("Best water of each coffee", loc="left", pad=8)
        put_caption(
            axes[0],
            "Hill: where the best may lie, the higher the likelier; line below it: its 95 %. "
            "Diamond: recommended; white square: the control; grey with strokes: levels tasted. "
            "A line that ends with the grey, short of all Ca or all Mg, says that better may lie "
            "beyond. mg/L as CaCO3; cups as tasted, one a taster. Nothing is held: a hill counts "
            "the best over all levels of the other two.",
            share=2.85,
        )
    return list(axes)


@checked(SheetError)
def across_picture(across: Across) -> str:
    """The same as a picture within the page; a sentence if there is no coffee.

    Parameters
    ----------
    across : Across
        The coffees, drawn in its order from the top.

    Returns
    -------
    str
        HTML.
    """
    if not across.readings:
        return "<p>No coffee is left by this choice.</p>"
    return page_picture(plot_across(across)[0], "Best water of each coffee, with intervals")


def _panel(ax: Axes, across: Across, factor: str, rows: Floats) -> None:
    low, high = COORDINATE[factor].low, COORDINATE[factor].high  # drawn in any case
    grey, lines, diamonds, strokes, squares = [], [], [], [], []
    hills: list[Floats] = []
    for place, one in zip(rows - 0.16, across.readings, strict=True):
        ends = _tasted(one, factor)
        if ends is not None:
            low, high = min(low, ends[0]), max(high, ends[1])
            grey.append((*ends, place))
            strokes += [(level, place) for level in _levels_tasted(one, factor)]
        found = one.range_of(factor)
        if found is not None:
            lines.append((found.lo, found.hi, place))
            diamonds.append((found.best, place))
            if one.recommended is not None:
                hills.append(_hill(one.recommended, factor) * (1, 0.3) + (0, place + 0.04))
                control = one.recommended.control
                squares += [] if control is None else [(getattr(control, factor), place)]
            continue
        ax.text(
            *(0.5, place, str(one.why_not(factor))),
            transform=ax.get_yaxis_transform(),
            ha="center",
            va="center",
            fontsize=9,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.2},
            zorder=3,
        )
    ax.plot(*_broken(grey), color=HAIR, linewidth=7, solid_capstyle="butt", zorder=1)
    ax.plot(*np.reshape(strokes, (-1, 2)).T, "|", color=PALE, markersize=5.5, zorder=1.5)
    ax.add_collection(PolyCollection(hills, facecolor=_HILL, edgecolor=INK, linewidth=0.7))
    ax.plot(*_broken(lines), color=INK, linewidth=2.2, zorder=2)
    ax.plot(
        *np.reshape(squares, (-1, 2)).T,
        "s",
        color="white",
        markeredgecolor=INK,
        markeredgewidth=1.3,
        markersize=5,
        zorder=2.5,
    )
    ax.plot(*np.reshape(diamonds, (-1, 2)).T, "D", color=INK, markersize=6.5, zorder=3)
    margin = 0.05 * (high - low)
    ax.set_xlim(low - margin, high + margin)
    if factor == "mg_share":
        ax.set_xticks([0, 0.5, 1], ["all Ca", "1:1", "all Mg"])
    else:
        ax.xaxis.set_major_locator(MaxNLocator(nbins=4, steps=[1, 2, 5, 10]))
    ax.tick_params(axis="x", labelsize=10)
    bare_rows(ax, len(rows))
    # Fits a third of a phone's width; the caption says what the mg/L are of.
    words = filter(None, (COORDINATE[factor].words, COORDINATE[factor].unit))
    ax.set_xlabel(", ".join(words), fontsize=10.5)


def _broken(pieces: Sequence[tuple[float, float, float]]) -> tuple[Floats, Floats]:
    """Level lines from, to, at height, as one that breaks: a hundred of their own are slow."""
    start, end, height = np.reshape(pieces, (-1, 3)).T
    gap = np.full(len(start), np.nan)
    return np.column_stack([start, end, gap]).ravel(), np.repeat(height, 3)


def _hill(recommended: Recommendation, factor: str) -> Floats:
    """Outline of where the best level may lie: the chance by level, the likeliest at height 1.

    A level stands for what is nearer to it than to its neighbours, so that levels which lie close
    together are no likelier for it.
    """
    places = np.array([getattr(water, factor) for water, _chance in recommended.where])
    levels, at = np.unique(places, return_inverse=True)
    chances = np.bincount(at, [chance for _water, chance in recommended.where])
    middles = (levels[1:] + levels[:-1]) / 2
    edges = np.r_[levels[0], middles, levels[-1]]
    width = np.diff(edges)
    # The two at the ends reach only inwards.
    width[[0, -1]] *= 2 if len(levels) > 1 else 1
    height = chances / np.where(width > 0, width, 1.0)
    height = np.repeat(height / height.max(), 2)
    along = np.repeat(edges, 2)
    return np.column_stack([along, np.r_[0, height, 0]])


def _levels_tasted(one: CoffeeReading, factor: str) -> tuple[float, ...]:
    return () if one.facts is None else one.facts.levels[COORDINATES.index(factor)]


def _tasted(one: CoffeeReading, factor: str) -> tuple[float, float] | None:
    levels = _levels_tasted(one, factor)
    return (min(levels), max(levels)) if levels else None


@checked(SheetError)
def plot_losses(one: OneWater, *, ax: Axes | None = None) -> Axes:
    """What each coffee loses by the one water, dearest first.

    Parameters
    ----------
    one : OneWater
        Of :func:`labkit.analysis.one_water`.
    ax : Axes, optional
        Where to draw.
    """
    with styled():
        ax = axes_for(ax, height=1.3 + 0.5 * len(one.coffees))
        names = []
        rows = np.arange(len(one.coffees))[::-1]
        for row, coffee in zip(rows, one.coffees, strict=True):
            text = f"{coffee.reading.coffee}  ({percent(coffee.share)} of the cups)"
            if coffee.status is LossStatus.KNOWN:
                ax.plot([coffee.lo, coffee.hi], [row - 0.12] * 2, color=INK, linewidth=2.2)
                ax.plot(coffee.loss, row - 0.12, "D", color=INK, markersize=6.5)
                own = coffee.loss_with_own
                ax.plot(own, row - 0.12, "|", color=PALE, markersize=13, markeredgewidth=1.8)
            else:
                text += f": {coffee.status}"
            names.append(text)
        named_rows(ax, names, list(rows + 0.28))
        bare_rows(ax, len(one.coffees))
        widest = float(np.nanmax([coffee.hi for coffee in one.coffees]))
        ax.set_xlim(left=0, right=max(0.5, 1.05 * widest))
        ax.set_xlabel("points below the coffee's own best")
        put_title(ax, f"One water for all: {describe(levels_of(one.target))}")
        put_caption(
            ax,
            "Diamond: expected loss; line: its 95 % interval; grey stroke: what is lost even with "
            "the coffee's own best water so far, as its own best is not known exactly.",
        )
    return ax


@checked(SheetError)
def losses_picture(one: OneWater) -> str:
    """The same as a picture within the page.

    Parameters
    ----------
    one : OneWater
        As for :func:`plot_losses`.

    Returns
    -------
    str
        HTML.
    """
    return page_picture(plot_losses(one), "What each coffee loses by one water for all")
