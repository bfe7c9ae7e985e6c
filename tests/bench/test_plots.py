"""Pictures follow the scores, say what they show, and leave the reader's settings alone."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from labkit.analysis import TasterKind, VerdictKind, water_map
from labkit.analysis.reading.coffee import read_coffee
from labkit.analysis.region import Region
from labkit.analysis.search.next_flight import suggest_flight
from labkit.analysis.search.simulate import PlantedPeak, SimulatedPanel
from labkit.bench import (
    plot_attributes,
    plot_next,
    plot_panel,
    plot_residuals,
    plot_score,
    plot_surface,
    plot_tasters,
    reading_pictures,
)
from labkit.bench.plots.data import cup_means, distance_outside, ratio_ticks, ratio_words
from labkit.bench.plots.style import INK, spread
from labkit.bench.plots.surface import CHANCES, SHADES
from labkit.errors import ReadingError
from labkit.present import say
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
    panel = SimulatedPanel.draw(TASTERS, peak, seed=rng)
    scores = panel.taste_flights(flights, seed=rng, control=waters([0.5])[0])
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


def test_points_are_the_scores_and_the_curve_is_the_maps_slice(ratio):
    """Everyone tasted everything, so what is taken out for tasters and flights cancels in means."""
    ax = plot_score(ratio)
    frame = ratio.scores.frame
    rings = ax.collections[0].get_offsets()
    assert len(rings) == len(frame.groupby(["taster", "recipe"]))
    dots = np.vstack([ax.collections[i].get_offsets() for i in (1, 2)])
    assert sorted(dots[:, 1]) == pytest.approx(sorted(frame.groupby("recipe")["score"].mean()))
    line = max(ax.lines, key=lambda line: line.get_linewidth())
    x, y = line.get_data()
    (cut,) = water_map(ratio.scores).slices
    assert x == pytest.approx(cut.levels)
    assert y == pytest.approx(cut.expected)
    at = ratio.recommended
    assert np.interp(at.water.mg_share, x, y) == pytest.approx(at.expected, abs=0.01)


@pytest.mark.parametrize("share", [0.1, 0.9])
def test_the_best_on_the_picture_follows_the_planted_optimum(share):
    reading = tasted((share, 80, 30), [waters(SHARES)] * 3)
    assert reading.verdict.kind is VerdictKind.FOUND
    ax = plot_score(reading)
    diamond = next(line for line in ax.lines if line.get_marker() == "D")
    assert abs(diamond.get_xdata()[0] - share) < 0.25
    assert "best 0." in texts(ax) or "best 1." in texts(ax)


def test_a_picture_of_a_flat_coffee_marks_no_best_and_says_so(flat):
    assert flat.verdict.kind is VerdictKind.NOTHING
    ax = plot_score(flat)
    assert not any(line.get_marker() == "D" for line in ax.lines)
    assert "No difference" in texts(ax)


def test_scores_of_one_level_are_drawn_though_nothing_can_be_fitted():
    frame = tasted((0.5, 80, 30), [waters(SHARES)]).scores.frame
    reading = read_coffee(frame.assign(score=7.0))
    assert reading.surface is None
    ax = plot_score(reading)
    assert "All scores are identical (7)" in texts(ax)
    with pytest.raises(ReadingError, match="there is no surface to draw"):
        plot_surface(reading)


def test_axes_carry_units_and_the_ratio_in_words(ratio, grid):
    ax = plot_score(ratio)
    assert ax.get_xlabel() == "Mg share of hardness"
    assert ax.get_ylabel() == "overall (liking 1-9)"
    ratios = [t.get_text() for t in ax.child_axes[0].get_xticklabels()]
    assert ratios == ["all Ca", "3:1", "1:1", "1:3", "all Mg"]
    assert plot_score(grid, "hardness_mg_l_caco3").get_xlabel().endswith("(mg/L as CaCO3)")


def test_points_of_other_levels_are_moved_along_the_estimate(grid):
    """A slice moves a point by what is expected of its water there, less what is expected here."""
    found = water_map(grid.scores)
    table, cut = grid.scores.recipes.reset_index(drop=True), found.slices[0]
    for row, moved in zip(table.itertuples(), cut.moved, strict=True):
        served = found.recommended.water.hardness_mg_l_caco3
        here, there = (
            found.at(Target(mg_share=row.mg_share, hardness_mg_l_caco3=h, alkalinity_mg_l_caco3=30))
            for h in (row.hardness_mg_l_caco3, served)
        )
        if here.water.hardness_mg_l_caco3 == row.hardness_mg_l_caco3:
            assert moved == pytest.approx(there.expected - here.expected, abs=1e-4)
    drawn = cup_means(grid, "mg_share", along=cut).groupby("recipe")["score"].first()
    own = cup_means(grid, "mg_share", "hardness_mg_l_caco3").groupby("recipe")["score"].first()
    assert (drawn - own).reindex(table["recipe"]).to_numpy() == pytest.approx(cut.moved)


def test_points_of_other_levels_are_moved_along_a_surface_alone(grid):
    """A point keeps its distance from the surface wherever it is moved."""
    raw = grid.scores.frame.groupby(["taster", "recipe"])["score"].mean()
    points = cup_means(grid, "mg_share", as_given=True).set_index(["taster", "recipe"])
    columns = ["mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]
    there = points[columns].assign(hardness_mg_l_caco3=grid.best.target.hardness_mg_l_caco3)
    before = raw - grid.surface.mean(points[columns])
    after = points["score"] - grid.surface.mean(there)
    pd.testing.assert_series_equal(before, after, check_names=False)
    assert "moved there" in texts(plot_score(grid, "mg_share"))


def shade_at(ax, spot):
    """Between which chances a spot of the map is shaded."""
    shades = next(one for one in ax.collections if getattr(one, "filled", False))
    inside = [i for i, path in enumerate(shades.get_paths()) if path.contains_point(spot)]
    return shades.levels[inside[0]], shades.levels[inside[0] + 1]


def test_map_marks_tasted_waters_shades_the_chance_and_bars_the_stated_range(grid):
    ax = plot_surface(grid)
    found = water_map(grid.scores)
    spots = np.vstack([c.get_offsets() for c in ax.collections if len(c.get_offsets()) > 1])
    table = grid.scores.recipes
    control = table[table["is_control"]]
    assert len(spots) + len(control) == len(table)
    star = next(line for line in ax.lines if line.get_marker() == "*")
    assert star.get_xydata()[0] == pytest.approx(
        (grid.best.target.mg_share, grid.best.target.hardness_mg_l_caco3)
    )
    for water in (grid.best.target, grid.recommended.control, *waters((0.1, 0.9), (70, 130))):
        at = found.at(water)
        low, high = shade_at(ax, (at.water.mg_share, at.water.hardness_mg_l_caco3))
        assert low - 0.03 <= at.chance_near_best <= high + 0.03
    bars = {line.get_gid(): line.get_data() for line in ax.lines if line.get_gid()}
    across, up = grid.best.factor_ranges
    assert bars[f"range of {across.factor}"][0] == pytest.approx([across.lo, across.hi])
    assert bars[f"range of {up.factor}"][1] == pytest.approx([up.lo, up.hi])
    assert "alkalinity 30 mg/L (as in all cups)" in texts(ax)


def test_the_shades_of_a_map_grow_darker_in_grey_print():
    """Luma of ITU-R BT.601: each step of chance prints darker than the one before."""
    shades = [SHADES(place)[:3] for place in np.linspace(0, 1, len(CHANCES) - 1)]
    luma = np.array(shades) @ (0.299, 0.587, 0.114)
    assert (np.diff(luma) < -0.05).all()


def test_a_map_says_at_what_the_dial_not_drawn_is_held():
    rng = np.random.default_rng(6)
    peak = PlantedPeak(best=(0.3, 100, 20), effect_points=3)
    panel = SimulatedPanel.draw(TASTERS, peak, seed=rng)
    every = [(s, h, a) for s in (0.1, 0.9) for h in (60, 140) for a in (0, 50)] + [(0.5, 100, 30)]
    frame = panel.taste_flights([every, every], seed=rng, control=(0.5, 100, 30))
    reading = read_coffee(frame)
    level = reading.recommended.water.alkalinity_mg_l_caco3
    assert f"alkalinity {level:.0f} mg/L (the recommended level)" in texts(plot_surface(reading))
    hardness_held = plot_surface(reading, "mg_share", "alkalinity_mg_l_caco3")
    assert "Drawn at hardness" in texts(hardness_held)
    for factor in ("mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3"):
        assert "as recommended" in texts(plot_score(reading, factor))


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


def test_panel_picture_marks_verdicts_by_shape_and_fill(ratio):
    check = ratio.panel
    ax = plot_panel(ratio)
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert labels == [f"{one.taster}\n{one.kind}" for one in check.tasters]
    told = [one for one in check.tasters if np.isfinite(one.agreement)]
    dots = [line for line in ax.lines if line.get_marker() in ("o", "X")]
    assert [dot.get_xdata()[0] for dot in dots] == pytest.approx([one.agreement for one in told])
    for dot, one in zip(dots, told, strict=True):
        assert (dot.get_markerfacecolor() == INK) == (one.kind is TasterKind.SEES)
    assert say(check) in texts(ax)


def test_a_lone_taster_is_drawn_without_an_agreement():
    frame = tasted((0.5, 80, 30), [waters(SHARES)]).scores.frame
    ax = plot_panel(read_coffee(frame[frame["taster"] == "Ana"]))
    assert "agreement not known yet" in texts(ax)
    assert "One taster" in texts(ax)


def test_residual_picture_has_a_mark_for_each_cup(ratio):
    ax = plot_residuals(ratio)
    marks = np.vstack([marks.get_offsets() for marks in ax.collections])
    assert len(marks) == len(ratio.scores.frame)
    assert sorted(marks[:, 1]) == pytest.approx(sorted(ratio.diagnostics.residuals["standardised"]))
    frame = ratio.scores.frame.assign(score=7.0)
    with pytest.raises(ReadingError, match="there is no surface to check"):
        plot_residuals(read_coffee(frame))


def test_pictures_of_a_reading_are_all_that_it_allows(ratio, grid):
    """Score, tasters, panel, residuals; of two factors a map and another score more."""
    assert reading_pictures(ratio).count("<figure") == 4
    shown = reading_pictures(grid)
    assert shown.count("<figure") == 6
    assert "Map of waters" in shown
    assert shown.index("<details>") > shown.index("Score against hardness")
    assert shown.count("<details>") == 3, "the map under the finger stands on the page"
    assert "<details>" not in reading_pictures(grid, for_paper=True)
    flat = read_coffee(ratio.scores.frame.assign(score=7.0))
    assert reading_pictures(flat) == ""


def numbers(ax):
    found = [t for t in ax.texts if t.get_text().isdigit()]
    return {int(t.get_text()): t.xy for t in found}


def test_next_waters_are_numbered_where_they_lie(grid):
    region = Region(locked={"alkalinity_mg_l_caco3": 30})
    suggestion = suggest_flight(grid.scores.frame, region, k=5)
    ax = plot_next(suggestion, grid)
    for i, cup in enumerate(suggestion.cups, start=1):
        spot = (cup.target.mg_share, cup.target.hardness_mg_l_caco3)
        assert numbers(ax)[i] == pytest.approx(spot)
        assert ax.get_xlim()[0] <= spot[0] <= ax.get_xlim()[1]
        assert ax.get_ylim()[0] <= spot[1] <= ax.get_ylim()[1]
        assert " ".join(say(cup.reason).split()) in texts(ax)


def test_next_waters_stand_on_the_curve_where_one_factor_moves(ratio):
    region = Region(locked={"alkalinity_mg_l_caco3": 30, "hardness_mg_l_caco3": 80})
    suggestion = suggest_flight(ratio.scores.frame, region, k=3)
    ax = plot_next(suggestion, ratio)
    for i, cup in enumerate(suggestion.cups, start=1):
        assert numbers(ax)[i] == pytest.approx((cup.target.mg_share, cup.expected), abs=1e-3)


def test_a_first_flight_is_drawn_before_anything_is_known():
    suggestion = suggest_flight(None, Region(), k=4)
    assert sorted(numbers(plot_next(suggestion))) == [1, 2, 3, 4]


def test_attributes_stand_one_above_the_other_and_share_the_axis(ratio, flat):
    same = [ratio, flat]
    axes = plot_attributes(same)
    assert len(axes) == 2
    assert axes[0].get_shared_x_axes().joined(*axes)
    heavy = [max(ax.lines, key=lambda line: line.get_linewidth()) for ax in axes]
    assert heavy[0].get_linestyle() == "-"
    assert heavy[1].get_linestyle() == "--"
    assert axes[1].get_xlabel() == "Mg share of hardness"
    with pytest.raises(ReadingError, match="readings must be of one coffee, got none"):
        plot_attributes([])


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


def test_pictures_may_be_drawn_in_any_thread_and_no_notebook_knows_of_them(ratio):
    before, figures = dict(mpl.rcParams), plt.get_fignums()
    alone = reading_pictures(ratio)

    with ThreadPoolExecutor(3) as threads:
        together = list(threads.map(lambda _turn: reading_pictures(ratio), range(3)))

    assert together == [alone] * 3
    assert dict(mpl.rcParams) == before
    assert plt.get_fignums() == figures
