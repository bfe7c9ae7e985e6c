"""What is remembered: the only home of SQLAlchemy."""

from labkit.book.base_waters import BaseWater
from labkit.book.bottles import Bottle, BottleUse, Measurement
from labkit.book.lab_book import LabBook
from labkit.book.records import (
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
from labkit.book.touches import Touch

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
