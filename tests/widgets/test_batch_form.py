"""Several waters in one go: what is added, refused, shown and printed."""

from __future__ import annotations

import re
from html import unescape

import pytest

from labkit.bench import batch_sheet, card_files
from labkit.water import Target, mix
from labkit.widgets import BaseWaterForm, BatchForm, CardForm


@pytest.fixture
def base(shelf_book):
    return BaseWaterForm(shelf_book)


@pytest.fixture
def card(shelf_book, base):
    card = CardForm(shelf_book, card_files, base)
    card.form.fields["water"].value = "3:1 at 80, alk 40"
    return card


@pytest.fixture
def batch(shelf_book, base, card):
    return BatchForm(shelf_book, batch_sheet, base, card)


def press(form, label):
    found = [
        button
        for row in form.form.children
        for button in getattr(row, "children", ())
        if getattr(button, "description", None) == label
    ]
    found[0].click()


def add(batch, name, water, litres):
    batch.form.fields["name"].value = name
    batch.form.fields["water"].value = water
    batch.form.fields["volume_l"].value = litres
    press(batch, "Add this water")


def words(html):
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def test_waters_are_poured_bottle_after_bottle_with_the_doses_of_each_alone(batch, shelf_book):
    add(batch, "espresso", "1:1 at 60, alk 60", 2)
    add(batch, "filter", "3:1 at 80, alk 40", 5)

    bottles = shelf_book.stock.concentrates()
    alone = mix(
        Target(mg_share=0.5, hardness_mg_l_caco3=60, alkalinity_mg_l_caco3=60),
        bottles,
        volume_ml=2000,
    )
    assert batch.batch.jugs["espresso"].doses == alone.doses
    assert batch.batch.rinses == len(batch.batch.rounds) - 1
    assert batch.batch.rounds[-1].bottle.name == "bicarbonate"


def test_the_sheet_prints_the_doses_litres_and_waters_of_the_batch(batch, monkeypatch):
    add(batch, "filter", "3:1 at 80, alk 40", 5)
    add(batch, "espresso", "1:1 at 60, alk 60", 2)
    sent = []
    monkeypatch.setattr(batch.hands, "send", lambda message, **_: sent.append(message))
    press(batch, "Sheet")

    shown = words(batch_sheet(batch.batch).html)
    assert sent
    # By hand: 1 mL in 1 L adds 1 mg/L as CaCO3.
    assert re.search(r"bicarbonate into espresso: 120\.\d.*? filter: (200|199)\.\d", shown)
    jug = batch.batch.jugs["filter"]
    assert f"5 L 4.4 L {jug.reached.hardness_mg_l_caco3:.1f}" in shown


def test_a_blend_stands_on_the_sheet_in_litres_of_each(batch, base):
    base.form.fields["name"].value = "tap"
    base.form.fields["share_percent"].value = 15
    add(batch, "filter", "3:1 at 80, alk 40", 5)
    (_, tap_ml), (_, pure_ml) = batch.batch.base_parts
    shown = words(batch_sheet(batch.batch).html)
    assert f" {tap_ml:.0f} mL tap, {pure_ml / 1000:.3g} L pure water" in shown
    assert tap_ml / (tap_ml + pure_ml) == pytest.approx(0.15, abs=0.001)


def test_the_cards_water_can_be_added_and_the_last_one_taken_out(batch, card):
    press(batch, "Add the card's water")
    assert [water for water, _ in batch.waters.values()] == [card.recipes[-1].target]
    press(batch, "Take the last one out")
    assert batch.waters == {}
    assert batch.batch is None


def test_what_cannot_be_poured_is_refused_and_what_stands_stays(batch):
    add(batch, "filter", "3:1 at 80, alk 40", 5)
    add(batch, "", "3:1 at 80, alk 40", 5)
    assert "which jug or tank" in words(batch.form.message.value)
    add(batch, "bar", "3:1 at 80, alk 40", 0)
    assert "from 0.05 to 2000 L" in words(batch.form.message.value)
    add(batch, "bar", "3:1 at 1900, alk 40", 1)
    assert "as strong" in words(batch.form.message.value)
    assert list(batch.waters) == ["filter"]


def test_more_than_the_shelf_holds_is_said(batch):
    add(batch, "tank", "3:1 at 80, alk 40", 500)
    assert "are left" in words(batch.form.result.value)
