"""The flight is the one that teaches most, and is worth what one tasting of it buys."""

import numpy as np
import pytest
from scipy.stats import norm

from labkit.analysis.search.acquisition import knowledge_gradient
from labkit.analysis.search.posterior import Posterior

NOISE = {"cup_variance": 0.2, "flight_variance": 0.0}


def posterior(mean, sd, n_draws=4000):
    """Independent beliefs whose draws have exactly these means and SDs and no correlation."""
    rng = np.random.default_rng(4)
    draws = rng.normal(size=(n_draws, len(mean)))
    draws = np.linalg.qr(draws - draws.mean(axis=0))[0] * np.sqrt(n_draws)
    recipes = np.column_stack([np.linspace(0, 1, len(mean)), *np.full((2, len(mean)), 30.0)])
    return Posterior(
        recipes=recipes,
        n_allowed=len(mean),
        mean=np.array(mean, dtype=float),
        draws=(mean + draws * sd).astype(np.float32),
    )


def value_of_one_cup(mean, sd, at):
    """Frazier, Powell & Dayanik (2009), eq. 14 for independent beliefs, in closed form."""
    told = sd[at] ** 2 / np.sqrt(sd[at] ** 2 + NOISE["cup_variance"])
    away = -abs(mean[at] - max(m for i, m in enumerate(mean) if i != at)) / told
    return told * (away * norm.cdf(away) + norm.pdf(away))


def test_a_cup_is_worth_what_the_closed_form_says():
    mean, sd = [6.5, 6.4, 6.0], [0.1, 0.3, 0.5]

    batch = knowledge_gradient(posterior(mean, sd), 1, rng=np.random.default_rng(1), **NOISE)

    assert batch.gains[0] == pytest.approx(value_of_one_cup(mean, sd, batch.places[0]), rel=0.03)


def test_a_water_that_needs_two_tastings_to_show_its_worth_is_tasted():
    """One tasting cannot lift the doubtful water over the leader; a search goes on after it."""
    mean, sd = [6.5, 6.5, 6.1], [0.1, 0.1, 0.4]
    now = [value_of_one_cup(mean, sd, at) for at in range(3)]

    batch = knowledge_gradient(posterior(mean, sd), 1, rng=np.random.default_rng(1), **NOISE)

    assert int(np.argmax(now)) != 2
    assert batch.places == (2,)


def test_cups_that_would_teach_the_same_are_not_poured_twice():
    twins = posterior([6.5, 6.5, 6.4], [0.5, 0.5, 0.5])
    twins.draws[:, 1] = twins.draws[:, 0]

    batch = knowledge_gradient(twins, 2, rng=np.random.default_rng(1), **NOISE)

    assert 2 in batch.places


def test_a_water_that_is_often_the_best_is_looked_at_before_those_that_are_once():
    """Of 250 waters, more than are looked at as leaders to come, 248 are the best in one draw."""
    rng = np.random.default_rng(2)
    mean, sd = np.full(250, 6.0), np.full(250, 0.01)
    mean[0], mean[-1], sd[-1] = 6.5, 6.4, 1.0
    beliefs = posterior(mean, sd)
    once = np.arange(1, 249)
    beliefs.draws[rng.permutation(len(beliefs.draws))[: len(once)], once] = 12

    batch = knowledge_gradient(beliefs, 1, rng=rng, **NOISE)

    assert batch.places == (249,)
    assert batch.gains[0] == pytest.approx(value_of_one_cup(mean, sd, 249), rel=0.05)


def test_what_is_included_comes_first_and_counts():
    batch = knowledge_gradient(
        posterior([6.5, 6.4, 6.0], [0.1, 0.3, 0.5]),
        2,
        rng=np.random.default_rng(1),
        included=(2,),
        **NOISE,
    )

    assert batch.places[0] == 2
    assert len(batch.gains) == 2


def test_a_shift_of_the_whole_flight_teaches_nothing_about_differences():
    """A large flight variance leaves differences within the flight as sure as a small one does."""
    beliefs = posterior([6.5, 6.4, 6.0, 6.2], [0.3, 0.3, 0.3, 0.3])
    still, moved = (
        sum(
            knowledge_gradient(
                beliefs,
                4,
                rng=np.random.default_rng(1),
                cup_variance=0.2,
                flight_variance=variance,
                included=(0, 1, 2, 3),
            ).gains
        )
        for variance in (0.01, 100.0)
    )

    assert moved == pytest.approx(still, rel=0.15)
