"""Pictures that set the attributes of one coffee side by side."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes

from labkit.analysis import Reading, VerdictKind, curve
from labkit.bench.plots import data
from labkit.bench.plots.scores import label_factor
from labkit.bench.plots.style import (
    ACCENT,
    BAND,
    HAIR,
    INK,
    WIDTH_IN,
    put_caption,
    put_title,
    score_ticks,
    styled,
    subplots,
)
from labkit.boundary import checked
from labkit.errors import ReadingError, SheetError
from labkit.water import COORDINATE


@checked(SheetError)
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
            "attributes of one coffee.",
            field="readings",
        )
    for reading in readings:
        data.check_factor(reading, factor)
    with styled():
        if axes is None:
            _, grid = subplots(
                len(readings),
                1,
                figsize=(WIDTH_IN, 1.0 + 1.75 * len(readings)),
                layout="constrained",
                sharex=True,
                squeeze=False,
            )
            axes = list(grid[:, 0])
        for reading, ax in zip(readings, axes, strict=True):
            _draw_attribute(ax, reading, factor)
        label_factor(axes[-1], factor, along_top=False)
        head = f"{coffees[0]}: " if coffees[0] else ""
        put_title(axes[0], f"{head}attributes against {COORDINATE[factor].words}")
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
        line = curve(reading.surface, factor, at=at)
        ax.fill_between(line[factor], line["lo"], line["hi"], color=BAND, linewidth=0)
        seen = reading.verdict.kind is VerdictKind.FOUND
        dashes = (None, None) if seen else (5, 3)
        ax.plot(line[factor], line["mean"], color=ACCENT, linewidth=2.2, dashes=dashes)
    ax.set_ylabel(reading.scores.attribute)
    score_ticks(ax)
    ax.grid(axis="y", color=HAIR, linewidth=0.6)
    ax.tick_params(labelsize=10.5)
