"""Whether waters differ in more than strength: planted slopes and planted own effects."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from labkit.analysis.model.scores import gather_scores
from labkit.analysis.reading.coffee import read_coffee
from labkit.analysis.reading.extraction import ExtractionKind, check_extraction
from labkit.tasting import extraction_yield
from tests.benchmarks.extraction_alarms import tasted, told


def found(frame):
    return check_extraction(gather_scores(frame), rng=np.random.default_rng(1))


@pytest.fixture(scope="module")
def strong():
    """Liking follows strength, and strength the water; nothing else does anything."""
    return tasted(np.random.default_rng(4), serving="a cup each", n_tasters=6)


def test_a_difference_that_follows_strength_may_be_one_of_extraction(strong):
    (one,) = found(strong)
    assert one.kind is ExtractionKind.SHARED
    assert one.without.p_value < 0.05 <= one.equal.p_value
    low, high = one.effect.interval()
    assert 0 < low < 0.6 < high
    assert one.n_scores == one.n_cups == len(strong)
    assert one.against == "W3"
    assert (one.waters["lo_equal"] <= 0).all()
    assert (one.waters["hi_equal"] >= 0).all()


def test_an_effect_of_the_water_itself_stays_at_equal_strength():
    frame = tasted(np.random.default_rng(4), serving="a cup each", n_tasters=8, own=2.0, shift=0.02)
    (one,) = found(frame)
    assert one.kind is ExtractionKind.OWN
    ends = one.waters.set_index("recipe").loc["W5"]
    assert ends["lo_equal"] <= 1.0 <= ends["hi_equal"]
    assert ends["lo_equal"] > 0


def test_seeded_panels_are_seldom_told_of_an_own_effect_where_there_is_none():
    rng = np.random.default_rng(7)
    rows = pd.DataFrame([told(tasted(rng, serving="a cup each"), own=0.0) for _ in range(24)])
    assert rows["own effect"].sum() <= 3  # binomial, 5 %: more in 3 of 100 seeds
    assert rows["intervals hold the waters"].sum() >= 21
    assert rows["interval holds the slope"].sum() >= 21


def test_the_slope_agrees_with_least_squares_where_nothing_else_is_by_chance(strong):
    """One taster, each water once: the model is the linear one, here by statsmodels' formula."""
    frame = strong[(strong["taster"] == "T1")].reset_index(drop=True)
    frame["flight"], frame["position"] = 1, range(1, len(frame) + 1)
    frame["jug"] = frame["water"] = [f"J{n}" for n in range(len(frame))]
    frame["mg_share"] = np.linspace(0, 1, len(frame))
    frame["is_control"] = False
    (one,) = found(frame)

    centred = frame.assign(strength=(frame["strength_percent"] - one.centre) / 0.1)
    beside = smf.ols("score ~ mg_share + I(mg_share ** 2) + strength", centred).fit()
    low, high = beside.conf_int().loc["strength"]
    assert one.effect.estimate == pytest.approx(beside.params["strength"], abs=1e-6)
    assert one.effect.interval() == pytest.approx((low, high), abs=1e-6)


def test_nothing_is_said_where_nothing_was_measured(strong):
    assert found(strong.drop(columns="strength_percent")) == ()
    assert found(strong.assign(strength_percent=np.nan)) == ()


def test_measured_cups_change_no_other_number_of_the_reading(strong):
    plain = read_coffee(strong.drop(columns="strength_percent"))
    measured = read_coffee(strong)
    assert plain.extraction == ()
    assert len(measured.extraction) == 1
    assert measured.verdict == plain.verdict
    pd.testing.assert_frame_equal(measured.best.ranges, plain.best.ranges)
    pd.testing.assert_frame_equal(measured.waters.pairs, plain.waters.pairs)


def test_a_water_that_was_never_measured_is_named_and_nothing_is_compared(strong):
    some = strong.assign(strength_percent=strong["strength_percent"].where(strong["water"] != "W2"))
    (one,) = found(some)
    assert (one.kind, one.unmeasured, one.equal) == (ExtractionKind.TOO_FEW, ("W2",), None)


def test_both_models_read_the_measured_cups_alone(strong):
    rng = np.random.default_rng(3)
    some = strong.assign(
        strength_percent=strong["strength_percent"].where(rng.random(len(strong)) < 0.8)
    )
    (one,) = found(some)
    n = int(some["strength_percent"].notna().sum())
    assert one.n_scores == n < len(strong)
    alone = found(some[some["strength_percent"].notna()])[0]
    assert alone.without.p_value == pytest.approx(one.without.p_value)
    few = some.assign(strength_percent=some["strength_percent"].where(some.index % 5 == 0))
    assert found(few)[0].kind is ExtractionKind.TOO_FEW


def test_strength_that_went_with_the_water_cannot_be_told_from_it(strong):
    (one,) = found(strong.assign(strength_percent=1.2 + 0.2 * strong["mg_share"]))
    assert (one.kind, one.equal) == (ExtractionKind.TOGETHER, None)


def test_cups_of_one_strength_cannot_differ_by_it(strong):
    (one,) = found(strong.assign(strength_percent=1.3))
    assert one.kind is ExtractionKind.ALIKE


def test_yield_is_read_beside_strength(strong):
    extracted = strong["strength_percent"].map(lambda one: extraction_yield(one, 300, 18))
    both = found(strong.assign(extraction_percent=extracted))
    assert [one.covariate.name for one in both] == ["strength_percent", "extraction_percent"]
    # At one ratio of masses yield is strength in other units: the same fit.
    assert both[0].equal.p_value == pytest.approx(both[1].equal.p_value, rel=1e-3)


def test_a_shared_bowl_is_one_cup_whoever_drank_from_it():
    (one,) = found(tasted(np.random.default_rng(4)))
    assert (one.n_scores, one.n_cups) == (60, 15)
    assert set(one.waters["n_cups"]) == {3}


def test_a_planted_yield_is_worked_out_as_in_common_practice():
    """350 g at 1.3 % hold 4.55 g of the 20 g dose (arithmetic of common practice)."""
    assert extraction_yield(1.3, 350, 20) == pytest.approx(100 * 4.55 / 20)
