"""One water for everybody: the same wherever it is asked for, and kept where cups do not tell."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from labkit.analysis.across.coffees import read_across
from labkit.analysis.model.scores import gather_scores
from labkit.analysis.reading.coffee import read_coffee
from labkit.analysis.region import water_target
from labkit.analysis.search import next_flight as module_of_flight
from labkit.analysis.search import recommendation as module
from labkit.analysis.search.belief import believe
from labkit.analysis.search.confirming import (
    chance_of_pairs,
    chance_to_confirm,
    lead_over_control,
)
from labkit.analysis.search.estimate import estimate
from labkit.analysis.search.next_flight import suggest_flight
from labkit.analysis.search.recommendation import (
    DEAREST,
    LIKELY,
    MATTERS,
    NEAR_EQUAL,
    SURE,
    Level,
    level_of,
    recommend,
)
from labkit.analysis.search.shape_average import (
    EVEN_PEAKS,
    GAIN_COMES_TRUE,
    PEAKS_COST,
    ShapeAverage,
    odds_by_control,
    weigh,
)
from labkit.analysis.search.shape_library import shape_library
from labkit.analysis.search.shapes import DOME, HILL, TENT, TWINS
from labkit.analysis.search.simulate import PlantedPeak, SimulatedPanel
from labkit.analysis.search.stopping import stop_or_taste
from labkit.analysis.search.water_map import water_map
from labkit.present.recommended import not_told
from labkit.tasting import CONFIRMING
from labkit.water import COORDINATES, as_coordinates

CONTROL = (0.5, 100.0, 30.0)
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)


def tasted(waters, best=(0.2, 100.0, 30.0), effect=3.0, seed=4):
    """Four tasters, each water twice, the control marked."""
    panel = SimulatedPanel.draw(
        ["Ada", "Ben", "Cleo", "Dov"],
        PlantedPeak(best=best, effect_points=effect),
        seed=np.random.default_rng(seed),
    )
    frame = panel.taste_flights([waters, waters], seed=np.random.default_rng(seed + 1))
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
    assert "not told; kept at 100 mg/L" in not_told(found)


def test_draws_in_which_all_waters_are_equal_speak_for_none():
    """Seen: a chance of .54 that was .67 with other draws, since a ninth of them fell as a whole to
    one water or the other, by how the mean of the draws had strayed.
    """
    now, waters = estimate(level_in_alkalinity()), np.array([[0.75, 100, 30], [0.75, 100, 45]])

    drawn = [now.draws(waters, rng=np.random.default_rng(seed)) for seed in range(6)]
    more = np.array([one[:, 0] - one[:, 1] for one in drawn])

    assert (more == 0).mean() > 0.08
    expected = now.told.expected(waters)
    assert more.mean(axis=1) == pytest.approx([expected[0] - expected[1]] * 6, abs=1e-5)
    assert np.ptp((more > 0).mean(axis=1) - (more < 0).mean(axis=1)) < 0.1
    alone = now.draws(waters[:1], rng=np.random.default_rng(0))
    assert alone.mean() == pytest.approx(expected[0], abs=1e-5)


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


def asked(leader, session, n_for, n=8):
    """Marks of a confirming test: so many of all prefer the leader to the control."""
    rows = [
        {
            "session": session,
            "flight": 1,
            "taster": f"guest {taster}",
            "position": position,
            "blind_code": f"{session} {taster} {position}",
            "jug": f"{session} {water}",
            "water": water,
            "attribute": "Which do you prefer?",
            "scale": CONFIRMING,
            "score": float((water == "leader") == (taster < n_for)),
            "is_control": water == "control",
            **dict(zip(COORDINATES, levels, strict=True)),
        }
        for taster in range(n)
        for position, (water, levels) in enumerate((("leader", leader), ("control", CONTROL)), 1)
    ]
    return pd.DataFrame(rows)


def level_in_alkalinity():
    """Share and alkalinity were varied; what alkalinity did is taken out to the last digit."""
    waters = [CONTROL, (0.1, 100.0, 0.0), (0.1, 100.0, 60.0), (0.9, 100.0, 0.0), (0.9, 100.0, 60.0)]
    frame = tasted(waters, effect=0.0)
    own = frame.groupby(["taster", "flight", "mg_share"])["score"].transform("mean")
    return frame.assign(score=own)


def test_a_coordinate_that_the_cups_do_not_tell_stays_at_the_water_confirmed_last():
    frame = level_in_alkalinity()
    leader, later = (0.1, 100.0, 35.0), (0.1, 100.0, 25.0)
    about = {name: frame[name].iloc[0] for name in ("client", "coffee", "brew_method")}

    def read(*tests):
        marks = [test.assign(**about) for test in tests]
        everything = pd.concat([frame, *marks], ignore_index=True)
        alone = read_coffee(everything).recommended
        assert believe(everything).recommended == alone
        assert read_across(everything).readings[0].recommended == alone
        return alone

    untested, confirmed = read(), read(asked(leader, "first", 8))
    alkalinity = confirmed.coordinates[2]

    assert untested.water.alkalinity_mg_l_caco3 == CONTROL[2]
    assert not alkalinity.is_told
    assert confirmed.water.alkalinity_mg_l_caco3 == alkalinity.level == 35
    assert alkalinity.may_cost > 0
    assert confirmed.held == water_target(np.array(leader))
    assert confirmed.control == untested.control == water_target(np.array(CONTROL))
    assert "kept at 35 mg/L as in the water that was confirmed, which may cost" in (
        not_told(confirmed)
    )
    assert read(asked(leader, "first", 4)).held == untested.control
    twice = read(asked(leader, "first", 8), asked(later, "second", 8))
    assert twice.water.alkalinity_mg_l_caco3 == 25
    assert read(asked(leader, "first", 8), asked(leader, "second", 3)).held == untested.control
    beyond = read(asked((0.1, 150.0, 35.0), "first", 8))
    assert as_coordinates(beyond.held)[0].tolist() == [0.1, 100, 35]


def test_a_coordinate_that_is_moved_says_so_where_any_level_may_be_the_best():
    """Seen: "alkalinity 50" beside "anywhere from 0 to 60", which was all tasted, without a word.

    What is not told stays where it was held: one that is moved is told in its direction alone.
    """
    waters = [CONTROL, (0.2, 60, 10), (0.8, 60, 40), (0.2, 140, 50), (0.8, 140, 10)]
    frame = tasted(waters, best=(0.3, 80.0, 50.0), effect=2.0)

    found = recommend(gather_scores(frame))
    share, hardness, alkalinity = found.coordinates

    assert found.range_of("hardness_mg_l_caco3") == (60, 140)
    assert hardness.level != CONTROL[1]
    assert (hardness.is_told, hardness.anywhere, hardness.may_cost) == (True, True, None)
    assert "but any level tasted may be the best" in not_told(found)
    assert (alkalinity.is_told, alkalinity.anywhere) == (True, False)
    assert found.range_of("alkalinity_mg_l_caco3")[0] > 10
    for one in found.untold:
        assert one.level == getattr(found.held, one.factor)
    assert share.anywhere == (found.range_of("mg_share") == (0.2, 0.8))


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


@pytest.mark.parametrize("scored", ["two cups", "all alike", "one water"])
def test_where_no_curve_can_be_drawn_all_still_name_the_same_water(sweep, scored):
    """The next flight named a leader of which the reading knew nothing."""
    first = sweep[sweep["flight"] == 1]
    frame = {
        "two cups": first[first["taster"] == "Ada"].iloc[:2],
        "all alike": first.assign(score=6.0),
        "one water": first[first["is_control"]],
    }[scored]

    alone, belief = read_coffee(frame), believe(frame)

    assert alone.best is None
    assert alone.verdict.unread is not None
    assert alone.recommended == belief.recommended
    assert read_across(frame).readings[0].recommended == belief.recommended
    assert suggest_flight(belief, k=3).leader == alone.recommended.water
    assert stop_or_taste(belief).level == alone.recommended.level == Level.OPEN


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


def test_of_the_waters_that_can_be_made_one_within_what_was_tasted_is_recommended():
    frame = tasted([(share, 100.0, 30.0) for share in SHARES[1:4]], best=(0.5, 100.0, 30.0))
    feasible = [water_target(np.array([share, 100.0, 30.0])) for share in (0.0, 0.3, 0.6, 1.0)]

    assert recommend(gather_scores(frame), feasible=feasible).water in feasible[1:3]


def test_a_stated_range_leaves_a_fortieth_out_at_each_end(sweep):
    """By hand: .02 below 80, .98 up to 90: 95 in 100 lie from 80 to 90."""
    levels = ((100, 0.02), (60, 0.02), (80, 0.95), (90, 0.01))
    where = tuple((water_target(np.array([0.5, each, 30.0])), chance) for each, chance in levels)
    found = replace(recommend(gather_scores(sweep)), where=where)

    assert found.range_of("hardness_mg_l_caco3") == (80, 90)
    assert found.range_of("hardness_mg_l_caco3", chance=0.98) == (60, 100)
    assert found.range_of("hardness_mg_l_caco3", chance=0.9) == (80, 80)


def test_beside_the_surface_stands_the_chance_against_the_surfaces_own_water(sweep):
    """Of the same truths as all that is stated; against the control it would be nearly sure."""
    scores = gather_scores(sweep)
    found = recommend(scores)
    truths = estimate(scores).truths(as_coordinates([found.water, found.plain.leader, found.held]))

    assert found.plain.ours == pytest.approx(np.mean(truths[:, 0] > truths[:, 1]), abs=0.005)
    assert np.mean(truths[:, 0] > truths[:, 2]) > 0.9 > found.plain.ours


HELD = np.array(CONTROL)


def sensible(waters, mean, poured=(CONTROL,)):
    """What sense decides among waters, none of them kept back."""
    looked, mean = np.array(waters, dtype=float), np.array(mean, dtype=float)
    best = int(np.argmax(mean))
    place = module.by_sense(looked, mean, HELD, np.array(poured), 1.0, best, [])
    return waters[place]


@pytest.mark.parametrize(
    ("sensible_one", "other", "poured"),
    [
        ((0.2, 100, 30), (0.4, 110, 30), (0.4, 110, 30)),  # fewer coordinates moved
        ((0.2, 110, 30), (0.4, 110, 30), (0.2, 110, 30)),  # poured
        ((0.4, 110, 30), (0.2, 110, 30), CONTROL),  # nearer to the control
        ((0.5, 110, 29), (0.5, 90, 31), CONTROL),  # as near, and less scale
        ((0.0, 100, 30), (0.96, 100, 30), CONTROL),  # as near, and a bottle less
    ],
)
def test_among_waters_as_good_the_more_sensible_is_recommended(sensible_one, other, poured):
    within = 0.9 * NEAR_EQUAL

    assert sensible([sensible_one, other], [7, 7 + within], [poured]) == sensible_one
    assert sensible([other, sensible_one], [7 + within, 7], [poured]) == sensible_one


def test_sense_never_takes_a_water_that_gives_anything_away():
    assert sensible([CONTROL, (0.2, 60, 10)], [7 - 1.1 * NEAR_EQUAL, 7]) == (0.2, 60, 10)


def stub(sd):
    """An estimate whose draws lie around the mean of waters of two moved coordinates."""
    means = {(0.5, 100.0, 30.0): 6.0, (0.2, 100.0, 30.0): 6.9, (0.2, 60.0, 30.0): 7.0}

    def draws(waters, *, rng):
        centre = np.array([means[tuple(water)] for water in waters])
        return centre + rng.normal(0, sd, (4000, len(waters)))

    looked = np.array(list(means))
    return SimpleNamespace(draws=draws, cups=SimpleNamespace(points=1.0)), looked, means


@pytest.mark.parametrize(
    ("gain", "sd", "kept"),
    [
        (0.5 * DEAREST, 2.0, [1]),  # a toss-up that costs little goes back
        (0.5 * DEAREST, 0.01, []),  # little, and sure
        (2 * DEAREST, 20.0, []),  # a toss-up, but it would give away too much
    ],
)
def test_a_coordinate_goes_back_where_its_move_is_a_toss_up_and_costs_little(gain, sd, kept):
    now, looked, means = stub(sd)
    means[(0.2, 60.0, 30.0)] = 6.9 + gain
    means[(0.5, 100.0, 30.0)] = 6.9 - 3 * DEAREST
    mean = np.array(list(means.values()))

    best, found = module.put_back_untold(now, looked, mean, HELD, np.random.default_rng(3))

    assert found == kept
    assert tuple(looked[best]) == ((0.2, 100.0, 30.0) if kept else (0.2, 60.0, 30.0))


@pytest.mark.parametrize(
    ("less", "sd", "poured", "taken"),
    [
        (0.5 * DEAREST, 0.1, [1], 1),  # surely better than the control, and poured
        (0.5 * DEAREST, 0.1, [1, 2], 2),  # so is the best
        (0.5 * DEAREST, 0.6, [1], 2),  # poured, but not surely better
        (1.5 * DEAREST, 0.1, [1], 2),  # it would give away too much
        (0.5 * DEAREST, 0.1, [0], 2),  # only the control was poured
    ],
)
def test_a_poured_water_that_surely_beats_the_control_goes_before_an_unpoured_one(
    less, sd, poured, taken
):
    """By hand: .9 points ahead with an SD of .1 or .6 each, 1.15 times less sure: 5.5 or .9 SDs."""
    now, looked, means = stub(sd)
    means[tuple(looked[1])] = means[tuple(looked[2])] - less
    now.truths = lambda waters: now.draws(waters, rng=np.random.default_rng(1))
    now.control = looked[:1]

    place = module.settled_before_unpoured(
        now, looked, np.array(list(means.values())), 2, np.array(poured)
    )

    assert place == taken


@pytest.fixture(scope="module")
def unpoured():
    """The recommended water lies between what was tasted."""
    waters = [CONTROL, (0.2, 60, 10), (0.8, 60, 40), (0.2, 140, 50), (0.8, 140, 10)]
    return believe(tasted(waters, best=(0.3, 80.0, 20.0)))


@pytest.mark.parametrize(("shift", "ends"), [(-5.3, (1, 3)), (2.2, (7, 9))])
def test_no_score_is_stated_beyond_the_scale(shift, ends):
    """Seen: cups expected at -0.07 to 1.55 on a scale from 1 to 9."""
    waters = [CONTROL, (0.2, 60, 10), (0.8, 60, 40), (0.2, 140, 50), (0.8, 140, 10)]
    frame = tasted(waters, best=(0.3, 80.0, 20.0), effect=2.0)
    frame = frame[frame["flight"] == 1].assign(score=(frame["score"] + shift).clip(1, 9))
    belief = believe(frame)
    found, flight = belief.recommended, suggest_flight(belief, k=5)
    drawn = water_map(gather_scores(frame), recommended=found)

    reasons = [cup.reason for cup in flight.cups]
    stated = [
        *(found.low, found.expected, found.high, found.plain.low, found.plain.high),
        *(end for cup in flight.cups for end in (cup.low, cup.expected, cup.high)),
        *(end for one in reasons for end in (one.low, one.expected, one.high) if end is not None),
        *(drawn.low.min(), drawn.high.max()),
        *(end for one in drawn.slices for end in (one.low.min(), one.high.max())),
    ]
    assert min(stated) >= 1
    assert max(stated) <= 9
    assert (min(stated) == 1) == (shift < 0)
    assert all(ends[0] <= one.expected <= ends[1] for one in (found, *flight.cups))


def test_a_recommended_water_that_was_never_poured_says_so_and_is_in_the_next_flight(unpoured):
    found = unpoured.recommended

    assert not found.was_tasted
    assert found.level is not Level.SETTLED
    for k in (1, 4):
        flight = suggest_flight(unpoured, k=k)
        assert found.water in flight.targets
        assert "asked for" not in {cup.reason.kind for cup in flight.cups}


def test_a_stop_states_the_numbers_of_the_recommendation(unpoured):
    found, advice = unpoured.recommended, stop_or_taste(unpoured)

    assert advice.chance_above_control == found.chance_above_control
    assert advice.gain_over_control == found.over_control
    assert (advice.level, advice.was_tasted) == (found.level, False)
    assert advice.most_to_gain == found.most_to_gain


def test_a_poured_water_needs_no_place_in_the_next_flight(sweep):
    belief = believe(sweep)
    poured = replace(belief, recommended=replace(belief.recommended, was_tasted=True))
    unpoured = replace(belief, recommended=replace(belief.recommended, was_tasted=False))

    assert not module_of_flight.must_be_poured(poured)
    assert module_of_flight.must_be_poured(unpoured)


def test_the_chance_of_pairs_from_the_stated_lead_is_that_of_its_draws(unpoured):
    waters = [CONTROL, (0.2, 60, 10), (0.8, 60, 40), (0.2, 140, 50), (0.8, 140, 10)]
    scores = gather_scores(tasted(waters, best=(0.3, 80.0, 20.0)))
    found = unpoured.recommended
    lead = lead_over_control(unpoured, found.water)

    for n_pairs in (12, 24):
        stated = chance_to_confirm(found, scores, n_pairs)
        by_draws = chance_of_pairs(lead, unpoured.cups.next_cup_variance(1), n_pairs)
        assert stated == pytest.approx(by_draws, abs=0.05)
    assert chance_to_confirm(replace(found, over_control=None), scores, 12) is None
    assert chance_to_confirm(found, scores, 2) == 0  # no two pairs show anything


def settled(**changed):
    said = {"was_tasted": True, "cups_each": 12, "most_to_gain": 2.0, "expected_loss": 0.05}
    return level_of(**({"chance": SURE} | said | changed))


@pytest.mark.parametrize(
    ("changed", "level"),
    [
        ({}, Level.SETTLED),
        ({"was_tasted": False}, Level.LIKELY),
        ({"cups_each": 11}, Level.OPEN),
        ({"chance": SURE - 0.001}, Level.LIKELY),
        ({"chance": LIKELY - 0.001}, Level.OPEN),
        ({"chance": LIKELY - 0.001, "most_to_gain": MATTERS}, Level.NO_WATER_MATTERS),
        ({"chance": 0.6, "most_to_gain": MATTERS, "cups_each": 11}, Level.OPEN),
        ({"chance": 0.6, "most_to_gain": None}, Level.OPEN),
        ({"chance": None}, Level.SETTLED),  # the control itself, or no control
        ({"chance": None, "most_to_gain": MATTERS}, Level.SETTLED),
        (
            {"chance": None, "most_to_gain": MATTERS, "expected_loss": 0.3},
            Level.NO_WATER_MATTERS,
        ),
        ({"chance": None, "was_tasted": False}, Level.OPEN),
        ({"chance": None, "expected_loss": 0.3}, Level.OPEN),
    ],
)
def test_levels_follow_from_the_chance_and_from_what_was_poured(changed, level):
    assert settled(**changed) is level


def test_a_loss_is_stated_as_larger_where_the_cups_leave_narrow_peaks_likely(unpoured, monkeypatch):
    """What draws expect came true by half again there, and by little more than half on domes."""
    told = weigh(unpoured.cups, shape_library())
    form = told.library.form

    def only(*forms):
        kept = np.isin(form, forms)[:, None]
        some = [weight * kept if len(weight) > 1 else 0 * weight for weight in told.weights]
        total = sum(float(weight.sum(dtype=float)) for weight in some)
        return replace(told, weights=tuple(weight / total for weight in some)).loss_scale

    assert only(DOME) == only(TENT) == pytest.approx(np.exp(-PEAKS_COST * EVEN_PEAKS))
    assert only(HILL) == only(TWINS) == pytest.approx(np.exp(PEAKS_COST * (1 - EVEN_PEAKS)))
    posterior, place = unpoured.posterior, unpoured.leader
    plain = replace(posterior, loss_scale=1.0)
    assert posterior.loss_scale != 1
    assert posterior.loss_of(place) == posterior.loss_scale * plain.loss_of(place)
    scores = gather_scores(tasted([(share, 100.0, 30.0) for share in SHARES]))
    losses = []
    for scale in (1.0, 3.0):
        monkeypatch.setattr(ShapeAverage, "loss_scale", scale)
        losses.append(recommend(scores, feasible=scores.recipe_waters).expected_loss)
    assert losses[1] == pytest.approx(3 * losses[0])


def test_a_flight_is_said_to_be_worth_what_flights_turned_out_to_be_worth(unpoured):
    """The same cups are chosen, whatever share of their gain comes true."""
    drawn = replace(unpoured, posterior=replace(unpoured.posterior, gain_scale=1.0))

    stated, expected = suggest_flight(unpoured, k=3), suggest_flight(drawn, k=3)

    assert stated.targets == expected.targets
    assert stated.gain == pytest.approx(GAIN_COMES_TRUE * expected.gain)
    assert stop_or_taste(unpoured, k=3).next_flight_gain == pytest.approx(stated.gain)


def test_what_any_water_may_win_is_at_least_what_is_expected_of_the_recommended(unpoured):
    found = unpoured.recommended

    assert found.most_to_gain >= found.over_control[0]
    assert found.expected_loss >= 0


def test_a_control_is_thought_decent_before_it_was_poured_and_cups_overrule_that():
    """Seen: a lead overrated over a control whose score was read off shapes alone."""
    library, control = shape_library(), np.array([CONTROL])
    odds, heights = odds_by_control(library, control), library.heights(control)[:, 0]
    frame = tasted([(share, 60.0, 15.0) for share in SHARES]).assign(is_control=False)
    poured = tasted([(share, 100.0, 30.0) for share in SHARES])

    def lead(scores, **change):
        now = estimate(gather_scores(scores), control=CONTROL)
        now = replace(now, told=weigh(now.cups, library)) if change else now
        best, over = now.told.expected(np.array([[0.2, 60.0, 15.0], CONTROL]))
        return best - over

    assert odds.mean() == pytest.approx(1)
    assert np.average(heights, weights=odds) > heights.mean() + 0.05
    assert odds_by_control(library, control[:0]) is None
    assert estimate(None).odds is None
    moved = lead(frame, alike=True) - lead(frame)
    assert moved > 0.02
    assert abs(lead(poured, alike=True) - lead(poured)) < moved


def test_the_stated_range_is_the_edge_of_where_the_same_draws_have_the_best_water(sweep):
    """Region and range come from the same draws: the waters of ``where``, to 95 %."""
    reading = read_coffee(sweep)
    one, (share, *_) = reading.recommended, reading.best.factor_ranges
    levels = np.array([water.mg_share for water, _chance in one.where])
    chances = np.array([chance for _water, chance in one.where])

    assert share.is_told
    assert share.lo <= one.water.mg_share <= share.hi
    assert chances.sum() == pytest.approx(1)
    low, high = one.range_of("mg_share")
    assert (share.lo, share.hi) == (min(low, share.best), max(high, share.best))
    assert chances[(levels >= low) & (levels <= high)].sum() >= 0.95 - 1e-9
    for outside in (levels < low, levels > high):
        assert chances[outside].sum() <= 0.025 + 1e-9
