"""The level point is classified, and the best region is drawn from what is uncertain."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.analysis.best import DRAWS, find_best, level_point, stationary_point
from labkit.analysis.coding import second_order_terms
from labkit.analysis.scores import gather_scores
from labkit.analysis.surface import fit_surface

from .conftest import GRID, tasted


def exact(function, rng):
    """A surface fitted to scores that follow a function of coded levels almost exactly."""
    frame = tasted(waters=GRID, flights=2)
    coded = np.column_stack([frame["mg_share"] * 2 - 1, (frame["hardness_mg_l_caco3"] - 80) / 40])
    frame["score"] = function(*coded.T) + rng.normal(0, 0.01, len(frame))
    return fit_surface(gather_scores(frame))


@pytest.mark.parametrize(
    ("kind", "function", "inside"),
    [
        ("peak", lambda x, y: 7 - (x - 0.3) ** 2 - (y + 0.2) ** 2, True),
        ("peak", lambda x, y: 7 - (x - 3) ** 2 - y**2, False),
        ("saddle", lambda x, y: 7 - x**2 + y**2, True),
        ("ridge", lambda x, y: 7 - (x - y) ** 2, True),
        ("trough", lambda x, y: 5 + x**2 + y**2, True),
    ],
)
def test_the_level_point_is_named(kind, function, inside):
    found = stationary_point(exact(function, np.random.default_rng(1)))

    assert found.kind == kind
    if kind != "ridge":
        assert found.inside == inside


def test_a_plane_has_no_level_point():
    eigenvalues, point = level_point(second_order_terms(2), [1.0, 0.5, 0, 0, 0], 2)

    assert point is None
    np.testing.assert_array_equal(eigenvalues, 0)


def test_a_saddle_is_answered_with_the_best_tasted_corner():
    surface = exact(lambda x, y: 7 - x**2 + y**2 + 0.5 * y, np.random.default_rng(2))

    best = find_best(surface, rng=np.random.default_rng(3))

    assert best.target.hardness_mg_l_caco3 == pytest.approx(120)
    assert best.target.mg_share == pytest.approx(0.5, abs=0.03)
    assert "end of the range tasted for hardness" in best.sentence


def test_more_noise_makes_a_wider_region():
    rng = np.random.default_rng(4)
    surface = exact(lambda x, y: 7 - (x - 0.3) ** 2 - (y + 0.2) ** 2, rng)
    frame = tasted(waters=GRID, flights=2)
    noisy = fit_surface(gather_scores(frame))

    sharp, wide = (find_best(one, rng=rng) for one in (surface, noisy))

    assert sharp.region["in_region"].sum() < wide.region["in_region"].sum()
    assert sharp.factor_ranges[0].hi - sharp.factor_ranges[0].lo < 0.05


def test_the_interval_holds_the_best_level():
    for seed in range(4):
        surface = fit_surface(gather_scores(tasted(waters=GRID, flights=2, seed=seed)))
        best = find_best(surface, rng=np.random.default_rng(seed))
        for one in best.factor_ranges:
            assert one.lo - 1e-9 <= one.best <= one.hi + 1e-9


def test_the_chance_of_being_near_the_best_is_the_plain_count_over_all_draws():
    """Counted in small batches and in bytes; here in one piece, on a surface that is all noise."""
    frame = tasted(waters=GRID, flights=2)
    frame["score"] = 5 + np.random.default_rng(7).normal(0, 2, len(frame))
    surface = fit_surface(gather_scores(frame))
    best = find_best(surface, rng=np.random.default_rng(8))

    waters = best.region.iloc[:, :3].to_numpy()
    means = best.region["mean"].to_numpy()
    heights = surface.draws(DRAWS, rng=np.random.default_rng(8)) @ surface.design(waters).T
    near = heights >= heights.max(axis=1, keepdims=True) - 0.1 * np.ptp(means)

    np.testing.assert_array_equal(best.region["chance_near_best"], near.mean(axis=0))
    assert near.sum(axis=0).max() > 255  # more than a byte holds


def test_a_best_water_far_from_every_cup_is_said_to_be():
    """A cross of two dials never tasted its corners."""
    cross = [(share, 80, 20) for share in (0, 0.5, 1)] + [(0.5, h, 20) for h in (40, 120)]
    frame = tasted(waters=cross)
    coded = (2 * frame["mg_share"] - 1, (frame["hardness_mg_l_caco3"] - 80) / 40)
    noise = np.random.default_rng(1).normal(0, 0.05, len(frame))
    surface = fit_surface(gather_scores(frame.assign(score=6 + coded[0] + coded[1] + noise)))

    assert "no cup was tasted near it" in find_best(surface, rng=np.random.default_rng(2)).sentence


def test_a_region_beyond_what_was_tasted_is_said_to_be():
    surface = fit_surface(gather_scores(tasted(waters=GRID, flights=2)))

    best = find_best(surface, rng=np.random.default_rng(2), feasible=[(0.5, 190, 20)])

    assert "none of the waters that can be made" in best.sentence
    assert best.target.hardness_mg_l_caco3 <= 120


def test_the_ratio_is_said_as_at_the_bench():
    surface = exact(lambda x, y: 7 - x**2 - y**2, np.random.default_rng(1))

    assert "(Ca:Mg 1:1)" in find_best(surface, rng=np.random.default_rng(2)).sentence
