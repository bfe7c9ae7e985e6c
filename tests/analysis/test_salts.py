"""Waters that differ in their salts alone: read by themselves, and no part of the surface."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_rel

from labkit.analysis.across.coffees import read_across
from labkit.analysis.model.noted import Note
from labkit.analysis.model.scores import compares_salts, gather_both, gather_scores
from labkit.analysis.reading.coffee import read_attributes, read_coffee
from labkit.analysis.reading.salts import read_salts
from labkit.analysis.reading.unread import WhyUnread
from labkit.analysis.reading.verdict import VerdictKind
from labkit.errors import ReadingError
from tests.benchmarks.salt_alarms import read, tasted


@pytest.fixture(scope="module")
def clear():
    """Eight tasters, three waters, two flights: sulfate costs three points."""
    return tasted(np.random.default_rng(3), effect=3.0, n_tasters=8)


def test_a_clear_difference_is_found_with_the_best_and_its_leads(clear):
    found = read(clear)

    assert found.kind is VerdictKind.FOUND
    assert found.best == 0.0
    assert found.share == "sulfate_share"
    ends = found.told_from.set_index("other_level").loc[1.0]
    assert 0 < ends["lo"] < 3 < ends["hi"]
    assert set(found.told_from["other_level"]) | set(found.not_told_from) == {0.5, 1.0}
    assert found.levels["level"].tolist() == [0.0, 0.5, 1.0]
    assert found.levels["mean"].is_monotonic_decreasing
    assert (found.at.mg_share, found.at.hardness_mg_l_caco3) == (0.5, 80)
    assert (found.n_scores, found.n_tasters) == (48, 8)
    assert not found.mixed_once
    assert read(clear[clear["flight"] == 1]).mixed_once


def test_two_waters_once_each_are_a_paired_t_test():
    """Against SciPy's: one flight, a cup of each of two waters, so nothing else is by chance."""
    frame = tasted(np.random.default_rng(11), shares=(0.0, 1.0), effect=1.0, n_tasters=7, flights=1)
    wide = frame.pivot(index="taster", columns="sulfate_share", values="score")

    found = read(frame)

    reference = ttest_rel(wide[0.0], wide[1.0])
    (pair,) = found.pairs.to_dict("records")
    assert found.p_value == pytest.approx(reference.pvalue, abs=1e-6)
    assert pair["p"] == pytest.approx(reference.pvalue, abs=1e-6)
    assert abs(pair["difference"]) == pytest.approx(abs((wide[0.0] - wide[1.0]).mean()))
    low, high = reference.confidence_interval()
    sign = 1 if pair["level"] == 0 else -1
    assert sorted((sign * pair["lo"], sign * pair["hi"])) == pytest.approx([low, high], abs=1e-6)


def test_of_seeded_panels_few_are_told_of_a_difference_where_there_is_none():
    rng = np.random.default_rng(5)
    found = [read(tasted(rng, flights=1, n_tasters=5)) for _ in range(12)]

    assert sum(one.kind is VerdictKind.FOUND for one in found) <= 2  # binomial: more in 2 of 100
    assert sum((one.pairs["p"] < 0.05).any() for one in found) <= 2
    assert all(one.best is None for one in found if one.kind is VerdictKind.NOTHING)


def test_a_comparison_of_salts_moves_no_number_of_the_surface(ratio_scores, clear):
    """However strong the salts are: their flights would pass for noise at one point."""
    ratio = ratio_scores.assign(sulfate_share=np.nan, potassium_share=np.nan)
    client = {"client": ratio["client"].iloc[0], "coffee": ratio["coffee"].iloc[0]}
    same = {"scale": ratio["scale"].iloc[0], "score": clear["score"].round()}
    salts = clear.assign(**client, **same)
    both = pd.concat([ratio, salts], ignore_index=True)

    plain, together = read_coffee(ratio), read_coffee(both)

    assert plain.salts == ()
    assert together.verdict == plain.verdict
    assert together.recommended == plain.recommended
    pd.testing.assert_frame_equal(together.waters.means, plain.waters.means)
    assert [one.kind for one in together.salts] == [VerdictKind.FOUND]
    (said,) = (one for one in together.scores.notes if one.kind is Note.SALTS_APART)
    assert said["n"] == len(salts)
    assert len(gather_scores(both).score) == len(ratio)
    side = read_attributes(both).readings["overall"]
    assert side.verdict == plain.verdict
    assert side.salts[0].p_value == together.salts[0].p_value


def test_salts_that_are_the_same_in_all_cups_of_a_flight_are_part_of_its_level(ratio_scores):
    """A sweep of the ratio in all-sulfate water is a sweep of the ratio."""
    held = ratio_scores.assign(sulfate_share=1.0, potassium_share=np.nan)

    assert not compares_salts(held).any()
    assert read_coffee(held).verdict == read_coffee(ratio_scores).verdict
    # So is one whose flights were of other salts: the same points, other waters.
    later = held["flight"] == held["flight"].max()
    mixed = held.assign(sulfate_share=np.where(later, 0.0, 1.0))
    reading = read_coffee(mixed)
    assert reading.salts == ()
    assert reading.surface is not None
    assert len(reading.scores.recipes) == 2 * ratio_scores["mg_share"].nunique()
    np.testing.assert_allclose(
        reading.surface.mean(reading.scores.recipe_waters).max(),
        read_coffee(ratio_scores).surface.mean(reading.scores.recipe_waters).max(),
        atol=0.2,
    )


def test_where_only_salts_were_compared_that_is_the_answer(clear):
    reading = read_coffee(clear)

    assert reading.has_only_salts
    assert reading.verdict.unread.why is WhyUnread.ONLY_SALTS
    assert (reading.surface, reading.recommended, reading.waters) == (None, None, None)
    assert reading.salts[0].kind is VerdictKind.FOUND
    with pytest.raises(ReadingError, match="salts that differed"):
        gather_scores(clear)
    (among_others,) = read_across(clear).readings
    assert among_others.verdict.unread.why is WhyUnread.ONLY_SALTS


def test_each_comparison_is_read_from_its_own_flights(clear):
    other = tasted(np.random.default_rng(9), effect=0.0, n_tasters=8, session="cations")
    other = other.assign(potassium_share=other["sulfate_share"], sulfate_share=np.nan)
    both = pd.concat([clear, other], ignore_index=True)

    of_anions, of_cations = read_coffee(both).salts

    assert (of_anions.share, of_cations.share) == ("sulfate_share", "potassium_share")
    assert of_anions.p_value == read(clear).p_value
    assert of_cations.n_scores == len(other)


def test_waters_that_differ_in_more_than_one_share_are_not_compared(clear):
    tied = clear.assign(potassium_share=clear["sulfate_share"])

    _, scores = gather_both(tied)

    assert read_salts(scores, rng=np.random.default_rng(1)) == ()


def test_a_blank_share_beside_the_others_is_another_water(clear):
    """The bottles' own water among them links nothing: it has no level on the share."""
    blank = clear.assign(sulfate_share=clear["sulfate_share"].where(clear["sulfate_share"] != 0.5))

    found = read(blank)

    assert found.levels["level"].tolist() == [0.0, 1.0]
    assert found.kind is VerdictKind.FOUND


def test_impossible_shares_are_left_out_and_said(clear):
    odd = clear.assign(sulfate_share=clear["sulfate_share"].where(clear.index != 3, 50.0))

    _, scores = gather_both(odd)

    assert len(scores.score) == len(clear) - 1
    assert Note.NO_WATER in [one.kind for one in scores.notes]


def test_too_few_scores_are_said_to_tell_nothing():
    one = tasted(np.random.default_rng(2), n_tasters=1, flights=1)

    found = read(one)

    assert found.kind is VerdictKind.UNKNOWN
    assert found.p_value is None
    assert found.levels["mean"].notna().all()
    assert not len(found.told_from)
