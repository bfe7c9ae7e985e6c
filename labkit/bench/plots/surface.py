"""Pictures of the expected score over two factors, and of the waters to taste next."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap

from labkit.analysis import Floats, Reading, VerdictKind
from labkit.bench.plots import data
from labkit.bench.plots.scores import label_factor
from labkit.bench.plots.style import ACCENT, HALO, INK, axes_for, put_caption, put_title, styled
from labkit.errors import ReadingError
from labkit.present import say
from labkit.water import COORDINATE

_SHADES = LinearSegmentedColormap.from_list("score", ["#ffffff", "#dfe7ea", "#a9bdc7", "#7f9aa8"])


def plot_surface(
    reading: Reading, across: str | None = None, up: str | None = None, *, ax: Axes | None = None
) -> Axes:
    """Expected score over two factors, with the waters tasted and the region of the best.

    Hatched is what does not lie between waters tasted: the surface there is the model's guess.

    Parameters
    ----------
    reading : Reading
        What :func:`labkit.analysis.read_coffee` found.
    across, up : str, optional
        The two coordinates; the first two that varied if not given. A third is held at the best.
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
        error = draw_contours(ax, reading, across, up)
        _outline_best(ax, reading, across, up)
        draw_tasted(ax, reading, across, up)
        ax.set_xlim(*data.drawn_range(reading, across))
        ax.set_ylim(*data.drawn_range(reading, up))
        label_factor(ax, across)
        ax.set_ylabel(COORDINATE[up].title)
        put_title(
            ax,
            data.title_of(reading, f"over {COORDINATE[across].words} and {COORDINATE[up].words}"),
        )
        put_caption(ax, _surface_caption(reading, across, up, error))
    return ax


def draw_contours(ax: Axes, reading: Reading, across: str, up: str) -> Floats:
    """Labelled lines of the expected score, hatched where nothing was tasted around.

    Returns the standard errors over the grid drawn, shape (n, n).
    """
    x, y, mean, error = data.surface_grid(reading, across, up)
    levels = _contour_levels(mean)
    ax.contourf(x, y, mean, levels=levels, cmap=_SHADES, extend="both", zorder=0)
    lines = ax.contour(x, y, mean, levels=levels, colors=INK, linewidths=0.9, zorder=1)
    for text in ax.clabel(lines, fmt="%.1f", fontsize=10.5, inline=False):
        text.set_path_effects(HALO)
    _hatch_unknown(ax, reading, across, up)
    return error


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


def _outline_best(ax: Axes, reading: Reading, across: str, up: str) -> None:
    """The region of the best, only where the verdict found one."""
    if reading.best is None or reading.verdict.kind is not VerdictKind.FOUND:
        return
    region = reading.best.region
    inside = region.pivot_table(index=up, columns=across, values="in_region", aggfunc="any")
    field = inside.fillna(False).to_numpy(dtype=float)
    if min(field.shape) > 1 and field.mean() > 0:
        # A rim of zeros closes the outline where the region ends with the grid.
        xs, ys = inside.columns.to_numpy(dtype=float), inside.index.to_numpy(dtype=float)
        dx, dy = np.diff(xs).min() / 2, np.diff(ys).min() / 2
        xs, ys = np.r_[xs[0] - dx, xs, xs[-1] + dx], np.r_[ys[0] - dy, ys, ys[-1] + dy]
        rim = np.pad(field, 1)
        ax.contour(xs, ys, rim, levels=[0.5], colors="white", linewidths=5, zorder=3)
        ax.contour(xs, ys, rim, levels=[0.5], colors=ACCENT, linewidths=2.6, zorder=3)
    at = reading.best.target
    spot = (getattr(at, across), getattr(at, up))
    ax.plot(*spot, marker="*", markersize=17, color=INK, markeredgecolor="white", zorder=6)


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


def _surface_caption(reading: Reading, across: str, up: str, error: Floats) -> str:
    frame = reading.scores.frame
    n_tasters = frame["taster"].nunique()
    control = ", square: the control" if frame["is_control"].any() else ""
    parts = [
        f"Lines: expected score ({reading.scores.scale or 'points'}). Rings: the waters tasted"
        f"{control}; {len(frame)} cups, {n_tasters} taster{'s' if n_tasters > 1 else ''}."
    ]
    if reading.verdict.kind is VerdictKind.FOUND:
        parts.append("Star: the best; heavy outline: where the best may well lie (95 %).")
    else:
        parts.append(say(reading))
    parts.append(
        "Hatched: not between waters tasted, a guess. Standard error "
        f"{np.nanmin(error):.2f} to {np.nanmax(error):.2f} points."
    )
    others = data.moved(reading, across, up)
    parts += [
        f"Drawn at {COORDINATE[n].words} {COORDINATE[n].state(x)}." for n, x in others.items()
    ]
    return " ".join(parts)
