"""Conductivity against measured salts and waters, and two formulas that others published.

With PHREEQC 3.8.6 (Appelo's diffusion coefficients) the stated band is compared kind by kind.
"""

import numpy as np
import pytest

from labkit.water import Target, Water, expected_meter, mix, portray
from labkit.water.chemistry.conductivity import accuracy_percent, conductivity_us_cm
from labkit.water.chemistry.constants import species_table
from labkit.water.chemistry.equilibrium import Totals, equilibrate
from labkit.water.chemistry.liquid import density_kg_l
from labkit.water.jugs.doses import meter_of
from labkit.water.jugs.readings import meter_band_percent
from labkit.water.jugs.slips import MeterReading, check_jug
from labkit.water.salts.ions import INDEX, IONS
from labkit.water.uncertainty import ANALYSIS_HALF_WIDTH_PERCENT
from tests.water.engine import Engine
from tests.water.make_random_waters import SALTS
from tests.water.recipes import bottles

GROUNDWATERS = """
7.6 5 38 0.9 1.5 5.9 0.8 6.5 2.6 67
7.91 32 171 0 0 23 10.9 14 21 326
7.0 17.7 55 38.4 0 16.1 3.9 20 4.9 212
7.57 16.3 113 21 24.8 6 0.66 53.3 3 282
7.34 33 307 1 0.1 20 6.3 79 7.9 486
7.0 39 101 116 0.6 23 2.8 58 13 458
7.0 11 415 437 0 297 3.9 20 26.7 1204
6.2 113 32 62 0 62 3.7 29 9.1 505
7.57 42 185 63 69.5 26 1.9 101 5 585
7.04 34 352 140 372 19 0.3 285 4.1 1248
7.0 128 201 48 0 161 0 18 0 735
7.53 206 212 100 0 103 2.4 121 4.7 1021
7.77 196 716 6 0 350 7.4 29 10 1445
8.0 476 226 17 0 165 22.8 112 52 1660
7.0 326 762 372 0 650 0 10 7 2580
7.0 92 732 879 0 738 3.9 16 10.9 2645
7.73 714 255 19 0 316 30.7 80 75 2440
7.3 850 72 2130 0 462 9.1 696 204 4965
"""
"""pH, Cl, HCO3, SO4, NO3, Na, K, Ca, Mg in mg/L, and µS/cm measured at 20 °C: all of table 3.1 in
Stuyfzand, P. J. (1987), a precise calculation of the conductivity of waters, KIWA (as in the R
package groundwaterconductivity; seen), up to 5000 µS/cm, from pH 6, of at most 3 mg/L ammonium."""

MCCLESKEY = {
    "K": ((0.003046, 1.261, 40.70), (0.00535, 0.9316, 22.59), 1.5),
    "Na": ((0.003763, 0.8770, 26.23), (0.00027, 1.141, 32.07), 1.7),
    "Ca": ((0.009645, 1.984, 62.28), (0.03174, 2.334, 132.3), 2.8),
    "Mg": ((0.01068, 1.695, 57.16), (0.02453, 1.915, 80.50), 2.1),
    "Cl": ((0.003817, 1.337, 40.99), (0.00613, 0.9469, 22.01), 1.5),
    "SO4": ((0.01037, 2.838, 82.37), (0.03324, 5.889, 193.5), 2.6),
    "HCO3": ((0.000614, 0.9048, 21.14), (-0.00503, 0.8957, 10.97), 0.1),
    "NO3": ((0.001925, 1.214, 39.90), (0.00118, 0.5045, 23.31), 0.1),
    "CO3": ((-0.000326, 2.998, 64.03), (-0.00181, 5.542, 120.2), 2.3),
    "NaSO4": ((0.002309, 5.459, 219.2), (0.01454, 5.193, 253.6), 0.5),
    "KSO4": ((0.002439, 4.253, 129.7), (0.01576, 6.21, 146.8), 1.3),
}
"""Table 1 of McCleskey, R. B., Nordstrom, D. K., Ryan, J. N., Ball, J. W. (2012), Geochim.
Cosmochim. Acta 77, 369-382, as two public copies of its tables have it (seen, not the paper): molal
conductivity k(T) - A(T) √I / (1 + B √I), for the free ions of a speciation."""


def ions(**mmol_l):
    vector = np.zeros(len(IONS))
    for symbol, amount in mmol_l.items():
        vector[INDEX[symbol]] = amount
    return vector


def drawn(seed, n):
    """Waters drawn from salts as those of the table of random waters are."""
    rng = np.random.default_rng(seed)
    waters = np.zeros((n, len(IONS)))
    for parts, most in SALTS:
        amounts = rng.uniform(0, most, n) * (rng.random(n) < 0.5)
        for symbol, moles in parts.items():
            waters[:, INDEX[symbol]] += moles * amounts
    return waters[waters.sum(axis=1) > 0.1]


def by_phreeqc(engine, water, temperature):
    """Specific conductance at the water's own temperature."""
    found = engine.run(
        "SELECTED_OUTPUT 1\n -reset false\n -high_precision true\n"
        "USER_PUNCH 1\n -headings sc\n 10 PUNCH SC\n"
        + engine.solution(water)
        + f"USE solution 1\nREACTION_TEMPERATURE 1\n {temperature:g}\nEND\n"
    )
    return found["sc"][-1]


def by_mccleskey(waters, temperature):
    rest = equilibrate(Totals.of_ions(waters), temperature)
    root, names = np.sqrt(rest.ionic_strength), species_table().names
    total = np.zeros(len(waters))
    for name, (limit, slope, closeness) in MCCLESKEY.items():
        if name in names:
            molal = rest.molality[:, names.index(name)]
        else:
            molal = waters[:, INDEX[name]] / 1000 / density_kg_l(25.0)
        k = np.polyval(limit, temperature)
        k = k - np.polyval(slope, temperature) * root / (1 + closeness * root)
        total += 1000 * molal * k
    return total


def kinds(waters):
    """Which of the waters are of each kind."""
    sulfate, sodium = waters[:, INDEX["SO4"]], waters[:, INDEX["Na"]]
    return {
        "plain": sulfate == 0,
        "with sulfate": sulfate > 0,
        "with much sulfate": sulfate > 1,
        "with sodium": sodium > 1,
    }


@pytest.mark.parametrize("temperature", [5.0, 25.0, 35.0, 50.0, 75.0, 93.0])
def test_the_stated_band_holds_phreeqc_for_95_in_100_of_each_kind_of_water(temperature):
    """Of 300 waters 64 lay beyond the 5 % once stated for all, the worst 11 % low."""
    waters, engine = drawn(20261128, 250), Engine("2024")
    theirs = np.array([by_phreeqc(engine, water, temperature) for water in waters])
    off = 100 * np.abs(conductivity_us_cm(waters, temperature) / theirs - 1)
    inside = off <= accuracy_percent(waters, temperature)
    for kind, of_it in kinds(waters).items():
        assert of_it.sum() >= 40
        assert inside[of_it].mean() >= 0.95, kind


@pytest.mark.parametrize("temperature", [5.0, 25.0, 50.0, 90.0])
def test_the_formula_of_mccleskey_lies_in_the_band(temperature):
    """Fitted to measured salts from 5 to 90 °C, and in no way to ours."""
    waters = drawn(20261129, 300)
    off = 100 * np.abs(
        by_mccleskey(waters, temperature) / conductivity_us_cm(waters, temperature) - 1
    )
    assert (off <= accuracy_percent(waters, temperature)).all()
    assert temperature > 50 or off.mean() < 1.5


def test_measured_groundwaters_lie_in_the_band_but_for_two():
    """Known by analysis only, whose doubt adds as it does for a base. The two are 12 and 14 % off,
    and McCleskey's formula is as far from them: the analysis or the reading is not right."""
    rows = np.array([row.split() for row in GROUNDWATERS.strip().split("\n")], dtype=float)
    measured = rows[:, -1]
    masses = {"Cl": 35.45, "HCO3": 61.016, "SO4": 96.056, "NO3": 62.004}
    masses |= {"Na": 22.99, "K": 39.098, "Ca": 40.078, "Mg": 24.305}
    waters = np.zeros((len(rows), len(IONS)))
    for column, (symbol, mass) in enumerate(masses.items(), start=1):
        waters[:, INDEX[symbol]] = rows[:, column] / mass
    off = 100 * np.abs(conductivity_us_cm(waters, 20.0) / measured - 1)
    both = np.hypot(accuracy_percent(waters, 20.0), ANALYSIS_HALF_WIDTH_PERCENT)
    inside = off <= both
    assert (len(inside), inside.sum()) == (18, 16)
    others = 100 * np.abs(by_mccleskey(waters, 20.0) / measured - 1)
    assert others[~inside].min() > 11


@pytest.mark.parametrize(
    ("salt", "normality", "temperature", "equivalent"),
    [
        (ions(Mg=0.5, SO4=0.5), 0.001, 18.0, 99.8),
        (ions(Mg=0.5, SO4=0.5), 0.01, 18.0, 76.2),
        (ions(Mg=0.5, SO4=0.5), 0.1, 18.0, 49.7),
        (ions(K=1, SO4=0.5), 0.001, 18.0, 126.9),
        (ions(K=1, SO4=0.5), 0.01, 18.0, 115.8),
    ],
)
def test_sulfates_conduct_as_kohlrausch_measured(salt, normality, temperature, equivalent):
    """S cm²/eq, Kohlrausch & Holborn (from memory). Without Bjerrum's distance magnesium sulfate
    came out 7 % low at 0.01 and 26 % low at 0.1 equivalents a litre."""
    milliequivalents = 1000 * normality
    found = conductivity_us_cm(milliequivalents * salt, temperature)[0] / milliequivalents
    assert found == pytest.approx(equivalent, rel=0.02)


@pytest.mark.parametrize(
    ("salt", "normality", "equivalent"),
    [
        (ions(Ca=0.5, Cl=1), 0.001, 130.30),
        (ions(Ca=0.5, Cl=1), 0.005, 124.19),
        (ions(Ca=0.5, Cl=1), 0.01, 120.30),
        (ions(Mg=0.5, Cl=1), 0.001, 124.15),
        (ions(Mg=0.5, Cl=1), 0.005, 118.25),
        (ions(Mg=0.5, Cl=1), 0.01, 114.49),
    ],
)
def test_chlorides_of_calcium_and_magnesium_are_met_to_three_in_a_thousand(
    salt, normality, equivalent
):
    """S cm²/eq at 25 °C, CRC Handbook (from memory). What slows an ion is the charge of those
    around it: with the wrong side's charges these came out .7 to .9 % off at .01 equivalents, which
    the table of references lets pass."""
    found = conductivity_us_cm(1000 * normality * salt)[0] / (1000 * normality)
    assert found == pytest.approx(equivalent, rel=0.003)


@pytest.mark.parametrize(
    ("salt", "limit"),
    [
        (ions(K=1, Cl=1), 73.48 + 76.31),
        (ions(Na=1, Cl=1), 50.08 + 76.31),
        (ions(Ca=0.5, Cl=1), 59.47 + 76.31),
        (ions(Mg=0.5, SO4=0.5), 53.0 + 80.0),
        (ions(K=1, NO3=1), 73.48 + 71.42),
    ],
)
def test_at_great_dilution_ions_conduct_each_for_itself(salt, limit):
    """Kohlrausch's law, with the limiting conductivities of the CRC Handbook (S cm²/eq; from
    memory). Of a tenth of a micromole what ions slow each other, and what they do to the ions of
    water itself, are below 3 in 10,000 (computed)."""
    amount = 1e-4
    found = conductivity_us_cm(amount * salt)[0] - conductivity_us_cm(ions())[0]
    assert found / amount == pytest.approx(limit, rel=3e-4)


def test_the_band_widens_with_sulfate_and_away_from_25_degrees():
    plain, epsom = ions(Ca=1, Cl=2), ions(Mg=1, SO4=1)
    half = plain + epsom
    assert accuracy_percent(np.array([plain, half, epsom])) == pytest.approx([5, 7, 9])
    assert accuracy_percent(plain, 50.0) == accuracy_percent(plain, 0.0) == pytest.approx(7.5)
    assert accuracy_percent(ions()) == pytest.approx(5)


def test_every_place_that_names_a_band_takes_that_of_the_water():
    """Portrait, expected reading, that of a recipe (cards, bench sheet) and the jug's check."""
    target = Target(mg_share=1.0, hardness_mg_l_caco3=120, alkalinity_mg_l_caco3=0)
    made = mix(target, bottles("MgSO4·7H2O"))
    percent = float(meter_band_percent(made.reached.vector, 25.0)[0])
    assert percent == pytest.approx(2 / 3**0.5 * (9**2 + 2**2) ** 0.5)
    known = expected_meter(made.reached)
    assert known.slack == pytest.approx(known.shown * percent / 100)
    recipe = meter_of(made)
    assert recipe.slack > known.slack
    edge = check_jug(made, [MeterReading(shown=recipe.high)]).meant
    assert edge.distance == pytest.approx(1.0)
    assert portray(made.reached).conductivity_accuracy_percent == 9
    assert portray(Water.of_vector(ions(Ca=1, Cl=2))).conductivity_accuracy_percent == 5
