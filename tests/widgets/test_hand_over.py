"""The forms of the hand-over page: what is chosen, what is shown, what goes to the browser."""

from __future__ import annotations

import json

import pytest

from labkit.bench import bottle_labels, card_files, make_recipes
from labkit.book import LabBook
from labkit.widgets import BaseWaterForm, CardForm, MeterForm, StockForm
from labkit.widgets.fields import as_html


@pytest.fixture
def book(tmp_path):
    """A lab book with one coffee, three bottles and a hard tap water."""
    with LabBook(tmp_path / "book.db") as book:
        book.add_client("Client A")
        book.add_coffee("Coffee A", client="Client A")
        for name, label, grams in (
            ("calcium", "CaCl2·2H2O", 1.469),
            ("magnesium", "MgCl2·6H2O", 2.031),
            ("bicarbonate", "KHCO3", 2.001),
        ):
            book.add_bottle(name, salt=label, weighed_g=grams, volume_ml=1000)
        book.add_base_water("tap", {"Ca": (80, "mg/L"), "alkalinity": (200, "mg/L CaCO3")})
        yield book


@pytest.fixture
def card(book):
    """A card for 3:1, 80 hard, 40 alkaline."""
    card = CardForm(book, make_recipes, card_files, BaseWaterForm(book))
    card.form.fields["mg_share"].value = 0.25
    return card


@pytest.fixture
def handed(card, monkeypatch):
    """What the page hands to the browser."""
    sent = []
    monkeypatch.setattr(card._hands, "send", lambda message, **_: sent.append(message))
    return sent


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


def test_every_form_is_handed_over_and_none_stays_in_the_widget(card, handed):
    for label in ("A4 page", "Phone page", "Table (CSV)", "Table (JSON)"):
        press(card, label)
    assert [m["name"].rsplit(".", 1)[1] for m in handed] == ["html", "html", "csv", "json"]
    assert json.loads(handed[3]["content"])["wanted"]["mg_share"] == 0.25
    assert "60.0" not in str(card._hands.get_state())


def test_salts_that_the_shop_lacks_are_swapped_and_the_card_says_so(card):
    card.form.fields["way"].value = "g straight from salts"
    card.form.fields["salts"].value = ("CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3")
    for words in (
        "Sulfate instead of chloride",
        "Sodium instead of potassium",
        "the taste may differ too",
    ):
        assert words in card.form.result.value
        assert words in card.files.a4.html
    assert doses(card).index.tolist() == ["CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3"]


def test_the_usual_salts_differ_in_nothing(card):
    card.form.fields["way"].value = "g straight from salts"
    assert "instead of" not in card.form.result.value


def test_a_water_out_of_reach_becomes_the_nearest_with_the_difference(card):
    card.form.fields["way"].value = "g straight from salts"
    card.form.fields["salts"].value = ("CaCl2·2H2O", "KHCO3")
    assert "out of reach" in card.form.result.value
    assert "20 less than the 80 wanted" in card.files.phone.html


def test_a_hard_tap_is_thinned_and_the_card_names_both_waters(card):
    card._base.form.fields["name"].value = "tap"
    assert "20 % tap + 80 % pure water" in card.files.a4.html
    assert card.made.reached.alkalinity_mg_l_caco3 == pytest.approx(40, abs=0.3)


def test_more_than_is_left_in_a_bottle_is_said(card):
    assert "20 L take 1200 mL of «calcium», of which 1000 mL are left" in card.form.result.value


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("volumes_l", "many", "Volumes (L) must be numbers"),
        ("volumes_l", "", "Volumes (L) must be one to six volumes"),
        ("volumes_l", "0", "Volumes (L) must be one to six volumes"),
        ("mg_share", 25.0, "Mg share of hardness (0 to 1) must be between"),
    ],
)
def test_a_wrong_entry_says_so_beside_its_field_and_keeps_the_rest(
    card, handed, field, value, sentence
):
    card.form.fields["hardness_mg_l_caco3"].value = 90.0
    card.form.fields[field].value = value
    assert sentence in card.form._notes[field].value
    assert card.form.fields["hardness_mg_l_caco3"].value == 90.0
    press(card, "A4 page")
    assert handed == []
    assert "no card to hand over" in card.form.message.value


def test_a_coffee_without_scores_leaves_the_figures_and_says_why(card):
    card.form.fields["coffee"].value = ("Client A", "Coffee A")
    assert "Coffee A:" in card.form.result.value
    assert card.form.fields["mg_share"].value == 0.25
    assert "Coffee A" in as_html(card.files)


def test_the_meter_check_names_the_skipped_bicarbonate(book, card):
    """60, 20 and 0 mg/L as CaCO3 of chlorides: about 195 µS/cm against 280."""
    check = MeterForm(book, card)
    assert "Type a reading" in check.result.value
    check.fields["shown"].value = str(round(0.72 * 277))
    check.fields["alkalinity_drops"].value = "0"
    assert "of bicarbonate skipped" in check.result.value
    check.fields["shown"].value = "two hundred"
    assert "The meter shows must be a number" in check._notes["shown"].value


def test_a_strength_beyond_balance_and_kit_raises_a_question_and_changes_nothing(book):
    """15 % apart, where 5 % of the kit and about 1 % of the weighing explain some 6 %."""
    stock = StockForm(book, bottle_labels)
    assert "Question" not in stock.form.result.value
    book.measure_bottle(
        "calcium", method="titration", strength_mg_l_caco3_per_ml=1.15, uncertainty_percent=5
    )
    stock.form.refresh()
    assert "«calcium» was weighed to 1.000 and measured as 1.150" in stock.form.result.value
    assert book.bottle("calcium").weighed_g == 1.469
    book.measure_bottle(
        "calcium", method="titration", strength_mg_l_caco3_per_ml=1.03, uncertainty_percent=5
    )
    stock.form.refresh()
    assert "Question" not in stock.form.result.value
