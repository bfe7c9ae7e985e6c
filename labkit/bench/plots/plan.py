"""The picture of a plan before the first cup: what each path is expected to give away."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from labkit.analysis import PlanCurves
from labkit.bench.plots.pictures import page_picture
from labkit.bench.plots.style import axes_for, put_caption, put_title, spread, styled, trace_style
from labkit.boundary import checked
from labkit.errors import SheetError


@checked(SheetError)
def plot_plan(curves: PlanCurves, *, ax: Axes | None = None) -> Axes:
    """Points expected to be given away against flights, a curve for each path and panel.

    Parameters
    ----------
    curves : PlanCurves
        What :func:`labkit.analysis.plan_curves` simulated.
    ax : Axes, optional
        Where to draw.
    """
    frame = curves.frame
    panels = frame[["n_tasters", "cups"]].drop_duplicates()
    with styled():
        ax = axes_for(ax, height=4.2)
        ends: list[float] = []
        names: list[str] = []
        groups = frame.groupby(["path", "n_tasters", "cups"], sort=False)
        for at, ((path, n_tasters, cups), mine) in enumerate(groups):
            look = trace_style(at)
            ax.fill_between(
                mine["flight"], mine["low"], mine["high"], color=look["color"], alpha=0.12
            )
            ax.plot(mine["flight"], mine["loss"], linewidth=1.8, markersize=6, **look)
            ends.append(float(mine["loss"].iloc[-1]))
            names.append(str(path) if len(panels) == 1 else f"{path}, {n_tasters} × {cups}")
        top = float(frame["high"].max())
        last = int(frame["flight"].max())
        for height, name in zip(spread(ends, 0.07 * top), names, strict=True):
            ax.annotate(
                name,
                xy=(last, height),
                xytext=(8, 0),
                textcoords="offset points",
                va="center",
                annotation_clip=False,
            )
        ax.set_ylim(0, 1.05 * top)
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
        ax.set_xlabel("flights tasted")
        ax.set_ylabel("points given away")
        put_title(ax, "What tasting on is expected to save")
        each = (
            f"{panels['n_tasters'].iloc[0]} tasters, {panels['cups'].iloc[0]} cups a flight"
            if len(panels) == 1
            else "tasters × cups a flight beside each curve"
        )
        put_caption(
            ax,
            f"Best score less that of the water one would settle on; {each}. Mean of "
            f"{curves.n_coffees} simulated coffees, shaded: where the mean lies with 90 %.",
        )
    return ax


@checked(SheetError)
def plan_picture(curves: PlanCurves) -> str:
    """The picture of :func:`plot_plan` within the page, as HTML.

    Parameters
    ----------
    curves : PlanCurves
        What :func:`labkit.analysis.plan_curves` simulated.
    """
    return page_picture(plot_plan(curves), "Points expected to be given away, by flights tasted")
