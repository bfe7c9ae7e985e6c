"""Pictures of what goes with which mineral: words checked, and acidity too sharp or too flat."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import PercentFormatter

from labkit.analysis import FACTOR, FLAT, SHARP, Balance, WordReadings
from labkit.bench.plots.pictures import page_picture
from labkit.bench.plots.style import (
    ACCENT,
    BAND,
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
from labkit.tasting import ALPHA
from labkit.water import COORDINATE, COORDINATES

_SIDES: Final[dict[str, dict[str, Any]]] = {
    SHARP: {"color": ACCENT, "marker": "s", "dashes": (None, None), "shift": 0.4},
    FLAT: {"color": INK, "marker": "o", "dashes": (5, 2), "shift": -0.4},
}
"""How each side is drawn; the shift (mg/L) keeps intervals from covering each other."""


@checked(SheetError)
def plot_words(found: WordReadings) -> list[Axes]:
    """For every word the share of cups at the lowest and the highest level of each coordinate.

    Parameters
    ----------
    found : WordReadings
        The words as read.

    Returns
    -------
    list of Axes
        One for each coordinate.

    Raises
    ------
    ReadingError
        If no word could be read.
    """
    table = found.words[found.words["factor"] != ""]
    words = sorted(table["word"].unique())
    if not words:
        raise ReadingError(
            "words must hold at least one that could be read, got none. Let tasters check more "
            "cups.",
            field="words",
        )
    rows = {word: float(row) for row, word in enumerate(reversed(words))}
    with styled():
        height = 1.85 + 0.48 * len(rows)
        figure, axes = subplots(1, 3, figsize=(WIDTH_IN, height), sharey=True, sharex=True)
        figure.subplots_adjust(
            left=0.03, right=0.97, top=1 - 0.6 / height, bottom=1.25 / height, wspace=0.16
        )
        for factor, ax in zip(COORDINATES, axes, strict=True):
            for one in table[table["factor"] == factor].to_dict("records"):
                place = rows[one["word"]] - 0.14
                linked = one["p_adjusted"] < ALPHA
                line, wide = (INK, 2.4) if linked else (HAIR, 1.4)
                ax.plot([one["share_low"], one["share_high"]], [place] * 2, color=line, lw=wide)
                mark = INK if linked else PALE
                ax.plot(one["share_low"], place, "o", mfc="white", mec=mark, ms=6.5)
                ax.plot(one["share_high"], place, "o", mfc=mark, mec=mark, ms=6.5)
            ax.set_title(
                COORDINATE[factor].words, loc="left", fontsize=11, fontweight="normal", pad=4
            )
            ax.set_xlim(0, 1)
            ax.set_xticks([0, 0.5, 1], ["0", "50", "100"])
            ax.tick_params(axis="x", labelsize=10)
            bare_rows(ax, len(rows))
        named_rows(axes[0], list(rows), [row + 0.26 for row in rows.values()])
        figure.text(
            0.03, 1 - 0.1 / height, "Words and minerals", fontsize=13, weight="bold", va="top"
        )
        axes[0].set_xlabel("% of cups", fontsize=10.5)
        put_caption(
            axes[0],
            "Ring: share of cups on which the word is expected at the lowest level tasted; dot: at "
            "the highest. Black: told apart from chance, many tests allowed for; grey: not.",
            share=2.85,
        )
    return list(axes)


@checked(SheetError)
def plot_balance(found: Balance, *, ax: Axes | None = None) -> Axes:
    """Shares of too sharp and too flat against alkalinity, and where they balance.

    Parameters
    ----------
    found : Balance
        Of :func:`labkit.analysis.balance_acidity`.
    ax : Axes, optional
        Where to draw.
    """
    with styled():
        ax = axes_for(ax)
        at, lo, hi = found.alkalinity_mg_l_caco3, found.lo, found.hi
        levels = found.shares[FACTOR]
        if np.isfinite(at):
            ends = (
                lo if np.isfinite(lo) else levels.min(),
                hi if np.isfinite(hi) else levels.max(),
            )
            ax.axvspan(*ends, color=BAND, zorder=0)
            ax.axvline(at, color=INK, linewidth=1.2, zorder=1)
            ax.annotate(
                f"balance at {at:.0f}",
                (at, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(4, -4),
                textcoords="offset points",
                va="top",
                fontsize=10.5,
            )
        for side, look in _SIDES.items():
            part = found.shares[found.shares["side"] == side]
            x = part[FACTOR] + look["shift"]
            ax.vlines(x, part["lo"], part["hi"], color=look["color"], linewidth=1.4)
            ax.plot(
                *(x, part["share"]),
                color=look["color"],
                marker=look["marker"],
                dashes=look["dashes"],
                label=side,
                markersize=7,
            )
        ax.set_ylim(0, 1)
        ax.yaxis.set_major_formatter(PercentFormatter(1))
        ax.grid(axis="y", color=HAIR, linewidth=0.6)
        ax.set_ylabel("share of answers")
        ax.set_xlabel(COORDINATE[FACTOR].title)
        ax.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=2, borderaxespad=0.1)
        head = f"{found.coffee}: " if found.coffee else ""
        put_title(ax, f"{head}acidity too sharp, too flat\n")
        put_caption(
            ax,
            "Marks: shares with 95 % intervals (Wilson). Line and shaded band: the alkalinity at "
            "which as many say too sharp as too flat, and where it may well lie (95 %), at the "
            "middle of the other levels; the marks are over all waters."
            if np.isfinite(at)
            else "Marks: shares with 95 % intervals (Wilson). These cups show no balance.",
        )
    return ax


@checked(SheetError)
def words_picture(found: WordReadings) -> str:
    """The words as a picture within the page; empty if none could be read.

    Parameters
    ----------
    found : WordReadings
        As for :func:`plot_words`.

    Returns
    -------
    str
        HTML.
    """
    if not (found.words["factor"] != "").any():
        return ""
    return page_picture(plot_words(found)[0], "Share of cups with each word against each mineral")


@checked(SheetError)
def balance_picture(found: Balance) -> str:
    """The balance as a picture within the page.

    Parameters
    ----------
    found : Balance
        As for :func:`plot_balance`.

    Returns
    -------
    str
        HTML.
    """
    return page_picture(plot_balance(found), "Acidity too sharp and too flat against alkalinity")
