"""Random waters against PHREEQC (Python package phreeqc 1.1.1, IPhreeqc 3.8.6)."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from labkit.water.chemistry.equilibrium import AIR_CO2_ATM, Totals, equilibrate
from labkit.water.chemistry.scale import scale_columns
from labkit.water.dosing.tables import WaterTable
from labkit.water.salts.ions import INDEX, IONS
from tests.water.engine import Engine

WATERS_A_DRAW = 25
SALTS = (
    ({"Ca": 1, "Cl": 2}, 3.0),
    ({"Mg": 1, "Cl": 2}, 3.0),
    ({"Mg": 1, "SO4": 1}, 3.0),
    ({"Ca": 1, "SO4": 1}, 3.0),
    ({"Na": 1, "HCO3": 1}, 5.0),
    ({"K": 1, "HCO3": 1}, 5.0),
    ({"Ca": 1, "HCO3": 2}, 2.5),
    ({"Na": 2, "SO4": 1}, 2.0),
    ({"Na": 1, "Cl": 1}, 4.0),
    ({"K": 1, "Cl": 1}, 2.0),
)


def water_of(amounts):
    ions = np.zeros(len(IONS))
    for (parts, most), share in zip(SALTS, amounts, strict=True):
        for symbol, number in parts.items():
            ions[INDEX[symbol]] += number * most * share
    return ions


SHARES = st.one_of(st.just(0.0), st.floats(1e-3, 1.0))
WATERS = st.lists(
    st.lists(SHARES, min_size=len(SALTS), max_size=len(SALTS)).map(water_of),
    min_size=WATERS_A_DRAW,
    max_size=WATERS_A_DRAW,
)
DRAWN = settings(
    max_examples=10,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
    phases=(Phase.generate,),
)
ENGINES = {constants: Engine(constants) for constants in ("1982", "2024")}


@given(waters=WATERS)
@DRAWN
def test_ph_and_saturation_agree_with_the_same_constants(waters):
    """wateq4f.dat holds Plummer & Busenberg (1982), as labkit's first set does.

    Nitrate is left out: PHREEQC lets it react with water's own electrons, which no jug does.
    """
    ours = WaterTable(ions_mmol_l=np.array(waters)).chemistry()
    for row, ions in enumerate(waters):
        theirs = ENGINES["1982"].chemistry(ions)
        for name in ("ph_closed", "ph_air"):
            assert ours[name][row] == pytest.approx(theirs[name], abs=0.02)
        for name in ("calcite_index_20c", "calcite_index_93c", "calcite_index_125c"):
            if ions[INDEX["Ca"]]:
                assert ours[name][row] == pytest.approx(theirs[name], abs=0.05)
            else:
                assert ours[name][row] == -np.inf


@pytest.mark.parametrize(
    "mmol_l",
    [
        {"K": 2.0, "CO3": 1.0},
        {"Na": 1.0, "HCO3": 0.6, "CO3": 0.2},
        {"Ca": 0.5, "Cl": 1.0, "K": 1.0, "CO3": 0.5},
    ],
)
def test_carbonate_of_a_salt_is_carbon_as_bicarbonate_is(mmol_l):
    water = np.zeros(len(IONS))
    for symbol, amount in mmol_l.items():
        water[INDEX[symbol]] = amount
    ours, theirs = WaterTable(ions_mmol_l=water[None]).chemistry(), ENGINES["1982"].chemistry(water)
    for name in ("ph_closed", "ph_air"):
        assert ours[name][0] == pytest.approx(theirs[name], abs=0.002)


@given(waters=WATERS)
@DRAWN
def test_scale_agrees_with_the_refitted_constants(waters):
    """phreeqc.dat of May 2024, whose constants labkit's second set takes over."""
    ours = scale_columns(np.array(waters), 93.0, constants="2024")
    totals = Totals.of_ions(np.array(waters))
    ph = equilibrate(totals, constants="2024", co2_atm=AIR_CO2_ATM).ph
    for row, ions in enumerate(waters):
        theirs = ENGINES["2024"].scale(ions, 93.0)
        assert ph[row] == pytest.approx(ENGINES["2024"].chemistry(ions, ())["ph_air"], abs=0.02)
        if not ions[INDEX["Ca"]]:
            continue
        for name in ("index_closed", "index_degassed"):
            assert ours[name][row] == pytest.approx(theirs[name], abs=0.05)
        for name in ("scale_closed_mg_l", "scale_degassed_mg_l"):
            assert ours[name][row] == pytest.approx(theirs[name], abs=2.0)


@given(waters=WATERS)
@DRAWN
def test_conductivity_stays_near_even_where_no_coffee_is_brewed(waters):
    """Up to 3 mmol/L of each salt; the stated band is tested in test_conductivity.py."""
    ours = WaterTable(ions_mmol_l=np.array(waters)).conductivity_us_cm()
    for row, ions in enumerate(waters):
        theirs = ENGINES["2024"].chemistry(ions, ())["conductivity_25c_us_cm"]
        if theirs > 5:
            room = 0.10 if ions[INDEX["SO4"]] else 0.05
            assert ours[row] == pytest.approx(theirs, rel=room)


def test_the_table_of_random_waters_is_what_phreeqc_says():
    path = Path(__file__).resolve().parents[2] / "shared" / "water" / "random_waters.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 60
    for row in rows[:10]:
        ions = np.zeros(len(IONS))
        for symbol, place in INDEX.items():
            ions[place] = float(row.get(f"{symbol}_mmol_l") or 0.0)
        for tag, constants in (("pq386_wateq4f", "1982"), ("pq386", "2024")):
            for name, value in ENGINES[constants].chemistry(ions).items():
                stored = row.get(f"{name}_{tag}")
                if stored:
                    assert float(stored) == pytest.approx(value, abs=2e-4)
