"""Flights as lists name them: always with the mark of one that is not blind."""

from __future__ import annotations

from html import escape

from labkit.book import Flight, LabBook

NOT_BLIND = "not blind"
"""The mark of a flight whose scores may have been given knowing the cups (``is_unblinded``)."""

_OF_KEYS = ("opened", "unlocked", "codes ")


def cost_of_unlocking(flight: Flight) -> str:
    """What unlocking a flight does to its blindness, in a sentence; empty if nothing."""
    if flight.is_unblinded or not (flight.state == "opened" or flight.codes_found):
        return ""
    known = "Its key is open" if flight.state == "opened" else "The codes under its cups were read"
    return f"{known}: unlocked, it counts as not blind for good, and readings leave it out."


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
        f"<li>{escape(flight_name(flight, short=True))}</li>"
        for flight in book.sessions.flights(session)
    )
    acts = "".join(
        f"<li>{event.happened_at:%Y-%m-%d %H:%M} UTC, flight {event.flight}: {escape(event.kind)}"
        f"{escape(f', by {event.done_by}' if event.done_by else '')}"
        f"{escape(f': {event.reason}' if event.reason else '')}</li>"
        for event in book.sessions.events(session)
        if event.flight is not None and event.kind.startswith(_OF_KEYS)
    )
    return f"<ul>{flights}</ul>" + (f"<p>Acts on its keys:</p><ul>{acts}</ul>" if acts else "")
