"""Salts: formulas, masses, hydrates."""

import pytest

from labkit.errors import SaltError
from labkit.water import SALTS, salt, salt_by_formula
from labkit.water.formula import molar_mass

CACO3_SOURCE = "common practice: a bottle of which 1 mL in a litre adds 1 mg/L as CaCO3"


@pytest.mark.parametrize(
    ("formula", "grams_a_mole"),
    [
        ("CaCO3", 100.086),
        ("HCO3", 61.016),
        ("SO4", 96.056),
        ("CaCl2·2H2O", 147.008),
        ("MgCl2·6H2O", 203.295),
        ("MgSO4·7H2O", 246.466),
        ("KHCO3", 100.114),
        ("NaHCO3", 84.006),
        ("Ca3(C6H5O7)2·4H2O", 570.492),
        ("MgSO4.1.5H2O", 120.361 + 1.5 * 18.015),
    ],
)
def test_molar_masses_follow_the_iupac_2021_abridged_weights(formula, grams_a_mole):
    assert molar_mass(formula) == pytest.approx(grams_a_mole, abs=0.002)


@pytest.mark.parametrize("text", ["CaCl2", "MgSO4", "MgCl2", "CaSO4", "calcium chloride"])
def test_a_hydrate_is_never_assumed(text):
    with pytest.raises(SaltError, match=r"hydrate of .* must be chosen.*H2O"):
        salt(text)


def test_anhydrous_is_said_in_words():
    assert salt("MgSO4 anhydrous").water == 0
    assert salt("anhydrous CaCl2") is SALTS["CaCl2 anhydrous"]


@pytest.mark.parametrize("text", ["CaCl2.2H2O", "CaCl₂·2H₂O", "CaCl2 * 2H2O", "CaCl2•2H2O"])
def test_every_dot_in_use_is_read(text):
    assert salt(text) is SALTS["CaCl2·2H2O"]


def test_own_salts_fall_into_ions():
    own = salt_by_formula("Ca(NO3)2·4H2O")
    assert dict(own.ions) == {"Ca": 1, "NO3": 2}
    assert own.molar_mass_g_mol == pytest.approx(236.146, abs=0.002)


@pytest.mark.parametrize(
    ("formula", "sentence"),
    [
        ("CaCl3", "charges of 'CaCl3' do not cancel"),
        ("FeCl3", "element 'Fe'"),
        ("KHSO4", "does not fall into ions"),
        ("Ca(OH", "cannot be read"),
        ("cacl2", "cannot be read"),
        ("", "got nothing"),
        ("MgCl2", "hydrate of MgCl2 must be chosen"),
    ],
)
def test_formulas_that_cannot_be_used_are_refused_with_a_sentence(formula, sentence):
    with pytest.raises(SaltError, match=sentence):
        salt_by_formula(formula)


def test_an_unknown_salt_names_the_known_ones():
    with pytest.raises(SaltError, match="choose one of CaCl2·2H2O"):
        salt("unobtainium")
