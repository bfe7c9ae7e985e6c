"""The card says so where the search would serve another water than the curve's best."""

from dataclasses import replace

import numpy as np
import pytest

from labkit.analysis import read_coffee
from labkit.analysis.search.belief import believe, water_target
from labkit.analysis.search.simulate import PlantedPeak, SimulatedPanel
from labkit.water import Target
from labkit.widgets.steps.hand_over.card_form import _search_says


@pytest.fixture(scope="module")
def scores():
    """A panel that likes soft water rich in magnesium, over a grid of two factors."""
    panel = SimulatedPanel.draw(
        ["Ada", "Ben", "Cleo", "Dov"],
        PlantedPeak(best=(0.7, 80.0, 30.0), effect_points=2.0),
        rng=np.random.default_rng(1),
    )
    grid = [(share, hard, 30.0) for share in (0.1, 0.5, 0.9) for hard in (60.0, 110.0, 160.0)]
    return panel.taste_flights([grid[:5], grid[4:]], rng=np.random.default_rng(2))


def target(share, hardness):
    return Target(mg_share=share, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=30.0)


def test_another_leader_is_named_with_what_it_is_expected_to_win(scores):
    far = replace(read_coffee(scores, "overall").best, target=target(0.1, 160.0))
    posterior = believe(scores, also=[far.target]).posterior
    leader = posterior.leader
    more = posterior.mean[leader] - posterior.mean[posterior.places([far.target])[0]]

    told = _search_says(scores, far)

    assert water_target(posterior.recipes[leader]).text in told
    assert f"expects {more:.1f} points more" in told
    assert more > 0.5


def test_nothing_is_said_where_both_would_serve_the_same(scores):
    posterior = believe(scores).posterior
    same = water_target(posterior.recipes[posterior.leader])

    assert _search_says(scores, replace(read_coffee(scores, "overall").best, target=same)) == ""


def test_after_a_sweep_of_one_factor_the_search_is_silent(scores):
    sweep = scores[scores["hardness_mg_l_caco3"] == 110.0]
    best = read_coffee(sweep, "overall").best

    assert len(best.factor_ranges) == 1
    assert _search_says(sweep, replace(best, target=target(0.1, 160.0))) == ""
