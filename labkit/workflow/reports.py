"""Everything that a report of one coffee states, gathered once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from labkit.analysis import Reading
from labkit.book import Coffee, Event, Flight, LabBook, MeasuredCup, TastingSession
from labkit.boundary import checked
from labkit.errors import LabkitError, ReadingError
from labkit.water import StartWater
from labkit.workflow.cards import Card, make_card
from labkit.workflow.readings import Findings, read

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRecord:
    """One session as it is on record."""

    session: TastingSession
    """The session."""

    flights: tuple[Flight, ...]
    """Its flights."""

    events: tuple[Event, ...]
    """What happened to it."""

    start: StartWater
    """What its doses went into."""

    measured: tuple[MeasuredCup, ...]
    """What was measured in its cups."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What a report of one coffee states; nothing of another coffee or client is in it."""

    coffee: Coffee
    """Which coffee."""

    sessions: tuple[SessionRecord, ...]
    """Its sessions, in order."""

    scores: pd.DataFrame
    """All opened scores, those of unblinded flights too."""

    blind: pd.DataFrame
    """Those of blind flights."""

    found: Findings
    """What they say of the overall score; what was read is ``found.scores``."""

    reading: Reading
    """The reading of it."""

    card: Card | None
    """The recipe of the recommended water, as a card has it; None if there is none."""

    no_card: str
    """Why there is none, in a sentence; else empty."""


@checked(ReadingError)
def make_report(book: LabBook, coffee: str, *, client: str | None = None) -> Report:
    """Gather what a report of one coffee states.

    Parameters
    ----------
    book : LabBook
        The lab book.
    coffee : str
        Which coffee.
    client : str, optional
        Whose coffee it is; needed where two clients have one of that name.

    Raises
    ------
    BookError
        If there is no such coffee.
    ReadingError
        If nothing of it was opened yet.
    """
    about = book.people.coffee(coffee, client=client)
    found = read(book, about.name, client=about.client)
    if found.reading is None:
        raise ReadingError(
            f"{about.name} must have overall scores to report, got only tests of two waters. "
            "Taste it first."
        )
    card, no_card = None, ""
    try:
        card = make_card(book, found)
    except LabkitError as error:
        no_card = str(error)
    return Report(
        coffee=about,
        sessions=tuple(
            _record(book, one) for one in book.sessions.all(client=about.client, coffee=about.name)
        ),
        scores=book.scores.opened_scores(
            coffee=about.name, client=about.client, include_unblinded=True
        ),
        blind=book.scores.opened_scores(coffee=about.name, client=about.client),
        found=found,
        reading=found.reading,
        card=card,
        no_card=no_card,
    )


def _record(book: LabBook, session: TastingSession) -> SessionRecord:
    return SessionRecord(
        session=session,
        flights=tuple(book.sessions.flights(session.name)),
        events=tuple(book.sessions.events(session.name)),
        start=book.stock.start_water(session.held),
        measured=book.scores.measured_cups(session.name),
    )
