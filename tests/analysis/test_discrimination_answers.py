"""Marks become answers: complete sets with one mark count, the rest is named and left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labkit.analysis.pair_tests.answers import (
    Outcome,
    WhyNoAnswer,
    confirmed_water,
    detectable_share,
    last_answer,
    read_tests,
    scored_only,
)
from labkit.analysis.pair_tests.planning import foresee, preference_power
from labkit.errors import ReadingError
from labkit.water import Target

SHARES = {"A": 0.2, "B": 0.8}


def marks(method, sets, *, control="A"):
    """The scores frame of served sets: ``(taster, letters, places marked)`` each."""
    rows = []
    for flight, (taster, letters, marked) in enumerate(sets, start=1):
        for place, letter in enumerate(letters):
            rows.append(
                {
                    "session": "duel",
                    "flight": flight,
                    "taster": taster,
                    "position": place + 1,
                    "water": letter,
                    "attribute": "Which one?",
                    "scale": method,
                    "score": float(place in marked),
                    "mg_share": SHARES[letter],
                    "hardness_mg_l_caco3": 80.0,
                    "alkalinity_mg_l_caco3": 30.0,
                    "is_control": letter == control,
                }
            )
    return pd.DataFrame(rows)


def only(frame):
    [found] = read_tests(frame)
    return found


@pytest.mark.parametrize(
    ("method", "letters", "right"),
    [
        ("triangle", "ABA", 1),
        ("triangle", "BBA", 2),
        ("duo-trio", "ABA", 2),
        ("duo-trio", "BBA", 1),
        ("tetrad", "ABBA", 3),
        ("tetrad", "BBAA", 1),
        ("2-AFC", "AB", 1),
        ("2-AFC", "BA", 0),
        ("3-AFC", "ABA", 1),
    ],
)
def test_the_cup_asked_for_is_right_and_any_other_wrong(method, letters, right):
    """B is expected to have more: A is the control. Counted by hand."""
    found = only(marks(method, [(f"T{i}", letters, [i]) for i in range(len(letters))]))

    answers = found.sets.set_index("taster")["correct"]
    for place in range(len(letters)):
        if method in ("duo-trio", "tetrad") and place == 0:
            assert answers["T0"] is None  # the reference cannot be marked
        else:
            assert bool(answers[f"T{place}"]) == (place == right)


def test_sets_that_are_no_answer_are_left_out_and_named():
    frame = marks(
        "triangle",
        [("T1", "ABB", [0]), ("T2", "ABB", []), ("T3", "ABB", [0, 1]), ("T4", "ABB", [0])],
    )
    frame = frame.drop(frame.index[-1])

    found = only(frame)

    assert found.result.n == found.result.correct == 1
    assert set(found.sets["why_not"].dropna()) == {
        WhyNoAnswer.NONE_MARKED,
        WhyNoAnswer.TWO_MARKED,
        WhyNoAnswer.PART_MARKED,
    }


def test_nothing_found_says_what_would_have_been_seen():
    """6 triangles, 5 needed at 5 % (exact binomial); at 86 % right, 80 % of tests show it."""
    found = only(marks("triangle", [(f"T{i}", "ABB", [i % 3]) for i in range(6)]))

    share = detectable_share("triangle", 6)
    assert stats.binom.sf(4, 6, 1 / 3) < 0.05 < stats.binom.sf(3, 6, 1 / 3)
    assert stats.binom.sf(4, 6, share) == pytest.approx(0.8)
    assert found.detectable_share == share
    assert found.similarity.n == 6


def test_two_triangles_cannot_show_anything():
    """Both right by guessing: 1/9."""
    found = only(marks("triangle", [("T1", "ABB", [0]), ("T2", "BAA", [0])]))

    assert found.result.p_value == pytest.approx(1 / 9)
    assert found.detectable_share is None


def test_a_taster_who_answers_often_counts_once_in_a_preference():
    """T1 takes B twice of three; T2 to T7 take B; T8 has none: 7 of 7, p = 2 / 2^7."""
    sets = [("T1", "AB", [1]), ("T1", "AB", [1]), ("T1", "AB", [0])]
    sets += [(f"T{i}", "BA", [0]) for i in range(2, 8)] + [("T8", "AB", [])]

    found = only(marks("paired preference", sets))

    assert (found.result.first, found.result.second, found.result.neither) == (7, 0, 1)
    assert found.result.p_value == pytest.approx(2 / 2**7)
    assert (found.n_answers, found.n_counted) == (10, 8)


def test_marks_that_are_no_answers_are_none():
    found = only(marks("triangle", [("T1", "ABB", []), ("T2", "ABB", [0, 1])]))

    assert (found.result, found.n_answers, found.n_counted) == (None, 0, 0)


LEADER, CONTROL = (
    Target(mg_share=share, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)
    for share in (SHARES["B"], SHARES["A"])
)


def confirming(right, wrong, session):
    sets = [(f"T{i}", "AB", [int(i < right)]) for i in range(right + wrong)]
    return marks("confirming preference", sets).assign(session=session)


def test_the_latest_test_of_two_waters_is_their_answer():
    """9 of 10 named beforehand: 11 / 1024; then 5 of 10, which is no more than half."""
    first, second = confirming(9, 1, "1"), confirming(5, 5, "2")
    both = pd.concat([first, second])
    other = replace(LEADER, mg_share=0.5)

    answer = last_answer(first, LEADER, CONTROL)
    assert (answer.outcome, answer.preferred, answer.n) == (Outcome.CONFIRMED, 9, 10)
    assert answer.p_value == pytest.approx(11 / 1024)
    assert last_answer(both, LEADER, CONTROL).outcome is Outcome.NOT_CONFIRMED
    assert last_answer(first, other, CONTROL) is None
    scores = first.assign(scale="liking 1-9", attribute="overall")
    assert last_answer(scores, LEADER, CONTROL) is None


def test_a_water_is_confirmed_until_a_later_test_is_lost():
    won, lost, open_ = confirming(9, 1, "1"), confirming(5, 5, "2"), confirming(7, 3, "3")
    salts = confirming(5, 5, "0").assign(mg_share=0.2)
    salts["sulfate_share"] = np.where(salts["is_control"], 0.0, 1.0)

    assert confirmed_water(won) == LEADER
    assert confirmed_water(pd.concat([salts, won])) == LEADER
    assert confirmed_water(pd.concat([won, open_])) == LEADER
    assert confirmed_water(pd.concat([won, lost])) is None
    assert confirmed_water(pd.concat([lost, open_])) is None


def test_nobody_with_a_preference_is_a_result():
    found = only(marks("paired preference", [(f"T{i}", "AB", []) for i in range(4)]))

    assert found.result is None
    assert (found.n_answers, found.n_counted) == (4, 4)


def test_the_power_of_a_preference_is_the_binomial_of_either_side():
    """Simulated: 12 tasters of whom each prefers one water with chance 3/4."""
    rng = np.random.default_rng(4)
    first = rng.binomial(12, 0.75, 200_000)
    values = np.array([stats.binomtest(k, 12).pvalue for k in range(13)])

    assert preference_power(12) == pytest.approx((values[first] <= 0.05).mean(), abs=0.004)
    assert foresee("paired preference", 12).chance == preference_power(12)


def test_sixteen_of_22_are_too_few_for_a_preference():
    """p = .0525 by counting; with 17 it is .017."""
    right, wrong = stats.binom.sf(16, 22, [0.75, 0.25])

    assert preference_power(22) == pytest.approx(right + wrong)


def test_marks_are_no_scores():
    frame = marks("triangle", [("T1", "ABB", [0])])
    scores = frame.assign(scale="liking 1-9", attribute="overall")

    assert scored_only(pd.concat([frame, scores]))["attribute"].unique().tolist() == ["overall"]


def test_a_test_of_one_water_is_refused():
    with pytest.raises(ReadingError, match="must be two, got 1"):
        read_tests(marks("triangle", [("T1", "AAA", [0])]))


@pytest.mark.parametrize("column", ["session", "flight", "taster", "position", "water"])
@pytest.mark.parametrize("blank", [np.nan, None, ""])
def test_a_mark_without_a_name_is_refused(column, blank):
    frame = marks("triangle", [("T1", "ABB", [0]), ("T2", "BAB", [1])]).astype({column: object})
    frame.iloc[1, frame.columns.get_loc(column)] = blank

    with pytest.raises(ReadingError, match=f"{column} must be filled in for every mark, got 1 of"):
        read_tests(frame)


@pytest.mark.parametrize("mark", [7.0, -1.0, 0.6, "this one", np.inf])
def test_what_is_no_mark_is_no_answer(mark):
    frame = marks("triangle", [("T1", "ABB", [0]), ("T2", "BAB", [1])]).astype({"score": object})
    frame.iloc[0, frame.columns.get_loc("score")] = mark

    found = only(frame)

    assert (found.result.n, found.result.correct) == (1, 1)
    assert found.sets["why_not"].dropna().tolist() == [WhyNoAnswer.OTHER_MARK]


def test_the_stronger_water_is_known_from_text_too():
    frame = marks("2-AFC", [(f"T{i}", "AB", [1]) for i in range(5)])

    found = only(frame.assign(is_control=frame["is_control"].astype(str)))

    assert found.result.correct == only(frame).result.correct == 5


def test_a_test_of_a_water_that_cannot_be_is_refused():
    frame = marks("triangle", [("T1", "ABB", [0])])

    with pytest.raises(ReadingError, match="the waters of a test must be known"):
        read_tests(frame.assign(hardness_mg_l_caco3=1e308))
