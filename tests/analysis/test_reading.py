"""The reading follows planted truths and says plainly what it cannot know."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labkit.analysis import Note
from labkit.analysis.model.mixed import REML_ENGINE
from labkit.analysis.reading.best import End
from labkit.analysis.reading.coffee import leaving_out, read_attributes, read_coffee
from labkit.analysis.reading.panel import PanelKind, TasterKind
from labkit.analysis.reading.unread import WhyUnread
from labkit.analysis.reading.verdict import VerdictKind, detectable_difference
from labkit.analysis.region import Region
from labkit.errors import ReadingError
from labkit.noted import noted

from .conftest import GRID, RATIOS, tasted


@pytest.fixture(scope="module")
def reading(ratio_scores):
    return read_coffee(ratio_scores)


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_the_best_follows_the_planted_optimum(share):
    reading = read_coffee(tasted((share, 80, 20)))

    row = reading.best.factor_ranges[0]
    assert reading.verdict.kind is VerdictKind.FOUND
    assert row.lo - 1e-9 <= share <= row.hi + 1e-9
    assert abs(reading.best.target.mg_share - share) < 0.2


def test_a_flat_coffee_has_no_winner():
    reading = read_coffee(tasted(effect=0.0))

    assert reading.verdict.kind is VerdictKind.NOTHING
    assert 0 < reading.verdict.detectable_points < 8
    assert reading.verdict.over_worst is None


def test_shuffled_scores_change_the_verdict(ratio_scores, reading):
    shuffled = ratio_scores.assign(
        score=np.random.default_rng(1).permutation(ratio_scores["score"].to_numpy())
    )

    assert reading.verdict.kind is VerdictKind.FOUND
    assert read_coffee(shuffled).verdict != reading.verdict


def test_the_same_scores_read_the_same_twice(ratio_scores, reading):
    again = read_coffee(ratio_scores)

    assert again.verdict == reading.verdict
    pd.testing.assert_frame_equal(again.best.ranges, reading.best.ranges)


def test_the_order_of_rows_does_not_matter(ratio_scores, reading):
    again = read_coffee(ratio_scores.sample(frac=1, random_state=3))

    np.testing.assert_allclose(again.surface.coefficients, reading.surface.coefficients, atol=1e-6)


def test_a_ratio_sweep_knows_nothing_of_hardness(reading):
    assert noted(Note.HELD, name="hardness_mg_l_caco3", level=80.0) in reading.cannot_tell
    assert reading.predict([(0.5, 150, 20)])["mean"].isna().all()


def test_predictions_are_in_natural_units_with_an_interval(reading):
    row = reading.predict([(0.5, 80, 20)]).iloc[0]

    assert row["lo"] < row["mean"] < row["hi"]
    assert row["se"] > 0
    assert bool(row["within_tasted"])


def test_the_best_stays_within_what_was_tasted():
    reading = read_coffee(tasted((0.95, 80, 20), waters=RATIOS[:4], effect=5))

    one = reading.best.factor_ranges[0]
    assert one.best == pytest.approx(0.6)
    assert one.edge is End.HIGH
    assert one.open_end


def test_all_magnesium_is_an_end_that_nothing_lies_beyond():
    reading = read_coffee(tasted((1.0, 80, 20), effect=5))

    assert reading.best.factor_ranges[0].edge is End.HIGH
    assert not reading.best.factor_ranges[0].open_end


def test_the_best_water_can_be_made():
    region = Region(allowed=lambda waters: waters[:, 0] >= 0.7)

    best = read_coffee(tasted((0.3, 80, 20)), feasible=region).best

    assert best.target.mg_share >= 0.7
    assert (best.region["mg_share"] >= 0.7 - 1e-9).all()


def test_two_factors_are_searched_together():
    reading = read_coffee(tasted((0.5, 100, 20), waters=GRID, flights=2, effect=4))

    assert reading.verdict.kind is VerdictKind.FOUND
    assert abs(reading.best.target.hardness_mg_l_caco3 - 100) < 25
    assert 0 < reading.best.region["in_region"].mean() < 0.6


def test_leaving_a_taster_out_shows_its_effect(ratio_scores):
    turned = ratio_scores.copy()
    mine = turned["taster"] == "B"
    turned.loc[mine, "score"] = 12 - turned.loc[mine, "score"]

    table = leaving_out(turned, ["B"])

    assert table["who"].tolist() == ["everyone", "without B"]
    assert table["p"].iloc[1] < table["p"].iloc[0]
    assert table["n_scores"].tolist() == [72, 54]


def test_attributes_stand_side_by_side_and_allow_for_their_number(ratio_scores):
    flat = tasted(effect=0.0, seed=9).assign(attribute="body")
    both = read_attributes(pd.concat([ratio_scores, flat]))

    table = both.table.set_index("attribute")
    assert table.loc["overall", "verdict"] == VerdictKind.FOUND
    assert table.loc["body", "verdict"] == VerdictKind.NOTHING
    assert (table["p_adjusted"] >= table["p"] - 1e-12).all()
    assert not both.unread


def test_no_difference_beyond_the_scale_is_said_to_have_been_seen(taste):
    """Two tasters, two flights: the reckoning alone would have said more than 8 points of 8."""
    reading = read_coffee(taste(effect=0, tasters="AB", flights=2, seed=1))

    assert reading.verdict.kind is VerdictKind.NOTHING
    assert reading.verdict.detectable_points == np.inf
    assert reading.verdict.enlarged.more_tasters == 1
    assert reading.verdict.enlarged.points == pytest.approx(4, abs=0.5)


def test_only_the_verdict_says_whether_the_panel_sees_differences(taste):
    """A flat coffee on which the panel's own test is below 5 % by chance."""
    reading = read_coffee(taste(effect=0, flights=1, seed=15))

    assert reading.panel.variance.p_water < 0.05
    assert reading.verdict.kind is VerdictKind.NOTHING
    assert reading.panel.kind is PanelKind.NOT_FOUND


def test_with_a_known_spread_four_of_five_exact_tests_see_the_detectable_difference():
    """1.960 + 0.842: normal quantiles of a two-sided test at 5 % with 80 % power (any table)."""
    assert detectable_difference(2.0, 1e9, 1, 1e9) == pytest.approx(2 * 2.802, abs=0.002)


@pytest.mark.parametrize("df", [2, 3, 18])
def test_an_estimated_spread_promises_no_more_than_new_cups_see(df):
    """Two studies of one size: what the first calls detectable is planted in the second."""
    rng, n, se = np.random.default_rng(5), 40_000, 0.5
    told = se * np.sqrt(rng.chisquare(df, n) / df)
    planted = told * detectable_difference(1.0, df, 1, df)
    again = se * np.sqrt(rng.chisquare(df, n) / df)
    t = (planted + se * rng.standard_normal(n)) / again
    seen = np.mean(np.abs(t) > stats.t.ppf(0.975, df))

    assert seen == pytest.approx(0.8, abs=0.012)  # 40 parts and 4 Monte Carlo errors


class TestBadInput:
    """Each gives a sentence, and whatever can still be said."""

    def test_one_taster(self):
        reading = read_coffee(tasted(tasters="A", effect=5))

        assert reading.surface is not None
        assert noted(Note.ONE_TASTER, taster="A") in reading.cannot_tell
        assert reading.panel.kind is PanelKind.ALONE

    def test_one_water(self):
        reading = read_coffee(tasted(waters=RATIOS[:1]))

        assert reading.verdict.kind is VerdictKind.UNKNOWN
        assert reading.verdict.unread.why is WhyUnread.ONE_WATER
        assert len(reading.panel.tasters) == 4

    @pytest.mark.parametrize("score", [7.0, 7.1, 6.7])
    def test_constant_scores(self, ratio_scores, score):
        reading = read_coffee(ratio_scores.assign(score=score))

        assert reading.verdict.unread.why is WhyUnread.ALL_ALIKE
        assert reading.verdict.unread.mean == pytest.approx(score)
        assert reading.surface is None
        table = reading.panel.table
        assert (table["spread"] == 0).all()
        assert table[["discrimination_p", "departure_p", "mandel_h"]].isna().all(axis=None)

    def test_each_taster_with_a_favourite_number(self, ratio_scores):
        own = ratio_scores["taster"].map({"A": 5.0, "B": 6.0, "C": 7.0, "D": 8.0})

        reading = read_coffee(ratio_scores.assign(score=own))

        assert reading.verdict.unread.why is WhyUnread.EACH_ALIKE

    def test_scores_without_any_noise(self, ratio_scores):
        exact = 8 - 4 * (ratio_scores["mg_share"] - 0.5) ** 2

        reading = read_coffee(ratio_scores.assign(score=exact))

        assert reading.verdict.kind is VerdictKind.UNKNOWN
        assert reading.verdict.unread.why is WhyUnread.REFUSED
        assert "without any spread" in reading.verdict.unread.error

    @pytest.mark.parametrize("missing", [0.3, 0.8])
    def test_missing_cells(self, missing):
        reading = read_coffee(tasted(missing=missing, tasters="ABCDE", effect=5))

        assert reading.surface is not None
        assert reading.verdict.unread is None

    def test_a_taster_who_scored_one_cup(self):
        frame = tasted(tasters="ABCDE", effect=5)
        frame = frame.drop(frame.index[frame["taster"] == "E"][1:])

        reading = read_coffee(frame)

        late = reading.panel.tasters[-1]
        assert reading.verdict.kind is VerdictKind.FOUND
        assert late.n_scores == 1
        assert late.kind is TasterKind.UNKNOWN

    @pytest.mark.parametrize("n", [1, 2, 3, 4])
    def test_a_handful_of_scores(self, ratio_scores, n):
        assert read_coffee(ratio_scores.head(n)).verdict.kind is VerdictKind.UNKNOWN

    def test_an_attribute_never_scored(self, ratio_scores):
        with pytest.raises(ReadingError, match="'sweetness', which nobody scored"):
            read_coffee(ratio_scores, attribute="sweetness")

    def test_a_just_about_right_question_has_no_mean(self, ratio_scores):
        answers = ratio_scores.assign(
            scale="just about right", score=1.0 + np.arange(len(ratio_scores)) % 5
        )

        reading = read_coffee(answers)

        assert reading.surface is None
        assert reading.verdict.unread.why is WhyUnread.MIDDLE_IS_BEST

    def test_every_water_on_a_day_of_its_own(self):
        days = [
            tasted(waters=[water], flights=2, session=f"S{day}")
            for day, water in enumerate(RATIOS[:4])
        ]

        reading = read_coffee(pd.concat(days))

        assert reading.verdict.kind is VerdictKind.UNKNOWN
        assert noted(Note.BETWEEN_FLIGHTS, name="mg_share") in reading.cannot_tell

    def test_a_hundred_thousand_rows(self, ratio_scores):
        n = 1400
        frame = pd.concat([ratio_scores] * n, ignore_index=True)
        frame["session"] = "S" + (np.arange(len(frame)) // len(ratio_scores)).astype(str)
        noise = np.random.default_rng(2).normal(0, 0.5, len(frame))

        reading = read_coffee(frame.assign(score=(frame["score"] + noise).clip(1, 9)))

        assert len(reading.scores.score) == n * len(ratio_scores) > 100_000
        assert reading.verdict.kind is VerdictKind.FOUND
        assert reading.surface.fit.engine == REML_ENGINE
        assert reading.recommended.n_older > 20_000  # of 25 200 cups; else 20 GB of covariances


class TestAttributesOfTheSameCups:
    """Attributes scored on the same cups share what the cups decide; no answer may change."""

    def together_and_alone(self, frame):
        together = read_attributes(frame).readings
        return [(one, read_coffee(frame, name)) for name, one in together.items()]

    def two(self, ratio_scores, seed):
        noise = np.random.default_rng(seed).integers(-1, 2, len(ratio_scores))
        body = ratio_scores.assign(attribute="body", score=ratio_scores["score"] + noise)
        return ratio_scores, body

    @pytest.mark.parametrize("missing", [0, 7], ids=["same cups", "a cup less"])
    def test_they_read_as_they_would_alone(self, ratio_scores, missing):
        overall, body = self.two(ratio_scores, 4)
        frame = pd.concat([overall, body.iloc[missing:]])

        for together, alone in self.together_and_alone(frame):
            assert together.verdict == alone.verdict
            assert together.panel.kind is alone.panel.kind
            for one, two in (
                (together.waters.pairs, alone.waters.pairs),
                (together.panel.table, alone.panel.table),
                (together.panel.order, alone.panel.order),
                (together.best.region, alone.best.region),
            ):
                pd.testing.assert_frame_equal(one, two)

    def test_only_the_same_cups_are_shared(self, ratio_scores):
        overall, body = self.two(ratio_scores, 4)
        both = read_attributes(pd.concat([overall, body])).readings
        less = read_attributes(pd.concat([overall, body.iloc[7:]])).readings

        assert both["body"].surface.model is both["overall"].surface.model
        assert less["body"].surface.model is not less["overall"].surface.model
