"""Pictures of many coffees show what was found for each, and say where nothing was."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from labkit.analysis.across.coffees import read_across
from labkit.analysis.across.shared_tank import one_water
from labkit.analysis.reading.acidity_balance import Balance, BalanceKind
from labkit.analysis.reading.words import WordReadings
from labkit.analysis.region import Region
from labkit.analysis.search.simulate import PlantedPeak, SimulatedPanel
from labkit.bench import (
    across_picture,
    balance_picture,
    losses_picture,
    plot_across,
    plot_balance,
    plot_losses,
    plot_words,
)
from labkit.errors import ReadingError


@pytest.fixture(autouse=True)
def close_figures():
    yield
    plt.close("all")


@pytest.fixture(scope="module")
def across():
    rng = np.random.default_rng(3)
    parts = []
    for coffee, best, effect in (("low", 0.2, 3.0), ("high", 0.8, 3.0), ("flat", 0.5, 0.0)):
        peak = PlantedPeak(best=(best, 80, 30), effect_points=effect)
        panel = SimulatedPanel.draw(["Ana", "Bo", "Cy", "Di"], peak, seed=rng)
        waters = [(share, 80, 30) for share in (0, 0.25, 0.5, 0.75, 1)]
        parts.append(panel.taste_flights([waters] * 3, seed=rng).assign(client="c", coffee=coffee))
    return read_across(pd.concat(parts), pd.DataFrame({"client": ["c"], "coffee": ["none yet"]}))


def words_in(ax):
    return " ".join(" ".join(text.get_text() for text in ax.texts).split())


def test_each_coffee_has_its_diamond_and_its_cups_or_a_word_why_not(across):
    share, hardness, _ = plot_across(across)
    diamonds = [x for line in share.lines if line.get_marker() == "D" for x in line.get_xdata()]
    assert diamonds == pytest.approx(across.table["best_mg_share"].dropna().tolist())
    for one in across.table.to_dict("records"):
        assert one["coffee"] in words_in(share)
    assert "(60 cups, 4 tasters)" in words_in(share)
    assert "no difference seen" in words_in(share)
    assert "not tasted" in words_in(share)
    assert words_in(hardness).count("not varied") == 3
    assert across_picture(across).count("<img") == 1
    nothing = across.only(client=["nobody"])
    assert "No coffee is left" in across_picture(nothing)
    with pytest.raises(ReadingError, match="coffees must hold at least one"):
        plot_across(nothing)


def test_a_hill_stands_where_the_best_may_lie(across):
    """The top of each hill is at the level with the highest chance for its width; none beyond."""
    share = plot_across(across)[0]
    hills = next(one for one in share.collections if len(one.get_paths()) == 2).get_paths()
    found = [one for one in across.readings if one.is_found]
    for hill, one in zip(hills, found, strict=True):
        levels = [water.mg_share for water, _chance in one.recommended.where]
        x, y = hill.vertices.T
        assert (x.min(), x.max()) == pytest.approx((min(levels), max(levels)))
        top = x[np.isclose(y, y.max())].mean()
        low, high = one.recommended.range_of("mg_share")
        assert low <= top <= high


def test_losses_are_drawn_and_unknown_ones_named(across):
    region = Region(locked={"hardness_mg_l_caco3": 80, "alkalinity_mg_l_caco3": 30})
    found = one_water(across.readings, region)
    ax = plot_losses(found)
    diamonds = [line.get_xdata()[0] for line in ax.lines if line.get_marker() == "D"]
    assert diamonds == pytest.approx(found.losses["loss"].dropna().tolist())
    assert "none yet (25 % of the cups): cannot tell" in words_in(ax)
    assert losses_picture(found).startswith("<figure")


def test_words_told_apart_from_chance_are_black_and_others_grey():
    rows = [("fruity", 0.1, 0.6, 0.001), ("clean", 0.3, 0.4, 0.6)]
    table = pd.DataFrame(rows, columns=["word", "share_low", "share_high", "p_adjusted"])
    found = WordReadings(
        words=table.assign(factor="mg_share"), sayings=table, n_tasters=4, n_cups=9
    )
    ax = plot_words(found)[0]
    ends = [line for line in ax.lines if len(line.get_xdata()) == 2]
    wide = {tuple(line.get_xdata()): line.get_linewidth() for line in ends}
    assert wide[(0.1, 0.6)] > wide[(0.3, 0.4)]
    with pytest.raises(ReadingError, match="words must hold at least one"):
        plot_words(
            WordReadings(words=table.assign(factor=""), sayings=table, n_tasters=4, n_cups=9)
        )


def test_the_balance_is_marked_where_it_is_known_and_not_where_it_is_not():
    rows = [
        (level, 10, side, n, n / 10, 0.0, 1.0)
        for level, counts in ((15.0, (1, 3, 6)), (45.0, (5, 4, 1)))
        for side, n in zip(("too flat", "just right", "too sharp"), counts, strict=True)
    ]
    columns = ["alkalinity_mg_l_caco3", "n_answers", "side", "n", "share", "lo", "hi"]
    about = {"coffee": "Osmeni", "attribute": "acidity", "cannot_tell": ()}
    about |= {"kind": BalanceKind.TOLD, "crossing": 32.0, "n_tasters": 4}
    about |= {"share_sharp": 0.3, "share_flat": 0.3}
    about |= {"shares": pd.DataFrame(rows, columns=columns)}
    about |= {"penalties": pd.DataFrame(), "curve": pd.DataFrame()}
    known = Balance(alkalinity_mg_l_caco3=32.0, lo=25.0, hi=float("nan"), **about)
    assert "balance at 32" in words_in(plot_balance(known))
    unknown = Balance(alkalinity_mg_l_caco3=float("nan"), lo=0.0, hi=0.0, **about)
    assert "These cups show no balance" in words_in(plot_balance(unknown))
    assert "<img" in balance_picture(known)
