"""Equilibrium: invariants and extremes; agreement with PHREEQC is tested elsewhere."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.errors import WaterError
from labkit.water import PURE_WATER, Water, scaling
from labkit.water.chemistry.conductivity import conductivity_us_cm
from labkit.water.chemistry.constants import SETS, log_k, species_table
from labkit.water.chemistry.equilibrium import AIR_CO2_ATM, MINERALS, Totals, equilibrate
from labkit.water.chemistry.liquid import density_kg_l, permittivity, viscosity_mpa_s
from labkit.water.chemistry.scale import scale_columns
from labkit.water.salts.ions import INDEX, IONS
from tests.water.recipes import HARD_TAP, SALT_WATERS, THREE, wanted

QUICK = settings(max_examples=25, deadline=None)
P04 = Water.of_ions({"Ca": 0.7993, "Cl": 1.5986, "Na": 0.7993, "HCO3": 0.7993})
"""Reference water P04: hardness 80 from CaCl2, alkalinity 40 from NaHCO3."""


def totals(*waters):
    return Totals.of_ions(np.array([water.vector for water in waters]))


@given(
    water=SALT_WATERS,
    temperature=st.floats(0, 130),
    constants=st.sampled_from(SETS),
    co2=st.sampled_from([None, AIR_CO2_ATM, 0.05]),
)
@QUICK
def test_what_went_in_is_still_there(water, temperature, constants, co2):
    """Mass balance of every component, and charge balance of the species."""
    before = totals(water)
    rest = equilibrate(before, temperature, constants=constants, co2_atm=co2)
    kept = rest.settled.components
    np.testing.assert_allclose(kept[:, 1:6], before.components[:, 1:6], rtol=1e-6, atol=1e-12)
    alkalinity_before = 2 * before.components[0, 6] - before.components[0, 0]
    alkalinity = 2 * kept[0, 6] - kept[0, 0]
    assert alkalinity == pytest.approx(alkalinity_before, abs=1e-9)
    charge = rest.molality[0] @ species_table().charge
    chloride = water.chloride_mmol_l / 1000 / density_kg_l(25.0)
    assert charge - chloride == pytest.approx(0, abs=1e-8)


@given(
    calcium=st.floats(0, 4),
    magnesium=st.floats(0, 4),
    alkalinity=st.floats(0, 5),
    sulfate=st.floats(0, 8),
    temperature=st.floats(0, 130),
)
@QUICK
def test_extreme_waters_settle(calcium, magnesium, alkalinity, sulfate, temperature):
    """Hardness 0 to 800, alkalinity 0 to 250, any temperature, any gas and mineral."""
    water = Water.of_ions(
        {"Ca": calcium, "Mg": magnesium, "HCO3": alkalinity, "SO4": sulfate, "Na": 2 * sulfate}
    )
    for co2 in (None, AIR_CO2_ATM):
        for mineral in (None, *MINERALS):
            rest = equilibrate(totals(water), temperature, co2_atm=co2, mineral=mineral)
            assert np.all(np.isfinite(rest.molality))
            assert 3 < rest.ph[0] < 13
            if mineral:
                index = rest.saturation_index(mineral)[0]
                assert index == pytest.approx(0, abs=1e-6) or index == -np.inf


def test_a_batch_is_its_waters_one_by_one():
    waters = [P04, HARD_TAP, PURE_WATER, Water.of_ions({"Mg": 1.0, "SO4": 1.0})]
    together = equilibrate(totals(*waters), 60.0)
    for row, water in enumerate(waters):
        alone = equilibrate(totals(water), 60.0)
        assert together.ph[row] == pytest.approx(alone.ph[0], abs=1e-6)
        assert together.ionic_strength[row] == pytest.approx(alone.ionic_strength[0], rel=1e-5)


def test_calcite_by_handbook_constants_alone():
    """A water made at saturation: the ion activity product is the constant, at 0 to 90 °C."""
    for temperature in (0, 25, 50, 75, 90):
        full = equilibrate(totals(PURE_WATER), temperature, mineral="calcite")
        product = (full.ln_activity[0, 1] + full.ln_activity[0, 6]) / np.log(10)
        assert product == pytest.approx(log_k("calcite", temperature), abs=1e-8)


def test_a_water_without_a_minerals_ions_never_saturates():
    water = totals(Water.of_ions({"Mg": 1.0, "Na": 1.0, "Cl": 2.0, "HCO3": 1.0}))
    rest = equilibrate(water)
    assert rest.saturation_index("calcite")[0] == rest.saturation_index("gypsum")[0] == -np.inf
    assert np.isfinite(rest.saturation_index("nesquehonite")[0])


@pytest.mark.parametrize(
    ("temperature", "density", "permits", "viscosity"),
    [
        (0, 0.99984, 87.90, 1.792),
        (25, 0.99705, 78.36, 0.8902),
        (50, 0.98804, 69.88, 0.5469),
        (75, 0.97484, 62.28, 0.3775),
        (100, 0.95836, 55.51, 0.2822),
    ],
)
def test_water_itself_is_that_of_the_handbooks(temperature, density, permits, viscosity):
    """CRC Handbook, Properties of water from 0 to 100 °C (from memory), of other formulas than
    ours: these lie within 0.4 % in permittivity and 1 % in viscosity."""
    assert density_kg_l(temperature) == pytest.approx(density, rel=2e-5)
    assert permittivity(temperature) == pytest.approx(permits, rel=0.005)
    assert viscosity_mpa_s(temperature) == pytest.approx(viscosity, rel=0.012)


def test_viscosity_hangs_on_the_value_at_20_degrees():
    """1.002 mPa s, by which viscometers are calibrated (Swindells et al. 1952; from memory)."""
    assert viscosity_mpa_s(20) == pytest.approx(1.002, rel=1e-6)


def test_calcite_is_less_soluble_when_hot():
    """Plummer & Busenberg 1982: solubility falls steadily from 0 to 90 °C."""
    values = [log_k("calcite", temperature) for temperature in (20, 30, 45, 60, 75, 90)]
    assert all(later < earlier for earlier, later in itertools.pairwise(values))


@pytest.mark.parametrize("temperature", [-1, 131, float("nan"), float("inf")])
def test_temperatures_beyond_the_constants_are_refused(temperature):
    with pytest.raises(WaterError, match="temperature_c must be between 0 and 130"):
        equilibrate(totals(P04), temperature)
    said = "temperature_c must be between 0 and 130"
    if not np.isfinite(temperature):
        said = r"places must be a list, each \(text, a number\), got \('too hot', (nan|inf)\)"
    with pytest.raises(WaterError, match=said):
        scaling(P04, [("too hot", temperature)])


def test_extrapolation_is_flagged():
    flags = {each.temperature_c: each.extrapolated for each in scaling(P04)}
    assert flags == {20.0: False, 93.0: True, 100.0: True, 125.0: True}


def test_scale_of_a_known_water_comes_with_the_spread_of_the_sets():
    """P04 at 93 °C: closed 3.5 (7.5 with the 2024 set), degassed 25 (29) mg/L; PHREEQC."""
    brewing = scaling(P04, [("brewing", 93.0)])[0]
    assert brewing.scale_closed_mg_l.low == pytest.approx(3.5, abs=0.3)
    assert brewing.scale_closed_mg_l.high == pytest.approx(7.5, abs=0.3)
    assert brewing.scale_degassed_mg_l.low == pytest.approx(25.3, abs=0.5)
    assert brewing.scale_degassed_mg_l.high == pytest.approx(29.4, abs=0.5)
    assert brewing.index_closed.low == pytest.approx(0.245, abs=0.02)
    assert brewing.index_closed.high == pytest.approx(0.530, abs=0.02)


@given(water=SALT_WATERS)
@QUICK
def test_scale_never_exceeds_the_calcium_nor_falls_out_below_saturation(water):
    for constants in SETS:
        columns = scale_columns(np.array([water.vector]), 93.0, constants=constants)
        for state in ("closed", "degassed"):
            scale = columns[f"scale_{state}_mg_l"][0]
            index = columns[f"index_{state}"][0]
            assert 0 <= scale <= water.calcium_hardness_mg_l_caco3 + 1e-6
            if index < -1e-3:
                assert scale == pytest.approx(0, abs=1e-5)


def test_organic_anions_and_nitrate_count_in_the_ionic_strength():
    plain = equilibrate(totals(Water.of_ions({"K": 3.0, "HCO3": 3.0})))
    citrate = equilibrate(totals(Water.of_ions({"K": 3.0, "citrate": 1.0})))
    assert citrate.ionic_strength[0] == pytest.approx(
        plain.ionic_strength[0] * (3 + 9) / (3 + 3), rel=0.02
    )


def test_conductivity_of_pure_water():
    """0.055 µS/cm at 25 °C (ASTM D1125, from memory)."""
    assert conductivity_us_cm(PURE_WATER.vector)[0] == pytest.approx(0.055, abs=0.001)


def test_conductivity_grows_with_every_salt():
    one = conductivity_us_cm(THREE[0].vector / 10)[0]
    both = conductivity_us_cm(THREE[0].vector / 10 + THREE[1].vector / 10)[0]
    assert 0 < one < both


def test_conductivity_at_the_bench():
    """P04 at 20 °C: 249 by PHREEQC 3.8.6, 278 at 25 °C: 2.1 % a degree."""
    ratio = conductivity_us_cm(P04.vector, 20.0)[0] / conductivity_us_cm(P04.vector)[0]
    assert ratio == pytest.approx(249 / 278, abs=0.01)


def test_no_species_is_counted_twice():
    table = species_table()
    assert len(set(table.names)) == len(table.names)
    assert len(IONS) == len(INDEX)
    assert wanted(0.5, 80, 40).text.startswith("Ca:Mg 1:1")
