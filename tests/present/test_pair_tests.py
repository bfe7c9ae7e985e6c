"""What is said of tests of two waters, before and after them."""

from __future__ import annotations

import pandas as pd
import pytest

from labkit.analysis import (
    Discrimination,
    PairReading,
    WhyNoAnswer,
    difference_test,
    foresee,
    paired_preference,
)
from labkit.analysis.pair_tests.difference import read_discrimination, similarity_test
from labkit.present import remarks, say, to_html
from labkit.present.pair_tests import preference_between
from labkit.water import Target

PAIR = tuple(
    Target(mg_share=share, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30) for share in (0.8, 0.2)
)


def reading(result, *, method, why_not=(), **figures):
    n = figures.setdefault("n_answers", 4)
    return PairReading(
        session="duel",
        method=method,
        question="Which <one>?",
        targets=PAIR,
        sets=pd.DataFrame({"why_not": [*why_not, *[None] * n]}),
        result=result,
        **({"n_counted": n} | figures),
    )


def test_right_answers_are_set_against_guessing():
    assert say(difference_test("triangle", 12, 12)).startswith(
        "12 of 12 right in a triangle test: the cups can be told apart (p"
    )
    assert "no more than guessing would give" in say(difference_test("triangle", 8, 24))


def test_answers_given_often_say_what_that_does_to_the_interval():
    frame = pd.DataFrame({"taster": list("AABBCC"), "correct": [True, False] * 3})
    few = read_discrimination(frame, "2-AFC")
    more = read_discrimination(
        pd.DataFrame({"taster": list("AABBCCDD"), "correct": [True, False] * 4}), "2-AFC"
    )

    assert "would need at least 4 tasters" in say(few)
    assert "4 tasters gave 2.0 answers each" in say(more)


def test_similarity_is_said_only_where_it_was_shown():
    assert say(similarity_test("triangle", 24, 72)).startswith("Fewer than 30 % of such tasters")
    assert "cannot be ruled out" in say(similarity_test("triangle", 4, 12))


def test_nothing_found_says_what_would_have_been_seen():
    found = difference_test("triangle", 2, 6)
    alike = similarity_test("triangle", 2, 6)

    assert "that 86 % of answers get right (guessing gives 33 %) would have been seen" in say(
        reading(found, method="triangle", detectable_share=0.86, similarity=alike)
    )
    assert "cannot show any difference" in say(reading(found, method="triangle", similarity=alike))


def test_a_preference_names_the_water_by_what_it_differs_in():
    found = paired_preference(7, 0, 1, rule="left out")
    read = reading(found, method="paired preference", n_counted=8, n_answers=10)

    assert say(read).startswith("Preferred: Mg share 0.80, by 7 of 7")
    assert say(read).endswith("1 had no preference (left out).")
    assert "8 tasters gave 10 answers" in " ".join(remarks(read))
    assert preference_between(paired_preference(3, 2, rule="left out"), ("A", "B")).startswith(
        "No preference shown: 3 for A, 2 for B"
    )


def test_what_it_would_have_taken_is_said_where_nothing_was_shown():
    found = paired_preference(5, 3, rule="left out")

    assert (
        "It would take 8 of 8" in remarks(reading(found, method="paired preference", needed=8))[-1]
    )
    assert "cannot show one" in remarks(reading(found, method="paired preference"))[-1]


def test_no_answer_and_no_preference_are_two_things():
    assert say(reading(None, method="paired preference", n_answers=0)) == (
        "No answer was given: this test says nothing."
    )
    assert say(reading(None, method="paired preference", n_counted=4)) == (
        "No preference: all 4 tasters liked both alike."
    )


def test_what_is_no_answer_is_named_and_counted():
    read = reading(
        difference_test("triangle", 1, 1),
        method="triangle",
        n_answers=1,
        why_not=[WhyNoAnswer.NONE_MARKED, WhyNoAnswer.TWO_MARKED, WhyNoAnswer.TWO_MARKED],
    )

    assert remarks(read)[-2:] == (
        "2 of 4 sets left out: more than one cup was marked.",
        "1 of 4 sets left out: no cup was marked; the question wants one even as a guess.",
    )
    assert 'Asked: "Which &lt;one&gt;?"' in to_html(read)
    assert isinstance(read.result, Discrimination)


@pytest.mark.parametrize(
    ("method", "tasters", "said"),
    [
        ("duo-trio", 4, "can show nothing"),
        ("triangle", 6, "have little chance"),
        ("2-AFC", 40, "right show a difference; chance to see this one"),
        ("paired preference", 5, "5 tasters in a paired preference can show nothing"),
        ("paired preference", 12, "Too few tasters to rely on"),
        ("paired preference", 6000, "3077 of 6000 for the same water show a preference. If three"),
        ("confirming preference", 4, "4 pairs can confirm nothing"),
        ("confirming preference", 8, "too few pairs to rely on"),
    ],
)
def test_what_a_panel_could_show_is_said_before_the_test(method, tasters, said):
    assert said in say(foresee(method, tasters))
