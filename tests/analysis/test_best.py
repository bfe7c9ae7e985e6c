"""The level point is classified, and the best region is drawn from what is uncertain."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from labkit.analysis.model.coding import second_order_terms
from labkit.analysis.model.scores import gather_scores
from labkit.analysis.model.surface import fit_surface
from labkit.analysis.reading.best import DRAWS, find_best, level_point, stationary_point

from .conftest import GRID, tasted


def exact(function, rng):
    """A surface fitted to scores that follow a function of coded levels almost exactly."""
    frame = tasted(waters=GRID, flights=2)
    coded = np.column_stack([frame["mg_share"] * 2 - 1, (frame["hardness_mg_l_caco3"] - 80) / 40])
    frame["score"] = function(*coded.T) + rng.normal(0, 0.01, len(frame))
    return fit_surface(gather_scores(frame.assign(scale="of its own")))


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
    assert [one.factor for one in best.factor_ranges if one.open_end] == ["hardness_mg_l_caco3"]


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
    heights = surface.draws(DRAWS, seed=np.random.default_rng(8)) @ surface.design(waters).T
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

    assert not find_best(surface, rng=np.random.default_rng(2)).was_tasted_near


def test_a_region_beyond_what_was_tasted_is_said_to_be():
    surface = fit_surface(gather_scores(tasted(waters=GRID, flights=2)))

    best = find_best(surface, rng=np.random.default_rng(2), feasible=[(0.5, 190, 20)])

    assert not best.is_makeable
    assert best.target.hardness_mg_l_caco3 <= 120


def two_minerals(waters_of_flights):
    """Six tasters who taste nothing but the Mg share, best at 0.6."""
    rng = np.random.default_rng(1)
    frames = [
        tasted(waters=waters, flights=1, tasters="ABCDEF").assign(
            session=f"day {day}", jug=lambda frame, day=day: f"{day}." + frame["jug"].astype(str)
        )
        for day, waters in enumerate(waters_of_flights)
    ]
    frame = pd.concat(frames, ignore_index=True)
    frame = frame[~frame["is_control"]]
    noise = rng.normal(0, 0.3, len(frame))
    return frame.assign(score=6 - 4 * (frame["mg_share"] - 0.6) ** 2 + noise)


SHARES = (0, 0.25, 0.5, 0.75, 1)


@pytest.mark.parametrize(
    ("flights", "level"),
    [
        ([[(share, 80, level) for share in SHARES] for level in (20, 40, 60)], 40),
        ([[(share, 80, 20 + 40 * share) for share in SHARES]], 45),
    ],
    ids=["only between flights", "together with the Mg share"],
)
def test_a_factor_that_the_cups_do_not_tell_is_given_no_best_level(flights, level):
    """It was named at its lowest level tasted, with a better one said to lie beyond."""
    surface = fit_surface(gather_scores(two_minerals(flights)))
    best = find_best(surface, rng=np.random.default_rng(2))

    share, alkalinity = best.factor_ranges
    assert share.is_told
    assert share.best == pytest.approx(0.6, abs=0.1)
    assert not alkalinity.is_told
    assert not alkalinity.open_end
    assert (alkalinity.lo, alkalinity.hi) == (20, 60)
    # Tasted near a Mg share of 0.6: at 40 and 50 where the two went together.
    assert best.target.alkalinity_mg_l_caco3 == pytest.approx(level, abs=6)


def test_the_end_of_the_range_is_that_of_the_scores_read():
    """Cups of a flight that was not opened, or of people left out, do not widen it."""
    frame = tasted(waters=[(0.5, 80, level) for level in (0, 20, 40, 60)])
    frame["score"] = 5 + frame["alkalinity_mg_l_caco3"] / 20
    frame["score"] += np.random.default_rng(3).normal(0, 0.1, len(frame))
    whole = find_best(fit_surface(gather_scores(frame)), rng=np.random.default_rng(4))
    some = frame[frame["alkalinity_mg_l_caco3"] < 50]
    part = find_best(fit_surface(gather_scores(some)), rng=np.random.default_rng(4))

    ends = [
        (one.tasted_lo, one.tasted_hi, one.open_end)
        for (one,) in (whole.factor_ranges, part.factor_ranges)
    ]
    assert ends == [(0, 60, True), (0, 40, True)]
