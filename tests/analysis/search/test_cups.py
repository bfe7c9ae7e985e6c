"""From scores to cups: tasters, days and gaps leave what a cup is worth alone."""

import numpy as np
import pandas as pd
import pytest

from labkit.analysis.model.scores import gather_scores
from labkit.analysis.region import Region
from labkit.analysis.search.cups import cups_of, no_cups
from labkit.analysis.search.simulate import PanelNoise, PlantedPeak, SimulatedPanel
from labkit.tasting.scales import SCALES, Scale

LIKING = SCALES["liking 1-9"]
PEAK = PlantedPeak(best=(0.3, 80, 20), effect_points=2.0)
USUAL = no_cups(1, LIKING).repeat_variance
WATERS = [(0.5, 100, 30), (0.2, 60, 10), (0.8, 140, 50), (0.3, 80, 20)]


def tasted(flights=2, seed=5, noise=0.1, **options):
    rng = np.random.default_rng(seed)
    panel = SimulatedPanel.draw(list("ABCD"), PEAK, seed=rng, noise=PanelNoise().times(noise))
    return panel.taste_flights([WATERS] * flights, seed=rng, **options)


def by_water(frame):
    """Worth of each water by generalised least squares, as differences from their mean."""
    cups = cups_of(gather_scores(frame, "overall"), LIKING)
    shares, at = np.unique(cups.waters[:, 0], return_inverse=True)
    which = np.eye(len(shares))[at]
    weighed = which.T @ np.linalg.inv(cups.noise)
    worth = np.linalg.solve(weighed @ which, weighed @ cups.value)
    return pd.Series(worth - worth.mean(), index=shares)


def plain(frame):
    """What a mean over all scores would say."""
    means = frame.groupby("mg_share")["score"].mean()
    return means - means.mean()


def test_in_complete_flights_a_cup_is_worth_the_mean_of_its_scores():
    scores = tasted()

    cups = cups_of(gather_scores(scores, "overall"), LIKING)

    means = scores.groupby(["flight", "jug"], sort=False)["score"].mean().to_numpy()
    assert np.sort(cups.value) == pytest.approx(np.sort(means), abs=0.12)
    assert np.sort(cups.plain) == pytest.approx(np.sort(means))
    best = scores[scores["mg_share"] == 0.3]["score"].mean()
    assert cups.plain_mean(np.array(WATERS[3], dtype=float)) == pytest.approx(best)


def test_a_severe_taster_who_missed_a_cup_hardly_lifts_it():
    """Four usual SDs away, with a gap: less than half of what a plain mean makes of it."""
    scores = tasted()
    severe = scores.assign(score=scores["score"] - 2.0 * (scores["taster"] == "D"))
    gap = severe[~((severe["taster"] == "D") & (severe["mg_share"] == 0.8))]

    moved = by_water(gap) - by_water(severe)

    assert plain(gap)[0.8] - plain(severe)[0.8] > 0.3
    assert moved[0.8] < 0.5 * (plain(gap)[0.8] - plain(severe)[0.8])


def test_a_day_on_which_all_scored_lower_hardly_moves_a_water_tasted_on_one_day():
    scores = tasted()
    early = scores["flight"] == 1
    one_day = ~(early & (scores["mg_share"] == 0.8))  # this water only on the good day
    days = scores.assign(session=np.where(early, "before", scores["session"]))[one_day]
    lower = days.assign(score=days["score"] - 1.0 * (days["session"] == "before"))

    moved = by_water(lower) - by_water(days)

    assert plain(lower)[0.8] - plain(days)[0.8] > 0.3
    assert moved[0.8] < 0.5 * (plain(lower)[0.8] - plain(days)[0.8])


def level_sd(frame):
    """How surely the panel's level is known: SD of the mean by generalised least squares."""
    cups = cups_of(gather_scores(frame, "overall"), LIKING)
    return float(np.linalg.inv(cups.noise).sum() ** -0.5)


def test_a_shifted_day_leaves_the_level_unsure_by_about_half_the_shift():
    """Which of two days is the usual one nobody can tell: their mean is off by half of it."""
    scores = tasted(flights=4, noise=0.5)
    days = scores.assign(session=np.where(scores["flight"] <= 2, "before", "today"))
    lower = days.assign(score=days["score"] - 2.0 * (days["session"] == "before"))

    assert 0.5 < level_sd(lower) < 1.0
    assert level_sd(days) < 0.5 * level_sd(lower)


def test_a_shift_that_no_session_tells_of_is_noticed_by_the_cups():
    scores = tasted(flights=4, noise=0.5)
    lower = scores.assign(score=scores["score"] - 2.0 * (scores["flight"] <= 2))

    assert level_sd(lower) > 2 * level_sd(scores)


@pytest.mark.parametrize("taster", list("ABCD"))
def test_a_taster_lower_in_one_flight_hardly_moves_its_waters(taster):
    """Two points in the only flight of one water: less than a quarter of a plain mean's move."""
    scores = tasted(flights=3, noise=0.5)
    only = scores[(scores["flight"] == 1) | (scores["mg_share"] != 0.8)]
    slip = (only["flight"] == 1) & (only["taster"] == taster)
    slipped = only.assign(score=only["score"] - 2.0 * slip)

    moved = by_water(slipped) - by_water(only)

    assert plain(slipped)[0.8] - plain(only)[0.8] < -0.2
    assert moved[0.8] > 0.25 * (plain(slipped)[0.8] - plain(only)[0.8])


def test_fewer_scores_make_a_cup_less_sure():
    scores = tasted(noise=1.0)
    gap = scores[~(scores["taster"].isin(["C", "D"]) & (scores["mg_share"] == 0.8))]

    cups = cups_of(gather_scores(gap, "overall"), LIKING)

    variance = cups.noise.diagonal()
    few = cups.n_scores == 2
    assert few.any()
    assert variance[few].min() > variance[~few].max()


def test_a_noisier_panel_is_taken_for_one():
    quiet = cups_of(gather_scores(tasted(flights=6, noise=0.5), "overall"), LIKING)
    noisy = cups_of(gather_scores(tasted(flights=6, noise=1.8), "overall"), LIKING)

    assert noisy.repeat_variance > 3 * quiet.repeat_variance
    assert noisy.next_cup_variance() > 3 * quiet.next_cup_variance()


def test_tasters_as_usual_leave_the_level_of_flights_as_sure_as_the_sums_of_variances():
    """By hand, of 3 flights, 12 cups and 48 scores: a taster's level in a flight .15 / 12, a
    flight's own .15 / 3, both squared, and what a score repeats at; 8 times that where every level
    was taken for a strange one."""
    cups = cups_of(gather_scores(tasted(flights=3, noise=0.5), "overall"), LIKING)
    by_hand = 0.15**2 / 12 + 0.15**2 / 3 + cups.repeat_variance / 48

    assert by_hand < cups.noise.mean() < 1.5 * by_hand


def test_a_rough_taster_moves_a_cup_less_than_a_steady_one():
    base, rng = tasted(flights=4, noise=0.3), np.random.default_rng(7)
    rough = (base["taster"] == "D") * rng.choice([-1.5, 1.5], len(base))
    frame = base.assign(score=base["score"] + rough)
    one = (frame["flight"] == 2) & (frame["mg_share"] == 0.8)

    def moved(taster):
        higher = frame.assign(score=frame["score"] + 0.5 * (one & (frame["taster"] == taster)))
        before, after = (
            cups_of(gather_scores(each, "overall"), LIKING) for each in (frame, higher)
        )
        return np.abs(after.value - before.value).max()

    assert moved("D") < 0.6 * min(moved("A"), moved("B"))


def test_on_a_scale_half_as_wide_all_is_half_as_large():
    half = Scale(name="1-5", lowest=1, highest=5, step=0.01, words=((1, "low"), (5, "high")))
    frame = tasted(flights=3, noise=1.0)
    frame = frame.assign(score=frame["score"] + 1.0 * (frame["flight"] == 1))
    halved = frame.assign(score=1 + (frame["score"] - 1) / 2)
    on_nine, on_five = (
        cups_of(gather_scores(scores, "overall"), scale)
        for scores, scale in ((frame, LIKING), (halved, half))
    )
    assert on_five.value == pytest.approx(1 + (on_nine.value - 1) / 2)
    assert on_five.noise == pytest.approx(on_nine.noise / 4)


def alone(noise, flights, seed=2):
    """One taster whose noise is planted."""
    rng = np.random.default_rng(seed)
    panel = SimulatedPanel.draw(
        ["A"], PEAK, seed=rng, noise=PanelNoise(repeat_sd=noise, repeat_spread=0.0)
    )
    frame = panel.taste_flights(flights, seed=rng)
    return cups_of(gather_scores(frame, "overall"), LIKING).repeat_variance


def test_one_taster_alone_is_known_by_repeats_of_the_same_water():
    flights = [[*WATERS, WATERS[0]]] * 4

    assert alone(1.6, flights) > 2 * USUAL
    assert alone(0.2, flights) < 0.7 * USUAL


def test_one_taster_alone_is_known_by_neighbours_too_where_no_water_is_poured_twice():
    """Six flights of five waters, as a search pours them: all different; a mean of six searches."""
    waters = Region().grid[np.random.default_rng(5).permutation(len(Region().grid))[:30]]
    flights = list(waters.reshape(6, 5, 3))

    quiet, usual, noisy = np.sqrt(
        [np.mean([alone(noise, flights, seed) for seed in range(6)]) for noise in (0.3, 0.65, 1.2)]
    )

    assert quiet < 0.57 < usual < 0.75
    assert noisy == pytest.approx(1.2, rel=0.2)


def test_a_cup_or_two_of_one_taster_leave_the_noise_nearly_as_usual():
    """The mean of the prior, over its own middle, is 8 / 6 by hand (scaled inverse chi-squared)."""
    assert alone(0.65, [WATERS[:1]]) == pytest.approx(USUAL * 8 / 6, rel=0.1)


def test_cups_before_a_taster_are_counted_flight_by_flight_with_scores_missing():
    frame = tasted(flights=3)

    assert cups_of(gather_scores(frame, "overall"), LIKING).cups_each == 12
    assert cups_of(gather_scores(frame.iloc[1:], "overall"), LIKING).cups_each == 12
    late = frame[(frame["taster"] != "D") | (frame["flight"] > 1)]
    assert cups_of(gather_scores(late, "overall"), LIKING).cups_each == 12


def test_before_the_first_cup_noise_counts_by_the_width_of_the_scale():
    wide, narrow = no_cups(4, LIKING), no_cups(4, SCALES["quality 6-10"])

    assert narrow.points == pytest.approx(0.5)
    assert wide.n_older == 0
    assert narrow.repeat_variance == pytest.approx(wide.repeat_variance / 4)
