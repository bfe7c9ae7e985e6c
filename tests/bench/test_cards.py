"""The recipe card: the same water in every volume, checked along another path than it was made."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from html import unescape

import pandas as pd
import pytest

from labkit.bench import card_files
from labkit.bench.paper.card_table import recipe_frame, right_if
from labkit.errors import DosingError, SheetError
from labkit.present import CAUTIONS, remarks
from labkit.water import DROP_KITS, Target, Water, salt
from labkit.workflow import make_recipes

WANTED = Target(mg_share=0.25, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
HARD_BASE = Water(calcium_mmol_l=0.3, bicarbonate_mmol_l=0.5, chloride_mmol_l=0.1)


@pytest.fixture(scope="module")
def from_bottles(bottles):
    return make_recipes(WANTED, concentrates=bottles)


@pytest.fixture(scope="module")
def from_salts(bottles):
    return make_recipes(WANTED, salts=[bottle.salt for bottle in bottles], volumes_l=(10, 20))


def amounts(frame, litres):
    some = frame[(frame["part"] == "make") & (frame["volume_l"] == litres)]
    return some.set_index("item")["value"]


def test_doses_grow_with_the_volume(from_bottles):
    """By hand: 60, 20 and 40 mL of 1 mg/L per mL bottles in a litre."""
    frame = recipe_frame(from_bottles)
    for litres in (1, 5, 10, 20):
        poured = amounts(frame, litres)
        assert poured.tolist() == pytest.approx(
            [60 * litres, 20 * litres, 40 * litres, 0.88 * litres]  # mL, and L of pure water
        )


def test_grams_on_the_card_give_the_water_back_by_standard_methods(from_salts):
    """Hardness = 2.497 Ca + 4.118 Mg (Standard Methods 2340 B), from IUPAC masses by hand.

    CaCl2·2H2O 147.01, MgCl2·6H2O 203.30, KHCO3 100.115 g/mol; Ca 40.078, Mg 24.305, and
    50.04 mg CaCO3 per mmol of bicarbonate.
    """
    grams = amounts(recipe_frame(from_salts), 20)
    calcium_mg_l = 1000 * grams["CaCl2·2H2O"] / 147.01 * 40.078 / 20
    magnesium_mg_l = 1000 * grams["MgCl2·6H2O"] / 203.30 * 24.305 / 20
    assert 2.497 * calcium_mg_l + 4.118 * magnesium_mg_l == pytest.approx(80, abs=0.5)
    assert 1000 * grams["KHCO3"] / 100.115 * 50.04 / 20 == pytest.approx(40, abs=0.3)


def test_units_agree_with_their_definitions(from_bottles):
    """1 °dH = 17.85, 1 °fH = 10 mg/L as CaCO3, 1 mmol/L of Ca or Mg = 100.09 mg/L as CaCO3."""
    frame = recipe_frame(from_bottles)
    hardness = frame[frame["item"] == "hardness"].set_index("unit")["value"]
    assert hardness["°dH"] == pytest.approx(80 / 17.85, rel=1e-3)
    assert hardness["°fH"] == pytest.approx(8, rel=1e-3)
    assert hardness["mmol/L"] == pytest.approx(80 / 100.09, rel=1e-3)


def test_rounding_never_hides_more_than_it_says(bottles):
    rough = make_recipes(WANTED, concentrates=bottles, volumes_l=(0.25,), pipette_ml=1)
    (recipe,) = rough
    html = unescape(card_files(rough, name="Rough").a4.html)
    assert f"at most {recipe.rounding.hardness_mg_l_caco3:.2g} and" in html
    off = abs(recipe.reached.hardness_mg_l_caco3 - WANTED.hardness_mg_l_caco3)
    assert off <= recipe.rounding.hardness_mg_l_caco3 + 1e-9


@pytest.mark.parametrize("page", ["A4", "phone"])
def test_the_card_has_the_doses_the_checks_and_the_cautions(from_bottles, page):
    kits = list(DROP_KITS.values())[:2]
    files = card_files(
        from_bottles, name="House water", made_for="Osmeni", kits=kits, tds_factor=0.5
    )
    html = unescape((files.phone if page == "phone" else files.a4).html)
    for words in ("House water", "Osmeni", "3:1", "1200.0", "17.6 L", "4 to 5 drops", "× 0.5"):
        assert words in html
    for caution in CAUTIONS["mixing"] + CAUTIONS["machine"]:
        assert caution in html
    assert ("size: 100mm" in html) == (page == "phone")


def test_a_card_from_salts_shows_grams_and_the_cautions_for_weighing(from_salts):
    html = unescape(card_files(from_salts, name="Tank").a4.html)
    for caution in CAUTIONS["tank"]:
        assert caution in html
    shown = re.findall(r'class="amount">([\d.]+)<', html)
    assert shown == ["0.88", "1.76", "0.41", "0.81", "0.80", "1.60"]


def test_a_base_water_is_called_by_its_name_and_counted(bottles):
    recipes = make_recipes(WANTED, concentrates=bottles, base=HARD_BASE, volumes_l=(10,))
    assert recipes[0].reached.hardness_mg_l_caco3 == pytest.approx(80, abs=0.1)
    html = card_files(recipes, name="Tap", base_name="filtered tap water").a4.html
    assert "filtered tap water" in html
    assert "pure water" not in html
    assert "base water" in card_files(recipes, name="Tap").a4.html


def test_the_card_says_what_its_bands_leave_room_for(bottles, from_bottles):
    tap = make_recipes(WANTED, concentrates=bottles, base=HARD_BASE)
    shown = unescape(card_files(tap, name="Ormel", base_name="tap of the bar").a4.html)
    assert "tap of the bar 5 % weaker or stronger than analysed, and meter or drops" in shown
    assert "weaker or stronger" not in card_files(from_bottles, name="Ormel").a4.html
    rows = [recipe_frame(one) for one in (tap, from_bottles)]
    doubts = [row[row["part"] == "uncertainty"].set_index("item")["value"] for row in rows]
    assert (doubts[0]["hardness"] > doubts[1]["hardness"]).all()


@pytest.mark.parametrize("form", ["csv", "json"])
def test_the_table_of_a_card_makes_the_round_trip(from_bottles, form):
    frame = recipe_frame(from_bottles, kits=list(DROP_KITS.values()), tds_factor=0.5)
    if form == "csv":
        back = pd.read_csv(io.StringIO(frame.to_csv(index=False)))
    else:
        back = pd.read_json(
            io.StringIO(frame.to_json(orient="records", double_precision=15)), orient="records"
        )
    assert back["item"].tolist() == frame["item"].tolist()
    for column in ("volume_l", "value", "low", "high"):
        expected = pd.to_numeric(frame[column]).to_numpy(dtype=float)
        assert back[column].to_numpy(dtype=float) == pytest.approx(expected, nan_ok=True)


def test_impossible_cards_are_refused(bottles, from_bottles):
    with pytest.raises(SheetError, match="one of the two, got both"):
        make_recipes(WANTED, concentrates=bottles, salts=[salt("KHCO3")])
    with pytest.raises(SheetError, match="one of the two, got neither"):
        make_recipes(WANTED)
    with pytest.raises(SheetError, match="volumes_l must hold at least one"):
        make_recipes(WANTED, concentrates=bottles, volumes_l=())
    with pytest.raises(DosingError):
        make_recipes(WANTED, concentrates=bottles[:1])
    other = make_recipes(
        Target(mg_share=0.5, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40),
        concentrates=bottles,
    )
    with pytest.raises(SheetError, match="recipes must be of one water, got 2"):
        recipe_frame([*from_bottles, *other])


def test_what_the_rounding_spoils_is_said_beside_the_grams_and_not_among_the_machines(bottles):
    salts = [bottle.salt for bottle in bottles]
    coarse = make_recipes(WANTED, salts=salts, volumes_l=(1,), balance_g=0.1)
    html = unescape(card_files(coarse, name="Coarse").a4.html)
    assert remarks(coarse[0])
    for sentence in remarks(coarse[0]):
        assert html.index("Weigh, g") < html.index(sentence) < html.index("Check before use")


def test_the_card_says_what_each_bottle_holds_as_its_label_does(bottles, from_bottles, from_salts):
    """Who makes the water elsewhere has other bottles: a name alone would pour another water."""
    html = unescape(card_files(from_bottles, name="House water").a4.html)
    # By hand: 147.01, 203.30 and 2 · 100.115 g/mol over 100.09 mg of CaCO3 a mmol.
    assert ">1.469 g/L; 1 mL in 1 L adds 1 mg/L hardness<" in html
    assert ">2.031 g/L; 1 mL in 1 L adds 1 mg/L hardness<" in html
    assert ">2.001 g/L; 1 mL in 1 L adds 1 mg/L alkalinity<" in html
    named = [replace(bottle, name=name) for bottle, name in zip(bottles, "xyz", strict=True)]
    html = card_files(make_recipes(WANTED, concentrates=named), name="House water").a4.html
    assert "KHCO3, 2.001 g/L; 1 mL in 1 L adds 1 mg/L alkalinity" in html
    frame = recipe_frame(from_bottles)
    held = frame[frame["part"] == "from"].set_index("item")["value"]
    assert held.to_numpy() == pytest.approx([1, 1, 1], rel=1e-3)
    assert "calcium chloride dihydrate, counted as 100 % pure" in unescape(
        card_files(from_salts, name="Tank").a4.html
    )
    some = make_recipes(
        WANTED, salts=[r.salt for r in from_salts[0].portions], purities={"KHCO3": 0.99}
    )
    assert "counted as 99 % pure" in card_files(some, name="Tank").a4.html
    frame = recipe_frame(some)
    assert frame[frame["part"] == "from"].set_index("item")["value"]["KHCO3, purity"] == 0.99


@pytest.mark.parametrize(
    "where",
    ["/home/ida/books/our-lab.db", r"C:\Users\ida\our-lab.db", "postgresql://ida@host/our-lab"],
)
def test_a_card_tells_nothing_of_the_folder_or_the_server_of_its_lab_book(from_bottles, where):
    html = card_files(from_bottles, name="House water", lab_book=where).a4.html
    assert "lab book our-lab ·" in html
    assert "ida" not in html.replace("hidden", "")


def test_a_card_speaks_of_bicarbonate_only_where_some_is_dosed(bottles):
    """None where the wanted water has none, and where the base brings all of it."""
    salts = [bottle.salt for bottle in bottles]
    unbuffered = Target(mg_share=0.4, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=0)
    buffered = Water(sodium_mmol_l=0.8, bicarbonate_mmol_l=WANTED.alkalinity_meq_l)
    for recipes, last in (
        (make_recipes(WANTED, concentrates=bottles), True),
        (make_recipes(WANTED, salts=salts), True),
        (make_recipes(unbuffered, concentrates=bottles), False),
        (make_recipes(WANTED, salts=salts, base=buffered), False),
    ):
        words = unescape(card_files(recipes, name="some").a4.html)
        assert ("bicarbonate last" in words) == last


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(171.4, 190.2, "172 to 190"), (2.6, 3.2, "3"), (2.3, 2.7, "2.3 to 2.7")],
)
def test_a_band_holds_only_readings_that_are_right(low, high, words):
    assert right_if(low, high) == words
