"""A lab book to plan in, and the forms around a blind plan."""

from __future__ import annotations

from datetime import date

import pytest

from labkit.bench import (
    LABEL_PAPERS,
    bench_sheet,
    cup_labels,
    score_sheets,
    sweep_doses,
    tray_map,
)
from labkit.book import LabBook
from labkit.widgets import BaseWaterForm, PaperForm, PlanForm, SweepForm, coffee_choices
from tests.widgets.plans.helpers import TAP, catch, sealed, type_passphrase


@pytest.fixture(autouse=True)
def fast_keys(monkeypatch):
    """Derive keys fast: tests of the seal hold the real cost."""
    monkeypatch.setattr("labkit.tasting.seal._SCRYPT_LOG2_N", 8)


@pytest.fixture
def book(tmp_path):
    """A lab book with a coffee, tasters and three bottles."""
    with LabBook(tmp_path / "book.db") as book:
        book.add_client("Client A")
        book.add_coffee("Coffee A", client="Client A", roast_date=date(2026, 10, 1))
        for taster in ("Ada", "Bo", "Cy", "Di"):
            book.add_taster(taster)
        for name, salt, grams in (
            ("calcium", "CaCl2·2H2O", 1.47),
            ("magnesium", "MgCl2·6H2O", 2.03),
            ("bicarbonate", "KHCO3", 2.0),
        ):
            book.add_bottle(name, salt=salt, weighed_g=grams, volume_ml=1000)
        yield book


@pytest.fixture
def form(book):
    """A filled-in plan form; what it hands over is caught."""
    sweep = SweepForm(
        coffee_choices(book),
        check=lambda sweep: sweep_doses(sweep, book.concentrates()),
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
    book.add_base_water("tap, autumn", TAP)
    made = BaseWaterForm(book)
    made.form.fields["name"].value = "tap, autumn"
    return made


@pytest.fixture
def paper(book, form):
    session = sealed(form)
    made = PaperForm(
        book,
        score_sheets=score_sheets,
        cup_labels=cup_labels,
        tray_map=tray_map,
        bench_sheet=bench_sheet,
        papers=LABEL_PAPERS,
    )
    made.session = session
    made.handed = catch(made)
    return made
