"""The files of a recipe card, and its figures against PHREEQC and a hand calculation."""

from __future__ import annotations

import io
from html import unescape

import pandas as pd
import pytest

from labkit.bench import card_files, make_recipes, read_card_json
from labkit.errors import ImportFileError
from labkit.water import DROP_KITS, Target, salt

WANTED = Target(mg_share=0.25, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
KITS = list(DROP_KITS.values())[:1]

MOLAR_MASSES = {
    "CaCl2·2H2O": ("CaCl2", 147.01),
    "MgCl2·6H2O": ("MgCl2", 203.30),
    "MgSO4·7H2O": ("MgSO4", 246.47),
    "KHCO3": ("KHCO3", 100.115),
    "NaHCO3": ("NaHCO3", 84.007),
}
"""Anhydrous formula and mass as weighed (g/mol), by hand from IUPAC 2021 atomic weights."""


def dissolved(grams: dict[str, float], litres: float) -> dict[str, float]:
    """The salts of a card stirred into pure water by PHREEQC 3.8.6 (phreeqc.dat)."""
    phreeqc = pytest.importorskip("phreeqc")
    engine = phreeqc.Phreeqc()
    assert engine.LoadBuiltInDatabase("phreeqc.dat") == 0
    kilograms = 0.99705 * litres
    salts = "\n".join(
        f" {MOLAR_MASSES[label][0]} {mass / MOLAR_MASSES[label][1] / kilograms!r}"
        for label, mass in grams.items()
    )
    text = (
        "SELECTED_OUTPUT 1\n -reset false\n -high_precision true\n -totals Ca Mg Cl S(6)\n"
        " -alkalinity true\nUSER_PUNCH 1\n -headings sc\n 10 PUNCH SC\n"
        f"SOLUTION 1\n temp 25\nREACTION 1\n{salts}\n 1 mol\nEND\n"
    )
    assert engine.RunString(text) == 0, engine.GetErrorString()
    found = engine.GetSelectedOutput()
    return {name: values[-1] for name, values in found.items()}


@pytest.mark.parametrize(
    "labels",
    [("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3"), ("CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3")],
)
def test_phreeqc_finds_in_the_tank_what_the_card_says(labels):
    files = card_files(
        make_recipes(WANTED, salts=[salt(label) for label in labels], volumes_l=(20,)),
        name="Tank",
        kits=KITS,
    )
    table = files.table
    poured = table[table["part"] == "make"].set_index("item")["value"]
    found = dissolved(poured.to_dict(), 20.0)
    molality = {key.split("(mol")[0].removesuffix("_mol/kgw"): v for key, v in found.items()}
    water = table[table["part"] == "water"].set_index(["item", "unit"])["value"]
    calcium, magnesium = (molality[name] * 1000 * 0.99705 for name in ("Ca", "Mg"))
    assert water["calcium", "mmol/L"] == pytest.approx(calcium, rel=1e-3)
    assert water["magnesium", "mmol/L"] == pytest.approx(magnesium, rel=1e-3)
    assert water["hardness", "mg/L CaCO3"] == pytest.approx(
        100.09 * (calcium + magnesium), rel=1e-3
    )
    alkalinity = next(v for key, v in found.items() if key.lower().startswith("alk"))
    assert water["alkalinity", "mg/L CaCO3"] == pytest.approx(
        50.04 * 1000 * 0.99705 * alkalinity, rel=1e-3
    )
    meter = table[table["item"] == "conductivity"].iloc[0]
    assert meter["low"] <= found["sc"] <= meter["high"]


def test_what_rounding_costs_is_never_more_than_the_card_says():
    """By hand: 1 g steps in 5 L of 0.3 g of KHCO3 leave 0 or 1 g, 100 mg/L as CaCO3 off."""
    salts = [salt(label) for label in ("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3")]
    (recipe,) = make_recipes(WANTED, salts=salts, volumes_l=(5,), balance_g=1.0)
    off = abs(recipe.reached.alkalinity_mg_l_caco3 - 40)
    assert 5 < off <= recipe.rounding.alkalinity_mg_l_caco3 + 1e-9


def test_the_table_makes_the_round_trip_in_both_forms(bottles):
    files = card_files(
        make_recipes(WANTED, concentrates=bottles),
        name="Haus «Ost», 3:1",
        kits=list(DROP_KITS.values()),
        tds_factor=0.5,
        differs=["Sulfate instead of chloride."],
    )
    table = files.table
    numbers = ["volume_l", "value", "low", "high"]
    expected = table.astype(dict.fromkeys(numbers, float))
    pd.testing.assert_frame_equal(read_card_json(files.json), expected, check_dtype=False)
    back = pd.read_csv(io.StringIO(files.csv))
    pd.testing.assert_frame_equal(back, expected, check_dtype=False)


def test_every_form_holds_the_same_doses(bottles):
    files = card_files(
        make_recipes(WANTED, concentrates=bottles), name="Same", differs=["Sodium instead."]
    )
    for page in (files.a4, files.phone):
        words = unescape(page.html)
        for dose in ("60.0", "300.0", "1200.0", "Sodium instead."):
            assert dose in words
    assert '"value":60.0' in files.json.replace(" ", "")
    assert ",60.0," in files.csv


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"rows": 3}', "not json"])
def test_what_is_no_card_is_refused(text):
    with pytest.raises(ImportFileError, match="JSON of a recipe card"):
        read_card_json(text)
