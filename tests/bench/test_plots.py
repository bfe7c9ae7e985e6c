"""Pictures follow the scores, say what they show, and leave the reader's settings alone."""

from __future__ import annotations

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from labkit.analysis.reading import read_coffee
from labkit.analysis.simulate import PlantedPeak, SimulatedPanel
from labkit.bench import plot_score, plot_surface, plot_tasters
from labkit.bench.plot_data import cup_means, distance_outside, ratio_ticks, ratio_words
from labkit.bench.style import spread
from labkit.errors import ReadingError
from labkit.water import Target

TASTERS = ["Ana", "Bo", "Cy", "Di", "Efe", "Fia"]
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)


def waters(shares, hardnesses=(80,)):
    return [
        Target(mg_share=share, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=30)
        for share in shares
        for hardness in hardnesses
    ]


def tasted(best, flights, effect_points=3.0, seed=3):
    rng = np.random.default_rng(seed)
    peak = PlantedPeak(best=best, effect_points=effect_points, reach=(0.45, 70, 25))
    panel = SimulatedPanel.draw(TASTERS, peak, rng=rng)
    scores = panel.taste_flights(flights, rng=rng, control=waters([0.5])[0])
    return read_coffee(scores.assign(coffee="Osmeni"))


@pytest.fixture(scope="module")
def ratio():
    return tasted((0.8, 80, 30), [waters(SHARES)] * 3)


@pytest.fixture(scope="module")
def grid():
    every = waters((0.0, 0.5, 1.0), (60, 80, 140))
    return tasted((0.2, 120, 30), [every[:5], every[4:], every[::2], every[1::2]])


@pytest.fixture(scope="module")
def flat():
    return tasted((0.5, 80, 30), [waters(SHARES)], effect_points=0.0, seed=5)


def texts(ax):
    shown = [text.get_text() for text in ax.texts] + [ax.get_title(loc="left")]
    return " ".join(" ".join(shown).split())


def test_points_are_the_scores_and_the_curve_is_the_fit(ratio):
    ax = plot_score(ratio)
    frame = ratio.scores.frame
    rings = ax.collections[0].get_offsets()
    assert len(rings) == len(frame.groupby(["taster", "recipe"]))
    assert sorted(rings[:, 1]) == pytest.approx(
        sorted(frame.groupby(["taster", "recipe"])["score"].mean())
    )
    line = max(ax.lines, key=lambda line: line.get_linewidth())
    x, y = line.get_data()
    at = [Target(mg_share=s, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30) for s in x]
    assert y == pytest.approx(ratio.predict(at)["mean"].to_numpy())


@pytest.mark.parametrize("share", [0.1, 0.9])
def test_the_best_on_the_picture_follows_the_planted_optimum(share):
    reading = tasted((share, 80, 30), [waters(SHARES)] * 3)
    assert reading.verdict.kind == "best found"
    ax = plot_score(reading)
    diamond = next(line for line in ax.lines if line.get_marker() == "D")
    assert abs(diamond.get_xdata()[0] - share) < 0.25
    assert "best 0." in texts(ax) or "best 1." in texts(ax)


def test_a_picture_of_a_flat_coffee_marks_no_best_and_says_so(flat):
    assert flat.verdict.kind == "no difference seen"
    ax = plot_score(flat)
    assert not any(line.get_marker() == "D" for line in ax.lines)
    assert "No difference" in texts(ax)


def test_scores_of_one_level_are_drawn_though_nothing_can_be_fitted():
    frame = tasted((0.5, 80, 30), [waters(SHARES)]).scores.frame
    reading = read_coffee(frame.assign(score=7.0))
    assert reading.surface is None
    ax = plot_score(reading)
    assert "Every score is 7" in texts(ax)
    with pytest.raises(ReadingError, match="there is no surface to draw"):
        plot_surface(reading)


def test_axes_carry_units_and_the_ratio_in_words(ratio, grid):
    ax = plot_score(ratio)
    assert ax.get_xlabel() == "Mg share of hardness"
    assert ax.get_ylabel() == "overall (liking 1-9)"
    ratios = [t.get_text() for t in ax.child_axes[0].get_xticklabels()]
    assert ratios == ["all Ca", "3:1", "1:1", "1:3", "all Mg"]
    assert plot_score(grid, "hardness_mg_l_caco3").get_xlabel().endswith("(mg/L as CaCO3)")


def test_points_of_other_levels_are_moved_along_the_surface(grid):
    """A point keeps its distance from the surface wherever it is moved."""
    raw = grid.scores.frame.groupby(["taster", "recipe"])["score"].mean()
    points = cup_means(grid, "mg_share").set_index(["taster", "recipe"])
    columns = ["mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]
    there = points[columns].assign(hardness_mg_l_caco3=grid.best.target.hardness_mg_l_caco3)
    before = raw - grid.surface.mean(points[columns])
    after = points["score"] - grid.surface.mean(there)
    pd.testing.assert_series_equal(before, after, check_names=False)
    assert "moved there" in texts(plot_score(grid, "mg_share"))


def test_surface_marks_tasted_waters_and_outlines_the_best_region(grid):
    ax = plot_surface(grid)
    spots = np.vstack([c.get_offsets() for c in ax.collections if len(c.get_offsets()) > 1])
    table = grid.scores.recipes
    control = table[table["is_control"]]
    assert len(spots) + len(control) == len(table)
    star = next(line for line in ax.lines if line.get_marker() == "*")
    assert star.get_xydata()[0] == pytest.approx(
        (grid.best.target.mg_share, grid.best.target.hardness_mg_l_caco3)
    )
    assert "heavy outline" in texts(ax)
    assert "Standard error" in texts(ax)


def test_hatching_starts_where_no_water_was_tasted_around():
    """By hand: a diamond; its middle is inside, the corner (0, 0) lies sqrt(1/8) outside."""
    diamond = np.array([[0, 50], [100, 50], [50, 0], [50, 100], [50, 50]])
    axis = np.array([0.0, 50.0, 100.0])
    away = distance_outside(diamond, axis, axis)
    assert away[1, 1] == 0
    assert away[0, 0] == pytest.approx(np.sqrt(1 / 8))
    line = np.array([[0, 0], [50, 50], [100, 100]])
    assert distance_outside(line, axis, axis).min() > 0


def test_each_taster_has_a_trace_that_differs_in_grey_too(ratio):
    ax = plot_tasters(ratio)
    traces = ax.lines[:-1]
    assert len(traces) == len(TASTERS)
    looks = {(t.get_marker(), str(t._unscaled_dash_pattern)) for t in traces}
    assert len(looks) == len(TASTERS)
    for name in [*TASTERS, "panel"]:
        assert name in texts(ax)


def test_names_at_the_end_of_traces_keep_apart():
    heights = spread([1.0, 1.0, 1.01, 5.0], 0.5)
    assert heights[3] == 5.0
    assert np.diff(sorted(heights)).min() >= 0.5 - 1e-6


def test_a_factor_that_did_not_vary_is_refused_with_its_level(ratio, grid):
    with pytest.raises(ReadingError, match="got 'hardness_mg_l_caco3', which stayed at 80 mg/L"):
        plot_score(ratio, "hardness_mg_l_caco3")
    with pytest.raises(ReadingError, match="factor must be one of mg_share"):
        plot_tasters(grid, "strength")
    with pytest.raises(ReadingError, match="two factors must have varied"):
        plot_surface(ratio)


@pytest.mark.parametrize("draw", [plot_score, plot_tasters, plot_surface])
def test_plots_draw_where_told_and_leave_every_setting_alone(draw, grid):
    before = dict(mpl.rcParams)
    figure, axes = plt.subplots(1, 2, figsize=(11, 5))
    size = figure.get_size_inches().tolist()
    assert draw(grid, ax=axes[1]) is axes[1]
    assert figure.get_size_inches().tolist() == size
    assert dict(mpl.rcParams) == before
    assert len(plt.get_fignums()) == 1
    figure.canvas.draw()


@pytest.mark.parametrize(
    ("share", "words"), [(0, "all Ca"), (0.25, "3:1"), (0.5, "1:1"), (2 / 3, "1:2"), (1, "all Mg")]
)
def test_ratio_words_are_calcium_first(share, words):
    """By hand: a quarter of the moles magnesium is three calcium to one magnesium."""
    assert ratio_words(share) == words


def test_narrow_ranges_get_finer_ratios():
    assert ratio_ticks(0, 1) == [0, 0.25, 0.5, 0.75, 1]
    assert ratio_ticks(0.25, 0.5) == [0.25, pytest.approx(1 / 3), 0.5]
