"""What is remembered: the only home of SQLAlchemy."""

from labkit.book.lab_book import LabBook
from labkit.book.records import (
    Attribute,
    Client,
    Coffee,
    Event,
    Flight,
    Held,
    Missing,
    Receipt,
    ScoreEntry,
    ServedCup,
    TastingSession,
)
from labkit.book.touches import Touch

__all__ = [
    "Attribute",
    "Client",
    "Coffee",
    "Event",
    "Flight",
    "Held",
    "LabBook",
    "Missing",
    "Receipt",
    "ScoreEntry",
    "ServedCup",
    "TastingSession",
    "Touch",
]
