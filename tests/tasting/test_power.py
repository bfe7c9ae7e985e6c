"""Cost and power of a plan, against closed forms, tables and simulation."""

import math
import time
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from labkit.errors import PlanError
from labkit.tasting import (
    SCALES,
    NoiseFrom,
    TasterNoise,
    plan_power,
    practised_noise,
    ratio_hardness_grid,
    ratio_sweep,
)
from labkit.tasting.layout import Draw, lay_out

PLAIN = TasterNoise(repeat_sd=1.0, taster_water_sd=0.0, jug_sd=0.0)


def _two_waters(n_tasters, noise=PLAIN, **more):
    return plan_power(2, n_tasters, noise=noise, has_control=False, duplicates=0, **more)


@pytest.mark.parametrize("n_tasters", [2, 4, 6, 12, 20])
@pytest.mark.parametrize("difference", [0.0, 0.5, 1.0, 2.0])
def test_two_waters_are_the_paired_t_test(n_tasters, difference):
    """Closed form: noncentral t with n - 1 degrees, shift d sqrt(n) / SD of a difference."""
    plan = _two_waters(n_tasters)

    shift = difference * math.sqrt(n_tasters) / math.sqrt(2)
    limit = stats.t.ppf(0.975, n_tasters - 1)
    t = stats.nct(n_tasters - 1, shift)
    assert plan.power(difference) == pytest.approx(t.sf(limit) + t.cdf(-limit), abs=1e-6)


def test_the_paired_t_test_of_a_textbook_comes_out():
    """Dalgaard, Introductory Statistics with R, section 8.3 of the first edition, page 145.

    ``power.t.test(delta=10, sd=10*sqrt(2), power=0.85, type="paired")`` gives n = 19.96892.
    """
    noise = TasterNoise(repeat_sd=10, taster_water_sd=0, jug_sd=0)
    below, above = (_two_waters(n, noise).power(10) for n in (19, 20))

    assert 19 + (0.85 - below) / (above - below) == pytest.approx(19.96892, abs=0.002)
    assert _two_waters(20, noise, chance=0.85).difference == pytest.approx(9.99, abs=0.01)


@pytest.mark.parametrize(("n_tasters", "difference"), [(4, 2.0), (6, 1.5), (10, 1.0)])
def test_power_is_what_simulated_panels_see(n_tasters, difference):
    """4000 panels of two waters, own response and repeats; within 4 Monte Carlo errors."""
    noise = TasterNoise(repeat_sd=0.8, taster_water_sd=0.5, jug_sd=0)
    plan = _two_waters(n_tasters, noise)
    rng = np.random.default_rng(11)
    shape = (4000, n_tasters, 2)
    scores = rng.normal(0, 1, shape[:2])[..., None] + rng.normal(0, 0.5, shape)
    scores += rng.normal(0, 0.8, shape) + np.array([0, difference])

    seen = stats.ttest_rel(scores[..., 1], scores[..., 0], axis=1).pvalue < 0.05

    assert plan.power(difference) == pytest.approx(
        seen.mean(), abs=4 * math.sqrt(seen.mean() * (1 - seen.mean()) / 4000)
    )


@pytest.mark.parametrize(("n_waters", "flights", "repeats"), [(4, 1, 1), (4, 2, 2), (6, 3, 2)])
def test_the_error_of_a_difference_is_that_of_simulated_flights(n_waters, flights, repeats):
    """Least squares on 2000 simulated sessions, flights as blocks, all tasters together."""
    noise = TasterNoise(repeat_sd=0.8, taster_water_sd=0.5, jug_sd=0.3)
    plan = plan_power(
        n_waters,
        4,
        noise=noise,
        has_control=False,
        duplicates=0,
        flights=flights,
        repeats=repeats,
        cups_per_flight=6,
    )
    layout = lay_out(plan.sizes, 4, "flight", Draw(np.random.default_rng(1)))
    rng = np.random.default_rng(5)
    rows = [(f, w) for f, block in enumerate(layout.blocks) for w in block]
    design = np.zeros((len(rows), flights + n_waters))
    for i, (f, w) in enumerate(rows):
        design[i, [f, flights + w]] = 1
    waters = np.array([w for _, w in rows])
    runs = 2000
    means = rng.normal(0, 0.5 / 2, (runs, n_waters))[:, waters]  # own response, mean of 4 tasters
    means = (
        means + rng.normal(0, 0.3, (runs, len(rows))) + rng.normal(0, 0.8 / 2, (runs, len(rows)))
    )
    fitted = means @ np.linalg.pinv(design).T
    effects = fitted[:, flights:]
    pairs = [(a, b) for a in range(n_waters) for b in range(a)]
    variance = np.mean([np.var(effects[:, a] - effects[:, b]) for a, b in pairs])

    # One variance from 2000 runs has a Monte Carlo error of sqrt(2 / 2000) = 3 %; the pairs are
    # not independent, so that their mean has hardly less.
    assert plan.error_sd**2 == pytest.approx(variance, rel=0.08)


def test_where_tasters_have_their_own_waters_the_error_is_that_of_simulated_tastings():
    """Nine waters by threes, four tasters: the resolvable design of Bose, 2000 sessions.

    Blocks are a taster's flights. Own response and repeats cannot be told apart, as each taster
    meets each water once.
    """
    noise = TasterNoise(repeat_sd=0.8, taster_water_sd=0.5, jug_sd=0)
    plan = plan_power(
        9,
        4,
        noise=noise,
        has_control=False,
        duplicates=0,
        flights=3,
        cups_per_flight=3,
        blocks_by="taster",
    )
    layout = lay_out(plan.sizes, 4, "taster", Draw(np.random.default_rng(1)))
    rows = [(b, w) for b, block in enumerate(layout.blocks) for w in block]
    design = np.zeros((36, 12 + 9))
    for i, (b, w) in enumerate(rows):
        design[i, [b, 12 + w]] = 1
    scores = np.random.default_rng(5).normal(0, math.hypot(0.5, 0.8), (2000, 36))
    effects = (scores @ np.linalg.pinv(design).T)[:, 12:]
    variance = np.mean([np.var(effects[:, a] - effects[:, b]) for a in range(9) for b in range(a)])

    assert layout.kind == "balanced incomplete blocks"
    assert plan.error_sd**2 == pytest.approx(variance, rel=0.05)


def test_blocks_of_single_tasters_weigh_repeats_and_jugs():
    """Two complete flights of two waters, by hand: a taster's mean has own + repeat / 2 for its
    variance, and each flight's two jugs add theirs."""
    noise = TasterNoise(repeat_sd=0.8, taster_water_sd=0.5, jug_sd=0.3)
    plan = _two_waters(4, noise, flights=2, cups_per_flight=2, blocks_by="taster")

    of_mean = (0.5**2 + 0.8**2 / 2) / 4 + 0.3**2 / 2
    assert plan.error_sd == pytest.approx(math.sqrt(2 * of_mean))


def test_more_tasters_do_not_average_out_a_jug():
    noise = TasterNoise(repeat_sd=0.5, taster_water_sd=0, jug_sd=0.4)

    assert _two_waters(500, noise).error_sd == pytest.approx(math.sqrt(2) * 0.4, rel=0.01)


def test_more_of_anything_sees_smaller_differences():
    noise = practised_noise(SCALES["liking 1-9"])

    def seen(tasters=4, **more):
        return plan_power(4, tasters, noise=noise, cups_per_flight=6, **more).difference

    assert seen(8) < seen(4) < seen(2)
    assert seen(flights=2) < seen(flights=1)


def test_any_two_waters_take_a_larger_difference_than_two_named_before():
    plan = plan_power(4, 4, noise=PLAIN)

    assert plan.difference_of_any > plan.difference


def test_what_a_single_taster_likes_is_no_noise_in_what_it_likes():
    """A repeat's variance alone, in two flights: 2 (0.8^2 / 2)."""
    noise = TasterNoise(repeat_sd=0.8, taster_water_sd=0.5, jug_sd=0)

    assert _two_waters(1, noise, flights=2).error_sd == pytest.approx(0.8)


def test_one_taster_without_repeats_can_be_told_nothing():
    plan = plan_power(4, 1, noise=PLAIN, has_control=False, duplicates=0)

    assert plan.difference == math.inf
    assert plan.power(5) == 0
    assert plan_power(4, 1, noise=PLAIN, duplicates=1).difference < math.inf


def test_a_surface_has_no_more_terms_than_its_waters_tell_apart():
    """Five waters with the control: four differences, of the nine terms of three coordinates."""
    sweep = ratio_sweep((0, 0.25, 0.5, 0.75, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)

    assert plan_power(4, 4, noise=PLAIN).n_terms == 4
    assert plan_power(12, 4, noise=PLAIN).n_terms == 9
    assert plan_power(5, 4, noise=PLAIN, sweep=sweep, fall=1.0).n_terms == 2


def test_the_cost_is_counted_by_hand():
    """4 waters, control and duplicate in one flight of 6, 3 tasters, bowls of 180 mL."""
    plan = plan_power(4, 3, noise=PLAIN, cups_per_flight=6, vessel_ml=180, stages=3)
    frame = plan.to_frame().set_index("what")["value"]

    assert frame["cups before a taster"] == 6
    assert frame["cups in all"] == 18
    assert frame["jugs to mix and brew"] == 6
    assert frame["water in all"] == 6 * 180
    assert frame["of each water"] == 180
    assert frame["at the table"] == 12 + 6 * 3 * 2


def test_between_two_flights_there_is_a_rest():
    """Six cups a flight, two minutes each, twelve to lay a flight, ten minutes between."""
    plan = plan_power(4, 3, noise=PLAIN, cups_per_flight=6, flights=3)

    assert plan.minutes == 3 * (12 + 6 * 2) + 2 * 10


@pytest.mark.parametrize(("blocks_by", "of_each"), [("flight", 1), ("taster", 3)])
def test_water_of_each_is_counted_by_its_jugs(blocks_by, of_each):
    """Six waters, two a flight, three flights: every taster's own flight takes a jug of its own."""
    plan = plan_power(
        *(6, 4), noise=PLAIN, has_control=False, duplicates=0, flights=3, cups_per_flight=2,
        blocks_by=blocks_by, vessel_ml=100,
    )  # fmt: skip

    assert plan.water_each_ml == pytest.approx(of_each * 100)


def test_cups_each_take_water_for_every_taster():
    plan = plan_power(3, 4, noise=PLAIN, serving="a cup each", vessel_ml=60)

    assert plan.water_ml == 5 * 4 * 60
    assert plan.water_each_ml == 4 * 60


def test_the_best_region_is_the_slope_over_twice_the_fall():
    """Five levels -1..1: slope's variance v / 2.5 by hand; interval t SE / (2 fall) either way."""
    sweep = ratio_sweep((0, 0.25, 0.5, 0.75, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)
    plan = plan_power(5, 6, noise=PLAIN, has_control=False, duplicates=0, sweep=sweep, fall=2.0)

    v = 1.0 / 6
    half_coded = stats.t.ppf(0.975, 5 * 4) * math.sqrt(v / 2.5) / (2 * 2.0)
    assert plan.region == (("mg_share", pytest.approx(2 * half_coded / 2)),)


def test_a_best_region_is_never_wider_than_what_was_tasted():
    two = ratio_sweep((0.2, 0.8), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)
    grid = ratio_hardness_grid((0, 0.5, 1), (40, 80, 120), alkalinity_mg_l_caco3=30)

    assert plan_power(2, 4, noise=PLAIN, sweep=two, fall=1).region == (
        ("mg_share", pytest.approx(0.6)),
    )
    wide = plan_power(9, 2, noise=PLAIN, flights=3, sweep=grid, fall=0.01).region
    assert wide == (("mg_share", 1.0), ("hardness_mg_l_caco3", 80.0))


def test_dialling_takes_less_than_a_second():
    noise = practised_noise(SCALES["quality 6-10"])
    start = time.process_time()

    for tasters in (2, 4, 8, 12):
        plan_power(9, tasters, noise=noise, flights=3)

    assert time.process_time() - start < 4


def test_defaults_name_their_source():
    noise = practised_noise(SCALES["liking 1-9"])
    assert noise.source.kind is NoiseFrom.PRACTISED
    assert noise.repeat_sd == pytest.approx(0.8)  # a tenth of 8 points
    assert replace(noise, source=PLAIN.source).source.kind is NoiseFrom.GIVEN


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"alpha": 0.7}, "alpha must be above 0 and below 0.5, got 0.7"),
        ({"chance": 0.2}, "chance must be above 0.5 and below 1, got 0.2"),
        ({"vessel_ml": 0}, "vessel_ml must be above 0"),
        ({"vessel_ml": 1e308}, "vessel_ml must be above 0"),
        ({"alpha": math.nan}, "alpha must be above 0 and below 0.5, got nan"),
        ({"chance": "0.8"}, "chance must be above 0.5 and below 1, got '0.8'"),
        ({"n_tasters": 1e30}, "n_tasters must be at most 564"),
        ({"n_waters": math.nan}, "n_waters must be a whole number, got nan"),
        ({"stages": -1}, "stages must be at least 1, got -1"),
        ({"n_tasters": 0}, "a plan must have a taster and two waters, got 0 tasters"),
    ],
)
def test_numbers_out_of_range_are_said(more, message):
    with pytest.raises(PlanError, match=message):
        plan_power(**{"n_waters": 3, "n_tasters": 4, "noise": PLAIN} | more)


@pytest.mark.parametrize("value", [-1.0, math.nan, math.inf, 1e308, "1"])
def test_noise_is_a_standard_deviation(value):
    with pytest.raises(PlanError, match="jug_sd must be 0 or more points"):
        TasterNoise(repeat_sd=1, taster_water_sd=1, jug_sd=value)
    with pytest.raises(PlanError, match="repeat_sd must be above 0"):
        TasterNoise(repeat_sd=0, taster_water_sd=1, jug_sd=0)


def test_a_difference_beyond_doubt_is_seen():
    plan = plan_power(3, 4, noise=PLAIN)

    assert plan.power(1e308) == plan.power(1e6) == plan.power(100) == 1
    with pytest.raises(PlanError, match="difference must be a number of points, got nan"):
        plan.power(math.nan)
