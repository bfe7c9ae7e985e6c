"""What was measured in the cups, on its way into the lab book by the form."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from labkit.book import LabBook
from labkit.widgets import ScoringDesk
from labkit.widgets.steps.taste.measured_form import MeasuredForm
from tests.widgets.tables import SESSION, lay_table


@pytest.fixture
def book(tmp_path):
    lay_table(tmp_path / "book.db")
    with LabBook(tmp_path / "book.db") as book:
        yield book


@pytest.fixture
def form(book):
    form = MeasuredForm(book, session=SESSION)
    form.form.fields["measured_by"].value = "Dora"
    return form


def fill(form, **typed):
    for name, text in typed.items():
        form.form.fields[name].value = text
    form.keep.click()


def kept(book):
    return [dict(one.values) for one in book.scores.measured_cups(SESSION)]


def test_what_is_typed_of_a_cup_is_kept_and_its_yield_shown(book, form):
    fill(form, strength_percent="1,30", beverage_g="350", dose_g="20")

    assert kept(book) == [{"strength_percent": 1.3, "beverage_g": 350.0, "dose_g": 20.0}]
    (cup,) = book.scores.measured_cups(SESSION)
    assert (cup.flight, cup.blind_code) == form.form.fields["cup"].value
    assert cup.measured_by == "Dora"
    assert "22.8" in form.table.value  # 22.75 %


def test_a_cup_comes_back_to_be_put_right_and_an_emptied_field_takes_it_back(book, form):
    cups = [value for _, value in form.form.fields["cup"].options]
    fill(form, strength_percent="1.3", brew_ph="5.1")
    form.form.fields["cup"].value = cups[1]
    assert form.form.fields["strength_percent"].value == ""
    form.form.fields["cup"].value = cups[0]
    assert form.form.fields["strength_percent"].value == "1.3"
    fill(form, strength_percent="1.35", brew_ph="")
    assert kept(book) == [{"strength_percent": 1.35}]


@pytest.mark.parametrize(("name", "text"), [("strength_percent", "0.013"), ("dose_g", "many")])
def test_what_cannot_be_is_said_at_its_field_and_stays_typed(book, form, name, text):
    fill(form, beverage_g="350", **{name: text})
    assert kept(book) == []
    assert set(form.form.guide.wrong) == {name}
    assert form.form.fields["beverage_g"].value == "350"


def test_a_file_is_taken_and_a_yield_that_cannot_be_is_remarked(book, form):
    flight, code = form.form.fields["cup"].value
    text = f"flight;blind_code;strength_percent;beverage_g;dose_g\n{flight};{code};1,3;700;20\n"
    file = {"name": "m.csv", "type": "", "size": len(text), "content": text.encode()}
    form.upload.value = (file | {"last_modified": datetime(2026, 11, 21, tzinfo=UTC)},)
    form.take.click()
    assert kept(book) == [{"strength_percent": 1.3, "beverage_g": 700.0, "dose_g": 20.0}]
    assert f"dose of {code}" in form.table.value


def test_the_table_to_fill_in_holds_codes_and_no_water(form, monkeypatch):
    handed = {}
    monkeypatch.setattr(
        form.hands, "hand", lambda content, *, name, **_: handed.update({name: content.decode()})
    )
    form.empty.click()
    (text,) = handed.values()
    assert text.splitlines()[0].startswith("flight,blind_code,strength_percent")
    assert len(text.splitlines()) == 1 + len(form.form.fields["cup"].options)
    assert "share" not in text


def test_the_desk_offers_it(book):
    desk = ScoringDesk(book)
    assert any(isinstance(one, MeasuredForm) for one in desk.place.children[0].children)
