"""Scales without a mean: against statsmodels, scipy and counting by hand."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import cochrans_q

from labkit.analysis.reading.special_scales import (
    ENOUGH_TASTERS,
    check_all_that_apply,
    cochran_q,
    just_about_right,
    rank_test,
)
from labkit.errors import ReadingError


@pytest.fixture
def rng():
    return np.random.default_rng(20_250_301)


class TestJustAboutRight:
    """Shares and penalties, never a mean."""

    @staticmethod
    def answers():
        rows = [("A", 2, 5), ("B", 2, 6), ("C", 3, 8), ("D", 3, 8), ("E", 3, 7), ("F", 4, 7)]
        return pd.DataFrame(
            [
                {"taster": who, "water": water, "score": score, "liking": liking}
                for who, score, liking in rows
                for water in ("W1", "W2")
            ]
        )

    def test_shares_and_drop_by_hand(self, rng):
        """Just right 23/3 = 7.67 mean liking, too little 5.5: a drop of 2.17."""
        table = just_about_right(self.answers(), seed=rng)
        little = table[(table["water"] == "W1") & (table["side"] == "too little")].iloc[0]

        assert little["n"] == 2
        assert little["share"] == pytest.approx(1 / 3)
        assert little["drop"] == pytest.approx(23 / 3 - 5.5)
        assert little["net_effect"] == pytest.approx((23 / 3 - 5.5) / 3)
        assert little["drop_lo"] <= little["drop"] <= little["drop_hi"]

    def test_a_side_below_a_fifth_has_no_penalty(self, rng):
        table = just_about_right(self.answers(), seed=rng)

        assert table.loc[table["side"] == "too much", "drop"].isna().all()

    def test_few_tasters_are_not_enough(self, rng):
        table = just_about_right(self.answers(), seed=rng)

        assert set(table["n_tasters"]) == {6}
        assert table["n_tasters"].max() < ENOUGH_TASTERS

    def test_no_mean_of_the_answers_is_given(self, rng):
        assert "mean" not in just_about_right(self.answers(), seed=rng).columns

    def test_answers_off_the_scale_are_refused(self, rng):
        with pytest.raises(ReadingError, match="got 6"):
            just_about_right(self.answers().assign(score=6), seed=rng)


class TestCheckAll:
    """Ticks over waters within tasters."""

    def test_cochrans_q_is_the_librarys(self, rng):
        ticks = np.random.default_rng(1).integers(0, 2, (40, 4)).astype(float)
        expected = cochrans_q(ticks)

        q, p = cochran_q(ticks, rng=rng)

        assert q == pytest.approx(expected.statistic)
        assert p == pytest.approx(expected.pvalue)

    def test_a_small_panel_gets_the_exact_chance(self, rng):
        """All 3^4 ways to place four single ticks over three waters, counted."""
        ticks = np.array([[1, 0, 0], [1, 0, 0], [1, 0, 0], [0, 1, 0]], dtype=float)
        counts = [np.bincount(way, minlength=3) for way in product(range(3), repeat=4)]
        seen = ((ticks.sum(0) - 4 / 3) ** 2).sum()
        exact = np.mean([((count - 4 / 3) ** 2).sum() >= seen - 1e-9 for count in counts])

        assert cochran_q(ticks, rng=rng)[1] == pytest.approx(exact, abs=0.02)

    def test_a_term_that_belongs_to_one_water_is_found(self, rng):
        rows = [
            {"taster": who, "water": water, "term": term, "ticked": term == "floral" and water == 1}
            for who in range(8)
            for water in range(3)
            for term in ("floral", "nutty")
        ]

        found = check_all_that_apply(pd.DataFrame(rows), seed=rng)

        terms = found.terms.set_index("term")
        assert terms.loc["floral", "p_adjusted"] < 0.01
        assert np.isnan(terms.loc["nutty", "p"])
        floral = found.pairs[found.pairs["term"] == "floral"]
        # Exact McNemar, 8 against 0: 2 / 2^8.
        assert floral["p"].min() == pytest.approx(2 / 256)
        assert (floral["p_adjusted"] >= floral["p"]).all()
        assert found.shares["hi"].max() == pytest.approx(1.0)


class TestRanks:
    """Friedman for complete ranks, Skillings-Mack (Durbin) for blocks."""

    @staticmethod
    def frame(table):
        return pd.DataFrame(
            [
                {"taster": who, "water": water, "rank": rank}
                for who, ranks in enumerate(table)
                for water, rank in enumerate(ranks)
                if np.isfinite(rank)
            ]
        )

    def test_friedmans_statistic_is_scipys(self, rng):
        table = np.random.default_rng(3).normal(size=(30, 4)).round(1)
        expected = stats.friedmanchisquare(*table.T)

        found = rank_test(self.frame(table), seed=rng)

        assert found.test == "Friedman"
        assert found.statistic == pytest.approx(expected.statistic)
        assert found.p_value == pytest.approx(expected.pvalue)

    def test_a_small_panel_gets_the_exact_chance(self, rng):
        """Three tasters agree on three waters: 6 of the 6^3 ways, counted."""
        ways = list(product(permutations((1, 2, 3)), repeat=3))
        spread = [np.ptp(np.sum(way, axis=0)) ** 2 for way in ways]
        exact = np.mean(np.array(spread) >= 36)

        found = rank_test(self.frame([(1, 2, 3)] * 3), seed=rng)

        assert exact == pytest.approx(1 / 36)
        assert found.p_value == pytest.approx(exact, abs=0.006)
        assert found.w == 1

    def test_incomplete_blocks_reduce_to_friedman_when_complete(self, rng):
        """Skillings and Mack (1981): the same statistic when nothing is missing."""
        table = np.argsort(np.random.default_rng(4).normal(size=(26, 4)), axis=1) + 1.0
        holes = table.copy()
        holes[0, 0] = np.nan

        complete, incomplete = (rank_test(self.frame(one), seed=rng) for one in (table, holes))

        assert incomplete.test == "Skillings-Mack"
        assert incomplete.statistic == pytest.approx(complete.statistic, abs=1.5)

    def test_all_tied_is_no_difference(self, rng):
        found = rank_test(self.frame(np.ones((5, 3))), seed=rng)

        assert (found.statistic, found.p_value) == (0.0, 1.0)

    def test_two_waters_are_enough(self, rng):
        """Eight of eight the same way round: 2 / 2^8."""
        found = rank_test(self.frame([(1, 2)] * 8), seed=rng)

        assert found.p_value == pytest.approx(2 / 256, abs=0.003)

    def test_one_taster_is_refused(self, rng):
        with pytest.raises(ReadingError, match="got 1 and 3"):
            rank_test(self.frame([(1, 2, 3)]), seed=rng)


def test_missing_columns_are_named(rng):
    with pytest.raises(ReadingError, match="no column term, ticked"):
        check_all_that_apply(pd.DataFrame({"taster": ["A"], "water": ["W1"]}), seed=rng)


def test_ticks_given_as_text_are_read_as_said(rng):
    rows = [(who, water, water == "W1") for who in "ABCDEF" for water in ("W1", "W2")]
    ticks = pd.DataFrame(rows, columns=["taster", "water", "ticked"]).assign(term="bright")

    as_text = check_all_that_apply(ticks.assign(ticked=ticks["ticked"].astype(str)), seed=rng)

    assert as_text.shares["n"].tolist() == [6, 0]
    with pytest.raises(ReadingError, match="ticked must be true or false, got 'perhaps'"):
        check_all_that_apply(ticks.assign(ticked="perhaps"), seed=rng)
    with pytest.raises(ReadingError, match="taster must be filled in for every answer"):
        check_all_that_apply(ticks.assign(taster=None), seed=rng)


def test_ranks_and_answers_that_are_no_numbers_are_refused(rng):
    rows = pd.DataFrame({"taster": list("AABB"), "water": list("XYXY")})

    with pytest.raises(ReadingError, match="rank must be a number"):
        rank_test(rows.assign(rank=["1", "2", "first", "2"]), seed=rng)
    with pytest.raises(ReadingError, match=r"score must be 1 to 5 .* got fine"):
        just_about_right(rows.assign(score=["fine", 3, 3, 3]), seed=rng)
