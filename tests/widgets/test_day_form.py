"""Today's reading of a base water: what is shown, what is kept, and what is then poured from."""

from __future__ import annotations

import re
from datetime import date
from html import unescape

import pytest

from labkit.widgets import BaseWaterForm


@pytest.fixture
def base(shelf_book):
    form = BaseWaterForm(shelf_book)
    form.form.fields["name"].value = "tap"
    return form


def keep(base):
    (button,) = (
        one
        for row in base.day.children
        for one in getattr(row, "children", ())
        if getattr(one, "description", None) == "Keep as today's water"
    )
    button.click()


def words(widget):
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", widget.value)))


def test_the_water_of_the_day_is_kept_under_its_day_and_poured_from(base, shelf_book):
    tap = shelf_book.stock.base_water("tap").supply.water
    base.day.fields["hardness_mg_l_caco3"].value = "150"
    base.day.fields["alkalinity_mg_l_caco3"].value = "150"
    assert "Of today" in words(base.day.result)
    assert base.start.base == tap  # typed alone it changes nothing

    keep(base)

    name = f"tap, {date.today():%Y-%m-%d}"
    kept = shelf_book.stock.base_water(name)
    assert base.start.name == name
    assert base.start.base.hardness_mg_l_caco3 == pytest.approx(150)
    assert base.start.base.alkalinity_mg_l_caco3 == pytest.approx(150)
    assert kept.sampled_on == date.today()
    assert "'tap'" in kept.source
    assert base.day.fields["hardness_mg_l_caco3"].value == ""
    assert shelf_book.stock.base_water("tap").supply.water == tap


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({}, "got nothing"),
        ({"hardness_mg_l_caco3": "200"}, "nothing to keep"),
        ({"hardness_mg_l_caco3": "20"}, "no longer the water of the analysis"),
        ({"alkalinity_mg_l_caco3": "many"}, "Alkalinity today must be a number"),
    ],
)
def test_what_tells_nothing_is_not_kept(base, shelf_book, typed, said):
    for field, value in typed.items():
        base.day.fields[field].value = value
    keep(base)
    assert said in words(base.day.message)
    assert [one.name for one in shelf_book.stock.base_waters()] == ["tap"]
    assert base.day.fields["hardness_mg_l_caco3"].value == typed.get("hardness_mg_l_caco3", "")
