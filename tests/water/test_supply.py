"""Base water: meter readings and analyses."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.errors import LabkitError, WaterError
from labkit.water import pure_water, read_analysis, read_label, read_number

TAP = {
    "Ca": (100.2, "mg/L"),
    "Mg": (9.72, "mg/L"),
    "sodium": (16.1, "mg/L"),
    "K": (2.74, "mg/L"),
    "Cl": (35.4, "mg/L"),
    "SO4": (52.8, "mg/L"),
    "alkalinity": (223.7, "mg/L CaCO3"),
}
"""Reference water P12 (hard tap, made up), as a laboratory would write it."""


def test_twenty_microsiemens_can_hide_a_quarter_of_a_low_alkalinity():
    """Up to 27 % of an alkalinity of 40: KH 10.8 if all NaHCO3, 9 mg/L if all NaCl (computed)."""
    water = pure_water(conductivity_25c_us_cm=20)
    assert water.hidden_alkalinity_mg_l_caco3 == pytest.approx(10.8, abs=0.15)
    assert water.hidden_sodium_chloride_mg_l == pytest.approx(9, abs=0.2)
    assert water.wants_analysis


def test_one_microsiemens_may_be_air_alone():
    """Pure water under 420 µatm CO2: 0.99 µS/cm (computed); CRC column 1.10 for richer air."""
    water = pure_water(conductivity_25c_us_cm=1.0)
    assert water.hidden_alkalinity_mg_l_caco3 < 0.5
    assert water.is_as_pure_as_air_allows
    assert not water.wants_analysis
    assert pure_water(conductivity_25c_us_cm=0).hidden_hardness_mg_l_caco3 == 0


def test_an_analysis_in_ions_becomes_a_water():
    tap = read_analysis(TAP, name="tap")
    assert tap.water.hardness_mg_l_caco3 == pytest.approx(290.25, rel=2e-3)
    assert tap.water.alkalinity_mg_l_caco3 == pytest.approx(223.7)
    assert abs(tap.charge_gap_percent) < 0.5
    assert not tap.gap_is_notable
    assert tap.filled_with is None


@pytest.mark.parametrize(
    ("entries", "calcium", "magnesium"),
    [
        ({"hardness": (16.26, "°dH"), "Ca": (2.5, "mmol/L")}, 2.5, 0.40),
        ({"hardness": (29.03, "°fH"), "calcium hardness": (250.2, "mg/L CaCO3")}, 2.5, 0.40),
        ({"hardness": (16.957, "gr/US gal"), "Mg": (0.8, "meq/L")}, 2.5, 0.40),
        ({"calcium hardness": (14.02, "°dH"), "magnesium hardness": (4.0, "°fH")}, 2.5, 0.40),
        ({"Ca": (250.2, "mg/L CaCO3"), "Mg": (9722, "µg/L")}, 2.5, 0.40),
    ],
)
def test_hardness_is_read_in_every_unit(entries, calcium, magnesium):
    rest = {"Cl": (5.8, "mmol/L")}
    water = read_analysis(entries | rest).water
    assert water.calcium_mmol_l == pytest.approx(calcium, abs=5e-3)
    assert water.magnesium_mmol_l == pytest.approx(magnesium, abs=5e-3)


@pytest.mark.parametrize(
    "alkalinity",
    [(4.0, "meq/L"), (200.17, "mg/L CaCO3"), (244.06, "mg/L HCO3"), (11.215, "°dH"), (4, "mmol/L")],
)
def test_alkalinity_is_read_in_every_unit(alkalinity):
    water = read_analysis({"alkalinity": alkalinity, "Na": (4, "mmol/L")}).water
    assert water.bicarbonate_mmol_l == pytest.approx(4.0, abs=1e-3)


def test_a_gap_is_shown_and_can_be_filled():
    partial = {"Ca": (100.2, "mg/L"), "Mg": (9.72, "mg/L"), "alkalinity": (223.7, "mg/L CaCO3")}
    with pytest.raises(WaterError, match=r"does not balance: .*\+1\.33 meq/L.*fill_gap .*chloride"):
        read_analysis(partial)
    filled = read_analysis(partial, fill_gap=True)
    assert filled.water.charge_balance_meq_l == pytest.approx(0, abs=1e-12)
    assert filled.water.chloride_mmol_l == pytest.approx(1.33, abs=0.01)
    assert filled.analysed.chloride_mmol_l == 0
    assert filled.filled_with == "Cl"


def test_a_small_gap_above_the_standard_is_notable():
    """Standard Methods 1030 E (from memory): 2 % of the sum at 3 to 10 meq/L of anions."""
    tap = read_analysis(TAP | {"sodium": (2.0, "mg/L")})
    assert tap.charge_gap_meq_l < -0.5
    assert tap.gap_is_notable


def test_a_stated_conductivity_that_cannot_be_is_found():
    """P12 has 615 µS/cm (DHO with ion pairs)."""
    assert read_analysis(TAP | {"conductivity": (615, "µS/cm")}).conductivity_off_percent is None
    odd = read_analysis(TAP | {"conductivity": (310, "µS/cm")})
    assert odd.conductivity_off_percent == pytest.approx(100 * (615 / 310 - 1), abs=5)


@pytest.mark.parametrize(
    ("entries", "sentence"),
    [
        ({"TDS": (150, "ppm")}, "'ppm', which does not say ppm of what"),
        ({"Ca": (50, "ppm")}, "does not say ppm of what"),
        ({"TDS": (150, "mg/L")}, "'TDS' is not a quantity that labkit reads"),
        ({"Ca": (-5, "mg/L")}, "Ca must be a number of at least 0, got -5"),
        ({"Ca": ("fifty", "mg/L")}, "Ca must be a number of at least 0, got 'fifty'"),
        ({"Ca": (50, "mg/L"), "calcium": (50, "mg/L")}, "calcium is given twice"),
        ({"Ca": (50, "grains")}, "calcium must be in one of mg/L"),
        ({"Ca": 50}, r"must be a value with its unit, as in \(50, 'mg/L'\), got 50"),
        ({"alkalinity": (100, "mg/L")}, "alkalinity in mg/L does not say as what"),
        ({"hardness": (100, "mg/L")}, "hardness in mg/L does not say as what"),
        ({"hardness": (100, "mg/L CaCO3")}, "hardness alone does not say how much is calcium"),
        (
            {"hardness": (100, "mg/L CaCO3"), "Ca": (80, "mg/L")},
            "is less than its Ca alone",
        ),
        (
            {"hardness": (300, "mg/L CaCO3"), "Ca": (40, "mg/L"), "Mg": (10, "mg/L")},
            "does not agree with Ca and Mg",
        ),
        (
            {"alkalinity": (100, "mg/L CaCO3"), "HCO3": (122, "mg/L")},
            "give alkalinity or bicarbonate, not both",
        ),
        (
            {"calcium hardness": (100, "mg/L CaCO3"), "Ca": (40, "mg/L")},
            "give calcium hardness or Ca, not both",
        ),
        ({"Mg share": (25, "")}, "Mg share must be from 0 to 1"),
        ({"Mg share": (0.25, "")}, "none of the three is given"),
        (
            {"Ca": (60, "mg/L"), "Mg": (6, "mg/L"), "Mg share": (0.5, "")},
            "Mg share of 0.50 does not agree with Ca and Mg, which make 0.14",
        ),
        (
            {"hardness": (10, "°dH"), "Ca": (60, "mg/L"), "Mg share": (0.5, "")},
            "does not agree with Ca: leave one of the three out",
        ),
        ({"pH": (70, "")}, "pH must be between 0 and 14"),
        ({"conductivity": (300, "mS")}, "conductivity must be in µS/cm"),
        ({"Cl": (100, "mg/L"), "Na": (10, "mg/L")}, "the analysis does not balance"),
    ],
)
def test_bad_analyses_are_refused_with_a_sentence(entries, sentence):
    with pytest.raises(WaterError, match=sentence):
        read_analysis(entries)


@pytest.mark.parametrize(
    "entries",
    [
        {"hardness": (16.26, "°dH"), "Mg share": (0.1379, "")},
        {"hardness": (2.9, "mmol/L"), "Mg share": (13.79, "%")},
        {"Ca": (2.5, "mmol/L"), "Mg share": (0.1379, "")},
        {"Mg": (0.4, "mmol/L"), "Mg share": (0.1379, "")},
        {"hardness": (2.9, "mmol/L"), "Ca": (2.5, "mmol/L"), "Mg share": (0.1379, "")},
        {"Ca": (2.5, "mmol/L"), "Mg": (0.4, "mmol/L"), "Mg share": (0.1379, "")},
    ],
)
def test_a_ratio_parts_a_hardness_or_finds_the_one_that_is_missing(entries):
    water = read_analysis(entries, fill_gap=True).water

    assert water.calcium_mmol_l == pytest.approx(2.5, rel=2e-3)
    assert water.magnesium_mmol_l == pytest.approx(0.4, rel=2e-3)


LABEL = "Ca 60, Mg 6, Na 10, Cl 20, SO4 35, NO3 5, HCO3 170 mg/L"


@pytest.mark.parametrize(
    "typed",
    [
        LABEL,
        "Calcium: 60 mg/l; Magnesium: 6 mg/l; Na+ 10 Cl- 20 SO42- 35 NO3- 5 hydrogen carbonate 170",
        "bicarbonate 170,0 mg/L; sulfate 35; nitrate 5000 µg/L; Mg 6,0 mg/L, Ca 60 Na 10 Cl 20",
    ],
)
def test_a_bottles_label_is_read_in_one_line(typed):
    """Its ions are mg/L of the ion; 170 mg/L of bicarbonate are 139 mg/L as CaCO3 (61.016)."""
    water = read_analysis(read_label(typed)).water

    assert water.ions_mg_l == pytest.approx(
        {"Ca": 60, "Mg": 6, "Na": 10, "Cl": 20, "SO4": 35, "NO3": 5, "HCO3": 170}
    )
    assert water.alkalinity_mg_l_caco3 == pytest.approx(170 / 61.016 * 50.043, rel=1e-4)


def test_a_waterworks_report_may_state_sums():
    assert read_label("total hardness 10 °dH, Ca:Mg 3:1, alk 8 °d, pH 7,2, conductivity 400") == {
        "hardness": (10, "°dH"),
        "Mg share": (0.25, ""),
        "alkalinity": (8, "°dH"),
        "pH": (7.2, ""),
        "conductivity": (400, "µS/cm"),
    }
    assert read_label("") == {}


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ("hardness 10", "without saying in what"),
        ("Ca 1,500", "as Ca 1.5, or as Ca 1500"),
        ("Ca 60, calcium 61", "gives Ca twice"),
        ("Ca <5", "'Ca <5', which is not read"),
        ("Na -5", "'Na -5', which is not read"),
        ("spring", "not read"),
        (";", "must be an analysis"),
    ],
)
def test_a_label_that_cannot_be_read_is_a_sentence(typed, sentence):
    with pytest.raises(WaterError, match=sentence) as refused:
        read_label(typed, field="label")

    assert refused.value.field == "label"


@given(typed=st.text(max_size=30) | st.text("CaMgNOHl0123456789,.: /-+<", max_size=40))
def test_any_label_is_read_or_refused_in_words(typed):
    for read in (read_label, read_number):
        refused = None
        try:
            read(typed, field="label")
        except LabkitError as error:
            refused = error
        assert refused is None or refused.field is not None


def test_units_are_read_as_laboratories_write_them():
    analysis = {
        "Ca": (40.078, "mg/l"),
        "Cl": (35450, "ug/L"),
        "alkalinity": (50.043, "ppm as CaCO3"),
        "pH": (7.4, ""),
        "conductivity": (200, "uS/cm"),
    }
    supply = read_analysis(analysis)
    assert supply.water.ions_mmol_l == pytest.approx({"Ca": 1.0, "Cl": 1.0, "HCO3": 1.0})
    assert supply.ph == 7.4


@pytest.mark.parametrize("reading", [-1, 101, float("nan")])
def test_no_pure_water_reads_so(reading):
    with pytest.raises(WaterError, match="of a pure water must be between 0 and 100"):
        pure_water(conductivity_25c_us_cm=reading)
