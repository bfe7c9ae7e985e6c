"""The files of a recipe card, and its figures against PHREEQC and a hand calculation."""

from __future__ import annotations

import io
import json
import re
from html import unescape

import numpy as np
import pandas as pd
import pytest

from labkit.bench import card_files
from labkit.bench.paper.cards import MOST_IN_QR, card_texts
from labkit.present import qr_svg
from labkit.release import made_with
from labkit.water import DROP_KITS, Concentrate, Target, Water, salt
from labkit.water.jugs.slips import MeterReading, check_jug
from labkit.workflow import make_recipes

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
    made = table[(table["part"] == "make") & (table["unit"] == "g")]
    poured = made.set_index("item")["value"]
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
    back = pd.DataFrame(json.loads(files.json)["rows"])[list(table.columns)]
    back[numbers] = back[numbers].astype(float)
    pd.testing.assert_frame_equal(back, expected, check_dtype=False)
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


def test_phreeqc_finds_in_the_jug_what_a_card_from_bottles_and_tap_says():
    """The mL and litres on the card, the grams in the bottles, and two PHREEQC databases.

    By hand: mmol = g / molar mass; the tap is what its analysis says, thinned as the card says.
    """
    from tests.water.engine import Engine

    grams = {"CaCl2·2H2O": 1.50, "MgSO4·7H2O": 2.46, "NaHCO3": 1.68}
    weighed = [
        Concentrate.from_weighing(salt=salt(label), weighed_g=g, volume_ml=1000)
        for label, g in grams.items()
    ]
    tap = Water.of_ions({"Ca": 0.5, "Mg": 0.1, "HCO3": 0.4, "Cl": 0.8})
    recipes = make_recipes(WANTED, concentrates=weighed, volumes_l=(10,), base=tap)
    table = card_files(recipes, name="Tap", base_name="tap", kits=KITS).table
    made = table[table["part"] == "make"].set_index("item")
    poured = made["value"] / np.where(made["unit"] == "L", 10, 10_000)
    mmol = {
        label: poured.get(label, 0.0) * 1000 * g / MOLAR_MASSES[label][1]
        for label, g in grams.items()
    }
    share = poured["base water"]
    calcium, magnesium, soda = (mmol[label] for label in grams)
    ions = {
        "Ca": 0.5 * share + calcium,
        "Mg": 0.1 * share + magnesium,
        "Cl": 0.8 * share + 2 * calcium,
        "SO4": magnesium,
        "Na": soda,
        "HCO3": 0.4 * share + soda,
    }
    water = table[table["part"] == "water"].set_index(["item", "unit"])
    for symbol, name in (("Ca", "calcium"), ("Mg", "magnesium"), ("SO4", "sulfate")):
        assert water.loc[(name, "mmol/L"), "value"] == pytest.approx(ions[symbol], rel=1e-3)
    assert water.loc[("hardness", "°dH"), "value"] == pytest.approx(
        100.09 * (ions["Ca"] + ions["Mg"]) / 17.85, rel=1e-3
    )
    assert water.loc[("alkalinity", "°fH"), "value"] == pytest.approx(
        5.004 * ions["HCO3"], rel=1e-3
    )
    vector = Water.of_ions(ions).vector
    machine = table[table["part"] == "machine"].set_index("item")
    meter = table[table["item"] == "conductivity"].iloc[0]
    for constants, end in (("1982", "low"), ("2024", "high")):
        found = Engine(constants).chemistry(vector)
        if constants == "2024":  # the other database knows no conductivities
            assert meter["value"] == pytest.approx(found["conductivity_25c_us_cm"], rel=0.03)
        ph = water.loc[("pH, closed to open to air", "1")]
        assert sorted((found["ph_closed"], found["ph_air"])) == pytest.approx(
            [ph["low"], ph["high"]], abs=0.02
        )
        for place in ("brewing, 93 °C", "steam boiler, 125 °C"):
            said = machine.loc[f"calcite index, {place}"]
            celsius = place.split()[-2]
            assert found[f"calcite_index_{celsius}c"] == pytest.approx(said[end], abs=0.03)


@pytest.mark.parametrize("tds_factor", [None, 0.5])
def test_whole_readings_within_the_band_on_the_card_are_those_the_bench_check_calls_right(
    bottles, tds_factor
):
    recipes = make_recipes(WANTED, concentrates=bottles)
    html = unescape(card_files(recipes, name="x", kits=KITS, tds_factor=tds_factor).a4.html)
    what = "dissolved solids" if tds_factor else "conductivity"
    low, high = map(
        int, re.search(rf"{what}[^<]*</td><td>\d+</td><td>(\d+) to (\d+)<", html).groups()
    )
    for recipe in (recipes[0], recipes[-1]):
        right = [
            shown
            for shown in range(low - 5, high + 6)
            if check_jug(recipe, [MeterReading(shown=shown, tds_factor=tds_factor)]).meant.agrees
        ]
        assert right == list(range(low, high + 1))


def test_where_rounding_moves_the_band_each_volume_has_its_own(bottles):
    """A 5 mL pipette: 1 L gets 60, 20 and 40 mL within 2.5; 20 L the same within a twentieth."""
    files = card_files(
        make_recipes(WANTED, concentrates=bottles, pipette_ml=5, volumes_l=(1, 20)), name="x"
    )
    checks = files.table[files.table["item"] == "conductivity"].set_index("volume_l")
    slack = checks["high"] - checks["low"]
    assert slack[1.0] > slack[20.0]
    assert 'class="bands"' in files.a4.html
    assert "1 L" in files.phone.html
    assert (
        'class="bands"'
        not in card_files(make_recipes(WANTED, concentrates=bottles), name="x").a4.html
    )


def test_the_card_never_states_less_than_rounding_can_cost(bottles):
    """Every dose of every volume moved by half a step, against the words on the card."""
    recipes = make_recipes(WANTED, concentrates=bottles, pipette_ml=1, volumes_l=(0.3, 1))
    html = unescape(card_files(recipes, name="x").a4.html)
    hardness, alkalinity = map(
        float,
        re.search(
            r"hardness by at most ([\d.]+) and alkalinity by at most ([\d.]+) mg", html
        ).groups(),
    )
    # By hand: two bottles of 1 mg/L per mL, each half a mL off, in 0.3 L.
    assert hardness == pytest.approx(2 * 0.5 / 0.3, abs=0.1)
    assert hardness >= 2 * 0.5 / 0.3 - 0.001
    assert alkalinity >= 0.5 / 0.3 - 0.001
    for recipe in recipes:
        assert abs(recipe.reached.hardness_mg_l_caco3 - 80) <= hardness


def test_the_json_of_a_card_holds_its_cautions(bottles):
    for way in ({"concentrates": bottles}, {"salts": [bottle.salt for bottle in bottles]}):
        said = json.loads(card_files(make_recipes(WANTED, **way), name="x").json)["cautions"]
        assert any("maker's limits and a technician" in one for one in said)
        assert any(("dust" in one) == ("salts" in way) for one in said[:2])


def test_the_code_on_the_batch_log_is_the_card_as_text(bottles):
    """A phone shows text without any server; what it shows are the figures of the paper."""
    recipes = make_recipes(WANTED, concentrates=bottles)
    files = card_files(recipes, name="House water", made_for="Osmeni")
    assert qr_svg(files.text, spare="little") in files.a4.html
    assert "<svg" not in files.phone.html
    amounts = re.findall(r'class="amount">([^<]+)<', files.a4.html)
    poured = [line.partition(": ")[2].split(" | ") for line in files.text.splitlines()]
    for at in range(0, len(amounts), 4):
        assert amounts[at : at + 4] in poured
    for words in ("House water", "Osmeni", "dose it into water", made_with()):
        assert words in files.text
        assert words in unescape(files.a4.html)


def test_a_card_with_more_on_it_than_a_code_holds_leaves_the_rest_to_the_paper(bottles):
    recipes = make_recipes(WANTED, concentrates=bottles, volumes_l=(1, 2, 5, 10, 20, 50))
    said = {"name": "House water", "made_for": "Osmeni, " * 60, "base_name": "tap of the bar"}
    files = card_files(recipes, kits=list(DROP_KITS.values()), **said)
    texts = card_texts(recipes, files.table, **said)
    assert len(texts[0].encode()) > MOST_IN_QR
    shown = next(one for one in texts if len(one.encode()) <= MOST_IN_QR)
    assert qr_svg(shown, spare="little") in files.a4.html
    assert "conductivity" in shown
    assert "cautions on the card" in shown
