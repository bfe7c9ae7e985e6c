"""The average over shapes is Bayes' rule, checked against densities computed the long way."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from labkit.analysis.search import shape_average as suggest_shapes
from labkit.analysis.search.cups import no_cups
from labkit.analysis.search.shape_average import (
    AMPLITUDE_CHANCES,
    AMPLITUDES,
    DEPARTURES,
    LEVEL_SD,
    MOST_SHAPES,
    carriers,
    weigh,
)
from labkit.analysis.search.shape_library import shape_library
from labkit.analysis.search.shapes import draw_shapes, unit
from labkit.tasting.scales import SCALES

SHAPES = draw_shapes(40, rng=np.random.default_rng(3))


def some_cups(n=6, seed=4):
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(n, n)) / 4
    return suggest_shapes.Cups(
        waters=rng.uniform([0, 20, 0], [1, 200, 60], (n, 3)),
        value=rng.normal(6.5, 0.6, n),
        noise=root @ root.T + 0.1 * np.eye(n),
        block=np.zeros(n, dtype=int),
        n_scores=np.full(n, 4),
        is_control=np.zeros(n, dtype=bool),
        usual=6.2,
        points=1.0,
        repeat_variance=0.4,
        tasters=("A", "B", "C", "D"),
    )


def covariance(cups, departure):
    u = unit(cups.waters)
    apart = ((u[:, None] - u[None]) ** 2).sum(axis=2)
    smooth = departure.sd**2 * np.exp(-apart / (2 * departure.length**2))
    return cups.noise + LEVEL_SD**2 + smooth


def test_weights_are_prior_times_normal_density():
    """Against scipy.stats.multivariate_normal, every shape, amplitude and departure."""
    cups = some_cups()
    heights = SHAPES.heights(cups.waters).astype(float)
    y = cups.value - cups.value.mean()
    expected = []
    for departure in DEPARTURES:
        normal = multivariate_normal(np.zeros(len(y)), covariance(cups, departure))
        if departure.with_shape:
            prior = AMPLITUDE_CHANCES / AMPLITUDE_CHANCES.sum() / len(SHAPES)
            density = np.array(
                [[normal.pdf(y - s * height) for s in AMPLITUDES] for height in heights]
            )
            expected.append(departure.chance * prior * density)
        else:
            expected.append(np.array([[departure.chance * normal.pdf(y)]]))
    total = sum(weights.sum() for weights in expected)

    average = weigh(cups, SHAPES)

    for got, wanted in zip(average.weights, expected, strict=True):
        assert got == pytest.approx(wanted / total, rel=2e-3, abs=1e-9)


def test_expected_scores_are_the_weighted_conditional_means():
    """Against the textbook conditional mean of a normal distribution, component by component."""
    cups = some_cups()
    waters = np.random.default_rng(5).uniform([0, 20, 0], [1, 200, 60], (5, 3))
    average = weigh(cups, SHAPES)
    at_cups = SHAPES.heights(cups.waters).astype(float)
    at_waters = SHAPES.heights(waters).astype(float)
    y = cups.value - cups.value.mean()
    u, seen = unit(waters), unit(cups.waters)
    apart = ((u[:, None] - seen[None]) ** 2).sum(axis=2)
    expected = np.zeros(5)
    for weights, departure in zip(average.weights, DEPARTURES, strict=True):
        cross = LEVEL_SD**2 + departure.sd**2 * np.exp(-apart / (2 * departure.length**2))
        solve = np.linalg.inv(covariance(cups, departure))
        if not departure.with_shape:
            expected += weights[0, 0] * (cross @ solve @ y)
            continue
        for i in range(len(SHAPES)):
            for weight, s in zip(weights[i], AMPLITUDES, strict=True):
                mean = s * at_waters[i] + cross @ solve @ (y - s * at_cups[i])
                expected += weight * mean

    assert average.expected(waters) == pytest.approx(cups.value.mean() + expected, abs=2e-3)


def test_draws_scatter_around_what_is_expected():
    cups = some_cups()
    waters = np.vstack([cups.waters[:2], [[0.5, 100, 30]]])
    average = weigh(cups, SHAPES)

    draws = average.draws(waters, 6000, rng=np.random.default_rng(6))

    assert draws.mean(axis=0) == pytest.approx(average.expected(waters), abs=0.03)


def test_a_departure_without_shape_draws_the_gaussian_process_posterior(monkeypatch):
    """Variance of the draws against the textbook conditional variance."""
    departure = suggest_shapes.Departure(sd=0.6, length=0.5, chance=1.0, with_shape=False)
    monkeypatch.setattr(suggest_shapes, "DEPARTURES", (departure,))
    cups = some_cups()
    waters = np.vstack([cups.waters[:1], [[0.5, 100, 30]]])
    u, seen = unit(waters), unit(cups.waters)
    apart = ((u[:, None] - seen[None]) ** 2).sum(axis=2)
    cross = LEVEL_SD**2 + 0.36 * np.exp(-apart / 0.5)
    solve = np.linalg.inv(covariance(cups, departure))
    variance = LEVEL_SD**2 + 0.36 - np.einsum("ij,jk,ik->i", cross, solve, cross)

    draws = weigh(cups, SHAPES).draws(waters, 20_000, rng=np.random.default_rng(7))

    assert draws.var(axis=0) == pytest.approx(variance, rel=0.08)


def test_before_the_first_cup_every_shape_weighs_the_same():
    average = weigh(no_cups(4, SCALES["liking 1-9"]), SHAPES)

    for weights, departure in zip(average.weights, DEPARTURES, strict=True):
        assert weights.sum() == pytest.approx(departure.chance, rel=1e-4)
        assert np.ptp(weights, axis=0).max() < 1e-6


@pytest.mark.parametrize("n_cups", [0, 6])
def test_the_shapes_averaged_over_stand_for_the_whole_library(n_cups, monkeypatch):
    """The heaviest alone are all domes before the first cup, and a fifth of a point off."""
    cups = some_cups(n_cups) if n_cups else no_cups(4, SCALES["liking 1-9"])
    waters = np.random.default_rng(8).uniform([0, 20, 0], [1, 200, 60], (40, 3))
    average = weigh(cups, shape_library())

    told = average.expected(waters)

    monkeypatch.setattr(suggest_shapes, "MOST_SHAPES", len(shape_library()))
    assert told == pytest.approx(average.expected(waters), abs=0.02)


def test_carriers_keep_the_weight_of_all_and_of_each_form():
    library = shape_library()
    even = np.full(len(library), np.float32(1 / len(library)))
    uneven = even * np.exp(2 * np.random.default_rng(9).normal(size=len(even))).astype(np.float32)

    for weight in (even, uneven):
        standing, worth = carriers(weight, MOST_SHAPES)

        assert len(np.unique(standing)) == MOST_SHAPES
        kept = np.bincount(library.form[standing], weights=worth)
        assert kept == pytest.approx(np.bincount(library.form, weights=weight), rel=0.01)
        heavy = np.argsort(-weight, kind="stable")[:100] if weight is uneven else []
        assert np.isin(heavy, standing).all()
