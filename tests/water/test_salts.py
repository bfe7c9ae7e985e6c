"""Salts: formulas, masses, hydrates."""

from math import gcd

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.errors import SaltError
from labkit.water import SALTS, Salt, salt, salt_by_formula
from labkit.water.salts.formula import molar_mass
from labkit.water.salts.ions import ion_table


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


@pytest.mark.parametrize(
    "text",
    [
        "CaCl2.2H2O", "CaCl₂·2H₂O", "CaCl2 * 2H2O", "CaCl2•2H2O", "CaCl2 x 2H2O", "CaCl2x2H2O",
        "CaCl2 2H2O", "CaCl2-2H2O", "CaCl2·2 H2O", "cacl2.2h2o", "CaCl2 dihydrate",
        "Calcium chloride dihydrate",
    ],
)  # fmt: skip
def test_a_label_is_read_however_it_is_written(text):
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
        ("Mg", "does not fall into ions"),  # a metal alone is no salt with charges to mend
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


def test_an_unknown_hydrate_names_its_relatives():
    with pytest.raises(
        SaltError, match=r"choose one of CaCl2·2H2O, CaCl2 anhydrous, CaCl2·6H2O, or"
    ):
        salt("CaCl2·3H2O")


def test_every_salt_of_the_table_is_whole_and_has_its_sources():
    for label, one in SALTS.items():
        assert one.label == label
        assert sum(ion_table()[symbol].charge * number for symbol, number in one.ions) == 0
        assert one.solubility_source
        assert one.hazard_source
        assert one.handling_source
        assert salt(label) is one
        assert salt(one.name) is one
        assert salt_by_formula(label) is one


@pytest.mark.parametrize(
    ("label", "role"),
    [
        ("CaCl2·2H2O", "calcium"),
        ("MgSO4·7H2O", "magnesium"),
        ("KHCO3", "alkalinity"),
        ("NaCl", "neither hardness nor alkalinity"),
    ],
)
def test_salts_say_what_they_are_for(label, role):
    assert salt(label).role == role


@given(
    cation=st.sampled_from(["Ca", "Mg", "Na", "K"]),
    anion=st.sampled_from(["Cl", "SO4", "NO3", "HCO3", "CO3", "OH", "citrate", "lactate"]),
    water=st.sampled_from([0, 0.5, 1, 2, 6, 10]),
)
def test_any_salt_of_known_ions_is_read_from_its_formula(cation, anion, water):
    plus, minus = ion_table()[cation].charge, -ion_table()[anion].charge
    metals, acids = minus // gcd(plus, minus), plus // gcd(plus, minus)
    core = ion_table()[anion].formula
    core = f"({core}){acids}" if acids > 1 else core
    formula = f"{cation}{metals if metals > 1 else ''}{core}"
    formula += f"·{water if water != 1 else ''}H2O" if water else " anhydrous"
    own = salt_by_formula(formula)
    assert dict(own.ions) == {cation: metals, anion: acids}
    assert own.water == water
    ions = metals * ion_table()[cation].molar_mass_g_mol
    ions += acids * ion_table()[anion].molar_mass_g_mol
    assert own.molar_mass_g_mol == pytest.approx(ions + water * 18.015, abs=1e-6)


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: salt("CaCl2·2H2O").purity_from_anhydrous(120), "must be above 0 and at most 100"),
        (lambda: salt_by_formula("Na2CO3"), "hydrate of Na2CO3 must be chosen"),
        (lambda: salt_by_formula("MgCl2·2H2O", solubility_g_l=-1), "solubility_g_l must be above"),
        (lambda: salt_by_formula("MgCl2·2D2O"), "must end in its water"),
        (lambda: Salt(label="X", name="x", ions=(("Ca", 1), ("Cl", 1))), "do not cancel"),
        (lambda: Salt(label="X", name="x", ions=(("Xe", 1),)), "must be among"),
    ],
)
def test_bad_salts_are_refused_with_a_sentence(make, sentence):
    with pytest.raises(SaltError, match=sentence):
        make()
