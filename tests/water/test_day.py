"""A base water on the day: what a reading says of an older analysis, and when it says nothing."""

import pytest

from labkit.errors import WaterError
from labkit.present import remarks, say, to_html
from labkit.water import (
    PURE_WATER,
    DayReading,
    DayVerdict,
    Supply,
    Water,
    blend,
    conductivity_us_cm,
    read_analysis,
    water_of_day,
)

# An invented tap water of the demo's kind: hard, some sulfate.
TAP = read_analysis(
    {
        "Ca": (76, "mg/L"),
        "Mg": (12, "mg/L"),
        "Na": (14, "mg/L"),
        "Cl": (32, "mg/L"),
        "SO4": (38, "mg/L"),
        "alkalinity": (188, "mg/L CaCO3"),
    },
    name="tap, spring",
    fill_gap=True,
)


def metered(water, **more):
    shown = float(conductivity_us_cm(water.vector)[0])
    return DayReading(conductivity_25c_us_cm=shown, **more)


def thinned(share):
    return blend([(TAP.water, share), (PURE_WATER, 1 - share)])


@pytest.mark.parametrize("share", [0.97, 1.0, 1.03])
def test_a_reading_within_its_doubt_changes_nothing(share):
    today = water_of_day(TAP, metered(Water.of_vector(share * TAP.water.vector)))
    assert today.verdict is DayVerdict.HOLDS
    assert today.water == TAP.water


@pytest.mark.parametrize("share", [0.82, 0.9, 1.15])
def test_the_same_water_thinner_or_thicker_is_found_by_its_meter(share):
    true = Water.of_vector(share * TAP.water.vector)
    today = water_of_day(TAP, metered(true))
    assert today.verdict is DayVerdict.SCALED
    assert today.water.vector == pytest.approx(true.vector, rel=1e-6)
    assert today.factor == pytest.approx(share, rel=1e-6)


def test_phreeqc_reads_a_thinned_tap_and_its_ions_are_found():
    """PHREEQC 3.8.6 (phreeqc.dat) gives both conductivities; labkit's own takes no part in them."""
    from tests.water.engine import Engine

    engine = Engine("2024")
    before, after = (
        engine.chemistry(water.vector)["conductivity_25c_us_cm"]
        for water in (TAP.water, thinned(0.88))
    )
    stated = Supply(name="tap", water=TAP.water, analysed=TAP.water, conductivity_25c_us_cm=before)
    today = water_of_day(stated, DayReading(conductivity_25c_us_cm=after))
    assert today.verdict is DayVerdict.SCALED
    assert today.water.vector == pytest.approx(thinned(0.88).vector, rel=0.005)


def test_a_stated_conductivity_is_compared_rather_than_the_formula():
    """A laboratory 6 % off the formula: the same meter reading is no change of the water."""
    stated = 1.06 * TAP.expected_conductivity_25c_us_cm
    supply = Supply(name="tap", water=TAP.water, analysed=TAP.water, conductivity_25c_us_cm=stated)
    same = water_of_day(supply, DayReading(conductivity_25c_us_cm=stated))
    assert same.verdict is DayVerdict.HOLDS


@pytest.mark.parametrize("times", [0.5, 0.75, 1.3, 2.0])
def test_too_far_off_it_is_another_water_and_nothing_is_corrected(times):
    today = water_of_day(TAP, metered(Water.of_vector(times * TAP.water.vector)))
    assert today.verdict is DayVerdict.ANOTHER
    assert today.water == TAP.water
    assert "have it analysed" in say(today)
    assert "Of today" not in to_html(today)


def test_hardness_and_alkalinity_of_today_set_the_ions_by_hand():
    """By hand: Ca and Mg keep their ratio, 1 mmol/L is 100.09 and 50.04 mg/L as CaCO3."""
    today = water_of_day(TAP, DayReading(hardness_mg_l_caco3=150, alkalinity_mg_l_caco3=120))
    assert today.verdict is DayVerdict.TITRATED
    ions = today.water.ions_mmol_l
    assert ions["Ca"] + ions["Mg"] == pytest.approx(150 / 100.09, rel=1e-3)
    assert ions["Ca"] / ions["Mg"] == pytest.approx(76 / 40.078 / (12 / 24.305), rel=1e-3)
    assert ions["HCO3"] == pytest.approx(120 / 50.04, rel=1e-3)
    assert today.water.charge_balance_meq_l == pytest.approx(TAP.water.charge_balance_meq_l)
    assert ions["SO4"] == TAP.water.ions_mmol_l["SO4"]


def test_a_softened_tap_is_not_taken_for_a_thinner_one():
    """Ion exchange: all hardness gone for sodium, the meter reads about the same."""
    soft = TAP.water.ions_mmol_l
    hardness = soft["Ca"] + soft["Mg"]
    soft = Water.of_ions(
        soft | {"Ca": 0.1, "Mg": 0.0, "Na": soft.get("Na", 0.0) + 2 * (hardness - 0.1)}
    )
    today = water_of_day(TAP, metered(soft, hardness_mg_l_caco3=10))
    assert today.verdict is DayVerdict.ANOTHER


def test_a_meter_that_contradicts_the_drops_is_said():
    right = water_of_day(
        TAP, metered(thinned(0.7), hardness_mg_l_caco3=0.7 * 239, alkalinity_mg_l_caco3=0.7 * 188)
    )
    assert right.verdict is DayVerdict.TITRATED
    off = water_of_day(
        TAP,
        DayReading(conductivity_25c_us_cm=900, hardness_mg_l_caco3=150, alkalinity_mg_l_caco3=120),
    )
    assert off.meter_off_percent > 50
    assert "Take it again" in remarks(off)[0]


def test_impossible_readings_are_refused():
    with pytest.raises(WaterError, match="must be given, got nothing"):
        DayReading()
    with pytest.raises(WaterError, match="hardness_mg_l_caco3 must be a number of at least 0"):
        DayReading(hardness_mg_l_caco3=-1)
    pure = Supply(name="x", water=Water.of_ions({"Na": 1, "Cl": 1}), analysed=PURE_WATER)
    with pytest.raises(WaterError, match="it has none of it"):
        water_of_day(pure, DayReading(hardness_mg_l_caco3=100))
