"""The next flight follows the scores, stays where it may, and gives reasons that can be false."""

import itertools
from collections import Counter
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from labkit.analysis.region import Excluded, Region, water_target
from labkit.analysis.search.belief import believe
from labkit.analysis.search.next_flight import suggest_flight
from labkit.analysis.search.reasons import ReasonKind
from labkit.analysis.search.simulate import PanelNoise, PlantedPeak, SimulatedPanel
from labkit.analysis.search.surface_belief import SurfaceBelief
from labkit.errors import ReadingError, RegionError
from labkit.tasting import MOST_TIMES
from labkit.water import COORDINATES

SPREAD = [(0.5, 100, 30), (0.2, 60, 10), (0.8, 60, 50), (0.2, 160, 50), (0.8, 160, 10)]


def tasted(best, *, flights=3, effect=2.0, seed=11, **options):
    rng = np.random.default_rng(seed)
    panel = SimulatedPanel.draw(
        list("ABCD"), PlantedPeak(best=best, effect_points=effect), seed=rng
    )
    return panel.taste_flights([SPREAD] * flights, seed=rng, **options)


def test_the_same_scores_and_seed_suggest_the_same_flight():
    scores = tasted((0.3, 80, 20))

    first = suggest_flight(scores, k=4, seed=np.random.default_rng(5))
    second = suggest_flight(scores, k=4, seed=np.random.default_rng(5))

    assert first == second


@pytest.fixture(scope="module")
def against_control():
    """Scores of five waters, the first of which is the control."""
    return believe(tasted((0.3, 80, 20)), control=SPREAD[0])


def test_a_flight_that_confirms_holds_leader_and_control_twice_each(against_control):
    flight = suggest_flight(against_control, k=5, confirm=True)
    control = water_target(np.array(SPREAD[0], dtype=float))
    times = Counter(flight.targets)
    why = {cup.target: cup.reason.kind for cup in flight.cups}

    assert flight.confirms
    assert times[flight.leader] == times[control] == 2
    assert len(flight.targets) == 5
    assert why[control] is ReasonKind.AGAINST_LEADER
    assert flight.control_price is None
    small = suggest_flight(against_control, k=3, include=[flight.leader], confirm=True)
    assert Counter(small.targets)[control] == 1
    assert not suggest_flight(against_control, k=5).confirms


def test_no_water_has_more_than_two_cups_in_a_flight(against_control):
    """So few waters that a search would pour one of them more often."""
    few = Region(locked={"hardness_mg_l_caco3": 100, "alkalinity_mg_l_caco3": 30})
    few = replace(few, excluded=(Excluded(ranges={"mg_share": (0.0, 0.75)}),))

    flight = suggest_flight(tasted((0.3, 80, 20)), few, k=8)

    assert max(Counter(flight.targets).values()) <= MOST_TIMES


def test_a_cup_of_the_control_is_priced_by_what_the_flight_is_worth_with_it(against_control):
    """Of one cup by hand: what it is worth itself, less what the control in its place is."""
    flight = suggest_flight(against_control, k=1)
    control = suggest_flight(against_control, k=1, include=[SPREAD[0]])

    assert control.cups[0].target == water_target(np.array(SPREAD[0], dtype=float))
    assert control.control_price is None
    assert flight.control_price == pytest.approx(flight.gain - control.gain, abs=1e-3)


def test_the_leader_follows_the_planted_best_water():
    soft = suggest_flight(tasted((0.3, 50, 15))).leader
    hard = suggest_flight(tasted((0.8, 170, 15))).leader

    assert soft.hardness_mg_l_caco3 < hard.hardness_mg_l_caco3
    assert soft.mg_share < hard.mg_share


def test_permuting_the_scores_changes_the_suggestion():
    scores = tasted((0.3, 80, 20))
    shuffled = scores.assign(score=np.random.default_rng(1).permutation(scores["score"].to_numpy()))

    assert suggest_flight(scores).targets != suggest_flight(shuffled).targets


def test_nothing_outside_the_region_is_proposed():
    region = Region(
        locked={"alkalinity_mg_l_caco3": 30},
        excluded=(Excluded(ranges={"mg_share": (0.0, 0.4)}),),
        allowed=lambda waters: waters[:, 1] <= 120,
    )

    for frame in (None, tasted((0.3, 80, 20))):
        suggestion = suggest_flight(frame, region, n_tasters=4)
        assert region.contains(suggestion.targets).all()
        # What the scores speak for is the same whatever is held here; it says where it lies.
        elsewhere = not region.contains(suggestion.leader).all()
        assert suggestion.is_elsewhere == elsewhere


def test_what_is_asked_for_is_in_the_flight_even_outside_the_region():
    region = Region(locked={"alkalinity_mg_l_caco3": 30})

    suggestion = suggest_flight(tasted((0.3, 80, 20)), region, include=[(0.33, 77, 5)])

    first = suggestion.cups[0]
    assert [getattr(first.target, name) for name in COORDINATES] == [0.33, 77, 5]
    assert first.reason.kind == "asked for"
    assert region.contains(suggestion.targets[1:]).all()


def test_a_first_flight_needs_no_scores():
    suggestion = suggest_flight(None, k=5, n_tasters=3)

    assert len(set(suggestion.targets)) == 5


def test_missing_scores_and_several_sessions_are_read():
    first = tasted((0.3, 80, 20), missing=0.3)
    second = tasted((0.3, 80, 20), seed=12, session="another day")
    scores = pd.concat([first, second[second["taster"] != "B"]], ignore_index=True)

    assert suggest_flight(scores, k=3).leader.hardness_mg_l_caco3 < 160


def test_too_many_cups_or_an_unsuitable_scale_are_refused():
    with pytest.raises(RegionError, match=r"k must be between 1 .* and 12, got 13"):
        suggest_flight(None, k=13)
    with pytest.raises(RegionError, match="k must be between 2"):
        suggest_flight(None, k=1, include=SPREAD[:2])
    with pytest.raises(ReadingError, match=r"more is better.* got 'just about right'"):
        suggest_flight(tasted((0.3, 80, 20)).assign(scale="just about right"))


def test_the_second_opinion_is_the_fitted_surface():
    belief = believe(tasted((0.3, 80, 20)))

    surface = believe(tasted((0.3, 80, 20)), engine="surface")

    assert surface.second is None
    second = belief.second.leader
    best = surface.posterior.recipes[surface.posterior.leader]
    assert [getattr(second, name) for name in COORDINATES] == pytest.approx(best)


@pytest.mark.parametrize(("sd", "disagrees"), [(1e-3, True), (3.0, False)])
def test_engines_disagree_only_when_both_are_sure(monkeypatch, sd, disagrees):
    """A stand-in surface that rises steeply to where a quiet panel found the worst water."""
    rng = np.random.default_rng(2)
    peak = PlantedPeak(best=(0.1, 40, 5), effect_points=4)
    panel = SimulatedPanel.draw(list("ABCD"), peak, seed=rng, noise=PanelNoise().times(0.2))
    corners = list(itertools.product((0, 0.5, 1), (20, 110, 200), (0, 60)))
    scores = panel.taste_flights([corners[:9], corners[9:]] * 2, seed=rng)

    def wrong(cups, fitted):
        coefficients = np.zeros(10)
        coefficients[1:4] = 2.0
        return SurfaceBelief(centre=6.0, coefficients=coefficients, covariance=sd**2 * np.eye(10))

    monkeypatch.setattr("labkit.analysis.search.estimate.surface_belief", wrong)
    second = suggest_flight(scores).second

    assert second.disagrees is disagrees


def test_draws_of_the_surface_do_not_turn_with_what_a_processor_rounds():
    """Ten equal eigenvalues: their vectors are any that the last digits choose."""
    noise = np.random.default_rng(8).normal(0, 1e-15, (10, 10))
    waters = np.array([[0.2, 60.0, 20.0], [0.8, 140.0, 60.0]])

    one, other = (
        SurfaceBelief(centre=6.0, coefficients=np.zeros(10), covariance=covariance).draws(
            waters, 50, rng=np.random.default_rng(1)
        )
        for covariance in (np.eye(10), np.eye(10) + noise + noise.T)
    )

    np.testing.assert_allclose(one, other, atol=1e-5)
