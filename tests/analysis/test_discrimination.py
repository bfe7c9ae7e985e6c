"""Discrimination tests: hand calculations, invariants and what a small panel can hope for."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from labkit.analysis.pair_tests.difference import (
    difference_test,
    dprime_of,
    exact_interval,
    read_discrimination,
    share_right,
    similarity_test,
)
from labkit.analysis.pair_tests.planning import (
    answers_needed,
    compare_tests,
    fewest_successes,
    foresee,
    minimum_correct,
    power,
    preference_power,
)
from labkit.analysis.pair_tests.preference import fewest_preferring, paired_preference
from labkit.errors import ReadingError
from labkit.present import say
from labkit.tasting import DIFFERENCE_TESTS

NAMES = sorted(DIFFERENCE_TESTS)


def test_five_of_six_triangles_by_hand():
    """(6 * 2 + 1) / 3^6 = 13/729 by counting; ISO 4120 asks for five of six."""
    found = difference_test("triangle", 5, 6)

    assert found.p_value == pytest.approx(13 / 729)
    assert "can be told apart" in say(found)
    assert minimum_correct("triangle", 6) == 5


def test_four_tasters_can_never_show_a_duo_trio_difference():
    """(1/2)^4 = 0.0625 above 0.05."""
    assert minimum_correct("duo-trio", 4) is None
    assert power("duo-trio", 4, dprime=3) == 0


@pytest.mark.parametrize("method", NAMES)
@given(dprime=st.floats(0.05, 5))
@settings(max_examples=15, deadline=None)
def test_dprime_and_share_are_inverse(method, dprime):
    share = share_right(method, dprime)

    assert DIFFERENCE_TESTS[method].guessing < share < 1
    assert dprime_of(method, share) == pytest.approx(dprime, abs=1e-6)


@pytest.mark.parametrize("method", NAMES)
def test_chance_is_no_difference_and_always_right_is_unlimited(method):
    chance = DIFFERENCE_TESTS[method].guessing

    assert share_right(method, 0) == chance
    assert dprime_of(method, chance / 2) == 0
    assert math.isinf(dprime_of(method, 1.0))


def test_all_right_has_a_lower_end_only():
    found = difference_test("triangle", 12, 12)

    assert math.isinf(found.dprime)
    assert 2 < found.dprime_lo < 3
    assert math.isnan(found.dprime_se)


def test_no_more_than_guessing_is_said():
    assert difference_test("triangle", 8, 24).p_value > 0.05


def test_similarity_takes_many_answers():
    """0 to 30 % discriminators in a triangle: one third to 0.533 right."""
    few = similarity_test("triangle", 4, 12).p_value
    many = similarity_test("triangle", 24, 72).p_value

    assert few > 0.1
    assert many < 0.01


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: difference_test("triangel", 1, 2), "got 'triangel'"),
        (lambda: difference_test("triangle", 7, 6), "got 7 of 6"),
        (lambda: similarity_test("triangle", 3, 6, discriminators=30), "got 30"),
        (lambda: power("triangle", 6), "either as dprime or as discriminators"),
        (lambda: share_right("triangle", -1), "got -1"),
        (lambda: compare_tests(0), "tasters must be a whole number from 1 .* got 0"),
        (lambda: paired_preference(0, 0, 3, rule="left out"), "got 3 times 'no preference'"),
        (lambda: paired_preference(3, 2, rule="ignore"), "got 'ignore'"),
    ],
)
def test_impossible_input_is_refused_in_a_sentence(call, words):
    with pytest.raises(ReadingError, match=words):
        call()


NO_COUNTS = (-1, -1.5, 2.5, 1e308, 10**30, float("nan"), float("inf"), "6", None, True)
NO_SHARES = (-1, 0, 1, 5, 1e308, float("nan"), float("inf"), "0.05", None)


@pytest.mark.parametrize(
    "call",
    [
        lambda n: minimum_correct("triangle", n),
        lambda n: power("triangle", n, dprime=1),
        lambda n: compare_tests(n),
        lambda n: compare_tests(6, answers_each=n),
        lambda n: foresee("triangle", n),
        lambda n: foresee("paired preference", n),
        lambda n: preference_power(n),
        lambda n: fewest_preferring(n),
        lambda n: difference_test("triangle", 3, n),
        lambda n: difference_test("triangle", n, 6),
        lambda n: similarity_test("triangle", n, 6),
        lambda n: paired_preference(n, 2, rule="left out"),
        lambda n: paired_preference(1, 2, n, rule="left out"),
    ],
)
def test_what_is_no_count_is_refused(call):
    for n in NO_COUNTS:
        with pytest.raises(ReadingError, match=r"must be a whole number .* got"):
            call(n)


@pytest.mark.parametrize(
    "call",
    [
        lambda share: minimum_correct("triangle", 6, share),
        lambda share: power("triangle", 6, dprime=1, alpha=share),
        lambda share: answers_needed("triangle", dprime=1, alpha=share),
        lambda share: answers_needed("triangle", dprime=1, wanted=share),
        lambda share: compare_tests(6, alpha=share),
        lambda share: fewest_preferring(6, share),
        lambda share: preference_power(6, alpha=share),
        lambda share: similarity_test("triangle", 3, 6, discriminators=share),
    ],
)
def test_what_is_no_risk_or_chance_is_refused(call):
    for share in NO_SHARES:
        with pytest.raises(ReadingError, match=r"must be above 0 and below 1, got"):
            call(share)


@pytest.mark.parametrize("size", [-1, float("nan"), "1"])
def test_what_is_no_size_is_refused(size):
    for call in (power, lambda *a, **k: compare_tests(6, dprime=k["dprime"])):
        with pytest.raises(ReadingError, match="dprime must be 0 or more, got"):
            call("triangle", 6, dprime=size)
    with pytest.raises(ReadingError, match="discriminators must be a share"):
        power("triangle", 6, discriminators=size)
    with pytest.raises(ReadingError, match="share must be between 0 and 1"):
        dprime_of("triangle", size)


def test_a_large_panel_in_a_preference_is_foreseen():
    assert foresee("paired preference", 6000).needed == 3077


@pytest.mark.parametrize("no", ["False", "false", "no", "0", 0, False, np.False_])
def test_a_wrong_answer_is_wrong_however_it_is_written(no):
    """Six texts 'False' were six right answers, p = .001."""
    yes = {"False": "True", "false": "true", "no": "yes", "0": "1"}.get(no, type(no)(1))
    answers = pd.DataFrame({"taster": list("ABCDEF"), "correct": [no] * 4 + [yes, None]})

    found = read_discrimination(answers, "triangle")

    assert (found.correct, found.n) == (1, 5)


@pytest.mark.parametrize("odd", ["perhaps", 2, -1, float("inf")])
def test_what_is_neither_right_nor_wrong_is_refused(odd):
    answers = pd.DataFrame({"taster": list("AB"), "correct": pd.Series([odd, True], dtype=object)})

    with pytest.raises(ReadingError, match="correct must be true or false, got"):
        read_discrimination(answers, "triangle")


@pytest.mark.parametrize("blank", [None, "", float("nan")])
def test_an_answer_needs_its_taster(blank):
    answers = pd.DataFrame({"taster": ["A", blank], "correct": [True, False]})

    with pytest.raises(ReadingError, match="taster must be filled in for every answer, got 1 of 2"):
        read_discrimination(answers, "triangle")


class TestReplicates:
    """Tasters who answer several times."""

    @staticmethod
    def answers(right, each):
        return pd.DataFrame(
            [
                {"taster": f"T{who}", "correct": place < count}
                for who, count in enumerate(right)
                for place in range(each)
            ]
        )

    def test_one_answer_each_is_the_plain_test(self):
        found = read_discrimination(self.answers([1] * 8 + [0] * 4, 1), "tetrad")

        assert found == difference_test("tetrad", 8, 12)

    def test_answers_of_tasters_who_differ_count_for_less(self):
        """Three of 6 right and three of 2: X2 = 18 on 5 df by hand, so 36 answers are worth 10.

        Clopper and Pearson's interval of such a share, by the F distribution.
        """
        found = read_discrimination(self.answers([6, 6, 6, 2, 2, 2], 6), "triangle")

        x, n = 24 / 3.6, 10.0
        f = stats.f.ppf(0.025, 2 * x, 2 * (n - x + 1))
        assert found.share_lo == pytest.approx(x * f / (n - x + 1 + x * f))

    @pytest.mark.parametrize("n", [3, 6, 20])
    def test_none_right_and_all_right_have_closed_intervals(self, n):
        """Clopper and Pearson (1934): 1 - (alpha / 2)^(1 / n)."""
        end = 1 - 0.025 ** (1 / n)

        assert exact_interval(0, n) == pytest.approx((0, end))
        assert exact_interval(n, n) == pytest.approx((1 - end, 1))

    def test_tasters_who_differ_widen_the_interval(self):
        alike = read_discrimination(self.answers([4, 4, 4, 4, 4, 4], 6), "triangle")
        apart = read_discrimination(self.answers([6, 6, 6, 2, 2, 2], 6), "triangle")

        assert alike.p_value == apart.p_value
        assert apart.share_lo < alike.share_lo
        assert alike.share_lo == difference_test("triangle", 24, 36).share_lo

    def test_three_repeating_tasters_get_a_test_but_no_interval(self):
        found = read_discrimination(self.answers([5, 5, 5], 6), "triangle")

        assert found.p_value < 0.001
        assert math.isnan(found.share_lo)
        assert found.n_tasters == 3

    def test_the_test_holds_under_guessing(self):
        """Share of p below 0.05 over guessing panels of six with four answers each, seed stated."""
        rng = np.random.default_rng(7)
        right = rng.binomial(24, 1 / 3, 4000)
        rate = np.mean([difference_test("triangle", int(k), 24).p_value < 0.05 for k in right])

        assert rate < 0.05

    def test_unanswered_cups_are_left_out(self):
        frame = self.answers([1, 1, 0, 1], 1).astype({"correct": object})
        frame.loc[len(frame)] = ["T9", None]

        assert read_discrimination(frame, "2-AFC").n == 4


class TestPlanning:
    """Before the cups are poured."""

    def test_a_small_panel_is_told_that_it_has_little_chance(self):
        """Six tasters at d' = 1 have a power of about 0.1 or less but in the AFC tests."""
        table = compare_tests(6).set_index("method")

        for method in ("triangle", "duo-trio", "tetrad"):
            assert table.loc[method, "chance_to_see"] < 0.11
            assert "use 2-AFC" in say(foresee(method, 6))
        assert table.index[0] == "3-AFC"

    def test_repeats_give_a_small_panel_a_chance(self):
        table = compare_tests(6, answers_each=4).set_index("method")

        assert table.loc["2-AFC", "chance_to_see"] > 0.75
        assert table.loc["2-AFC", "answers"] == 24

    def test_four_tasters_cannot_show_anything_in_a_duo_trio(self):
        assert foresee("duo-trio", 4).needed is None

    @pytest.mark.parametrize("method", NAMES)
    def test_the_answers_needed_reach_the_power_wanted(self, method):
        n, right = answers_needed(method, dprime=1.5)

        assert power(method, n, dprime=1.5) >= 0.8
        assert power(method, n - 1, dprime=1.5) < 0.8
        assert minimum_correct(method, n) == right

    @pytest.mark.parametrize("chance", [Fraction(1, 2), Fraction(1, 3)])
    def test_a_tail_that_is_just_the_level_shows_a_difference(self, chance):
        """Tails by counting in whole numbers, where rounding may put them above the level."""
        for n in range(1, 25):
            tail = Fraction(0)
            for right in range(n, 0, -1):
                tail += math.comb(n, right) * chance**right * (1 - chance) ** (n - right)
                assert fewest_successes(n, float(chance), float(tail)) == right

    def test_three_triangles_all_right_are_the_fewest_answers(self):
        """(1 / 3)^3 is below 5 %, (1 / 3)^2 is not; everybody tells the cups apart."""
        assert answers_needed("triangle", discriminators=1) == (3, 3)

    def test_a_confirming_test_is_foreseen_one_sided(self):
        """8 of 10 by chance: 56 / 1024, 9 of 10: 11 / 1024; three in four prefer it."""
        found = foresee("confirming preference", 5, answers_each=2)

        assert (found.counted, found.needed) == (10, 9)
        assert found.chance == pytest.approx(10 * 0.75**9 * 0.25 + 0.75**10)
        assert foresee("confirming preference", 4).chance == 0

    def test_no_difference_needs_no_number(self):
        assert answers_needed("triangle", dprime=0) is None


class TestPreference:
    """Paired preference with 'no preference'."""

    def test_the_exact_two_sided_test(self):
        """9 of 10: 2 * (10 + 1) / 1024 by counting."""
        found = paired_preference(9, 1, rule="left out")

        assert found.p_value == pytest.approx(22 / 1024)
        assert found.counted == (9, 1)

    def test_no_preference_is_left_out_or_split_as_declared(self):
        out = paired_preference(9, 3, 6, rule="left out")
        split = paired_preference(9, 3, 6, rule="split")

        assert (out.share_first, split.share_first) == (0.75, 12 / 18)
        assert split.p_value > out.p_value
        assert split.counted == (12, 6)

    def test_five_tasters_can_never_show_a_preference(self):
        """2 * (1/2)^5 = 0.0625."""
        assert fewest_preferring(5) is None
        assert fewest_preferring(6) == 6
