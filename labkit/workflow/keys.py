"""Lock and key: flights take no more scores, then their waters are known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

import pandas as pd

from labkit.book import Flight, LabBook, Missing, TastingSession
from labkit.boundary import checked
from labkit.errors import LockError, PlanError, SealError
from labkit.workflow.names import Planned, session_name

_MISSING_COLUMNS = ("flight", "taster", "position", "blind_code", "attribute", "stage")


@dataclass(frozen=True, slots=True, kw_only=True)
class LockedFlights:
    """Flights that were locked together."""

    session: str
    """Of which session."""

    missing: Mapping[int, tuple[Missing, ...]]
    """Flight -> the numbers that were not given in it; they stay missing."""

    @property
    def flights(self) -> tuple[int, ...]:
        """Their numbers."""
        return tuple(self.missing)

    def to_frame(self) -> pd.DataFrame:
        """One row a number that was not given: flight, taster, position, code, attribute."""
        rows = [
            {"flight": flight} | asdict(one)
            for flight, lacks in self.missing.items()
            for one in lacks
        ]
        return pd.DataFrame(rows, columns=list(_MISSING_COLUMNS))


@checked(PlanError)
def lock_flights(
    book: LabBook,
    session: str | TastingSession | Planned,
    flights: int | Sequence[int] | None = None,
    *,
    done_by: str | None = None,
) -> LockedFlights:
    """Close flights for scores, all or none.

    Parameters
    ----------
    book, session : LabBook and str
        Which session of the lab book.
    flights : int or sequence of int, optional
        Which ones; all that are being tasted if not given. One that nobody has begun is only
        locked when named.
    done_by : str, optional
        Who does it; the session's lead if not given.

    Raises
    ------
    LockError
        If one is locked already, or none is being tasted.
    """
    name = session_name(session)
    if flights is None:
        begun = [one.number for one in book.sessions.flights(name) if one.state == "being tasted"]
        if not begun:
            raise LockError(
                f"flights must be open for scores to be locked, but {_states(book, name)}. Score "
                "first, or name the flight to lock it anyway.",
                field="flights",
            )
        flights = begun
    lead = book.sessions.session(name).held.lead if done_by is None else done_by
    return LockedFlights(
        session=name, missing=book.sessions.lock_flights(name, numbers_of(flights), done_by=lead)
    )


@checked(PlanError)
def open_flights(
    book: LabBook,
    session: str | TastingSession | Planned,
    passphrase: str,
    flights: int | Sequence[int] | None = None,
    *,
    early_because: str | None = None,
    done_by: str = "",
) -> tuple[Flight, ...]:
    """Open the keys of flights, all or none, so that their codes are joined to waters.

    Parameters
    ----------
    book, session : LabBook and str
        Which session of the lab book.
    passphrase : str
        The preparer's.
    flights : int or sequence of int, optional
        Which ones; all that are locked and still closed if not given.
    early_because : str, optional
        A reason to open before the lock; the flights named are then marked as not blind.
    done_by : str
        Who does it.

    Raises
    ------
    LockError
        If none is locked, one is not, or codes under its cups are still to be found.
    SealError
        If the passphrase does not open every one of them.
    """
    name = session_name(session)
    if flights is None:
        waiting = [one.number for one in book.sessions.flights(name) if one.state == "locked"]
        if not waiting:
            raise LockError(
                f"flights must be locked before their keys open, but {_states(book, name)}. Lock "
                "one first.",
                field="flights",
            )
        flights = waiting
    numbers = numbers_of(flights)
    try:
        return book.sessions.open_flights(
            name, numbers, passphrase, early_because=early_because, done_by=done_by
        )
    except SealError as error:
        fits = [] if len(numbers) == 1 else _opened_by(book, name, numbers, passphrase)
        if not fits:
            raise
        raise SealError(
            f"passphrase must open each of the flights {_listed(numbers)}, but it opens only "
            f"{_listed(fits)}. Open these by their numbers, and the rest with theirs.",
            field="passphrase",
        ) from error


@checked(PlanError)
def lock_and_open(
    book: LabBook,
    session: str | TastingSession | Planned,
    passphrase: str,
    flights: int | Sequence[int],
) -> tuple[Flight, ...]:
    """Lock flights that still take scores and open their keys; a wrong passphrase locks nothing.

    Parameters
    ----------
    book, session : LabBook and str
        Which session of the lab book.
    passphrase : str
        The preparer's.
    flights : int or sequence of int
        Which ones; those that are locked already are only opened.

    Raises
    ------
    LockError
        If one was opened meanwhile, or codes under its cups are still to be found.
    SealError
        If the passphrase does not open every one of them.
    """
    name, numbers = session_name(session), numbers_of(flights)
    states = {one.number: one.state for one in book.sessions.flights(name)}
    taking = [one for one in numbers if states.get(one) in ("planned", "being tasted")]
    if taking and len(_opened_by(book, name, numbers, passphrase)) == len(numbers):
        lock_flights(book, name, taking)
        taking = []
    if taking:
        which = "these flights" if len(numbers) > 1 else "this flight"
        raise SealError(
            f"passphrase must be the one that sealed {which}. "
            "Nothing was locked. Type it again, or open what another passphrase sealed by itself.",
            field="passphrase",
        )
    return open_flights(book, name, passphrase, numbers)


def numbers_of(flights: int | Sequence[int]) -> list[int]:
    """The flights' numbers, each once.

    Raises
    ------
    PlanError
        If there is none.
    """
    given = [flights] if isinstance(flights, int) else flights
    numbers = list(dict.fromkeys(int(number) for number in given))
    if not numbers:
        raise PlanError(
            "flights must name one at least, got none. Leave them out to take all.", field="flights"
        )
    return numbers


def _opened_by(book: LabBook, session: str, numbers: Sequence[int], passphrase: str) -> list[int]:
    """Those of the flights that a passphrase opens."""
    sealed = book.sessions.plan(session).sealed
    fits = []
    for number in numbers:
        try:
            sealed[number].open(passphrase)
        except SealError:
            continue
        fits.append(number)
    return fits


def _states(book: LabBook, session: str) -> str:
    """How the flights of a session stand, in words."""
    states = [f"flight {one.number} is {one.state}" for one in book.sessions.flights(session)]
    return ", ".join(states) or f"session {session!r} has none"


def _listed(numbers: Sequence[int]) -> str:
    return ", ".join(map(str, numbers))
