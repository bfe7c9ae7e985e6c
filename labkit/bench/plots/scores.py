"""Pictures of scores against one factor; each takes a reading and gives back its axes."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from labkit.analysis import Reading, VerdictKind
from labkit.bench.plots import data
from labkit.bench.plots.style import (
    ACCENT,
    BAND,
    HAIR,
    HALO,
    INK,
    PALE,
    axes_for,
    put_caption,
    put_title,
    score_ticks,
    spread,
    styled,
    trace_style,
)
from labkit.boundary import checked
from labkit.errors import SheetError
from labkit.present import say
from labkit.water import COORDINATE, counted


@checked(SheetError)
def plot_score(reading: Reading, factor: str = "mg_share", *, ax: Axes | None = None) -> Axes:
    """A slice through the map: score against one factor, and where the best lies.

    Parameters
    ----------
    reading : Reading
        What :func:`labkit.analysis.read_coffee` found.
    factor : str
        The coordinate across, one that varied. Others that varied are held at the recommended
        water and the points moved there along the estimate; the caption says so.
    ax : Axes, optional
        Where to draw.

    Raises
    ------
    ReadingError
        If the factor did not vary.
    """
    data.check_factor(reading, factor)
    with styled():
        ax = axes_for(ax)
        draw_score(ax, reading, factor)
        put_title(ax, data.title_of(reading, f"against {COORDINATE[factor].words}"))
        put_caption(ax, _score_caption(reading, factor))
    return ax


def draw_score(ax: Axes, reading: Reading, factor: str) -> None:
    """Cups, curve, band and bracket of the best, with labelled axes."""
    _draw_cups(ax, reading, factor)
    _draw_curve(ax, reading, factor)
    _draw_best_range(ax, reading, factor)
    label_factor(ax, factor)
    ax.set_ylabel(data.score_label(reading))
    score_ticks(ax)
    ax.grid(axis="y", color=HAIR, linewidth=0.6)
    ax.set_axisbelow(True)


def _draw_cups(ax: Axes, reading: Reading, factor: str) -> None:
    points = data.cup_means(reading, factor, along=data.slice_of(reading, factor))
    width = 0.022 * float(np.ptp(points[factor]) or 1)
    shaken = points[factor] + data.jitter(len(points), 2 * width)
    ax.scatter(shaken, points["score"], s=20, facecolor="none", edgecolor=PALE, linewidth=0.9)
    means = data.water_means(points)
    for is_control, mark, size in ((False, "o", 62), (True, "s", 66)):
        some = means[means["is_control"] == is_control]
        ax.scatter(
            some[factor],
            some["score"],
            s=size,
            marker=mark,
            facecolor="white" if is_control else INK,
            edgecolor=INK,
            linewidth=1.8,
            zorder=4,
        )


def _draw_curve(ax: Axes, reading: Reading, factor: str) -> None:
    if reading.surface is None:
        return
    line = data.line_of(reading, factor)
    ax.fill_between(line[factor], line["lo"], line["hi"], color=BAND, linewidth=0, zorder=0.5)
    for edge in ("lo", "hi"):
        ax.plot(line[factor], line[edge], color=PALE, linewidth=0.8, dashes=(4, 3))
    ax.plot(line[factor], line["mean"], color=ACCENT, linewidth=2.4, zorder=3)


def _draw_best_range(ax: Axes, reading: Reading, factor: str) -> None:
    """A bracket along the bottom, only where the verdict found a best water."""
    if reading.best is None or reading.verdict.kind is not VerdictKind.FOUND:
        return
    found = next(one for one in reading.best.factor_ranges if one.factor == factor)
    if not found.is_told:
        return
    low, high = ax.get_ylim()
    ax.set_ylim(low - 0.16 * (high - low), high)
    height = 0.055
    mixed = ax.get_xaxis_transform()
    ax.plot([found.lo, found.hi], [height] * 2, transform=mixed, color=INK, linewidth=2)
    for end in (found.lo, found.hi):
        ax.plot([end] * 2, [height - 0.02, height + 0.02], transform=mixed, color=INK, linewidth=2)
    ax.plot([found.best], [height], "D", transform=mixed, color=INK, markersize=7)
    middle = (found.tasted_lo + found.tasted_hi) / 2
    ax.annotate(
        f"best {COORDINATE[factor].state(found.best)} "
        f"({data.amount_range(factor, found.lo, found.hi)})",
        xy=(found.best, height),
        xycoords=mixed,
        xytext=(0, 8),
        textcoords="offset points",
        ha="left" if found.best < middle else "right",
        fontsize=10.5,
        fontweight="bold",
        path_effects=HALO,
    )


def label_factor(ax: Axes, factor: str, *, along_top: bool = True) -> None:
    """The axis with its unit; for the Mg share also the ratio, along the top."""
    ax.set_xlabel(COORDINATE[factor].title)
    if factor != "mg_share" or not along_top:
        return
    ax.spines["top"].set_visible(False)
    top = ax.secondary_xaxis("top")
    ticks = data.ratio_ticks(*ax.get_xlim())
    top.set_xticks(ticks, [data.ratio_words(tick) for tick in ticks])
    top.set_xlabel("Ca:Mg, by moles", fontsize=10.5, color=PALE)
    top.tick_params(colors=PALE, labelsize=10.5)
    top.spines["top"].set_visible(False)


def _score_caption(reading: Reading, factor: str) -> str:
    frame = reading.scores.frame
    n_tasters = frame["taster"].nunique()
    parts = [
        f"{len(frame)} cups scored by {counted(n_tasters, 'taster')}. Small "
        "rings: each taster's score of a water; dots: the panel's mean"
        + ("; white square: the control." if frame["is_control"].any() else ".")
    ]
    if reading.surface is not None:
        share = 95 if data.slice_of(reading, factor) is None else 90
        parts.append(
            f"Line and band: expected score with its {share} % interval. Levels of tasters and "
            "flights are taken out of the points."
        )
    others = data.moved(reading, factor)
    if others and reading.surface is not None:
        levels = " and ".join(
            f"{COORDINATE[n].words} {COORDINATE[n].state(x)}" for n, x in others.items()
        )
        parts.append(f"Drawn at {levels}, as recommended; scores at other levels are moved there.")
    if reading.verdict.kind is not VerdictKind.FOUND:
        parts.append(say(reading))
    return " ".join(parts)


@checked(SheetError)
def plot_tasters(reading: Reading, factor: str = "mg_share", *, ax: Axes | None = None) -> Axes:
    """Each taster's scores against one factor, the panel's mean among them.

    Parameters
    ----------
    reading : Reading
        The scores as read.
    factor : str
        One of ``labkit.water.COORDINATES``.
    ax : Axes, optional
        Where to draw.

    Raises
    ------
    ReadingError
        If the factor did not vary.
    """
    data.check_factor(reading, factor)
    points = data.cup_means(reading, factor, as_given=True)
    levels = points[factor].round(4)
    wide = points.assign(level=levels).pivot_table(
        index="level", columns="taster", values="score", aggfunc="mean"
    )
    with styled():
        ax = axes_for(ax)
        ends = []
        for index, taster in enumerate(wide.columns):
            line = wide[taster].dropna()
            look = trace_style(index)
            ax.plot(line.index, line, linewidth=1.5, markersize=6, markerfacecolor="white", **look)
            ends.append((str(taster), float(line.iloc[-1]), look["color"]))
        mean = wide.mean(axis=1)
        ax.plot(mean.index, mean, color=INK, linewidth=3.2, zorder=5)
        ends.append(("panel", float(mean.iloc[-1]), INK))
        _label_ends(ax, float(wide.index.max()), ends)
        label_factor(ax, factor)
        ax.set_ylabel(data.score_label(reading))
        score_ticks(ax)
        ax.grid(axis="y", color=HAIR, linewidth=0.6)
        put_title(ax, data.title_of(reading, "by taster"))
        put_caption(
            ax,
            "Each line is one taster; the heavy one is the panel's mean. Lines at different "
            "heights only use the scale differently; lines that cross disagree on the waters.",
        )
    return ax


def _label_ends(ax: Axes, at: float, ends: list[tuple[str, float, str]]) -> None:
    """Names at the right end of their traces, moved apart where they would touch."""
    low, high = ax.get_ylim()
    gap = 0.062 * (high - low)
    for (name, wanted, colour), height in zip(
        ends, spread([end[1] for end in ends], gap), strict=True
    ):
        ax.annotate(
            name,
            xy=(at, wanted),
            xytext=(at + 0.045 * (ax.get_xlim()[1] - ax.get_xlim()[0]), height),
            textcoords="data",
            va="center",
            color=colour,
            fontsize=10.5,
            fontweight="bold" if name == "panel" else "normal",
            arrowprops={"arrowstyle": "-", "color": HAIR, "linewidth": 0.8, "shrinkA": 0},
            annotation_clip=False,
        )
