"""What is remembered: the only home of SQLAlchemy."""

from labkit.book.lab_book import LabBook
from labkit.book.scores.touches import Touch
from labkit.book.stock.base_waters import BaseWater
from labkit.book.stock.bottles import Bottle, BottleUse, Measurement
from labkit.book.store.records import (
    Attribute,
    Client,
    Coffee,
    Event,
    Flight,
    Guest,
    Held,
    Missing,
    Receipt,
    ScoreEntry,
    ServedCup,
    Sheet,
    TastingSession,
)

__all__ = [
    "Attribute",
    "BaseWater",
    "Bottle",
    "BottleUse",
    "Client",
    "Coffee",
    "Event",
    "Flight",
    "Guest",
    "Held",
    "LabBook",
    "Measurement",
    "Missing",
    "Receipt",
    "ScoreEntry",
    "ServedCup",
    "Sheet",
    "TastingSession",
    "Touch",
]
