"""Bottles on the shelf: kept, measured, asked about, labelled, emptied."""

from __future__ import annotations

import re
from datetime import date, timedelta
from html import unescape

import pytest
from ipywidgets import HBox

from labkit.bench import bottle_labels, weighing_sheet
from labkit.book import Attribute
from labkit.tasting import SCALES
from labkit.water import Target
from labkit.widgets import ConcentrateForm, StockForm, StrengthForm
from tests.tasted import PASSPHRASE, at_shares, begin

OLD = date(2026, 1, 5)
ABOUT = {
    "client": "Client A",
    "coffee": "Coffee A",
    "tasters": ["Ada", "Bo"],
    "attributes": [Attribute(name="overall", scale=SCALES["liking 1-9"])],
}


@pytest.fixture
def book(shelf_book):
    return shelf_book


@pytest.fixture
def stock(book):
    return StockForm(book, bottle_labels)


def click(form, label):
    """Press a button of a form; nothing else on the page is touched."""
    rows = [child for child in form.children if isinstance(child, HBox)]
    next(b for row in rows for b in row.children if b.description == label).click()


def test_a_disagreement_is_asked_answered_and_only_then_counts(book, stock):
    """15 % apart, where 5 % of the kit and about 1.4 % of the weighing explain some 6 %."""
    asking = stock.questions.form.children[0]
    assert asking.layout.display == "none"
    book.stock.measure_bottle(
        "calcium", method="titration", strength_mg_l_caco3_per_ml=1.15, uncertainty_percent=5
    )
    stock.refresh()
    assert "'calcium' was weighed to 1.469 g/L and measured as 1.689" in unescape(
        stock.questions.questions.value
    )
    assert "weighed 1.469 g/L" in stock.form.result.value
    click(stock.questions.form, "Answer")
    assert "Doses count with must be one of the two" in stock.questions.form.notes["counts"].value
    stock.questions.form.fields["counts"].value = "measured"
    stock.questions.form.fields["answered_by"].value = "Dora"
    stock.questions.form.fields["reason"].value = "the flask was short"
    click(stock.questions.form, "Answer")
    assert stock.questions.questions.value == ""
    assert asking.layout.display == "none"
    assert stock.questions.form.layout.display is None, "what it says keeps the focus"
    assert "Doses of 'calcium' count" in unescape(stock.questions.form.message.value)
    assert "measured 1.689 g/L" in stock.form.result.value
    assert book.stock.bottle("calcium").measurements[-1].answers[-1].answered_by == "Dora"
    assert book.stock.bottle("calcium").weighed_g == 1.469
    history = stock.form.result.value.partition("History of each bottle")[2]
    for words in (
        "1.469 g, to 0.01 g",
        "1.689 g/L ± 5.0 %, titration, on ",
        "what was measured counts, on ",
        " by Dora: the flask was short",
    ):
        assert words in history


def test_the_days_typed_are_kept_only_by_the_button(book, stock):
    stock.form.fields["keeps_days"].value = 3
    assert "still says 4 days" in stock.form.result.value
    assert book.stock.bicarbonate_keeps_days() == 4
    click(stock.form, "Keep these days")
    assert book.stock.bottle("bicarbonate").keeps_days == 3
    assert StockForm(book, bottle_labels).form.fields["keeps_days"].value == 3
    stock.form.fields["keeps_days"].value = 0
    click(stock.form, "Keep these days")
    assert "must be 1 to 60 days, got 0" in stock.form.notes["keeps_days"].value
    assert book.stock.bicarbonate_keeps_days() == 3


def test_the_shelf_says_what_the_sealed_plan_needs_until_its_doses_are_written_down(book, stock):
    """Three waters of 80 and 40 and a hidden duplicate: 4 jugs take 40 mL of bicarbonate each."""
    assert "No sealed flight waits" in stock.form.result.value
    plan = begin(
        book,
        "Grid",
        **ABOUT,
        targets=at_shares(0, 0.5, 1, hardness=80, alkalinity=40),
        planning={"flights": 1, "duplicates": 1},
    )
    stock.refresh()
    jugs = plan.design.jugs
    assert f"'Grid', flight 1: up to {jugs} jugs wait to be mixed" in unescape(
        stock.form.result.value
    )
    needed = f"1000 mL left; up to {40 * jugs} mL reserved; then {1000 - 40 * jugs} mL"
    assert needed in stock.form.result.value
    assert "takes nothing once it is locked" in stock.form.result.value

    place = stock.taken.bottles.index("bicarbonate")
    stock.taken.form.fields[f"dose_{place}"].value = 155.5
    click(stock.taken.form, "Record what was taken")
    click(stock.taken.form, "Record what was taken")  # a second press writes nothing
    assert "one dose must be above 0 mL" in stock.taken.form.message.value
    (use,) = book.stock.bottle("bicarbonate").uses
    assert (use.session, use.flight, use.is_bound) == ("Grid", 1, True)
    assert use.volume_ml == pytest.approx(40 * jugs, rel=1e-3)
    assert "No sealed flight waits" in stock.form.result.value
    # 840 mL for flights of 160 mL like this one
    left = f"at least {1000 - use.volume_ml:.0f} mL left; suffices for 5 flights"
    assert left in stock.form.result.value
    shown = stock.form.result.value + stock.taken.form.message.value
    assert "155.5" not in shown
    assert "sealed until its key opens" in shown

    book.sessions.lock_flights("Grid", [1])
    book.sessions.open_flights("Grid", [1], PASSPHRASE)
    stock.refresh()
    assert "; 844 mL left; suffices for 5 flights like the last<" in stock.form.result.value
    assert "155.5 mL, " in stock.form.result.value


def test_a_flight_locked_without_a_score_takes_nothing(book, stock):
    waters = [
        Target(mg_share=0.5, hardness_mg_l_caco3=h, alkalinity_mg_l_caco3=40) for h in (60, 80)
    ]
    begin(book, "Off", **ABOUT, targets=waters)
    stock.refresh()
    assert "jugs wait to be mixed" in unescape(stock.form.result.value)

    for flight in book.sessions.flights("Off"):
        book.sessions.lock_flights("Off", [flight.number])
    stock.refresh()

    assert "No sealed flight waits" in stock.form.result.value


def test_a_bottle_too_small_for_the_plan_and_one_too_old_are_said(book, stock):
    book.stock.add_bottle(
        "small and old", salt="NaHCO3", weighed_g=0.168, volume_ml=100, made_on=OLD
    )
    stock.refresh()
    assert "too old" in stock.form.result.value


def test_an_empty_bottle_leaves_the_shelf(book, stock):
    stock.taken.empty_form.fields["bottle"].value = "magnesium"
    click(stock.taken.empty_form, "This bottle is empty")
    assert "magnesium" not in stock.form.result.value
    assert "off the shelf" in stock.taken.empty_form.message.value


def test_the_label_sheet_has_name_strength_dates_and_caution(book, stock, monkeypatch):
    sent = []
    monkeypatch.setattr(stock.hands, "send", lambda message, **_: sent.append(message))
    book.stock.measure_bottle(
        "calcium", method="burette", strength_g_l=1.47, uncertainty_percent=0.7
    )
    click(stock.form, "Label sheet")
    words = unescape(sent[0]["content"])
    bottle = book.stock.bottle("bicarbonate")
    for part in (
        "bicarbonate",
        "KHCO3, 2.001 g/L",
        f"made {bottle.made_on:%d %b %Y}",
        f"use by {bottle.use_by:%d %b %Y}",
        "Not for drinking. Keep from children.",
        "1.469 g/L weighed, 1.470 measured",
        "(counts)",
    ):
        assert part in words


def test_a_bottle_is_kept_with_lot_balance_keeper_and_day(book):
    form = ConcentrateForm(keep=book.stock.add_bottle)
    for name, value in {
        "name": "calcium, new",
        "weighed_g": 1.5,
        "lot": "L 77",
        "keeper": "Dora",
        "made_on": OLD,
        "balance_g": 0.1,
    }.items():
        form.fields[name].value = value
    click(form, "Keep this bottle in the lab book")
    bottle = book.stock.bottle("calcium, new")
    assert (bottle.lot, bottle.keeper, bottle.made_on) == ("L 77", "Dora", OLD)
    assert bottle.balance_g == 0.1


def test_a_strength_is_written_down_with_who_when_and_what_counts(book):
    """100 mL made up to 1 L reads 100 mg/L: 1 mg/L per mL, as weighed; a burette is the surer."""
    strength = StrengthForm(book)
    for name, value in {
        "bottle": "calcium",
        "method": "burette, on a dilution",
        "step_mg_l_caco3": 0.5,
        "measured_by": "Dora",
        "measured_on": OLD,
        "reading": 100.0,
    }.items():
        strength.form.fields[name].value = value
    click(strength.form, "Record this strength")
    (found,) = book.stock.bottle("calcium").measurements
    assert (found.measured_by, found.measured_on) == ("Dora", OLD)
    assert found.strength_g_l == pytest.approx(1.469, rel=1e-3)
    # 2 / √3 · √(0.25² + 0.5²) %, a quarter being half a division of 100.
    assert found.uncertainty_percent == pytest.approx(0.646, abs=0.001)
    assert "doses count with what was measured" in strength.form.message.value
    strength.form.fields["method"].value = "drop kit, on a dilution"
    assert strength.form.fields["reading"].description == "Drops until the colour turned"
    strength.form.fields["step_mg_l_caco3"].value = 0.5
    strength.form.fields["reading"].value = 280
    # 2 / √3 · √(0.18² + 5²) % of 1.4, half a division of 0.5 being 0.18 % of 140.
    assert "280 drops of 0.5 mg/L in 100 mL made up to 1000 mL" in strength.form.result.value
    assert "adds 1.40 ± 0.08 mg/L" in strength.form.result.value
    assert "40.0 % more" in strength.form.result.value
    assert "no dose changes before you answer" in strength.form.result.value
    assert "Keep reagents from eyes" in strength.form.result.value
    click(strength.form, "Record this strength")
    assert "Which one is right?" in strength.form.message.value


def test_each_kit_is_asked_for_its_own_step_and_drops_are_whole(book):
    """A drop of 1 °dH is 17.8 mg/L as CaCO3 (DIN 38409-6: 1 °dH = 0.1783 mmol/L).

    A burette's 0.1 mL of 0.01 mol/L is 1 µmol; in a sample of 50 mL 0.02 mmol/L, 2 mg/L as CaCO3.
    """
    form = StrengthForm(book).form
    step, reading = form.fields["step_mg_l_caco3"], form.fields["reading"]
    assert (step.description, step.value) == ("A drop is (mg/L CaCO3)", 17.8)
    reading.value = 5.5
    assert "must be whole drops, got 5.5" in form.notes["reading"].value
    reading.value = -2
    assert "Drops until the colour turned must be above 0, got -2" in form.notes["reading"].value
    form.fields["method"].value = "burette, on a dilution"
    assert (step.description, step.value) == ("A division is (mg/L CaCO3)", 2.0)
    reading.value = 5.5
    assert "5.5 mg/L in 100 mL made up to 1000 mL" in form.result.value
    form.fields["method"].value = "drop kit, on a dilution"
    assert reading.value == 0
    form.fields["method"].value = "conductivity of a dilution"
    assert step.layout.display == "none"
    assert "Read the pure water first" in form.result.value
    form.fields["method"].value = "drop kit, on a dilution"
    assert step.layout.display == ""
    assert step.value == 17.8


def test_a_bottle_says_its_age_in_days_as_people_do_and_what_is_short(book, stock):
    book.stock.add_bottle("fresh", salt="KHCO3", weighed_g=2.0, volume_ml=1000)
    yesterday = date.today() - timedelta(days=1)
    book.stock.add_bottle("older", salt="KHCO3", weighed_g=2.0, volume_ml=100, made_on=yesterday)
    stock.refresh()
    shelf = re.findall(r">(made \w+, good until \d\d \w+; \d+ mL left)<", stock.form.result.value)
    assert any(one.startswith("made today") and one.endswith("; 1000 mL left") for one in shelf)
    assert any(one.startswith("made yesterday") and one.endswith("; 100 mL left") for one in shelf)


def test_the_next_bottle_inherits_no_lot_purity_or_name(book):
    """1 % of purity carried over to another salt would be 1 % in every dose of it."""
    form = ConcentrateForm(keep=book.stock.add_bottle)
    jar = {"purity": 0.99, "name": "first", "lot": "C-77", "keeper": "Ana", "weighed_g": 1.48}
    for name, value in (jar | {"made_on": OLD}).items():
        form.fields[name].value = value
    click(form, "Keep this bottle in the lab book")
    assert (book.stock.bottle("first").purity, book.stock.bottle("first").lot) == (0.99, "C-77")
    assert "Kept as 'first': 1.48 g" in unescape(form.message.value)
    form.fields["salt_label"].value = "MgSO4·7H2O"
    form.fields["name"].value = "second"
    form.fields["weighed_g"].value = 2.46
    click(form, "Keep this bottle in the lab book")
    second = book.stock.bottle("second")
    assert (second.purity, second.lot, second.keeper) == (1.0, "", "Ana")
    assert second.made_on == date.today()


def test_a_label_of_the_dry_salt_sets_the_purity(book):
    """75.49 % CaCl2 is pure dihydrate (110.98 / 147.01 g/mol): 77 % says purity 1.02."""
    form = ConcentrateForm(keep=book.stock.add_bottle)
    form.fields["percent"].value = 77
    form.fields["weighed_g"].value = 1.47
    form.fields["name"].value = "flakes"
    assert form.bottle.purity == pytest.approx(1.02, abs=1e-3)
    form.button.click()
    assert book.stock.bottle("flakes").purity == pytest.approx(1.02, abs=1e-3)
    assert form.fields["percent"].value == 0

    form.fields["percent"].value = 120
    assert "at most 100 %" in form.notes["percent"].value


def test_the_weighing_sheet_is_of_the_bottle_in_the_form(book, monkeypatch):
    handed = []
    form = ConcentrateForm(keep=book.stock.add_bottle, sheet=weighing_sheet)
    monkeypatch.setattr(form.hands, "hand", lambda html, **about: handed.append((html, about)))
    form.fields["volume_ml"].value = 500
    form.print.click()
    ((html, about),) = handed
    assert re.findall(r'class="grams">([\d.]+)<', html) == ["0.73"]
    assert about["name"] == "calcium-chloride-dihydrate-weighing.html"
