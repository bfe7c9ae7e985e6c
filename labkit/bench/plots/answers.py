"""Pictures of answers that have no mean: tests of two waters, just about right, words to check."""

from __future__ import annotations

import textwrap
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator
from scipy import stats

from labkit.analysis import (
    SIDES,
    CheckedTerms,
    Discrimination,
    PairReading,
    Reading,
    fewest_preferring,
    fewest_successes,
)
from labkit.bench.plots import data
from labkit.bench.plots.style import (
    ACCENT,
    BAND,
    HAIR,
    INK,
    PALE,
    axes_for,
    put_caption,
    put_title,
    styled,
)
from labkit.errors import ReadingError
from labkit.present import pair_of, say
from labkit.tasting import CONFIRMING, DIFFERENCE_TESTS, SCALES
from labkit.water import COORDINATE

_SIDES: Final[dict[str, dict[str, Any]]] = {
    SIDES[0]: {"color": "white", "hatch": "....", "edgecolor": INK},
    SIDES[1]: {"color": BAND, "hatch": "", "edgecolor": INK},
    SIDES[2]: {"color": ACCENT, "hatch": "", "edgecolor": INK},
}
"""White with dots, pale, dark: told apart in grey and without red or green."""


def plot_answers(test: PairReading, *, ax: Axes | None = None) -> Axes:
    """Counts of a discrimination or preference test against what guessing would give.

    Parameters
    ----------
    test : PairReading
        As from :func:`labkit.analysis.read_tests`.
    ax : Axes, optional
        Where to draw.

    Raises
    ------
    ReadingError
        If the test holds no answer that counts.
    """
    if test.result is None:
        raise ReadingError(f"there is nothing to draw of this test: {say(test)}")
    found = test.result
    if isinstance(found, Discrimination):
        n, seen, what = found.n, found.correct, "right answers"
        chance = DIFFERENCE_TESTS[test.method].guessing
        needed = fewest_successes(n, chance, 0.05)
        chances = 100 * stats.binom.pmf(np.arange(n + 1), n, chance)
    else:
        n, seen = found.first + found.second, max(found.first, found.second)
        what, needed = "tasters for the water preferred more often", fewest_preferring(n)
        if test.method == CONFIRMING:
            what, seen = "answers for the water named before", found.first
            needed = fewest_preferring(n, first_named=True)
        either = 100 * stats.binom.pmf(np.arange(n + 1), n, 0.5)
        chances = either
        if test.method != CONFIRMING:  # either water may be the one preferred more often
            chances = np.where(2 * np.arange(n + 1) > n, 2 * either, 0.0)
            chances[n // 2] += 0.0 if n % 2 else either[n // 2]
    with styled():
        ax = axes_for(ax, height=3.2)
        ax.bar(np.arange(n + 1), chances, color=BAND, edgecolor=PALE, linewidth=0.8, width=0.8)
        top = float(chances.max())
        if needed is not None:
            ax.axvline(needed - 0.5, color=INK, linewidth=1.4, dashes=(4, 3))
            ax.text(needed - 0.4, 1.13 * top, f"{needed} or more: shown", fontsize=10.5)
        ax.plot([seen, seen], [0, 0.9 * top], color=ACCENT, linewidth=2.6)
        ax.plot(seen, 0.9 * top, "D", color=ACCENT, markersize=10)
        ax.annotate(
            f"here: {seen} of {n}",
            xy=(seen, 0.9 * top),
            xytext=(9 if seen < 0.75 * n else -9, 0),
            textcoords="offset points",
            ha="left" if seen < 0.75 * n else "right",
            va="center",
            fontsize=11,
            fontweight="bold",
            color=ACCENT,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
        )
        ax.set_ylim(0, 1.28 * top)
        ax.set_xlim(-0.7, n + 0.7)
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
        ax.set_xlabel(what)
        ax.set_ylabel("chance by guessing (%)")
        put_title(
            ax,
            f"{test.method[0].upper()}{test.method[1:]}: {' against '.join(pair_of(test))}",
        )
        line = (
            "The dashed line: from there on, guessing gives so many in fewer than 5 of 100 tests."
            if needed is not None
            else "No count could show a difference: there are too few answers."
        )
        put_caption(ax, f"Bars: how often guessing alone gives each count. {line}")
    return ax


def plot_just_about_right(reading: Reading, *, ax: Axes | None = None) -> Axes:
    """Shares of too little, just right and too much for every water, around just right.

    Raises
    ------
    ReadingError
        If the reading is not of a just-about-right question.
    """
    scale = SCALES.get(reading.scores.scale)
    if scale is None or not scale.middle_is_best:
        raise ReadingError(
            f"reading must be of a just-about-right question, got {reading.scores.attribute!r} on "
            f"{reading.scores.scale or 'an unknown scale'}. Draw its curve instead.",
            field="reading",
        )
    side = np.sign(reading.scores.score - (scale.lowest + scale.highest) / 2).astype(int) + 1
    recipe = reading.scores.column("recipe")
    labels = _water_labels(reading)
    with styled():
        ax = axes_for(ax, height=1.5 + 0.55 * len(labels))
        rows = np.arange(len(labels))[::-1]
        for row, name in zip(rows, labels, strict=True):
            mine = side[recipe == name]
            shares = [100 * float((mine == place).mean()) for place in range(3)]
            start = -shares[0] - shares[1] / 2
            for share, look in zip(shares, _SIDES.values(), strict=True):
                ax.barh(row, share, left=start, height=0.62, linewidth=1, **look)
                if share >= 12:
                    ax.text(
                        start + share / 2,
                        row,
                        f"{share:.0f} %",
                        ha="center",
                        va="center",
                        fontsize=10,
                        color="white" if look["color"] == ACCENT else INK,
                        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1}
                        if look["hatch"]
                        else None,
                    )
                start += share
            ax.text(103, row, f"n = {len(mine)}", va="center", fontsize=10, color=PALE)
        ax.axvline(0, color=PALE, linewidth=0.8, zorder=0)
        ax.set_yticks(rows, labels.values())
        ax.tick_params(axis="y", length=0)
        ax.set_xlim(-102, 102)
        ax.set_xticks([-100, -50, 0, 50, 100], ["100", "50", "0", "50", "100"])
        ax.spines["left"].set_visible(False)
        ax.set_xlabel("share of answers (%), centred on just right")
        ax.legend(
            handles=[
                Patch(facecolor=look["color"], hatch=look["hatch"], edgecolor=INK, label=name)
                for name, look in _SIDES.items()
            ],
            loc="lower left",
            bbox_to_anchor=(0, 1),
            ncols=3,
            borderaxespad=0.1,
            handlelength=1.4,
            columnspacing=1.2,
        )
        put_title(ax, f"{data.title_of(reading, 'just about right?')}\n")
        put_caption(
            ax,
            "Each bar is a water. The further it hangs to one side, the more tasters found too "
            "little (left) or too much (right). No mean is taken.",
            share=0.7,
        )
    return ax


def _water_labels(reading: Reading) -> dict[str, str]:
    """Recipes in order of what varied, each with its levels under its name."""
    factors = data.varied(reading)
    table = reading.scores.recipes.sort_values(list(factors) or ["recipe"], kind="stable")
    return {
        str(row["recipe"]): "\n".join(
            [
                str(row["recipe"]),
                ", ".join(COORDINATE[one].state(float(row[one])) for one in factors),
            ]
        ).strip()
        for row in table.to_dict("records")
    }


def plot_checked(found: CheckedTerms, *, title: str = "", ax: Axes | None = None) -> Axes:
    """How often each word was checked for each water: a dot as large as the share.

    Parameters
    ----------
    found : CheckedTerms
        As from :func:`labkit.analysis.check_all_that_apply`.
    title : str
        The coffee's name, to head the picture.
    ax : Axes, optional
        Where to draw.

    Raises
    ------
    ReadingError
        If no word was offered.
    """
    if found.shares.empty:
        raise ReadingError(
            "words must be offered to be drawn, got none. Choose words to check.", field="words"
        )
    wide = found.shares.pivot(index="term", columns="water", values="share")
    wide = wide.loc[wide.mean(axis=1).sort_values(ascending=False, kind="stable").index]
    told = set(found.terms.loc[found.terms["p_adjusted"] < 0.05, "term"])
    with styled():
        ax = axes_for(ax, height=1.3 + 0.42 * len(wide))
        rows = np.arange(len(wide))[::-1]
        for row, (word, shares) in zip(rows, wide.iterrows(), strict=True):
            ax.axhline(row, color=HAIR, linewidth=0.6, zorder=0)
            for place, share in enumerate(shares):
                if pd.isna(share):
                    continue
                dark = word in told
                ax.scatter(
                    place,
                    row,
                    s=30 + 560 * share,
                    color=ACCENT if dark else BAND,
                    edgecolor=INK,
                    linewidth=0.8,
                    zorder=2,
                )
                ax.annotate(
                    f"{100 * share:.0f}",
                    xy=(place, row),
                    xytext=(15, 0),
                    textcoords="offset points",
                    va="center",
                    fontsize=10,
                )
        ax.set_yticks(rows, [textwrap.fill(str(word), 18) for word in wide.index])
        ax.set_xticks(range(len(wide.columns)), [str(water) for water in wide.columns])
        ax.tick_params(length=0)
        ax.set_xlim(-0.5, len(wide.columns) - 0.4)
        ax.set_ylim(-0.6, len(wide) - 0.4)
        for spine in ("left", "bottom"):
            ax.spines[spine].set_visible(False)
        put_title(ax, f"{title}: words checked" if title else "Words checked")
        put_caption(
            ax,
            "Numbers: share of the tasters who checked the word for that water (%). Dark: the "
            "waters differ in it by more than chance, all words allowed for (Cochran's Q). A word "
            "not checked is no proof that it was not there.",
            share=0.72,
        )
    return ax
