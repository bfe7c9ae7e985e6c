"""One water for everybody: the same wherever it is asked for, and kept where cups do not tell."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.analysis.across.coffees import read_across
from labkit.analysis.model.scores import gather_scores
from labkit.analysis.reading.coffee import read_coffee
from labkit.analysis.search import recommendation as module
from labkit.analysis.search.belief import believe
from labkit.analysis.search.next_flight import suggest_flight
from labkit.analysis.search.recommendation import recommend
from labkit.analysis.search.simulate import PlantedPeak, SimulatedPanel
from labkit.analysis.search.stopping import stop_or_taste

CONTROL = (0.5, 100.0, 30.0)
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)


def tasted(waters, best=(0.2, 100.0, 30.0), effect=3.0, seed=4):
    """Four tasters, each water twice, the control marked."""
    panel = SimulatedPanel.draw(
        ["Ada", "Ben", "Cleo", "Dov"],
        PlantedPeak(best=best, effect_points=effect),
        rng=np.random.default_rng(seed),
    )
    frame = panel.taste_flights([waters, waters], rng=np.random.default_rng(seed + 1))
    names = ["mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]
    is_control = (np.abs(frame[names].to_numpy(dtype=float) - CONTROL) < 1e-6).all(axis=1)
    return frame.assign(is_control=is_control)


@pytest.fixture(scope="module")
def sweep():
    """Only the share was varied."""
    return tasted([(share, 100.0, 30.0) for share in SHARES])


def test_what_never_varied_is_kept_and_said_to_be_untold(sweep):
    found = recommend(gather_scores(sweep))

    share, hardness, alkalinity = found.coordinates
    assert share.is_told
    assert share.level < 0.5
    for one, level in ((hardness, 100), (alkalinity, 30)):
        assert (one.was_varied, one.is_told, one.level, one.may_cost) == (False, False, level, None)
    assert "not told; kept at 100 mg/L" in found.not_told


def test_a_coordinate_that_the_cups_do_not_tell_stays_at_the_control():
    """Alkalinity at both ends of its range scores alike: 0 must not become the recipe."""
    waters = [CONTROL, (0.1, 100.0, 0.0), (0.1, 100.0, 60.0), (0.9, 100.0, 0.0), (0.9, 100.0, 60.0)]
    frame = tasted(waters, effect=0.0)
    # What alkalinity did is taken out to the last digit: the cups are level along it.
    own = frame.groupby(["taster", "flight", "mg_share"])["score"].transform("mean")

    found = recommend(gather_scores(frame.assign(score=own)))

    assert not found.coordinates[2].is_told
    assert found.water.alkalinity_mg_l_caco3 == CONTROL[2]
    assert found.coordinates[2].may_cost > 0


def test_headline_next_flight_stop_and_table_of_coffees_name_the_same_water(sweep):
    alone = read_coffee(sweep)
    water = alone.recommended.water
    belief = believe(sweep)

    assert alone.best.target == water
    assert read_across(sweep).readings[0].best.target == water
    assert belief.recommended.water == water
    assert suggest_flight(belief, k=3).leader == water
    assert stop_or_taste(belief).leader == water
    for one in alone.best.factor_ranges:
        assert one.lo <= getattr(water, one.factor) <= one.hi


def test_the_same_scores_are_worked_out_once(sweep, monkeypatch):
    first = recommend(gather_scores(sweep))

    def fail(*_args, **_more):
        raise AssertionError("worked out again")

    monkeypatch.setattr(module, "_recommended", fail)
    assert recommend(gather_scores(sweep.sample(frac=1, random_state=1).sort_index())) is first
    with pytest.raises(AssertionError, match="worked out again"):
        recommend(gather_scores(sweep.assign(score=10 - sweep["score"])))


def test_no_water_lies_beyond_what_was_tasted():
    frame = tasted([(share, 100.0, 30.0) for share in SHARES[:3]], best=(1.0, 180.0, 60.0))

    water = recommend(gather_scores(frame)).water

    assert water.mg_share <= 0.5
    assert (water.hardness_mg_l_caco3, water.alkalinity_mg_l_caco3) == (100, 30)
