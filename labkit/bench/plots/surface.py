"""The map of a coffee's waters: what is expected of them, and where the best may lie."""

from __future__ import annotations

from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, LinearSegmentedColormap

from labkit.analysis import Floats, Reading, VerdictKind, WaterMap
from labkit.bench.plots import data
from labkit.bench.plots.scores import label_factor
from labkit.bench.plots.style import (
    HALO,
    INK,
    axes_for,
    put_caption,
    put_title,
    styled,
)
from labkit.boundary import checked
from labkit.errors import ReadingError, SheetError
from labkit.present import SHADES_FROM, said_of_margin, say
from labkit.water import COORDINATE, counted

SHADES: Final = LinearSegmentedColormap.from_list(
    "chance", ["#ffffff", "#d3dde2", "#a3b7c1", "#5f7b89"]
)

CHANCES: Final = (0.0, *SHADES_FROM, 1.0)
"""Where one shade ends and the next, darker one begins."""


@checked(SheetError)
def plot_surface(
    reading: Reading, across: str | None = None, up: str | None = None, *, ax: Axes | None = None
) -> Axes:
    """The map of the waters: expected scores as lines, where the best may lie as shades.

    Hatched is what does not lie between waters tasted: what is said of it is a guess.

    Parameters
    ----------
    reading : Reading
        What :func:`labkit.analysis.read_coffee` found.
    across, up : str, optional
        The two coordinates; the first two that varied if not given. The third is held at the
        recommended water; the caption says at which level.
    ax : Axes, optional
        Where to draw.

    Raises
    ------
    ReadingError
        If fewer than two factors varied, or no surface could be fitted.
    """
    across, up = _two_factors(reading, across, up)
    with styled():
        ax = axes_for(ax, height=5.2)
        draw_map(ax, reading, across, up)
        ax.set_xlim(*data.drawn_range(reading, across))
        ax.set_ylim(*data.drawn_range(reading, up))
        label_factor(ax, across)
        ax.set_ylabel(COORDINATE[up].title)
        put_title(
            ax,
            data.title_of(reading, f"over {COORDINATE[across].words} and {COORDINATE[up].words}"),
        )
        put_caption(ax, map_caption(reading, across, up))
    return ax


def draw_map(ax: Axes, reading: Reading, across: str, up: str) -> None:
    """Chances as shades with their key, expected scores as lines, and the waters of interest."""
    found = data.map_of(reading)
    if found is not None:
        _shade(ax, found, across, up)
    x, y, mean = data.surface_grid(reading, across, up)
    lines = ax.contour(
        x, y, mean, levels=_contour_levels(mean), colors=INK, linewidths=0.9, zorder=1
    )
    for text in ax.clabel(lines, fmt="%.1f", fontsize=10.5, inline=False):
        text.set_path_effects(HALO)
    _hatch_unknown(ax, reading, across, up)
    draw_tasted(ax, reading, across, up)
    if reading.best is not None and _is_found(reading):
        at = reading.best.target
        spot = (getattr(at, across), getattr(at, up))
        ax.plot(*spot, marker="*", markersize=17, color=INK, markeredgecolor="white", zorder=6)
        _range_bars(ax, reading, across, up)


def _is_found(reading: Reading) -> bool:
    return reading.verdict.kind is VerdictKind.FOUND


def _shade(ax: Axes, found: WaterMap, across: str, up: str) -> None:
    """The chance of each water to be as good as the best, with a key at the side."""
    shades = ax.contourf(
        *data.map_levels(found, across, up),
        data.on_plane(found, found.chance_near_best, across, up),
        levels=CHANCES,
        cmap=SHADES,
        norm=BoundaryNorm(CHANCES, SHADES.N),
        zorder=0,
    )
    at_side = ax.inset_axes((1.03, 0.0, 0.045, 1.0))
    key = ax.figure.colorbar(shades, cax=at_side, spacing="uniform")
    key.set_ticks(CHANCES[1:-1], labels=[f"{100 * chance:.0f} %" for chance in CHANCES[1:-1]])
    key.minorticks_off()
    key.ax.tick_params(labelsize=10, length=0)
    key.set_label("chance to be as good as the best", fontsize=10.5)
    key.outline.set_visible(False)


def _range_bars(ax: Axes, reading: Reading, across: str, up: str) -> None:
    """Bars along the axes over the levels that the verdict states the best to lie between."""
    if reading.best is None:
        return
    stated = {one.factor: one for one in reading.best.factor_ranges if one.is_told}
    for factor, transform in ((across, ax.get_xaxis_transform()), (up, ax.get_yaxis_transform())):
        if factor not in stated:
            continue
        along, off = [stated[factor].lo, stated[factor].hi], [0.015, 0.015]
        place = (along, off) if factor == across else (off, along)
        ax.plot(
            *place,
            transform=transform,
            color=INK,
            linewidth=4.5,
            solid_capstyle="butt",
            zorder=7,
            gid=f"range of {factor}",
        )


def _two_factors(reading: Reading, across: str | None, up: str | None) -> tuple[str, str]:
    names = data.varied(reading)
    if reading.surface is None:
        raise ReadingError(f"there is no surface to draw: {say(reading)}")
    for one in filter(None, (across, up)):
        data.check_factor(reading, one)
    free = [name for name in names if name not in (across, up)]
    across = across or (free.pop(0) if free else None)
    up = up or (free.pop(0) if free else None)
    if across is None or up is None or across == up:
        raise ReadingError(
            f"two factors must have varied to draw a surface, got {', '.join(names) or 'none'}. "
            "Use plot_score for one factor."
        )
    return across, up


def _contour_levels(mean: Floats) -> Floats:
    """Round levels, about ten of them."""
    low, high = float(np.nanmin(mean)), float(np.nanmax(mean))
    step = next(s for s in (0.1, 0.2, 0.5, 1, 2, 5) if (high - low) / s <= 12 or s == 5)
    levels = np.arange(np.floor(low / step), np.ceil(high / step) + 1) * step
    return levels if len(levels) > 1 else np.array([low - 0.1, low, low + 0.1])


def _hatch_unknown(ax: Axes, reading: Reading, across: str, up: str) -> None:
    """Hatch what does not lie between waters tasted."""
    tasted = reading.scores.recipes[[across, up]].to_numpy(dtype=float)
    x = np.linspace(*data.drawn_range(reading, across), 201)
    y = np.linspace(*data.drawn_range(reading, up), 201)
    away = data.distance_outside(tasted, x, y)
    if away.max() > 0:
        levels = [1e-6, away.max() + 1]
        ax.contourf(x, y, away, levels=levels, colors="none", hatches=["////"], zorder=2)


def draw_tasted(ax: Axes, reading: Reading, across: str, up: str) -> None:
    """A ring at each water tasted, a square at the control."""
    table = reading.scores.recipes
    for is_control, mark in ((False, "o"), (True, "s")):
        some = table[table["is_control"] == is_control]
        ax.scatter(
            some[across],
            some[up],
            s=52,
            marker=mark,
            facecolor="white",
            edgecolor=INK,
            linewidth=1.6,
            zorder=5,
            clip_on=False,
        )


def map_caption(reading: Reading, across: str, up: str, *, is_flight: bool = False) -> str:
    """What the marks of a map are, and at what the coordinate not drawn is held.

    Parameters
    ----------
    reading : Reading
        What is drawn.
    across, up : str
        The two coordinates drawn.
    is_flight : bool
        Whether the waters to taste next are drawn too, numbered.
    """
    frame, found = reading.scores.frame, data.map_of(reading)
    n_tasters = frame["taster"].nunique()
    parts = [
        f"Lines: expected score ({reading.scores.scale or 'points'}), from {len(frame)} cups and "
        f"{counted(n_tasters, 'taster')}."
    ]
    if found is not None:
        parts.append(f"Shades: {said_of_margin(found)}.")
    marks = ["rings: waters tasted"]
    if frame["is_control"].any():
        marks.append("square: the control")
    if _is_found(reading):
        marks += ["star: recommended", "bars at the edges: where the best may lie (95 %)"]
    if is_flight:
        marks.append("black, numbered: to taste next")
    text = "; ".join(marks)
    parts.append(f"{text[0].upper()}{text[1:]}.")
    if not _is_found(reading):
        parts.append(say(reading))
    parts.append(held_at(reading, across, up))
    parts.append("Hatched: not between waters tasted, a guess.")
    return " ".join(parts)


def held_at(reading: Reading, *drawn: str) -> str:
    """``'Drawn at alkalinity 30 mg/L, the recommended level.'``, of what is not drawn.

    Parameters
    ----------
    reading : Reading
        What is drawn.
    *drawn : str
        The coordinates drawn.
    """
    said = []
    for name, level in data.held_levels(reading, *drawn).items():
        why = "the recommended level" if name in data.varied(reading) else "as in all cups"
        said.append(f"{COORDINATE[name].words} {COORDINATE[name].state(level)} ({why})")
    return f"Drawn at {' and '.join(said)}." if said else ""
