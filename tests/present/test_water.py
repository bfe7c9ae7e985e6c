"""Each sentence about a water, once."""

import pytest

from labkit.present import from_to, ph_range, remarks, say, to_html
from labkit.water import (
    PURE_WATER,
    Range,
    Water,
    mix,
    portray,
    pure_water,
    read_analysis,
    salt,
    steel_guidance,
)
from tests.water.recipes import HARD_TAP, bottles, wanted
from tests.water.test_supply import TAP


def test_a_target_in_one_line():
    assert say(wanted(0.5, 80, 40)) == (
        "Ca:Mg 1:1 (Ca 40, Mg 40), hardness 80 and alkalinity 40 mg/L as CaCO3"
    )


def test_the_ph_is_a_range_with_its_lower_end_first():
    assert ph_range(portray(HARD_TAP)) == "8.0 to 8.7"
    assert ph_range(portray(PURE_WATER)) == "5.6 to 7.0"


def test_two_ends_that_agree_are_one_figure():
    assert from_to(Range(low=0.24, high=0.24)) == "0.2"
    assert from_to(Range(low=float("-inf"), high=float("-inf"))) == "none"


@pytest.mark.parametrize(
    ("ions", "words"),
    [
        ({"Ca": 3.0, "Cl": 6.0}, "Chloride of 213 mg/L is in the range"),
        ({"Ca": 3.0, "SO4": 3.0}, "Sulfate of 288 mg/L is above the guide value"),
        ({"K": 1.0, "NO3": 1.0}, "Nitrate of 62 mg/L"),
        ({"K": 3.0, "citrate": 1.0}, "a titration finds 82.6 mg/L alkalinity"),
        ({"Ca": 1.0, "Cl": 1.0}, "The charges do not cancel"),
        ({"Ca": 0.8, "Cl": 1.6}, "Dosing 12 % of the hardness as sulfate"),
        # 29.5 % by hand; 29 % would leave 50.3 mg/L.
        ({"Ca": 1, "Cl": 2, "K": 0.8, "HCO3": 0.8}, "Dosing 30 % of the hardness as sulfate"),
        ({}, "Calcite's constant is measured to 90 °C"),
    ],
)
def test_what_stands_out_is_said(ions, words):
    assert any(remark.startswith(words) or words in remark for remark in remarks_of(ions))


def remarks_of(ions):
    return remarks(portray(Water.of_ions(ions)))


@pytest.mark.parametrize(
    ("chloride", "said"),
    [
        (5, "5 mg/L chloride: 304 to 120 °C and 316 to 130 °C."),
        (57, "57 mg/L chloride: 316 to 120 °C."),
        (301, "301 mg/L chloride: only titanium or a 6 % molybdenum steel."),
    ],
)
def test_how_hot_steel_may_get(chloride, said):
    assert say(steel_guidance(chloride)) == said


def test_the_accuracy_of_a_conductivity_stands_beside_it():
    made = mix(wanted(1, 150, 0), bottles("MgSO4·7H2O")).reached
    assert "± 9 %" in to_html(portray(made))
    assert "± 5 %" in to_html(portray(Water.of_ions({"Ca": 1, "Cl": 2})))


def test_what_a_meter_reading_can_hide():
    (first, then) = remarks(pure_water(conductivity_25c_us_cm=20))
    assert "can hide up to 11 mg/L alkalinity" in first
    assert then.startswith("Titrate its alkalinity")
    assert "CO2 from air" in remarks(pure_water(conductivity_25c_us_cm=1))[1]
    assert len(remarks(pure_water(conductivity_25c_us_cm=5))) == 1


def test_what_is_said_of_an_analysis():
    assert remarks(read_analysis(TAP)) == ()
    partial = {name: TAP[name] for name in ("Ca", "Mg", "alkalinity")}
    (filled,) = remarks(read_analysis(partial, fill_gap=True))
    assert "filled with chloride" in filled
    (gap,) = remarks(read_analysis(TAP | {"sodium": (2.0, "mg/L")}))
    assert "differ by" in gap
    (odd,) = remarks(read_analysis(TAP | {"conductivity": (310, "µS/cm")}))
    assert "more than the 310 µS/cm stated" in odd
    assert "stated pH" in to_html(read_analysis(TAP | {"pH": (7.4, "")}))


def test_a_salt_says_where_its_figures_are_from():
    assert "IUPAC 2021" in to_html(salt("CaCl2·2H2O"))
