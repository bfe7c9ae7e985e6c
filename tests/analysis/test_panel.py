"""Planted tasters are recognised; nobody is left out without being asked."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.multitest import multipletests

from labkit.analysis.model.scores import gather_scores
from labkit.analysis.reading.agreement import (
    Cells,
    intraclass_correlations,
    kendall_w,
    waters_against_interaction,
)
from labkit.analysis.reading.many_tests import for_all
from labkit.analysis.reading.panel import PanelKind, TasterKind, check_panel
from labkit.analysis.reading.serving_order import order_effects
from labkit.analysis.search.simulate import PlantedPeak, SimulatedPanel, SimulatedTaster
from labkit.errors import ReadingError

from .conftest import RATIOS, tasted


def planted(flights=4):
    """Two good tasters, one who reverses and one who notices nothing."""
    panel = SimulatedPanel(
        tasters=(
            SimulatedTaster(name="good", repeat_sd=0.4),
            SimulatedTaster(name="keen", sensitivity=1.4, level=0.5, repeat_sd=0.4),
            SimulatedTaster(name="turned", sensitivity=-1, repeat_sd=0.4),
            SimulatedTaster(name="blank", sensitivity=0, repeat_sd=0.8),
        ),
        surface=PlantedPeak(best=(0.5, 80, 20), effect_points=4),
        level=6.5,
    )
    return panel.taste_flights([RATIOS] * flights, seed=np.random.default_rng(3))


@pytest.fixture(scope="module")
def check():
    return check_panel(gather_scores(planted()))


@pytest.mark.parametrize(
    ("taster", "kind"),
    [
        ("good", TasterKind.SEES),
        ("keen", TasterKind.SEES),
        ("turned", TasterKind.DISAGREES),
        ("blank", TasterKind.UNKNOWN),
    ],
)
def test_each_planted_taster_is_recognised(check, taster, kind):
    found = {one.taster: one for one in check.tasters}[taster]

    assert found.kind is kind


def test_what_is_said_of_each_taster_is_counted_from_the_traces(check):
    """scipy's correlations and line, and ISO 5725-2's h (formula 6), against the rest's means."""
    traces = check.traces.pivot(index="taster", columns="recipe", values="mean")
    rest = check.traces.pivot(index="taster", columns="recipe", values="rest_of_panel")
    h = (traces - traces.mean()) / traces.std(ddof=1)

    for one in check.tasters:
        mine, others = traces.loc[one.taster], rest.loc[one.taster]
        assert one.agreement == pytest.approx(stats.pearsonr(others, mine)[0])
        assert one.rank_agreement == pytest.approx(stats.spearmanr(others, mine)[0])
        assert one.scale_slope == pytest.approx(stats.linregress(others, mine).slope)
        assert (one.n_scores, one.n_repeats) == (24, 24 - 6)
        assert one.level == pytest.approx((mine - traces.mean()).mean())
        assert one.spread == pytest.approx(mine.std(ddof=1))
        assert one.mandel_h == pytest.approx(h.loc[one.taster].abs().max())


def test_the_reversed_taster_is_named_and_kept(check):
    assert check.kind is PanelKind.DISAGREES
    assert len(check.tasters) == 4


def test_level_and_scale_use_are_measured(check):
    table = check.table.set_index("taster")

    assert table["level"].sum() == pytest.approx(0)
    assert table.loc["blank", "level"] > table.loc["good", "level"]
    assert table.loc["turned", "scale_slope"] < 0
    assert table.loc["blank", "repeatability_sd"] > table.loc["good", "repeatability_sd"]
    assert table["interaction_share"].sum() == pytest.approx(1)
    assert table["interaction_share"].idxmax() == "turned"


def test_a_taster_is_compared_with_the_others_only(check):
    traces = check.traces.set_index(["taster", "recipe"])
    others = traces.drop(index="good")["mean"].groupby("recipe").mean()

    np.testing.assert_allclose(traces.loc["good", "rest_of_panel"], others)


def test_a_panel_that_agrees_sees_differences():
    check = check_panel(gather_scores(tasted(effect=5, tasters="ABCDE")))

    assert check.kind is PanelKind.SEES
    assert check.correlations.agreement_mean > 0.5
    assert check.concordance.w > 0.5
    assert check.variance.p_water < 0.01


def test_a_flat_coffee_leaves_the_panel_open():
    check = check_panel(gather_scores(tasted(effect=0, seed=4)))

    assert check.kind is PanelKind.UNKNOWN


def test_without_repeats_nobody_is_judged():
    check = check_panel(gather_scores(tasted(flights=1)))

    assert {one.kind for one in check.tasters} == {TasterKind.UNKNOWN}
    assert not any(one.n_repeats for one in check.tasters)


def test_agreement_is_taken_over_waters_that_everyone_scored():
    frame = tasted(tasters="ABC")
    check = check_panel(
        gather_scores(frame[~((frame["taster"] == "A") & (frame["mg_share"] > 0.7))])
    )

    assert (check.n_shared, check.n_waters) == (4, 6)
    assert check.variance is None


def test_perfect_agreement_is_one():
    table = np.add.outer([1.0, 2, 4, 7], [0.0, 0, 0])

    assert kendall_w(table).w == 1
    assert intraclass_correlations(table).agreement_mean == pytest.approx(1)


def test_w_is_friedmans_statistic_over_its_largest_value():
    """W = chi2 / (m (n - 1)), against scipy.stats.friedmanchisquare."""
    table = np.random.default_rng(5).normal(size=(6, 4))
    expected = stats.friedmanchisquare(*table).statistic / (4 * 5)

    assert kendall_w(table).w == pytest.approx(expected)
    # Its F approximation (Kendall and Babington Smith 1939): (m - 1) W / (1 - W).
    f, df = 3 * expected / (1 - expected), 5 - 2 / 4
    assert kendall_w(table).p_value == pytest.approx(stats.f.sf(f, df, 3 * df))


def test_correlations_are_those_of_shrout_and_fleiss():
    """Shrout and Fleiss (1979), Tables 2 to 4: six targets, four judges; interval as in R's psych.

    The figures stand in shared/statistics/panel_facts.csv, with their sources.
    """
    rows = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    found = intraclass_correlations(np.array(rows, dtype=float))

    assert found.mean_squares == pytest.approx((11.24, 6.26, 32.49, 1.02), abs=0.006)
    single = (found.one_way, found.agreement, found.consistency)
    assert single == pytest.approx((0.17, 0.29, 0.71), abs=0.006)
    mean = (found.one_way_mean, found.agreement_mean, found.consistency_mean)
    assert mean == pytest.approx((0.44, 0.62, 0.91), abs=0.006)
    assert (found.agreement_lo, found.agreement_hi) == pytest.approx((0.019, 0.761), abs=0.001)


@pytest.mark.parametrize(("n", "k"), [(3, 3), (5, 2), (5, 4), (9, 4)])
def test_the_means_interval_lies_above_zero_as_rarely_as_a_single_tasters(n, k):
    """1000 tables of noise: nominal 2.5 %, four Monte Carlo errors are 2 points.

    Spearman and Brown's step keeps the sign; below -1/(k-1) it would turn round.
    """
    rng = np.random.default_rng([n, k])
    found = [intraclass_correlations(rng.normal(size=(n, k))) for _ in range(1000)]
    single = np.array([(one.agreement_lo, one.agreement_hi) for one in found])
    mean = np.array([(one.agreement_mean_lo, one.agreement_mean_hi) for one in found])

    np.testing.assert_array_equal(np.sign(mean), np.sign(single))
    assert (mean[:, 0] > 0).mean() == pytest.approx(0.025, abs=0.02)
    assert (mean[:, 0] <= mean[:, 1]).all()


def test_the_means_interval_is_mcgraw_and_wongs_for_the_mean():
    """ICC(A,k) of McGraw and Wong (1996), Table 7: ``n (B - F E) / (n B + F (J - E))``.

    Their F with the degrees of freedom of the single coefficient is taken back from its interval.
    """
    for seed in range(50):
        table = np.random.default_rng(seed).normal(size=(5, 4)) + np.arange(5)[:, None] / 3
        one, (n, k) = intraclass_correlations(table), table.shape
        between, _, raters, error = one.mean_squares
        lo, rest = one.agreement_lo, k * raters + (k * n - k - n) * error
        f = n * between * (1 - lo) / (n * error + lo * rest)
        bottom = n * between + f * (raters - error)
        expected = n * (between - f * error) / bottom if bottom > 0 else -np.inf

        assert one.agreement_mean_lo == pytest.approx(expected)


def test_levels_alone_leave_an_interval_where_nothing_else_differs():
    """Without any residual the interval is the limit of ever smaller ones, not a point."""
    table = np.add.outer([1.0, 2, 4, 7], [0.0, 1, 3])
    speck = 1e-6 * np.random.default_rng(1).normal(size=table.shape)
    exact, near = intraclass_correlations(table), intraclass_correlations(table + speck)

    assert exact.agreement_lo < exact.agreement < exact.agreement_hi
    assert exact.agreement_lo == pytest.approx(near.agreement_lo, abs=1e-4)


@pytest.mark.parametrize("effect", [0, 5])
def test_whether_waters_differ_is_said_by_the_reading_alone(effect):
    """Whatever the panel's own test says, what is said follows what the reading found."""
    scores = gather_scores(tasted(effect=effect, tasters="ABCDE"))
    found, nothing = (check_panel(scores, found=one).kind for one in (True, False))

    assert (found, nothing) == (PanelKind.SEES, PanelKind.NOT_FOUND)


def test_the_number_of_tasters_is_allowed_for_as_statsmodels_does():
    p = [0.04, 0.001, 0.2, 0.03, 0.9]

    np.testing.assert_allclose(for_all([*p, np.nan]), [*multipletests(p, method="holm")[1], np.nan])


def test_waters_against_interaction_is_the_two_way_analysis_of_variance():
    """Against statsmodels' least squares, two scores a cell."""
    rng = np.random.default_rng(8)
    who, what = (one.ravel() for one in np.indices((3, 4)))
    frame = pd.DataFrame({"who": np.tile(who, 2), "what": np.tile(what, 2)})
    frame["score"] = rng.normal(size=24) + frame["what"] + 0.5 * frame["who"] * frame["what"]
    table = anova_lm(smf.ols("score ~ C(who) * C(what)", frame).fit())
    squares = table["mean_sq"].to_numpy()
    both = squares[2] / squares[3]

    found = waters_against_interaction(Cells.of(frame["who"], frame["what"], frame["score"]))

    of = (found.ms_taster, found.ms_water, found.ms_interaction, found.ms_repeat)
    assert of == pytest.approx(tuple(squares))
    assert found.f_water == pytest.approx(squares[1] / squares[2])
    assert found.p_water == pytest.approx(stats.f.sf(squares[1] / squares[2], 3, 6))
    assert (found.f_interaction, found.p_interaction) == pytest.approx(
        (both, table["PR(>F)"].iloc[2])
    )


@pytest.mark.parametrize("shape", [(1, 3), (3, 1)])
def test_one_water_or_one_taster_cannot_agree(shape):
    with pytest.raises(ReadingError, match=f"got {shape[0]} waters and {shape[1]} tasters"):
        intraclass_correlations(np.arange(3.0).reshape(shape))


def test_holes_are_refused():
    with pytest.raises(ReadingError, match="without holes"):
        intraclass_correlations(np.array([[1.0, np.nan], [2, 3]]))


class TestOrder:
    """Planted effects of position come back."""

    def test_a_better_first_cup_is_found(self):
        frame = tasted(effect=1, tasters="ABCDEFGH", flights=4, seed=3)
        frame.loc[frame["position"] == 1, "score"] += 1.0

        table = order_effects(gather_scores(frame)).set_index("effect")

        # Planted: 1.0 here and 0.15 by the simulator.
        row = table.loc["first cup"]
        assert row["estimate"] == pytest.approx(1.15, abs=3 * row["se"])
        assert table.loc["first cup", "p"] < 0.01

    def test_fading_is_found(self):
        frame = tasted(effect=1, tasters="ABCDEFGH", flights=4, seed=2)
        frame["score"] -= 0.3 * (frame["position"] - 1)

        table = order_effects(gather_scores(frame)).set_index("effect")

        assert table.loc["each later place", "estimate"] == pytest.approx(-0.35, abs=0.12)

    def test_it_is_least_squares_beside_tasters_waters_and_flights(self):
        """Against statsmodels' formula OLS with all indicators."""
        scores = gather_scores(tasted(tasters="ABCDE", seed=6))
        frame = scores.frame.sort_values(["block", "taster", "position"])
        frame["first"] = (frame["position"] == 1).astype(float)
        mean = frame.groupby("recipe")["score"].transform("mean")
        before = mean.groupby([frame["block"], frame["taster"]]).shift(1)
        frame["before"] = (before - before.mean()).fillna(0)
        fit = smf.ols(
            "score ~ C(taster) + C(recipe) + C(block) + first + position + before", frame
        ).fit()

        table = order_effects(scores).set_index("effect")

        for ours, theirs in (
            ("first cup", "first"),
            ("each later place", "position"),
            ("cup before", "before"),
        ):
            assert table.loc[ours, "estimate"] == pytest.approx(fit.params[theirs], abs=1e-6)
            assert table.loc[ours, "se"] == pytest.approx(fit.bse[theirs], rel=1e-6)

    def test_one_order_for_all_tells_nothing(self):
        frame = tasted()
        frame["position"] = frame["mg_share"].rank(method="dense")

        table = order_effects(gather_scores(frame))

        assert "each later place" not in set(table["effect"])

    def test_unknown_positions_give_an_empty_table(self):
        frame = tasted().assign(position=np.nan)

        assert order_effects(gather_scores(frame)).empty
        assert list(order_effects(gather_scores(frame)).columns) == [
            "effect",
            "estimate",
            "se",
            "p",
        ]


def test_a_frame_of_one_taster_is_no_panel():
    check = check_panel(gather_scores(tasted(tasters="A")))

    assert check.kind is PanelKind.ALONE
    assert isinstance(check.table, pd.DataFrame)
