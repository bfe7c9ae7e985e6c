"""A lab book to plan in, and the forms around a blind plan."""

from __future__ import annotations

from datetime import date

import pytest

from labkit.bench import (
    bench_sheet,
    sweep_doses,
)
from labkit.book import LabBook
from labkit.widgets import BaseWaterForm, PlanForm, SweepForm, coffee_choices
from tests.tasted import copy_book
from tests.widgets.plans.helpers import TAP, catch, fill, paper_of, sealed, type_passphrase


@pytest.fixture
def book(tmp_path):
    """A lab book with a coffee, tasters and three bottles."""
    with LabBook(copy_book(tmp_path / "book.db", fill, date(2026, 10, 1))) as book:
        yield book


@pytest.fixture
def form(book):
    """A filled-in plan form; what it hands over is caught."""
    sweep = SweepForm(
        coffee_choices(book),
        check=lambda sweep: sweep_doses(sweep, book.stock.concentrates()),
        best_of=lambda _client, _coffee: {},
    )
    made = PlanForm(book, sweep, bench_sheet)
    made.handed = catch(made)
    made.form.fields["cups_per_flight"].value = 6  # five waters and a duplicate in one flight
    for name, value in (("dose_g", "11"), ("vessel", "bowl"), ("preparer", "Odile")):
        made.conditions.fields[name].value = value
    type_passphrase(made)
    return made


@pytest.fixture
def base(book):
    """A tap in the lab book, chosen to start from."""
    book.stock.add_base_water("tap, autumn", TAP)
    made = BaseWaterForm(book)
    made.form.fields["name"].value = "tap, autumn"
    return made


@pytest.fixture
def paper(book, form):
    session = sealed(form)
    made = paper_of(book)
    made.session = session
    made.handed = catch(made)
    return made
