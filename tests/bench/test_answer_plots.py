"""Pictures of answers without a mean show the counts given, and what chance alone would give."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labkit.analysis.pair_tests.answers import read_tests
from labkit.analysis.reading.coffee import read_coffee
from labkit.analysis.reading.special_scales import check_all_that_apply
from labkit.bench import reading_pictures
from labkit.bench.plots.answers import plot_answers, plot_checked, plot_just_about_right
from labkit.errors import ReadingError
from tests.analysis.conftest import tasted
from tests.analysis.test_discrimination_answers import marks


def heights(ax):
    return [bar.get_height() for bar in ax.containers[0]]


def words(ax):
    return " ".join(text.get_text().replace("\n", " ") for text in ax.texts)


def test_bars_are_the_chances_of_guessing_and_the_mark_is_the_count():
    """Triangle, 9 answers, 4 right: binomial with chance 1/3."""
    [test] = read_tests(marks("triangle", [(f"T{i}", "ABB", [int(i > 3)]) for i in range(9)]))

    ax = plot_answers(test)

    np.testing.assert_allclose(heights(ax), 100 * stats.binom.pmf(range(10), 9, 1 / 3))
    assert "here: 4 of 9" in words(ax)
    assert "6 or more: shown" in words(ax)  # ISO 4120, 9 answers at 5 %: 6 (exact binomial)


def test_a_preference_is_drawn_for_either_water():
    """6 to 1 of seven: 2 * 7 / 2^7."""
    sets = [(f"T{i}", "AB", [0 if i else 1]) for i in range(7)]
    [test] = read_tests(marks("paired preference", sets))

    ax = plot_answers(test)

    assert sum(heights(ax)) == pytest.approx(100)
    assert heights(ax)[6] == pytest.approx(100 * 2 * 7 / 2**7)
    assert "here: 6 of 7" in words(ax)
    assert "Answers, paired preference" in reading_pictures(test)


@pytest.fixture(scope="module")
def just_right():
    frame = tasted().assign(scale="just about right", attribute="acidity")
    place = frame.groupby("water").cumcount()
    return read_coffee(frame.assign(score=np.where(place < 3, 1.0, 3.0)), "acidity")


def test_just_about_right_shows_shares_and_no_mean(just_right):
    """Three of twelve answers for every water are 'much too little'."""
    ax = plot_just_about_right(just_right)

    widths = {round(bar.get_width(), 6) for bars in ax.containers for bar in bars}
    assert widths == {25.0, 75.0, 0.0}
    assert "No mean is taken" in words(ax)
    assert "Just about right" in reading_pictures(just_right)


def test_a_score_with_a_mean_is_refused():
    with pytest.raises(ReadingError, match="must be of a just-about-right question"):
        plot_just_about_right(read_coffee(tasted()))


def test_words_are_dots_as_large_as_their_share():
    ticks = pd.DataFrame(
        [
            {"taster": f"T{i}", "water": water, "term": "floral", "ticked": i < n}
            for water, n in (("W1", 6), ("W2", 3), ("W3", 0))
            for i in range(6)
        ]
    )
    found = check_all_that_apply(ticks, seed=np.random.default_rng(1))

    ax = plot_checked(found, title="Osmeni")

    sizes = [float(dots.get_sizes()[0]) for dots in ax.collections]
    assert sizes == sorted(sizes, reverse=True)
    assert "100 50 0" in words(ax)
    assert found.apart == ["floral"]
    assert "Words checked" in reading_pictures(found, title="Osmeni")
