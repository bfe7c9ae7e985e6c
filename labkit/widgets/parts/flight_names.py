"""Flights as lists name them: always with the mark of one that is not blind."""

from __future__ import annotations

from html import escape

from labkit.book import Flight, LabBook

NOT_BLIND = "not blind"
"""The mark of a flight whose key was opened before the lock, or that was unlocked after it."""

_OF_KEYS = ("opened", "unlocked", "codes found")


def flight_name(flight: Flight, *, short: bool = False) -> str:
    """Number, session, state, and the mark; ``short`` without the session.

    The number comes first: on a phone the end of a long name is cut off.
    """
    of = "" if short else f" of {flight.session}"
    parts = [f"flight {flight.number}{of}", flight.state]
    parts += [NOT_BLIND] if flight.is_unblinded else []
    return ", ".join(parts)


def openings(book: LabBook, session: str) -> str:
    """HTML list of a session's flights, and of every act on their keys with its reason."""
    flights = "".join(
        f"<li>{escape(flight_name(flight, short=True))}</li>" for flight in book.flights(session)
    )
    acts = "".join(
        f"<li>{event.happened_at:%Y-%m-%d %H:%M} UTC, flight {event.flight}: {escape(event.kind)}"
        f"{escape(f', by {event.done_by}' if event.done_by else '')}"
        f"{escape(f': {event.reason}' if event.reason else '')}</li>"
        for event in book.events(session)
        if event.flight is not None and event.kind.startswith(_OF_KEYS)
    )
    return f"<ul>{flights}</ul>" + (f"<p>Acts on its keys:</p><ul>{acts}</ul>" if acts else "")
