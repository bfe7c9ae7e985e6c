"""The map says of every water what the recommendation says of its own, off the same truths."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.analysis.model.scores import gather_scores
from labkit.analysis.reading.coffee import read_coffee
from labkit.analysis.search import water_map as module
from labkit.analysis.search.belief import believe
from labkit.analysis.search.estimate import estimate
from labkit.analysis.search.recommendation import SMALL_LOSS, recommend
from labkit.analysis.search.simulate import PlantedPeak, SimulatedPanel
from labkit.analysis.search.stopping import stop_or_taste
from labkit.analysis.search.water_map import water_map
from labkit.water import COORDINATES, as_coordinates

CONTROL = (0.5, 100.0, 30.0)
CORNERS = [(s, h, a) for s in (0.05, 0.95) for h in (50.0, 150.0) for a in (5.0, 55.0)]
SWEEP = [(share, 100.0, 30.0) for share in (0.0, 0.25, 0.5, 0.75, 1.0)]


def tasted(waters, best=(0.2, 120.0, 20.0), flights=2, seed=11):
    rng = np.random.default_rng(seed)
    peak = PlantedPeak(best=best, effect_points=3)
    panel = SimulatedPanel.draw(["Ada", "Ben", "Cleo", "Dov"], peak, seed=rng)
    return panel.taste_flights([waters] * flights, seed=rng, control=CONTROL)


@pytest.fixture(scope="module", params=["three coordinates", "a sweep"])
def played(request):
    waters = [CONTROL, *CORNERS] if request.param == "three coordinates" else SWEEP
    frame = tasted(waters)
    return frame, water_map(gather_scores(frame))


def test_at_the_recommended_water_the_map_states_what_verdict_and_stop_state(played):
    frame, found = played
    reading = read_coffee(frame)
    one, advice = reading.recommended, stop_or_taste(believe(frame))

    assert found.recommended == one
    here = found.at(one.water)
    assert here.water == one.water
    stated = (here.expected, here.low, here.high)
    assert stated == pytest.approx((one.expected, one.low, one.high), rel=1e-6)
    assert stated == pytest.approx((reading.best.mean, reading.best.lo, reading.best.hi), rel=1e-6)
    assert here.chance_above_control == one.chance_above_control == advice.chance_above_control
    assert here.chance_above_best == 0


def test_at_the_control_it_states_the_rest_of_the_same_chance(played):
    """Two waters of which no draw has both alike: the chances of either being better sum to 1."""
    _frame, found = played
    one = found.recommended

    here = found.at(one.control)
    assert here.water == one.control
    assert here.chance_above_control is None
    assert here.chance_above_best == pytest.approx(1 - one.chance_above_control, abs=1e-9)


def test_slices_run_through_the_recommended_water(played):
    _frame, found = played
    one = found.recommended

    assert tuple(cut.factor for cut in found.slices) == found.varied
    for cut in found.slices:
        level = getattr(one.water, cut.factor)
        for values, stated in ((cut.expected, one.expected), (cut.low, one.low)):
            assert np.interp(level, cut.levels, values) == pytest.approx(stated, abs=0.02)
        assert (cut.low < cut.expected).all()
        assert (cut.expected < cut.high).all()


def test_where_the_best_lies_sums_to_one_and_holds_what_the_verdict_states(played):
    """The range in words holds 95 % of the chance on the map, and its ends cut it from there."""
    frame, found = played
    best = read_coffee(frame).best

    assert found.where_best.sum() == pytest.approx(1)
    for stated in best.factor_ranges:
        place = COORDINATES.index(stated.factor)
        levels = found.levels[place]
        others = tuple({0, 1, 2} - {place})
        chance = found.where_best.sum(axis=others)
        half = np.diff(levels).max() / 2
        inside = (levels >= stated.lo - half) & (levels <= stated.hi + half)
        assert chance[inside].sum() >= 0.95 - 1e-9
        if stated.is_told and stated.lo > levels[0]:
            below = levels < stated.lo - half
            assert chance[below].sum() <= 0.025 + 1e-9


def test_the_chance_to_be_near_the_best_is_counted_over_the_same_truths(played):
    frame, found = played
    now = estimate(gather_scores(frame))
    grid = np.stack(np.meshgrid(*found.levels, indexing="ij"), axis=-1).reshape(-1, 3)
    truths = now.truths(grid)
    highest = truths.max(axis=1, keepdims=True)

    near = (truths >= highest - SMALL_LOSS).mean(axis=0).reshape(found.expected.shape)

    assert found.margin == SMALL_LOSS  # on a scale from 1 to 9
    # Heights of shapes are single numbers: a draw on the very edge may fall to either side.
    assert np.abs(near - found.chance_near_best).max() <= 2 / len(truths)
    assert found.chance_near_best.max() > 0.3


def test_the_map_stays_within_what_was_tasted_and_holds_what_was_never_varied():
    found = water_map(gather_scores(tasted(SWEEP)))

    share, hardness, alkalinity = found.levels
    assert (share[0], share[-1], len(share)) == (0, 1, 21)
    assert (hardness.tolist(), alkalinity.tolist()) == ([100], [30])
    assert found.varied == ("mg_share",)
    assert set(map(tuple, as_coordinates(found.tasted).tolist())) == set(SWEEP)


def test_a_map_follows_the_planted_best():
    for best in (0.1, 0.9):
        frame = tasted(SWEEP, best=(best, 100.0, 30.0), flights=3)
        found = water_map(gather_scores(frame))
        share, _hardness, _alkalinity = found.levels
        likely = share[int(np.argmax(found.chance_near_best[:, 0, 0]))]
        assert abs(likely - best) <= 0.25


def test_a_map_is_made_once_for_the_same_scores(monkeypatch):
    scores = gather_scores(tasted(SWEEP, seed=12))
    first = water_map(scores)

    def fail(*_args, **_more):
        raise AssertionError("worked out again")

    monkeypatch.setattr(module, "_map_of", fail)
    assert water_map(scores) is first
    assert water_map(scores, recommended=recommend(scores)) is first
