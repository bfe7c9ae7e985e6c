"""What several forms are tried on."""

from __future__ import annotations

import pytest

from labkit.book import LabBook


@pytest.fixture
def shelf_book(tmp_path):
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
