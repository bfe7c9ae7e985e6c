"""What a score sheet needs from its surroundings, and the lab book as one that gives it."""

from __future__ import annotations

import hashlib
import logging
import math
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from labkit.book import Attribute, FlightState, Score, Stage
from labkit.errors import BookError

if TYPE_CHECKING:
    from labkit.book import LabBook

_log = logging.getLogger(__name__)

SEEN_EVERY_S = 10.0
"""How often a sheet's sign of life is written into the lab book."""

Given = float | str | tuple[str, ...]
"""A number, a note, or checked descriptors."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCup:
    """One cup before one taster; nothing says what is in it."""

    flight: int
    """Number of the flight."""

    position: int
    """From 1, in the taster's own order."""

    blind_code: str | None
    """What stands on the cup; None while someone who tastes alone has not read it yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPlace:
    """What one value on a sheet belongs to."""

    flight: int
    """Number of the flight."""

    position: int
    """Position of the cup in the taster's order."""

    stage: Stage | None
    """Stage of cooling, if the session scores them apart."""

    attribute: str
    """What is scored."""

    def __str__(self) -> str:
        return f"{self.flight}/{self.position}/{self.stage or ''}/{self.attribute}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLook:
    """How things stand for one taster at one moment."""

    cups: tuple[SheetCup, ...]
    """Every cup that this taster gets, in order."""

    states: Mapping[int, FlightState]
    """State of each flight."""

    values: Mapping[SheetPlace, Given]
    """What this taster has given, and nobody else."""


class SheetDesk(Protocol):
    """Where a sheet's scores go, and where it learns what is on the table."""

    @property
    def session(self) -> str:
        """Name of the session."""

    @property
    def taster(self) -> str:
        """Whose sheet it is."""

    @property
    def owner(self) -> str:
        """Opaque name of book, session and who scores, under which a browser keeps scores."""

    @property
    def attributes(self) -> tuple[Attribute, ...]:
        """What is scored, in order."""

    @property
    def stages(self) -> tuple[Stage, ...]:
        """Stages of cooling that are scored apart; may be empty."""

    @property
    def language(self) -> str:
        """Language of the session's sheets; empty where each browser's own is read."""

    def look(self) -> SheetLook:
        """How things stand now."""

    def sign_of_life(self) -> None:
        """The taster's sheet is open and connected; called every few seconds."""

    def take(self, score: Score) -> datetime:
        """Keep a score for good, once per entry id; when it was kept.

        Raises
        ------
        LabkitError
            If it is refused; a BookAwayError if it cannot be kept now.
        """


class BookDesk:
    """A taster's place in a session of the lab book.

    Parameters
    ----------
    device : str
        Which device the scores come from.
    copied_by : str
        Who copies the taster's paper sheet, if it is not the taster who scores.
    """

    def __init__(
        self, book: LabBook, session: str, taster: str, *, device: str = "", copied_by: str = ""
    ) -> None:
        plan = book.sessions.sheet(session)
        if taster not in plan.tasters:
            raise BookError(
                f"taster must be one of {', '.join(plan.tasters)} in session {plan.name!r}, got "
                f"{taster!r}. Pick one of these, or plan the session with them.",
                field="taster",
            )
        self._book = book
        self._device, self._copied_by = device, copied_by
        self._seen_at = -math.inf
        self.session = plan.name
        self.taster = taster
        self.attributes = plan.attributes
        self.stages = plan.stages
        self.language = plan.language
        named = "\n".join([book.name, plan.name, taster, *filter(None, [copied_by])])
        self.owner = hashlib.sha256(named.encode()).hexdigest()[:16]

    def look(self) -> SheetLook:
        """Read cups, states and this taster's values."""
        flights = self._book.sessions.flights(self.session)
        cups: list[SheetCup] = []
        values: dict[SheetPlace, Given] = {}
        for flight in flights:
            served = self._book.sessions.served_cups(self.session, flight.number, self.taster)
            cups += [
                SheetCup(flight=flight.number, position=c.position, blind_code=c.blind_code)
                for c in served
            ]
            for entry in self._book.scores.current_scores(self.session, flight.number, self.taster):
                if entry.value is not None:
                    place = SheetPlace(
                        flight=entry.flight,
                        position=entry.position,
                        stage=entry.stage,
                        attribute=entry.attribute,
                    )
                    values[place] = entry.value
        states = {flight.number: flight.state for flight in flights}
        return SheetLook(cups=tuple(cups), states=states, values=values)

    def sign_of_life(self) -> None:
        """Note now and then that the taster's sheet is open, for the lead's view."""
        now = time.monotonic()
        if self._copied_by:
            return  # the taster is not there
        if now - self._seen_at > SEEN_EVERY_S:
            self._seen_at = now
            self.mark_seen()

    def mark_seen(self) -> None:
        """Write that the sheet is open."""
        try:
            self._book.sessions.mark_seen(self.session, self.taster)
        except BookError:
            # The taster can go on reading, and there is another one soon.
            _log.warning("the sheet of %s is open, which cannot be noted now", self.taster)

    def take(self, score: Score) -> datetime:
        """Write one row; it is on the disk when this returns."""
        return self._book.scores.record_scores([self.as_written(score)])[0].received_at

    def as_written(self, score: Score) -> Score:
        """A score of this sheet as it goes into the book: which cup, who entered it, and where."""
        # By its code if it shows one: should the flight be planned anew meanwhile, the book
        # refuses the old code instead of scoring another cup.
        has_code = score.blind_code is not None
        return replace(
            score,
            position=None if has_code else score.position,
            source="paper" if self._copied_by else "sheet",
            device=" ".join(filter(None, [self._device, score.device])),
            entered_by=self._copied_by,
            yields=True,
        )
