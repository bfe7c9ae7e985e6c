"""Pictures of the waters to taste next, over what is known so far."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from labkit.analysis import Floats, Reading, Suggestion
from labkit.bench.plots import data
from labkit.bench.plots.pictures import page_picture
from labkit.bench.plots.scores import draw_score, label_factor
from labkit.bench.plots.style import INK, axes_for, put_caption, put_title, styled
from labkit.bench.plots.surface import draw_map, draw_tasted, map_caption
from labkit.boundary import checked
from labkit.errors import SheetError
from labkit.present import say
from labkit.water import COORDINATE, COORDINATES


@checked(SheetError)
def plot_next(
    suggestion: Suggestion, reading: Reading | None = None, *, ax: Axes | None = None
) -> Axes:
    """The waters to taste next, numbered as in the suggestion, over what is known so far.

    Parameters
    ----------
    suggestion : Suggestion
        What :func:`labkit.analysis.suggest_flight` proposes.
    reading : Reading, optional
        What the scores so far say; none before the first flight.
    ax : Axes, optional
        Where to draw.
    """
    cups = pd.DataFrame(
        [{name: getattr(cup.target, name) for name in COORDINATES} for cup in suggestion.cups]
    )
    tasted = None if reading is None else reading.scores.recipes
    free = _moving(cups, tasted)
    with styled():
        if len(free) == 1 and reading is not None and free[0] in data.varied(reading):
            return _over_curve(suggestion, reading, cups, free[0], ax)
        ax = axes_for(ax, height=5.0)
        across, up = (*free, *(n for n in COORDINATES if n not in free))[:2]
        head = "Black, numbered: to taste next."
        if reading is not None:
            if reading.surface is not None and {across, up} <= set(data.varied(reading)):
                draw_map(ax, reading, across, up)
                head = map_caption(reading, across, up, is_flight=True)
            else:
                draw_tasted(ax, reading, across, up)
                head += " White: tasted already."
        _number(ax, cups[across].to_numpy(dtype=float), cups[up].to_numpy(dtype=float))
        _set_limits(ax, cups, tasted, (across, up))
        label_factor(ax, across)
        ax.set_ylabel(COORDINATE[up].title)
        put_title(ax, _title(reading))
        put_caption(ax, f"{head}\n{_listed(suggestion)}")
    return ax


@checked(SheetError)
def next_picture(suggestion: Suggestion, reading: Reading | None = None) -> str:
    """The picture of :func:`plot_next` within the page, as HTML.

    Parameters
    ----------
    suggestion : Suggestion
        What :func:`labkit.analysis.suggest_flight` proposes.
    reading : Reading, optional
        What the scores so far say; none before the first flight.
    """
    return page_picture(plot_next(suggestion, reading), "Waters to taste next")


def _moving(cups: pd.DataFrame, tasted: pd.DataFrame | None) -> list[str]:
    """Coordinates that differ among the waters to taste and those tasted."""
    columns = list(COORDINATES)
    every = cups if tasted is None else pd.concat([cups, tasted[columns]], ignore_index=True)
    spans = {name: float(np.ptp(every[name])) for name in columns}
    return [n for n in columns if spans[n] > COORDINATE[n].settled] or columns[:1]


def _over_curve(
    suggestion: Suggestion, reading: Reading, cups: pd.DataFrame, factor: str, ax: Axes | None
) -> Axes:
    """Numbers on the curve of the one factor that moves, each with its interval."""
    ax = axes_for(ax)
    draw_score(ax, reading, factor)
    heights = np.array([cup.expected for cup in suggestion.cups])
    for x, cup in zip(cups[factor], suggestion.cups, strict=True):
        ax.plot([x, x], [cup.low, cup.high], color=INK, linewidth=1.4, zorder=6)
    _number(ax, cups[factor].to_numpy(dtype=float), heights)
    put_title(ax, _title(reading))
    put_caption(
        ax,
        "Black, numbered: to taste next, at the score expected of it with its 90 % interval.\n"
        + _listed(suggestion),
    )
    return ax


def _number(ax: Axes, x: Floats, y: Floats) -> None:
    """Numbers in black discs, side by side where the same water is wanted twice."""
    here: dict[tuple[float, float], list[int]] = {}
    for i, spot in enumerate(zip(x.round(4), y.round(4), strict=True), start=1):
        here.setdefault((float(spot[0]), float(spot[1])), []).append(i)
    for spot, numbers in here.items():
        for place, number in enumerate(numbers):
            ax.annotate(
                str(number),
                xy=spot,
                xytext=(21 * (place - (len(numbers) - 1) / 2), 0),
                textcoords="offset points",
                color="white",
                ha="center",
                va="center",
                fontsize=10.5,
                fontweight="bold",
                bbox={"boxstyle": "circle,pad=0.28", "facecolor": INK, "edgecolor": "white"},
                zorder=8,
                annotation_clip=False,
            )


def _set_limits(
    ax: Axes, cups: pd.DataFrame, tasted: pd.DataFrame | None, names: tuple[str, str]
) -> None:
    every = cups if tasted is None else pd.concat([cups, tasted], ignore_index=True)
    ends = []
    for name in names:
        low, high = float(every[name].min()), float(every[name].max())
        more = 0.08 * (high - low) or 2 * COORDINATE[name].step
        ends.append((low - more, high + more))
    ax.set_xlim(ends[0])
    ax.set_ylim(ends[1])


def _title(reading: Reading | None) -> str:
    coffee = "" if reading is None else data.coffee_of(reading)
    return f"{coffee}: what to taste next" if coffee else "What to taste next"


def _listed(suggestion: Suggestion) -> str:
    return "\n".join(
        f"{i}  {cup.target.text}: {say(cup.reason)}"
        for i, cup in enumerate(suggestion.cups, start=1)
    )
