"""The forms of the hand-over page: what is chosen, what is shown, what goes to the browser."""

from __future__ import annotations

import json
import re
from datetime import date
from html import unescape
from types import SimpleNamespace

import pytest

from labkit.bench import bottle_labels, card_files
from labkit.book import LabBook
from labkit.water import COORDINATES, Target, Water, expected_meter, mix
from labkit.water.jugs.doses import meter_of
from labkit.widgets import (
    BaseWaterForm,
    CardForm,
    JugForm,
    MeterForm,
    StockForm,
    StrengthForm,
)
from labkit.widgets.parts.fields import as_html

OLD = date(2026, 1, 5)


@pytest.fixture
def book(shelf_book):
    return shelf_book


@pytest.fixture
def card(book):
    """A card for 3:1, 80 hard, 40 alkaline."""
    card = CardForm(book, card_files, BaseWaterForm(book))
    card.form.fields["water"].value = "3:1 at 80, alk 40"
    return card


@pytest.fixture
def handed(card, monkeypatch):
    """What the page hands to the browser."""
    sent = []
    monkeypatch.setattr(card.hands, "send", lambda message, **_: sent.append(message))
    return sent


def test_a_card_is_made_once_for_the_coffee_it_begins_with_and_once_for_each_change(book):
    made = []

    def files(*given, **more):
        made.append(more["made_for"])
        return card_files(*given, **more)

    ((client, coffee),) = [(one.client, one.name) for one in book.people.coffees()]
    form = CardForm(book, files, BaseWaterForm(book), coffee=(client, coffee)).form
    assert made == [coffee]
    form.fields["coffee"].value = form.fields["coffee"].options[0][1]  # the figures below
    assert made == [coffee, ""]


def doses(card):
    table = card.files.table
    return table[(table["part"] == "make") & (table["volume_l"] == 1)].set_index("item")["value"]


def press(card, label):
    found = [
        button
        for row in card.form.children
        for button in getattr(row, "children", ())
        if getattr(button, "description", None) == label
    ]
    found[0].click()


def test_the_card_pours_what_a_hand_calculation_pours(card):
    """1 mL in 1 L adds 1 mg/L as CaCO3: 60 calcium, 20 magnesium, 40 bicarbonate."""
    assert doses(card)[["calcium", "magnesium", "bicarbonate"]].tolist() == pytest.approx(
        [60, 20, 40], abs=0.1
    )
    assert "Before you handle it" in card.form.result.value
    assert "Before it goes into a machine" in card.form.result.value


def test_a_water_of_the_map_becomes_the_cards_water_to_the_last_digit(card):
    water = Target(mg_share=1 / 3, hardness_mg_l_caco3=105, alkalinity_mg_l_caco3=22.5)

    card.choose(water)

    wanted = json.loads(card.files.json)["wanted"]
    assert [wanted[name] for name in COORDINATES] == [1 / 3, 105, 22.5]


def test_every_form_is_handed_over_and_none_stays_in_the_widget(card, handed):
    for label in ("Page to print", "Phone page", "Table (CSV)", "Table (JSON)"):
        press(card, label)
    assert [m["name"].rsplit(".", 1)[1] for m in handed] == ["html", "html", "csv", "json"]
    assert json.loads(handed[3]["content"])["wanted"]["mg_share"] == 0.25
    assert "60.0" not in str(card.hands.get_state())


def test_salts_that_the_shop_lacks_are_swapped_and_the_card_says_so(card):
    card.form.fields["way"].value = "g straight from salts"
    card.form.fields["salts"].value = ("CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3")
    for words in (
        "Sulfate instead of chloride",
        "Sodium instead of potassium",
        "may taste different",
    ):
        assert words in card.form.result.value
        assert words in card.files.a4.html
    assert doses(card).index.tolist() == ["CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3", "pure water"]


def test_the_table_below_the_card_follows_what_is_chosen(card):
    """A table in a cell of its own went on showing the first recipe after another was chosen."""

    def poured():
        table = card.form.result.value.partition("The same figures as a table")[2]
        row = re.search(r">calcium</td><td[^>]*>1</td><td[^>]*>([\d.]+)<", table)
        return float(row[1])

    assert poured() == pytest.approx(60, abs=0.1)
    card.form.fields["water"].value = "1:1 at 80, alk 40"
    assert poured() == pytest.approx(40, abs=0.1)
    assert "e+0" not in card.form.result.value  # 17.6 L of pure water are written out


def test_the_usual_salts_differ_in_nothing(card):
    card.form.fields["way"].value = "g straight from salts"
    assert "instead of" not in card.form.result.value


def test_the_same_ions_in_other_amounts_are_other_salts(book, card):
    """Tasted with 0.2 mmol/L of sulfate and much chloride; made with 0.6 and little: no new ion."""
    book.stock.empty_bottle("magnesium")
    book.stock.add_bottle("Epsom", salt="MgSO4·7H2O", weighed_g=2.463, volume_ml=1000)
    card.form.fields["way"].value = "g straight from salts"
    card.form.fields["salts"].value = ("CaSO4·2H2O", "MgCl2·6H2O", "KHCO3")

    assert "Sulfate instead of chloride: sulfate 19 to 58 mg/L" in card.form.result.value
    card.form.fields["salts"].value = ("CaCl2·2H2O", "MgSO4·7H2O", "KHCO3")
    assert "instead of" not in card.form.result.value


def test_a_water_out_of_reach_becomes_the_nearest_with_the_difference(card):
    card.form.fields["way"].value = "g straight from salts"
    card.form.fields["salts"].value = ("CaCl2·2H2O", "KHCO3")
    assert "out of reach" in card.form.result.value
    assert "20 less than the 80 wanted" in card.files.phone.html
    assert card.files.name == "Ca:Mg all Ca, 60 hard, 40 alkaline"  # what is made, not wished for


def test_salts_weighed_into_what_is_drunk_carry_the_caution_of_diets_too(card):
    card.form.fields["way"].value = "g straight from salts"
    for words in ("Sodium and potassium matter", "Do not raise dust"):
        assert words in card.form.result.value
        assert words in card.files.a4.html


def test_a_hard_tap_is_thinned_and_the_card_names_both_waters(card):
    card.base.form.fields["name"].value = "tap"
    assert "20 % tap + 80 % pure water" in card.files.a4.html
    assert card.recipes[0].reached.alkalinity_mg_l_caco3 == pytest.approx(40, abs=0.3)


def test_bottles_of_another_strength_are_dosed_as_much_less_and_the_card_says_what_to_weigh(card):
    """By hand: five times as strong takes a fifth of 60, 20 and 40 mL, and 5 · 1.469 g/L."""
    card.form.fields["strength"].value = 5.0
    assert doses(card)[["calcium", "magnesium", "bicarbonate"]].tolist() == [12.0, 4.0, 8.0]
    assert "CaCl2·2H2O, 7.344 g/L; 1 mL in 1 L adds 5 mg/L hardness" in card.files.a4.html
    assert "are left" not in card.form.result.value  # those are not the shelf's


def test_more_than_is_left_in_a_bottle_is_said(card):
    assert "20 L take 1.2 L of 'calcium', of which 1 L are left" in unescape(card.form.result.value)


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("volumes_l", "many", "Volumes (L) must be numbers"),
        ("volumes_l", "", "Volumes (L) must be one to six volumes"),
        ("volumes_l", "0", "Volumes (L) must be one to six volumes"),
        ("water", "Mg share 25, 80, 40", "Water must have a share between 0 and 1"),
    ],
)
def test_a_wrong_entry_says_so_beside_its_field_and_keeps_the_rest(
    card, handed, field, value, sentence
):
    card.form.fields["made_for"].value = "the bar"
    card.form.fields[field].value = value
    assert sentence in card.form.notes[field].value
    assert card.form.fields["made_for"].value == "the bar"
    assert card.form.fields[field].value == value
    press(card, "Page to print")
    assert handed == []
    assert "no card to hand over" in card.form.message.value


def test_a_coffee_without_scores_leaves_the_figures_and_says_why(card):
    card.form.fields["coffee"].value = ("Client A", "Coffee A")
    assert "Coffee A:" in card.form.result.value
    assert card.form.fields["water"].target.mg_share == 0.25
    assert "Coffee A" in as_html(card.files)


def test_the_meter_check_names_the_skipped_bicarbonate(book, card):
    """60, 20 and 0 mg/L as CaCO3 of chlorides: about 195 µS/cm against 280."""
    check = MeterForm(book, card)
    assert "Type a reading" in check.result.value
    check.fields["shown"].value = str(round(0.72 * 277))
    check.fields["alkalinity_drops"].value = "0"
    assert "of bicarbonate skipped" in check.result.value
    check.fields["shown"].value = "two hundred"
    assert "The meter shows must be a number" in check.notes["shown"].value


def test_the_meter_check_takes_any_factor_the_volume_made_and_bottles_beside_the_recipe(book, card):
    """10 L: 600, 200 and 400 mL; 600 mL from a bottle of twice the calcium add 600 to hardness."""
    book.stock.add_bottle(
        "old calcium", salt="CaCl2·2H2O", weighed_g=2.938, volume_ml=1000, made_on=OLD
    )
    check = MeterForm(book, card)
    check.fields["litres"].value = 10.0
    check.fields["hardness_drops"].value = "8"
    check.fields["alkalinity_drops"].value = "2"
    assert "599.9 mL taken from old calcium instead of calcium" in check.result.value
    check.fields["tds_factor"].value = "0,66"
    check.fields["hardness_drops"].value = check.fields["alkalinity_drops"].value = ""
    expected = meter_of(card.recipes[2], tds_factor=0.66)
    check.fields["shown"].value = f"{expected.shown:.0f}"
    assert "reads as the recipe says" in check.result.value
    check.fields["tds_factor"].value = "12"
    assert "tds_factor" not in check.notes["tds_factor"].value
    assert "must be between 0.3 and 1" in check.notes["tds_factor"].value


def test_the_meter_check_thinks_of_pure_water_where_a_blend_was_meant(book, card):
    """The form handed over the waters of the lab book, and pure water is none of them."""
    tap = Water.of_ions({"Ca": 0.5, "Mg": 0.1, "Cl": 0.6, "HCO3": 0.6})
    recipe = mix(card.recipes[0].target, book.stock.concentrates(), base=tap)
    made = recipe.reached.vector - recipe.base_ml / recipe.volume_ml * tap.vector
    source = SimpleNamespace(recipes=(recipe,), on_change=lambda follow: None)
    check = MeterForm(book, source)
    check.fields["shown"].value = f"{expected_meter(Water.of_vector(made)).shown:.0f}"
    assert "filled up with pure water" in check.result.value


def test_half_a_drop_is_no_drop(book, card):
    check = MeterForm(book, card)
    check.fields["hardness_drops"].value = "4.5"
    assert "Drops, hardness must be whole drops" in check.notes["hardness_drops"].value


def test_a_meter_check_without_a_card_says_so(book, card):
    check = MeterForm(book, card)
    card.form.fields["volumes_l"].value = "none"
    check.fields["shown"].value = "280"
    assert "no recipe to check against" in check.message.value


def test_an_empty_shelf_says_where_bottles_come_from(tmp_path):
    with LabBook(tmp_path / "new.db") as new:
        card = CardForm(new, card_files, BaseWaterForm(new))
        assert "make one under Bottles, or choose" in card.form.message.value
        assert "make one under Bottles" in StockForm(new, bottle_labels).form.result.value
        strength = StrengthForm(new)
        strength.form.fields["reading"].value = 50.0
        assert "make one in the form above first" in strength.form.result.value
        card.form.fields["way"].value = "g straight from salts"
        assert card.recipes
        card.form.fields["salts"].value = ()
        assert "tick those that the shop has" in card.form.message.value


def test_a_bottle_past_its_day_says_how_to_be_rid_of_it_and_then_no_recipe_uses_it(book):
    """Bicarbonate keeps 3 to 4 days (common practice): one made long ago must not be poured on."""
    old, fresh = "bicarbonate of May", "bicarbonate"
    book.stock.add_bottle(
        old, salt="KHCO3", weighed_g=4.0, volume_ml=1000, made_on=date(2026, 5, 1)
    )
    book.stock.empty_bottle(fresh)
    base = BaseWaterForm(book)
    card = CardForm(book, card_files, base)
    jug = JugForm(book, base)
    for form in (card.form, jug):
        assert f"'{old}' was good until 2026-05-05: make it fresh" in unescape(form.result.value)
        assert "press 'This bottle is empty'" in unescape(form.result.value)
    book.stock.add_bottle("new", salt="KHCO3", weighed_g=2.0, volume_ml=1000)
    book.stock.empty_bottle(old)
    card.refresh()
    assert "was good until" not in card.form.result.value
    assert "new" in doses(card).index
