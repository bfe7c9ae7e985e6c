"""Portraits, bench checks, steel, tables, and what a notebook shows."""

import inspect

import numpy as np
import pytest

import labkit.water
from labkit.errors import WaterError
from labkit.water import (
    DROP_KITS,
    PURE_WATER,
    DropKit,
    Finding,
    Water,
    WaterTable,
    expected_meter,
    mix,
    portray,
    steel_guidance,
)
from labkit.water.chemistry.steel import sulfate_share_for
from labkit.water.jugs.readings import expected_drops
from tests.water.recipes import HARD_TAP, THREE, wanted
from tests.water.test_equilibrium import P04


def test_a_portrait_says_what_the_references_say():
    """P04: pH 8.06 in air, 8.13 closed, 275.6 µS/cm, 56.7 mg/L chloride (PHREEQC, DHO)."""
    portrait = portray(P04)
    assert portrait.ph_air == pytest.approx(8.060, abs=0.02)
    assert portrait.ph_closed == pytest.approx(8.129, abs=0.02)
    assert portrait.conductivity_25c_us_cm == pytest.approx(275.6, rel=0.03)
    assert [round(each.chloride_mg_l) for each in portrait.steel] == [57, 113, 283]


@pytest.mark.parametrize(
    ("ions", "finding"),
    [
        ({"Ca": 3.0, "Cl": 6.0}, Finding.CHLORIDE_TASTED),
        ({"Ca": 3.0, "SO4": 3.0}, Finding.SULFATE_HIGH),
        ({"K": 1.0, "NO3": 1.0}, Finding.NITRATE_HIGH),
        ({"K": 3.0, "citrate": 1.0}, Finding.ORGANIC_ANIONS),
        ({"Ca": 1.0, "Cl": 1.0}, Finding.CHARGES_OPEN),
        ({"Ca": 0.8, "Cl": 1.6}, Finding.SULFATE_SPARES_STEEL),
    ],
)
def test_what_stands_out_is_found(ions, finding):
    assert finding in portray(Water.of_ions(ions)).findings
    assert finding not in portray(PURE_WATER).findings


def test_citrate_titrates_in_part():
    """1.65 of 3 equivalents to pH 4.5 (computed from pKa 3.13, 4.76, 6.40)."""
    water = Water.of_ions({"K": 3.0, "citrate": 1.0})
    assert water.alkalinity_mg_l_caco3 == 0
    assert water.titratable_alkalinity_mg_l_caco3 == pytest.approx(1.65 * 50.043)
    h = 10**-4.5
    k1, k2, k3 = 10**-3.13, 10**-4.76, 10**-6.40
    total = h**3 + h**2 * k1 + h * k1 * k2 + k1 * k2 * k3
    bound = (3 * h**3 + 2 * h**2 * k1 + h * k1 * k2) / total
    assert bound == pytest.approx(1.65, abs=0.03)


def test_dry_residue_loses_half_of_the_bicarbonate():
    """2 HCO3 -> CO3 + CO2 + H2O: 60.008 / 122.032 = 0.4917 (computed)."""
    water = Water.of_ions({"Na": 1.0, "HCO3": 1.0})
    assert water.sum_of_ions_mg_l == pytest.approx(84.006)
    assert water.dry_residue_180c_mg_l == pytest.approx(22.990 + 61.016 * 0.4917)


@pytest.mark.parametrize(
    ("chloride", "steel_304", "steel_316"),
    [(0, 120, 130), (10, 120, 130), (57, None, 120), (150, None, 80), (301, None, None)],
)
def test_steel_takes_the_next_higher_row(chloride, steel_304, steel_316):
    found = steel_guidance(chloride)
    assert (found.steel_304_to_c, found.steel_316_to_c) == (steel_304, steel_316)


@pytest.mark.parametrize(
    ("ions", "aim", "share"),
    [
        ({"Ca": 1.0, "Cl": 2.0}, 35.45, 0.5),  # 70.9 mg/L, all of it with calcium
        ({"Ca": 1.0, "Cl": 2.0}, 70.9, 0.0),
        ({"Ca": 1.0, "Na": 1.0, "Cl": 3.0}, 35.45, 1.0),  # a third came with sodium
        ({"Ca": 1.0, "Na": 1.0, "Cl": 3.0}, 30.0, None),
        (
            {"Ca": 1.0, "Na": 1.0, "Cl": 2.0, "HCO3": 1.0},
            0.5,
            70.4 / 70.9,
        ),  # sodium with bicarbonate
        ({"Na": 2.0, "Cl": 2.0}, 35.45, None),
    ],
)
def test_sulfate_takes_the_place_of_the_chloride_that_came_with_hardness(ions, aim, share):
    """Two chlorides of 35.45 g/mol a mole of calcium, by hand."""
    found = sulfate_share_for(Water.of_ions(ions), aim)

    assert found == (share if share is None else pytest.approx(share, abs=1e-4))


def test_a_meter_shows_what_it_is_built_to_show():
    at_20 = expected_meter(P04, temperature_c=20, compensation_percent_per_c=None)
    assert at_20.shown == at_20.conductivity_us_cm < at_20.conductivity_25c_us_cm
    brought = expected_meter(P04, temperature_c=20)
    assert brought.shown == pytest.approx(brought.conductivity_25c_us_cm, rel=0.01)
    half = expected_meter(P04, tds_factor=0.5)
    seven = expected_meter(P04, tds_factor=0.7)
    assert seven.shown / half.shown == pytest.approx(1.4)
    assert half.unit == "mg/L on the meter (µS/cm × 0.5)"


def test_a_meter_is_taken_at_its_limits_and_not_beyond():
    for temperature_c in (0, 50):
        assert expected_meter(P04, temperature_c=temperature_c).shown > 0
    for temperature_c in (-0.5, 50.5):
        with pytest.raises(WaterError, match="between 0 and 50 °C"):
            expected_meter(P04, temperature_c=temperature_c)
    for tds_factor in (0.3, 1.0):
        assert expected_meter(P04, tds_factor=tds_factor).shown > 0
    for tds_factor in (0.29, 1.01):
        with pytest.raises(WaterError, match=r"tds_factor must be between 0\.3 and 1"):
            expected_meter(P04, tds_factor=tds_factor)


def test_a_meter_reading_agrees_within_formula_and_meter():
    meter = expected_meter(P04)
    # 2 / √3 · √(5² + 2²) = 6.22 %: the formula and the meter, by JCGM 100:2008, 4.3.7.
    assert meter.agrees(meter.shown * 1.062)
    assert not meter.agrees(meter.shown * 1.063)
    assert expected_meter(PURE_WATER).agrees(1.0)
    assert not expected_meter(PURE_WATER).agrees(5.0)


@pytest.mark.parametrize(
    ("sample_ml", "low", "high", "half"), [(5, 2, 3, 22), (10, 4, 5, 11), (20, 8, 10, 5.6)]
)
def test_drops_for_an_alkalinity_of_forty(sample_ml, low, high, half):
    """1 drop = 1 °dH in 5 mL: KH 40 reads 2 or 3 drops, half a drop is 22 % (computed)."""
    kit = DROP_KITS["1 °dH a drop in 5 mL"]
    drops = expected_drops(P04, "alkalinity", kit=kit, sample_ml=sample_ml)
    assert (drops.low, drops.high) == (low, high)
    assert drops.half_drop_percent == pytest.approx(half, abs=0.5)
    assert drops.agrees(low)
    assert not drops.agrees(high + 1)


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: expected_meter(P04, tds_factor=500), "tds_factor must be between 0.3 and 1"),
        (lambda: expected_meter(P04, temperature_c=93), "between 0 and 50 °C, got 93"),
        (lambda: expected_meter(P04, compensation_percent_per_c=20), "between 0 and 5 %/°C"),
        (lambda: expected_drops(P04, "iron", kit=DropKit(name="x", mg_l_caco3_per_drop=1)), "iron"),
        (
            lambda: expected_drops(
                P04, "hardness", kit=DropKit(name="x", mg_l_caco3_per_drop=1), sample_ml=0
            ),
            "sample_ml must be above 0",
        ),
        (lambda: steel_guidance(-5), "chloride_mg_l must be a number of at least 0, got -5"),
        (lambda: Water(sodium_mmol_l="two"), "sodium_mmol_l must be a number"),
        (lambda: wanted(None, 80, 40), "mg_share must be between 0"),
        (lambda: DropKit(name="x", mg_l_caco3_per_drop=0), "mg_l_caco3_per_drop must be above"),
        (lambda: WaterTable(ions_mmol_l=np.zeros((2, 3))), "must have shape"),
        (lambda: WaterTable(ions_mmol_l=-np.ones((2, 13))), "row 0 holds -1"),
    ],
)
def test_bad_figures_are_refused_with_a_sentence(make, sentence):
    with pytest.raises(WaterError, match=sentence):
        make()


def test_a_table_of_waters_is_its_waters_one_by_one():
    waters = [P04, HARD_TAP, PURE_WATER]
    many = WaterTable.of_waters(waters)
    chemistry, composition = many.chemistry(), many.composition()
    for row, water in enumerate(waters):
        portrait = portray(water, places=[("hot", 93.0)])
        assert chemistry["ph_air"][row] == pytest.approx(portrait.ph_air, abs=1e-6)
        assert chemistry["conductivity_25c_us_cm"][row] == pytest.approx(
            portrait.conductivity_25c_us_cm, rel=1e-6
        )
        index = portrait.scaling[0].index_closed.low
        assert chemistry["calcite_index_93c"][row] == pytest.approx(index, abs=1e-6)
        assert composition["hardness_mg_l_caco3"][row] == pytest.approx(water.hardness_mg_l_caco3)


def test_a_table_of_scale_is_its_waters_one_by_one():
    waters = [P04, HARD_TAP]
    columns = WaterTable.of_waters(waters).scaling(93.0)
    for row, water in enumerate(waters):
        one = portray(water, places=[("hot", 93.0)]).scaling[0]
        assert columns["index_closed_low"][row] == pytest.approx(one.index_closed.low, abs=1e-6)
        assert columns["scale_degassed_mg_l_high"][row] == pytest.approx(
            one.scale_degassed_mg_l.high, abs=1e-4
        )


def test_no_parameter_says_a_bare_ppm():
    for name in labkit.water.__all__:
        thing = getattr(labkit.water, name)
        if inspect.isfunction(thing):
            assert not any("ppm" in field for field in inspect.signature(thing).parameters), name
        elif inspect.isclass(thing):
            assert not any("ppm" in field for field in dir(thing)), name


def test_chloride_of_table_salt_is_not_blamed_on_the_hardness():
    """By hand: 2 mmol/L NaCl is 70.9 mg/L chloride; hardness that is all sulfate can bring none
    of it down. Of 1 mmol/L CaCl2, 20.9 of 70.9 mg/L must go: 29.5 %."""
    salted = portray(Water.of_ions({"Ca": 1, "SO4": 1, "Na": 2, "Cl": 2}))
    assert salted.sulfate_share is None
    assert Finding.SULFATE_SPARES_STEEL not in salted.findings
    dosed = Water.of_ions({"Ca": 1, "Cl": 2, "K": 0.8, "HCO3": 0.8})
    assert portray(dosed).sulfate_share == pytest.approx(0.295, abs=0.001)


def test_a_water_without_hardness_has_no_share_to_round():
    """It was said to move by 100 %, as if the sample could turn from calcium to magnesium."""
    assert mix(wanted(0.5, 0, 40), THREE).rounding.mg_share == 0
    assert mix(wanted(0.5, 0.1, 40), THREE).rounding.mg_share == 1
