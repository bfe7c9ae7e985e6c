"""What several forms are tried on."""

from __future__ import annotations

import pytest
from ipywidgets import Widget

from labkit.book import LabBook
from tests.book.samples import add_all_bottles
from tests.tasted import copy_book


@pytest.fixture(scope="module", autouse=True)
def widgets_of_a_file():
    """Let go of a file's widgets: ipywidgets holds all, and looking for garbage takes longer."""
    yield
    Widget.close_all()


@pytest.fixture
def shelf_book(tmp_path):
    """A lab book with one coffee, three bottles and a hard tap water."""
    with LabBook(copy_book(tmp_path / "book.db", stock_a_shelf)) as book:
        yield book


def stock_a_shelf(book):
    book.people.add_client("Client A")
    book.people.add_coffee("Coffee A", client="Client A")
    add_all_bottles(book)
    book.stock.add_base_water("tap", {"Ca": (80, "mg/L"), "alkalinity": (200, "mg/L CaCO3")})
