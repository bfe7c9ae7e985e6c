"""How a plot looks: ink, marks that differ in grey too, titles and captions; nothing global."""

from __future__ import annotations

import textwrap
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, Final, cast

import matplotlib as mpl
import matplotlib.pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patheffects import AbstractPathEffect, withStroke
from matplotlib.ticker import MaxNLocator

INK: Final = "#1a1a1a"
PALE: Final = "#6b6b6b"
HAIR: Final = "#c9c9c9"
BAND: Final = "#d5dde1"
ACCENT: Final = "#0b5c7a"

HALO: Final[list[AbstractPathEffect]] = [withStroke(linewidth=3, foreground="white")]
"""Around writing that lies over lines."""

TRACE_COLOURS: Final = ("#0b5c7a", "#b5541c", "#3f3f3f", "#7a4f8f", "#4d7d3a", "#8a6d00")
"""Dark enough for paper; no two neighbours that only differ between red and green."""

TRACE_DASHES: Final = ((None, None), (6, 2), (2, 1.6), (7, 2, 1.6, 2), (4, 1.4, 4, 4))
TRACE_MARKS: Final = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "h", "p", "*")

WIDTH_IN: Final = 5.0
"""Of a whole figure: shown as wide as a phone's page, its smallest letters still read."""

_SMALL: Final = 10.0
_OWN: Final = "made here"
"""Label of axes that a plot function made, whose figure may grow with the caption."""

_RC: Final[dict[str, Any]] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 11.5,
    "axes.titlesize": 13,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 11.5,
    "axes.edgecolor": PALE,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.labelsize": 11,
    "ytick.labelsize": 11,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "figure.facecolor": "white",
    "axes.facecolor": "white",
    "legend.frameon": False,
    "legend.fontsize": 10.5,
    "hatch.linewidth": 0.6,
    "hatch.color": PALE,
}


DRAWING: Final = threading.RLock()
"""Held while something is drawn: matplotlib's settings are one for all threads."""

_UNSEEN: ContextVar[bool] = ContextVar("unseen", default=False)


@contextmanager
def styled() -> Iterator[None]:
    """The look, for what is drawn inside; the reader's own settings come back after."""
    with DRAWING, mpl.rc_context(cast(Any, _RC)):
        yield


@contextmanager
def unseen() -> Iterator[None]:
    """Figures made inside are known to nobody else: no notebook shows them, any thread may draw."""
    token = _UNSEEN.set(True)
    try:
        yield
    finally:
        _UNSEEN.reset(token)


def subplots(rows: int = 1, columns: int = 1, **options: Any) -> tuple[Figure, Any]:
    """A figure and its axes, as ``matplotlib.pyplot.subplots`` gives them."""
    if not _UNSEEN.get():
        return plt.subplots(rows, columns, **options)
    own = {name: options.pop(name) for name in ("figsize", "layout") if name in options}
    figure = Figure(**own)
    return figure, figure.subplots(rows, columns, **options)


def axes_for(ax: Axes | None, *, height: float = 3.9) -> Axes:
    """The axes given, or new ones that still read at the width of a phone."""
    if ax is not None:
        return ax
    own: Axes = subplots(figsize=(WIDTH_IN, height), layout="constrained")[1]
    own.set_label(_OWN)
    return own


def named_rows(ax: Axes, names: Sequence[str], rows: Sequence[float]) -> None:
    """Each row's name in the ink above its marks, running on over the panels to the right."""
    for name, row in zip(names, rows, strict=True):
        ax.annotate(
            name,
            (0, row),
            xycoords=("axes fraction", "data"),
            fontsize=10.5,
            va="center",
            annotation_clip=False,
        )


def bare_rows(ax: Axes, n: int) -> None:
    """Room for `n` rows counted from 0 upwards, with no axis of their own."""
    ax.set_ylim(-0.55, n - 0.4)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.grid(axis="x", color=HAIR, linewidth=0.5)


def put_title(ax: Axes, title: str) -> None:
    """The title, wrapped to the width of the axes."""
    ax.set_title(_wrapped(ax, title, 13 * 1.08), pad=10)


def put_caption(ax: Axes, text: str, *, share: float = 0.84) -> None:
    """A caption in words under the axis label; ``share`` of the figure's width is the axes'."""
    wrapped = _wrapped(ax, text, _SMALL, share)
    figure = ax.get_figure(root=True)
    if ax.get_label() == _OWN and isinstance(figure, Figure):
        lines = wrapped.count("\n") + 1
        figure.set_figheight(figure.get_figheight() + 1.35 * lines * _SMALL / 72)
    ax.annotate(
        wrapped,
        xy=(0, 0),
        xycoords="axes fraction",
        xytext=(0, -46),
        textcoords="offset points",
        va="top",
        ha="left",
        fontsize=_SMALL,
        color=PALE,
        linespacing=1.3,
        annotation_clip=False,
    )


def score_ticks(ax: Axes) -> None:
    """Ticks at plain scores: wholes, halves or tenths."""
    ax.yaxis.set_major_locator(MaxNLocator(nbins=6, steps=[1, 2, 5, 10]))


def trace_style(index: int) -> dict[str, Any]:
    """Colour, dashes and mark of the n-th trace: any one of the three tells it apart."""
    return {
        "color": TRACE_COLOURS[index % len(TRACE_COLOURS)],
        "dashes": TRACE_DASHES[index % len(TRACE_DASHES)],
        "marker": TRACE_MARKS[index % len(TRACE_MARKS)],
    }


def spread(wanted: list[float], gap: float) -> list[float]:
    """Heights near the wanted ones, in the same order, no two closer than the gap."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = [wanted[i] for i in order]
    for _ in range(200):
        moved = False
        for i in range(len(placed) - 1):
            lack = gap - (placed[i + 1] - placed[i])
            if lack > 1e-9:
                placed[i] -= lack / 2
                placed[i + 1] += lack / 2
                moved = True
        if not moved:
            break
    heights = [0.0] * len(wanted)
    for place, i in enumerate(order):
        heights[i] = placed[place]
    return heights


def _wrapped(ax: Axes, text: str, size: float, share: float = 0.84) -> str:
    """Text broken to the width of the axes; DejaVu Sans is about 0.53 em wide on average."""
    figure = ax.get_figure(root=True)
    width = figure.get_figwidth() if isinstance(figure, Figure) else WIDTH_IN
    if ax.get_label() != _OWN:
        share *= ax.get_position().width / 0.84
    letters = max(24, int(72 * width * share / (0.53 * size)))
    kept = text.replace(" %", "\u00a0%").replace(" mg/L", "\u00a0mg/L")
    return "\n".join(textwrap.fill(line, letters) for line in kept.split("\n"))
