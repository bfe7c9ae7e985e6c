"""Notebook 4's forms say what is missing of a coffee that they cannot read in full."""

from __future__ import annotations

from itertools import count

import pytest

from labkit.bench import bench_sheet
from labkit.book import Attribute, LabBook
from labkit.tasting import SCALES
from labkit.widgets import ConfirmForm, NextFlightView, ReadingView
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.widgets.steps.hand_over.card_form import CardForm
from tests.tasted import at_shares, begin, lock_and_open, score

TASTERS = ["Ana", "Bo", "Cy"]
OVERALL = Attribute(name="overall", scale=SCALES["liking 1-9"])
RIGHT = Attribute(name="acidity for you", scale=SCALES["just about right"])
WORDS = Attribute(name="words", kind="descriptors", choices=("floral", "papery"))
COFFEES = {
    "scored": (OVERALL, 3, True),
    "only right": (RIGHT, 3, True),
    "only words": (WORDS, 3, True),
    "one water": (OVERALL, 1, True),
    "still closed": (OVERALL, 3, False),
    "not tasted": (OVERALL, 0, False),
}


def taste(book, name, attribute, n_waters, is_open):
    if not n_waters:
        book.people.add_coffee(name, client="Fennmark")
        return
    targets = at_shares(0, 0.5, 1)[: max(2, n_waters)]
    plan = begin(
        book,
        name,
        client="Fennmark",
        coffee=name,
        targets=targets,
        tasters=TASTERS,
        planning={"control": "none", "duplicates": 0},
        attributes=[attribute],
    )
    number = count()

    def give(_cup, water):
        at = next(number)
        if n_waters == 1 and water != targets[0]:
            return {}  # only one of the two waters was scored
        given = {"overall": 4.0 + (7 * at + at // 4) % 5, "words": ("floral",)}
        return {attribute.name: given.get(attribute.name, 3.0)}

    score(book, plan, give)
    if is_open:
        lock_and_open(book, plan)
    else:
        for flight in plan.flights:
            book.sessions.lock_flights(name, [flight])


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    with LabBook(tmp_path_factory.mktemp("book") / "book.db") as book:
        book.people.add_client("Fennmark")
        for name, what in COFFEES.items():
            taste(book, name, *what)
        yield book


@pytest.fixture(scope="module")
def forms(book):
    """Made once, as on the page: whatever coffee was there before, they take the next one."""
    view = ReadingView(book, lambda _found, **_more: "")
    flight = NextFlightView(book, view, lambda _suggestion, _reading: "")
    confirm = ConfirmForm(book, view, bench_sheet)
    return view, flight, confirm, CardForm(book, lambda *_a, **_k: None, BaseWaterForm(book))


@pytest.mark.parametrize("before", ["scored", "only words"])
@pytest.mark.parametrize("coffee", COFFEES)
def test_every_form_takes_every_coffee(forms, before, coffee):
    view, flight, confirm, card = forms

    view.form.fields["coffee"].value = ("Fennmark", before)
    view.form.fields["coffee"].value = ("Fennmark", coffee)
    card.form.fields["coffee"].value = ("Fennmark", coffee)

    read, asked = view.form.fields["attribute"].value, COFFEES[coffee][0].name
    if COFFEES[coffee][2]:
        assert read == asked
    if coffee != "scored":
        said = [form.message.value + form.result.value for form in (flight.form, confirm.form)]
        assert all(said)
        assert card.said
    if coffee in ("only right", "only words"):
        assert "let its next session ask for" in flight.form.message.value
    if coffee == "one water":
        assert "a test takes two" in confirm.form.result.value
