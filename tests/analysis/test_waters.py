"""Waters compared all at once, against well-kept libraries where a design is simple."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labkit.analysis.model.scores import gather_scores
from labkit.analysis.reading.differences import compare_waters, simultaneous
from labkit.errors import ReadingError
from labkit.present import say

from .conftest import RATIOS, tasted


@pytest.fixture(scope="module")
def rng():
    return np.random.default_rng(20_250_301)


def one_taster(groups):
    """A frame in which one taster scores each water several times in one flight."""
    rows = [
        {
            "session": "S",
            "flight": 1,
            "taster": "A",
            "jug": f"{water}{place}",
            "water": f"W{water}",
            "attribute": "overall",
            "score": score,
            "mg_share": 0.2 * water,
            "hardness_mg_l_caco3": 80.0,
            "alkalinity_mg_l_caco3": 20.0,
            "is_control": water == 0,
        }
        for water, group in enumerate(groups)
        for place, score in enumerate(group)
    ]
    return pd.DataFrame(rows)


@pytest.fixture(scope="module")
def groups():
    drawn = np.random.default_rng(4)
    return [drawn.normal(mean, 0.5, 6) for mean in (6.0, 6.2, 6.9, 7.4)]


def test_comparisons_with_the_control_are_dunnetts(groups, rng):
    """Against scipy.stats.dunnett in a one-way layout."""
    expected = stats.dunnett(*groups[1:], control=groups[0], rng=np.random.default_rng(1))
    interval = expected.confidence_interval()

    table = compare_waters(gather_scores(one_taster(groups)), rng=rng).against_control

    # scipy integrates by random points: 1e-3 is its own error.
    np.testing.assert_allclose(table["p"], expected.pvalue, atol=0.001)
    np.testing.assert_allclose(table["lo"], interval.low, atol=0.003)
    np.testing.assert_allclose(table["hi"], interval.high, atol=0.003)


def test_all_pairs_are_tukeys(groups, rng):
    """Against scipy.stats.tukey_hsd in a one-way layout."""
    expected = stats.tukey_hsd(*groups)
    interval = expected.confidence_interval()

    pairs = compare_waters(gather_scores(one_taster(groups)), rng=rng).pairs

    for row in pairs.itertuples():
        i, j = int(row.recipe[1]), int(row.other[1])
        assert row.p == pytest.approx(expected.pvalue[i, j], abs=2e-4)
        assert row.lo == pytest.approx(interval.low[i, j], abs=1e-3)


@pytest.mark.parametrize(("waters", "df"), [(3, 10), (4, 20), (6, 20), (10, 5), (20, 40)])
def test_the_level_of_all_pairs_is_that_of_the_studentised_range(waters, df, rng):
    """Against scipy.stats.studentized_range, which integrates in one dimension."""
    zeros = pd.DataFrame({"difference": np.zeros(waters * (waters - 1) // 2), "se": 1.0, "df": df})

    found = simultaneous(zeros, pairs_of(waters), seed=rng)

    reached = np.sqrt(2) * found["hi"].iloc[0]
    assert stats.studentized_range.sf(reached, waters, df) == pytest.approx(0.05, abs=0.001)


def pairs_of(waters):
    """Correlation of all differences between so many waters, each tasted as often."""
    first, second = np.triu_indices(waters, k=1)
    rows = (np.eye(waters)[first] - np.eye(waters)[second]) / np.sqrt(2)
    return rows @ rows.T


def test_what_another_processor_rounds_otherwise_moves_no_interval():
    """Among equal eigenvalues a processor's kernels choose the vectors; nothing may rest on it."""
    table = pd.DataFrame({"difference": np.linspace(0, 3, 15), "se": 1.0, "df": 20.0})
    noise = np.random.default_rng(8).normal(0, 1e-15, (15, 15))

    one, other = (
        simultaneous(table, pairs_of(6) + also, seed=np.random.default_rng(1))
        for also in (0, noise + noise.T)
    )

    np.testing.assert_allclose(one[["lo", "hi", "p"]], other[["lo", "hi", "p"]], rtol=1e-6)


def test_differences_that_go_together_need_no_correction(rng):
    table = pd.DataFrame({"difference": [1.0, -1.0, 0.0], "se": [0.5, 0.5, 0.0], "df": 7.0})
    covariance = np.array([[0.25, -0.25, 0], [-0.25, 0.25, 0], [0, 0, 0]])

    found = simultaneous(table, covariance, seed=rng)

    assert found["hi"].iloc[0] == pytest.approx(1 + 0.5 * stats.t.ppf(0.975, 7), abs=1e-4)
    assert found["p"].tolist() == pytest.approx([2 * stats.t.sf(2, 7)] * 2 + [1.0], abs=1e-6)
    alike = simultaneous(table.assign(se=0.0), np.zeros((3, 3)), seed=rng)
    assert (alike["p"] == 1).all()


def test_a_single_comparison_needs_no_correction(rng):
    table = pd.DataFrame({"difference": [1.0], "se": [0.5], "df": [7.0]})

    found = simultaneous(table, np.array([[0.25]]), seed=rng).iloc[0]

    assert found["hi"] == pytest.approx(1 + 0.5 * stats.t.ppf(0.975, 7))
    assert found["p"] == pytest.approx(2 * stats.t.sf(2, 7))


def test_many_comparisons_are_never_surer_than_one(rng):
    scores = gather_scores(tasted(effect=2))

    pairs = compare_waters(scores, rng=rng).pairs

    alone = 2 * stats.t.sf(pairs["difference"].abs() / pairs["se"], pairs["df"])
    assert (pairs["p"] >= alone - 1e-12).all()
    assert (pairs["hi"] - pairs["lo"] > 2 * pairs["se"]).all()


def test_too_many_pairs_for_draws_are_corrected_by_holm(rng):
    table = pd.DataFrame({"difference": np.r_[4.0, np.zeros(599)], "se": 1.0, "df": 1e6})

    found = simultaneous(table, np.eye(600), seed=rng)

    assert found["p"].iloc[0] == pytest.approx(600 * 2 * stats.norm.sf(4), rel=1e-3)


def test_missing_cups_leave_means_unbiased_by_the_taster_who_missed_them(rng):
    """The harshest taster misses the best water; its raw mean flatters it, the model does not."""
    frame = tasted(effect=3, tasters="ABCD", seed=11)
    harsh = frame.groupby("taster")["score"].mean().idxmin()
    holes = frame[~((frame["taster"] == harsh) & (frame["mg_share"] == 0.4))]

    whole, partial = (
        compare_waters(gather_scores(one), rng=rng).means.set_index("recipe")["mean"]
        for one in (frame, holes)
    )
    raw = holes.groupby("water")["score"].mean()
    label = "W 0.4 80 20"

    assert abs(partial[label] - whole[label]) < abs(raw[label] - whole[label])


def test_the_clearest_pair_is_told_in_words(rng):
    found = compare_waters(gather_scores(tasted(effect=5)), rng=rng)

    first = found.pairs.sort_values("p").iloc[0]
    said = say(found)
    assert f"{first['recipe']} (Mg share " in said  # what was varied, and only that
    assert f" scores above {first['other']} (Mg share " in said
    assert "hardness" not in said
    assert len(found.pairs) == 15
    assert set(found.against_control["control"]) == {"W 0.4 80 20"}
    flat = compare_waters(gather_scores(tasted(effect=0, seed=2)), rng=rng)
    assert say(flat) == "No two waters can be told apart when all are compared at once."


def test_flights_without_a_common_water_are_named(rng):
    apart = pd.concat(
        [tasted(waters=RATIOS[:3], flights=1), tasted(waters=RATIOS[3:], flights=1, session="S2")]
    )

    found = compare_waters(gather_scores(apart), rng=rng)

    assert not found.linked


def test_too_few_scores_are_refused(rng):
    with pytest.raises(ReadingError, match="got 6 waters and 6 scores"):
        compare_waters(gather_scores(tasted(tasters="A", flights=1)), rng=rng)
