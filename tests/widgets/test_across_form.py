"""The forms over many coffees: filters, a client's privacy, one water, words, acidity."""

from __future__ import annotations

import pytest

from labkit.analysis import trade_sayings
from labkit.book import LabBook
from labkit.book.demo import ensure_demo_book
from labkit.present import to_html
from labkit.widgets import AcrossForm, BalanceForm, OneWaterForm, PanelForm, WordsForm
from labkit.workflow import panel_history

SANDFIRTH, QUILLMOOR = "Sandfirth Coffee", "Quillmoor Roastery"


@pytest.fixture(scope="module")
def book():
    with LabBook(ensure_demo_book()) as book:
        yield book


@pytest.fixture(scope="module")
def drawn():
    """What was drawn, instead of pictures."""
    return []


@pytest.fixture(scope="module")
def form(book, drawn):
    def picture(across):
        drawn.append(across)
        return f"<p>{len(across.readings)} coffees</p>"

    return AcrossForm(book, picture)


@pytest.fixture(autouse=True)
def everything_again(form):
    for name in ("origin", "process", "roast_level", "client"):
        form.form.fields[name].value = ""


def test_every_coffee_of_the_lab_book_is_drawn_once_at_first(form, drawn, book):
    assert len(drawn) == 1
    assert len(form.coffees) == len(book.people.coffees())


def test_filters_narrow_the_coffees_and_the_table(form):
    form.form.fields["process"].value = "honey"
    assert {coffee for _, coffee in form.coffees} == {"Pellunara, honey", "Zindra, honey"}
    form.form.fields["origin"].value = "Tindavale"
    form.form.fields["roast_level"].value = "medium"
    table = form.form.result.value.partition("The same as a table")[2]
    assert ">Pellunara, honey</td>" in table
    assert "Osmeni" not in table
    assert form.across.table["coffee"].tolist() == ["Pellunara, honey"]


def test_nothing_of_another_client_is_on_the_page_once_one_is_chosen(form, book):
    form.form.fields["client"].value = SANDFIRTH
    others = [coffee for coffee in book.people.coffees() if coffee.client != SANDFIRTH]
    shown = form.form.result.value + form.across.table.to_csv()
    assert {client for client, _ in form.coffees} == {SANDFIRTH}
    for coffee in others:
        assert coffee.name not in shown
        assert coffee.client not in shown
    clients = form.form.fields["client"]
    assert [value for _, value in clients.options] == ["", SANDFIRTH]
    assert clients.value == SANDFIRTH
    told = {value for _, value in form.form.fields["origin"].options}
    assert told == {"", "Kessaro hills", "Marrowick coast", "Tindavale"}


def test_all_clients_can_be_chosen_again_after_one(form, drawn, book):
    form.form.fields["client"].value = SANDFIRTH
    before = len(drawn)
    form.form.fields["client"].value = ""
    assert len(drawn) == before + 1
    offered = [value for _, value in form.form.fields["client"].options]
    assert offered == ["", *(one.name for one in book.people.clients())]
    assert len(form.coffees) == len(book.people.coffees())


def test_one_water_follows_the_filter_and_the_cups_sold(form, book):
    tank = OneWaterForm(book, form, lambda one: "<p>drawn</p>")
    assert len(tank.water.losses) == len(book.people.coffees())
    form.form.fields["client"].value = QUILLMOOR
    assert set(tank.water.losses["client"]) == {QUILLMOOR}
    tank.form.fields["sold"].value = "Osmeni, natural 9; Veltara, washed 1"
    shares = tank.water.losses.set_index("coffee")["share"]
    assert shares["Osmeni, natural"] == pytest.approx(0.9)
    tank.form.fields["sold"].value = "Some other 2"
    assert tank.water is None
    assert "Cups sold must name a coffee" in tank.form.notes["sold"].value


def test_words_and_balance_follow_the_client(form, book):
    form.form.fields["client"].value = QUILLMOOR
    sayings = trade_sayings()
    words = WordsForm(book, form, sayings, lambda found: "")
    assert words.words.words["cups"].max() == len(
        book.scores.opened_words(client=QUILLMOOR).query("word == 'flat'")
    )
    balance = BalanceForm(book, form, lambda found: "")
    assert [value for _, value in balance.form.fields["coffee"].options] == [
        (QUILLMOOR, "Pellunara, honey")
    ]
    assert 15 < balance.balance.alkalinity_mg_l_caco3 < 55


def test_the_panel_is_that_of_the_client_shown(form, book):
    panel = PanelForm(book, form)
    everyone = panel.form.result.value
    form.form.fields["client"].value = QUILLMOOR

    assert to_html(panel_history(book)) in everyone
    assert to_html(panel_history(book, client=QUILLMOOR)) in panel.form.result.value
