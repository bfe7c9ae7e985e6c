"""Sweeps vary what they say and hold the rest."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.errors import SweepError
from labkit.tasting import (
    Factor,
    alkalinity_dial,
    anion_sweep,
    cation_sweep,
    hardness_dial,
    ratio_hardness_grid,
    ratio_sweep,
)


def test_a_ratio_sweep_varies_the_share_alone():
    sweep = ratio_sweep(hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)
    frame = sweep.to_frame()

    assert list(frame["mg_share"]) == [0, 0.25, 0.5, 0.75, 1]
    assert set(frame["hardness_mg_l_caco3"]) == {80}
    assert set(frame["alkalinity_mg_l_caco3"]) == {30}
    assert [f.name for f in sweep.varied] == ["mg_share"]
    assert dict(sweep.held) == {"hardness_mg_l_caco3": 80, "alkalinity_mg_l_caco3": 30}


def test_a_hardness_dial_starts_from_the_ratio_it_is_given():
    sweep = hardness_dial((120, 40, 80), mg_share=0.6, alkalinity_mg_l_caco3=30)

    assert [t.hardness_mg_l_caco3 for t in sweep.targets] == [40, 80, 120]
    assert {t.mg_share for t in sweep.targets} == {0.6}


def test_an_alkalinity_dial_holds_the_minerals():
    sweep = alkalinity_dial((10, 30), mg_share=0.5, hardness_mg_l_caco3=80)

    assert [t.alkalinity_mg_l_caco3 for t in sweep.targets] == [10, 30]


@pytest.mark.parametrize(
    ("sweep", "varied", "held"),
    [
        (anion_sweep, "sulfate_share", "potassium_share"),
        (cation_sweep, "potassium_share", "sulfate_share"),
    ],
)
def test_a_sweep_of_salts_holds_all_else_and_the_other_share_if_asked(sweep, varied, held):
    at = {"mg_share": 0.4, "hardness_mg_l_caco3": 80, "alkalinity_mg_l_caco3": 30}

    plain, asked = sweep(**at), sweep((1, 0), **at, **{held: 0.25})

    assert [getattr(one, varied) for one in plain.targets] == [0, 0.5, 1]
    assert {getattr(one, held) for one in plain.targets} == {None}
    assert [getattr(one, varied) for one in asked.targets] == [0, 1]
    assert {getattr(one, held) for one in asked.targets} == {0.25}
    for one in (*plain.targets, *asked.targets):
        assert {name: getattr(one, name) for name in at} == at
    assert [(one.name, one.low, one.high) for one in plain.varied] == [(varied, 0, 1)]
    assert dict(asked.held) == {**at, held: 0.25}
    assert list(plain.to_frame()[varied]) == [0, 0.5, 1]
    assert held not in plain.to_frame()
    with pytest.raises(SweepError, match="two levels or more"):
        sweep((0.5,), **at)


def test_a_grid_holds_every_combination():
    sweep = ratio_hardness_grid((0, 0.5, 1), (40, 80), alkalinity_mg_l_caco3=30)

    pairs = {(t.mg_share, t.hardness_mg_l_caco3) for t in sweep.targets}
    assert pairs == {(m, h) for m in (0, 0.5, 1) for h in (40, 80)}
    assert [f.name for f in sweep.varied] == ["mg_share", "hardness_mg_l_caco3"]


@pytest.mark.parametrize("levels", [(), (0.5,), (0.5, 0.5)])
def test_a_sweep_needs_two_different_levels(levels):
    with pytest.raises(SweepError, match="mg_share must have two levels or more"):
        ratio_sweep(levels, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"name": "tds"}, "name must be one of mg_share"),
        ({"low": 1, "high": 0}, "low must be below high for mg_share"),
        ({"high": 1.2}, "mg_share must be 0 to 1, got 0 to 1.2"),
        ({"name": "hardness_mg_l_caco3", "low": -5}, "must be 0 to 2000"),
        ({"low": float("nan")}, "low must be below high"),
    ],
)
def test_a_factor_stays_inside_what_a_water_can_have(change, message):
    with pytest.raises(SweepError, match=message):
        Factor(**{"name": "mg_share", "low": 0, "high": 1} | change)


@given(low=st.floats(0, 100), width=st.floats(0.1, 300), level=st.floats(-1, 1))
def test_coding_goes_there_and_back(low, width, level):
    factor = Factor(name="hardness_mg_l_caco3", low=low, high=low + width)

    assert np.allclose(factor.to_coded(factor.to_natural(level)), level, atol=1e-9)
    assert np.allclose(factor.to_coded([factor.low, factor.middle, factor.high]), [-1, 0, 1])
