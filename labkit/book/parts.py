"""The parts of a lab book, one for each thing that it remembers."""

from __future__ import annotations

from labkit.book.files.exports import Exports
from labkit.book.files.imports import Imports
from labkit.book.people.people import People
from labkit.book.scores.kept_readings import KeptReadings
from labkit.book.scores.measured import CupMeasurements
from labkit.book.sessions.decisions import Decisions
from labkit.book.sessions.flights import Flights
from labkit.book.sessions.found_codes import FoundCodes
from labkit.book.sessions.links import Links
from labkit.book.sessions.plans import Plans
from labkit.book.sessions.progress import Progress
from labkit.book.sessions.sessions import Sessions
from labkit.book.stock.base_waters import BaseWaters
from labkit.book.stock.doses import SealedDoses
from labkit.book.stock.shelf import Shelf
from labkit.boundary import checked
from labkit.errors import BookError

__all__ = ["KeptReadings", "People", "ScorePart", "SessionPart", "StockPart"]


@checked(BookError, but=("serving", "secret"))
class SessionPart(Sessions, Plans, Flights, FoundCodes, Progress, Links, Decisions):
    """Sessions: their plans, flights, links and events, and what was decided about a coffee."""


@checked(BookError, own_numbers=True, but=("value",))
class ScorePart(Exports, Imports, CupMeasurements):
    """Scores and what was measured in the cups: one by one or from files, and out again."""


@checked(BookError, own_numbers=True, but=("doses",))
class StockPart(Shelf, SealedDoses, BaseWaters):
    """Bottles, the doses taken from them, and waters to start from."""
