"""Concentrates: strength, masses, weighing, measuring, solubility, shared bottles."""

import math

import numpy as np
import pytest

from labkit.errors import ConcentrateError
from labkit.water import (
    SALTS,
    Concentrate,
    MeasuredStrength,
    SharedBottle,
    bottle_saturation,
    plan_weighing,
    salt,
    salt_by_formula,
    strength_by_conductivity,
    strength_by_titration,
)
from labkit.water.bottles.solubility import solubility_limit_g_l, solution_density_kg_l
from labkit.water.chemistry.conductivity import conductivity_us_cm
from tests.water.recipes import THREE, bottles


@pytest.mark.parametrize(
    ("formula", "grams"),
    [
        ("CaCl2·2H2O", 1.469),
        ("MgCl2·6H2O", 2.031),
        ("KHCO3", 2.001),
        ("MgSO4·7H2O", 2.4625),
        ("NaHCO3", 1.6787),
    ],
)
def test_the_usual_bottles_weigh_what_practice_says(formula, grams):
    """Common practice: 1 mL in a litre adds 1 mg/L as CaCO3 (masses computed from IUPAC 2021)."""
    assert plan_weighing(salt=salt(formula), volume_ml=1000).exact_g == pytest.approx(
        grams, abs=6e-4
    )


def test_stronger_bottles_hold_more():
    once = plan_weighing(salt=salt("KHCO3"), volume_ml=250).exact_g
    five = plan_weighing(salt=salt("KHCO3"), volume_ml=250, strength_mg_l_caco3_per_ml=5).exact_g
    assert five == pytest.approx(5 * once)
    assert Concentrate.of_strength(salt=salt("KHCO3")).strength_mmol_l == pytest.approx(
        19.983, 1e-4
    )


def test_what_was_weighed_gives_the_actual_strength():
    bottle = Concentrate.from_weighing(
        salt=salt("CaCl2·2H2O"), weighed_g=1.50, volume_ml=1000, purity=0.98
    )
    assert bottle.strength_g_l == pytest.approx(1.5)
    assert bottle.strength_mg_l_caco3_per_ml == pytest.approx(1.5 * 0.98 / 1.46882, rel=1e-4)


def test_impure_salt_needs_more_grams():
    pure = plan_weighing(salt=salt("KHCO3"), volume_ml=500).exact_g
    impure = plan_weighing(salt=salt("KHCO3"), volume_ml=500, purity=0.98).exact_g
    assert impure == pytest.approx(pure / 0.98)


def test_an_assay_of_the_anhydrous_salt_becomes_a_purity():
    """Dihydrate is 75.49 % CaCl2; commercial grades hold 74 to 78 % (technical bulletin)."""
    dihydrate = salt("CaCl2·2H2O")
    assert dihydrate.purity_from_anhydrous(75.49) == pytest.approx(1.0, abs=1e-4)
    assert dihydrate.purity_from_anhydrous(78) == pytest.approx(1.033, abs=1e-3)


@pytest.mark.parametrize(
    ("taken", "for_", "off_percent"),
    [
        ("CaCl2 anhydrous", "CaCl2·2H2O", 32.5),
        ("CaCl2·6H2O", "CaCl2·2H2O", -32.9),
        ("MgSO4 anhydrous", "MgSO4·7H2O", 104.8),
    ],
)
def test_mistaking_a_hydrate_is_off_by(taken, for_, off_percent):
    """Computed from molar masses; the anhydrous 94-97 % of commerce gives +24.5 to +28.5 %."""
    ratio = SALTS[for_].molar_mass_g_mol / SALTS[taken].molar_mass_g_mol
    assert 100 * (ratio - 1) == pytest.approx(off_percent, abs=0.1)


@pytest.mark.parametrize(
    ("volume_ml", "percent", "mend"),
    [(1000, 0.68, None), (100, 6.8, 700), (500, 1.36, 700)],
)
def test_the_balance_is_warned_about_above_one_per_cent(volume_ml, percent, mend):
    """One digit of 0.01 g is 0.68 % of 1.469 g and 6.8 % of 0.147 g (computed)."""
    plan = plan_weighing(salt=salt("CaCl2·2H2O"), volume_ml=volume_ml)
    assert plan.error_percent == pytest.approx(percent, abs=0.01)
    assert plan.mending_volume_ml == mend
    if mend:
        again = plan_weighing(salt=salt("CaCl2·2H2O"), volume_ml=mend)
        assert again.error_percent <= 1


def test_the_rounded_mass_makes_the_bottle():
    plan = plan_weighing(salt=salt("CaCl2·2H2O"), volume_ml=1000)
    assert plan.mass_g == 1.47
    assert plan.bottle.strength_mg_l_caco3_per_ml == pytest.approx(1.47 / 1.46882, rel=1e-5)
    digit, assay = 0.68, 1.0
    assert plan.bottle.uncertainty_percent == pytest.approx(
        2 * math.hypot(digit, assay) / math.sqrt(3), rel=1e-3
    )


def test_a_titration_goes_before_the_weighing_and_both_are_kept():
    weighed = THREE[0]
    tested = strength_by_titration(
        weighed, reading_mg_l_caco3=90, step_mg_l_caco3=2, concentrate_ml=10, diluted_to_ml=100
    )
    assert tested.strength_mg_l_caco3_per_ml == pytest.approx(0.9)
    assert tested.weighed_strength_mg_l_caco3_per_ml == pytest.approx(1.0)
    assert tested.strength_g_l == weighed.strength_g_l
    assert tested.vector == pytest.approx(0.9 * weighed.vector)
    assert tested.measured.method == "hardness titration"
    assert tested.differs_notably


@pytest.mark.parametrize("formula", ["CaCl2·2H2O", "MgSO4·7H2O", "KHCO3"])
@pytest.mark.parametrize("true", [0.8, 1.0, 1.15])
def test_conductivity_finds_a_planted_strength(formula, true):
    bottle = Concentrate.of_strength(salt=salt(formula))
    reading = float(conductivity_us_cm(true * bottle.vector / 10)[0])
    tested = strength_by_conductivity(
        bottle, conductivity_25c_us_cm=reading, concentrate_ml=10, diluted_to_ml=100
    )
    assert tested.strength_mg_l_caco3_per_ml == pytest.approx(true, rel=1e-6)
    assert tested.measured.uncertainty_percent > 0


@pytest.mark.parametrize(
    ("formula", "g_l"), [("NaCl", 317.0), ("KCl", 296.0), ("NaHCO3", 92.6), ("CaSO4·2H2O", 2.55)]
)
def test_solubility_per_litre_of_solution(formula, g_l):
    """Saturated solutions at 20 °C, from CRC solubilities and densities (from memory), 3 %."""
    assert solubility_limit_g_l(salt(formula)) == pytest.approx(g_l, rel=0.03)


@pytest.mark.parametrize(
    ("formula", "strength", "sentence"),
    [
        ("CaSO4·2H2O", 2.0, "at most 2.55 for CaSO4·2H2O .its solubility at 20 °C.*got 3.44"),
        ("NaHCO3", 60.0, "at most 93.2 for NaHCO3"),
        ("Ca3(C6H5O7)2·4H2O", 1.0, "at most 0.85"),
    ],
)
def test_more_than_dissolves_is_refused(formula, strength, sentence):
    with pytest.raises(ConcentrateError, match=sentence):
        Concentrate.of_strength(salt=salt(formula), strength_mg_l_caco3_per_ml=strength)


def test_gypsum_at_single_strength_is_two_thirds_saturated():
    """66 to 67 % of saturation (computed by PHREEQC and from CRC's 2.02 g/L CaSO4)."""
    bottle = Concentrate.of_strength(salt=salt("CaSO4·2H2O"))
    assert bottle.saturation_percent == pytest.approx(67, abs=1)
    assert bottle.dissolves_slowly


@pytest.mark.parametrize(
    ("pair", "times", "mineral"),
    [
        (("CaCl2·2H2O", "KHCO3"), 1, "calcite"),
        (("CaCl2·2H2O", "NaHCO3"), 5, "calcite"),
        (("MgCl2·6H2O", "KHCO3"), 5, "nesquehonite"),
        (("CaCl2·2H2O", "MgSO4·7H2O"), 5, "gypsum"),
        (("CaCl2·2H2O", "K3C6H5O7·H2O"), 1, "calcium citrate"),
    ],
)
def test_what_falls_out_may_not_share_a_bottle(pair, times, mineral):
    """Verdicts of shared/water/bottle_pairs.csv (IPhreeqc 3.8.6, wateq4f.dat)."""
    parts = []
    for formula in pair:
        one = salt(formula)
        strength = (
            {"strength_g_l": 2.161}
            if not one.strength_mg_caco3_per_g
            else {"strength_g_l": plan_weighing(salt=one, volume_ml=1000).exact_g * times}
        )
        parts.append(Concentrate(salt=one, **strength))
    with pytest.raises(ConcentrateError, match=f"cannot share a bottle.*{mineral}"):
        SharedBottle(parts=tuple(parts))


@pytest.mark.parametrize(
    ("pair", "times", "borderline"),
    [
        (("CaCl2·2H2O", "MgCl2·6H2O"), 10, 0),
        (("CaCl2·2H2O", "MgSO4·7H2O"), 1, 0),
        (("MgSO4·7H2O", "NaHCO3"), 1, 1),
        (("MgCl2·6H2O", "KHCO3"), 1, 1),
    ],
)
def test_what_stays_clear_may_share_a_bottle(pair, times, borderline):
    shared = SharedBottle(parts=tuple(bottles(*pair, strength=times)))
    assert len(shared.borderline) == borderline
    np.testing.assert_allclose(shared.vector, sum(part.vector for part in shared.parts))


def test_a_bottle_without_partners_has_nothing_to_drop():
    assert bottle_saturation(THREE[0].vector) == ()


def test_density_follows_the_ions():
    """10 g/L-order solutions at 20 °C, CRC concentrative properties (from memory), 0.1 %."""
    for formula, g_l, density in (("NaCl", 10.05, 1.0053), ("KCl", 10.05, 1.0046)):
        bottle = Concentrate(salt=salt(formula), strength_g_l=g_l)
        assert solution_density_kg_l(bottle.vector) == pytest.approx(density, abs=1e-3)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"volume_ml": 0}, "volume_ml must be above 0, got 0"),
        ({"volume_ml": float("nan")}, "volume_ml must be above 0"),
        ({"strength_mg_l_caco3_per_ml": -1}, "must be above 0, got -1"),
        ({"purity": 98}, "purity must be between"),
        ({"salt": salt("NaCl")}, "cannot be given as CaCO3"),
    ],
)
def test_impossible_bottles_are_refused(change, sentence):
    asked = {"salt": salt("KHCO3"), "volume_ml": 1000} | change
    with pytest.raises(ConcentrateError, match=sentence):
        plan_weighing(**asked)


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: Concentrate(salt=salt("KCl"), strength_g_l=-1), "strength_g_l must be above 0"),
        (lambda: Concentrate(salt=salt("KCl"), strength_g_l=float("inf")), "must be above 0"),
        (
            lambda: Concentrate(
                salt=salt("KCl"), strength_g_l=1, weighing_uncertainty_percent=-1
            ),
            "weighing_uncertainty_percent must be at least 0",
        ),
        (
            lambda: Concentrate.from_weighing(salt=salt("KCl"), weighed_g=0, volume_ml=100),
            "weighed_g must be above 0",
        ),
        (
            lambda: plan_weighing(salt=salt("KHCO3"), volume_ml=20, balance_g=0.1),
            r"one digit of the balance \(0.1 g\), got 0.04 g of KHCO3 for 20 mL: make at least 50",
        ),
        (
            lambda: plan_weighing(salt=salt("KHCO3"), volume_ml=100, balance_g=0),
            "balance_g must be above 0",
        ),
        (
            lambda: Concentrate(salt=salt("KCl"), strength_g_l=1).with_measured(
                MeasuredStrength(
                    strength_mg_l_caco3_per_ml=1, method="guess", uncertainty_percent=1
                )
            ),
            "cannot be measured as CaCO3",
        ),
        (
            lambda: strength_by_titration(
                THREE[0], reading_mg_l_caco3=0, step_mg_l_caco3=1, concentrate_ml=1,
                diluted_to_ml=10,
            ),
            "reading_mg_l_caco3 must be above 0",
        ),
        (
            lambda: strength_by_conductivity(
                THREE[0], conductivity_25c_us_cm=250_000, concentrate_ml=10, diluted_to_ml=100
            ),
            "more than 20 times off",
        ),
        (
            lambda: strength_by_conductivity(
                THREE[0], conductivity_25c_us_cm=250, concentrate_ml=10, diluted_to_ml=1
            ),
            "diluted_to_ml must be at least the 10 mL taken from the bottle, got 1",
        ),
        (
            lambda: Concentrate(salt=salt_by_formula("MgCl2·2H2O"), strength_g_l=9000),
            "at most 1500, got 9000",
        ),
        (lambda: SharedBottle(parts=()), "at least one salt"),
        (
            lambda: Concentrate(
                salt=salt_by_formula("MgCl2·2H2O", solubility_g_l=100), strength_g_l=200
            ),
            "at most 100 for MgCl2·2H2O",
        ),
    ],
)  # fmt: skip
def test_bad_figures_are_refused_with_a_sentence(make, sentence):
    with pytest.raises(ConcentrateError, match=sentence):
        make()
