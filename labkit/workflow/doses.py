"""What was taken from the bottles, written down for a flight or for something else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from labkit.book import DosesKept, LabBook, TastingSession, take_doses, take_reserved
from labkit.boundary import checked
from labkit.errors import BookError, PlanError
from labkit.workflow.keys import numbers_of
from labkit.workflow.names import Planned, session_name


@checked(PlanError)
def record_doses(
    book: LabBook,
    doses: Mapping[str, float],
    *,
    session: str | TastingSession | Planned | None = None,
    flight: int | None = None,
    jug_volume_ml: float | None = None,
) -> DosesKept:
    """Write down what was taken from the bottles: all of it, or nothing.

    Parameters
    ----------
    book : LabBook
        Where the bottles stand.
    doses : mapping of str to float
        Bottle -> what was taken (mL); one of which nothing was taken may be among them.
    session, flight : optional
        The flight that it was taken for. While its key is closed the doses are sealed to it, as
        they would tell its waters, and stand in the place of what the bench sheet says. Without
        both it was taken for something else.
    jug_volume_ml : float, optional
        Volume of a jug (mL), for what suffices while the key is closed; the plan's if not given.

    Returns
    -------
    DosesKept
        How it was kept: as it is, or sealed.

    Raises
    ------
    BookError
        If a dose is below 0, nothing was taken, or a bottle or the flight is unknown.
    """
    off = next((name for name, volume_ml in doses.items() if volume_ml < 0), None)
    if off is not None:
        raise BookError(
            f"what was taken of {off!r} must be at least 0 mL, got {doses[off]:g}. Write 0 where "
            "nothing was taken."
        )
    given = {name: volume_ml for name, volume_ml in doses.items() if volume_ml}
    if not given:
        raise BookError(
            "one dose must be above 0 mL, got none. Type what the bench sheet's last row says."
        )
    if (session is None) != (flight is None):
        raise BookError(
            "flight must be given with its session, got one of the two. Name both.", field="flight"
        )
    if session is None or flight is None:
        book.stock.use_bottles(given)
        return "exact"
    return take_doses(book, session_name(session), flight, given, jug_volume_ml=jug_volume_ml)


@checked(PlanError)
def mark_mixed(
    book: LabBook,
    session: str | TastingSession | Planned,
    flights: int | Sequence[int] | None = None,
) -> tuple[int, ...]:
    """Say that flights are mixed: what was set aside for them is taken. Nothing need be typed.

    The first score of a flight says the same.

    Parameters
    ----------
    book, session : LabBook and str
        Which session of the lab book.
    flights : int or sequence of int, optional
        Which ones; all that wait to be mixed if not given.

    Returns
    -------
    tuple of int
        The flights that were waiting.

    Raises
    ------
    BookError
        If the session or a flight is unknown.
    """
    name = session_name(session)
    waiting = [number for of, number, _ in book.stock.waiting_flights() if of == name]
    asked = (
        waiting
        if flights is None
        else [book.sessions.flight(name, n).number for n in numbers_of(flights)]
    )
    mixed = tuple(number for number in asked if number in waiting)
    for number in mixed:
        take_reserved(book, name, number)
    return mixed
