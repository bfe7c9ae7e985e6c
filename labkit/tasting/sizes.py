"""How many flights, and how many cups in each, a session needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from labkit.errors import PlanError
from labkit.tasting.codes import CODE_POOL
from labkit.water import is_whole

COMFORTABLE_CUPS: Final = 6
"""Most cups side by side before tasting tires, common practice."""


MOST_TIMES: Final = 2
"""Cups of a flight that hold the same water at most: it, and its hidden duplicate."""

MOST_CUPS: Final = len(CODE_POOL)
"""Most of anything in a session: there are no more codes to tell cups apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """Cups before one taster by what they serve, the same number in every flight."""

    n_waters: int
    """Waters apart from the control."""

    has_control: bool
    """Whether one more water is in every flight."""

    flights: int
    """Flights planned."""

    cups: int
    """Cups in each flight."""

    duplicates: int
    """Duplicate cups in all flights together."""

    @property
    def seats(self) -> int:
        """Cups in all flights that serve a water for the first time in their flight."""
        return self.flights * (self.cups - self.has_control) - self.duplicates

    @property
    def repeats(self) -> float:
        """Flights in which a taster meets each water, on average."""
        return self.seats / self.n_waters if self.n_waters else float(self.flights)

    @property
    def complete(self) -> bool:
        """Whether every water is in every flight."""
        return self.seats == self.flights * self.n_waters


def check_whole(name: str, number: object, *, least: int = 1) -> None:
    """Refuse what is no number of things at a table.

    Raises
    ------
    PlanError
        If it is not whole, too small, or more than there are codes to tell cups apart.
    """
    if not is_whole(number):
        raise PlanError(f"{name} must be a whole number, got {number!r}. Count again.", field=name)
    if number < least:  # type: ignore[operator]
        raise PlanError(f"{name} must be at least {least}, got {number}. Ask for more.", field=name)
    if number > MOST_CUPS:  # type: ignore[operator]
        raise PlanError(
            f"{name} must be at most {MOST_CUPS}, got {number:g}. Ask for fewer.", field=name
        )


def size_flights(
    n_waters: int,
    *,
    has_control: bool,
    duplicates: int = 1,
    cups_per_flight: int = COMFORTABLE_CUPS,
    flights: int | None = None,
    repeats: int | None = None,
    in_part: bool = False,
    insist: bool = False,
) -> Sizes:
    """Choose the flights and repeats that are not given, with as many cups in every flight.

    A flight with a cup less would tell where the duplicate is not. Cups that are left over to
    make flights equal hold duplicates too.

    Parameters
    ----------
    n_waters : int
        Waters to taste apart from the control.
    has_control : bool
        Whether one cup of every flight holds the control.
    duplicates : int
        Hidden duplicates wanted in the session, at least.
    cups_per_flight : int
        Most cups in a flight.
    flights, repeats : int, optional
        Flights in all, and flights that each water is in. With neither, all waters go into one
        flight if they fit; else into the fewest flights that show each water once beside the
        control, or twice where no control links the flights.
    in_part : bool
        Whether a taster may meet only part of the waters where `flights` has no room for all.
    insist : bool
        Allow more than six cups in a flight.

    Raises
    ------
    PlanError
        If a number is out of range or the cups do not fit.
    """
    for name, number, least in (
        ("n_waters", n_waters, 0),
        ("cups_per_flight", cups_per_flight, 2),
        ("duplicates", duplicates, 0),
        ("flights", 1 if flights is None else flights, 1),
        ("repeats", 1 if repeats is None else repeats, 1),
    ):
        check_whole(name, number, least=least)
    _check_comfortable(cups_per_flight, insist=insist)
    if repeats is not None and flights is not None and repeats > flights:
        raise PlanError(
            f"repeats must be at most the number of flights, {flights}, got {repeats}: within a "
            "flight a repeat is a duplicate. Plan more flights or fewer repeats.",
            field="repeats",
        )
    control = int(has_control)

    def sized(n_flights: int, n_repeats: int) -> Sizes:
        cups = control + -(-(n_repeats * n_waters + duplicates) // n_flights)
        return Sizes(
            n_waters=n_waters,
            has_control=has_control,
            flights=n_flights,
            cups=cups,
            duplicates=n_flights * (cups - control) - n_repeats * n_waters,
        )

    times = repeats or 1
    if flights is None:
        if repeats is None and not has_control and sized(1, 1).cups > cups_per_flight:
            times = 2
        most = max(times, times * n_waters + duplicates)
        tries = [sized(n, times) for n in range(times, most + 1)]
    elif repeats is None:
        tries = [sized(flights, n) for n in range(flights, 0, -1)]
    else:
        tries = [sized(flights, repeats)]
    fitting = [sizes for sizes in tries if sizes.cups <= cups_per_flight]
    if not fitting and in_part and repeats is None and flights is not None:
        fitting.append(replace(tries[-1], cups=cups_per_flight, duplicates=duplicates))
    if not fitting:
        smallest = tries[-1]
        raise PlanError(
            f"cups must be at most {cups_per_flight} in a flight, got {smallest.cups}: flights "
            f"{smallest.flights}, waters {n_waters} apart from the control, each in {times} of "
            f"them, hidden duplicates {duplicates}, control {'yes' if has_control else 'no'}. "
            "Plan more flights, fewer waters or fewer duplicates.",
            field="cups",
        )
    sound = [sizes for sizes in fitting if _is_sound(sizes)]
    if not sound:
        crowded = fitting[0]
        raise PlanError(
            f"duplicates must each repeat another water of their flight and leave it a water "
            f"beside the control, got {crowded.duplicates} duplicate cups in {crowded.flights} "
            f"flights of {crowded.cups}. Ask for fewer duplicates or more cups.",
            field="duplicates",
        )
    chosen = sound[0]
    if chosen.flights * chosen.cups > MOST_CUPS:
        raise PlanError(
            f"cups must be at most {MOST_CUPS} in a session, which is how many codes there are, "
            f"got {chosen.flights} flights of {chosen.cups}. Plan several sessions.",
            field="cups",
        )
    return chosen


def size_listed(
    cups: Sequence[int],
    *,
    n_waters: int,
    has_control: bool,
    cups_per_flight: int = COMFORTABLE_CUPS,
    insist: bool = False,
) -> Sizes:
    """The sizes of one flight whose cups are given.

    Parameters
    ----------
    cups : sequence of int
        Number of the water in each cup.
    n_waters : int
        Waters in them apart from the control.
    has_control : bool
        Whether the control is in one of them.
    cups_per_flight : int
        Most cups in a flight.
    insist : bool
        Allow more than six cups in a flight.

    Raises
    ------
    PlanError
        If they are more than may stand side by side, or a water is in more than two of them.
    """
    check_whole("cups_per_flight", cups_per_flight, least=2)
    _check_comfortable(cups_per_flight, insist=insist)
    if len(cups) > cups_per_flight:
        raise PlanError(
            f"cups must be at most {cups_per_flight} in a flight, got {len(cups)}. Ask for fewer "
            "cups in the next flight.",
            field="cups",
        )
    if max(cups.count(water) for water in cups) > MOST_TIMES:
        raise PlanError(
            f"targets must hold a water at most {MOST_TIMES} times in one flight, got one "
            f"{max(cups.count(water) for water in cups)} times. Pour it again in the next flight.",
            field="targets",
        )
    return Sizes(
        n_waters=n_waters,
        has_control=has_control,
        flights=1,
        cups=len(cups),
        duplicates=len(cups) - n_waters - has_control,
    )


def _check_comfortable(cups_per_flight: int, *, insist: bool) -> None:
    if cups_per_flight > COMFORTABLE_CUPS and not insist:
        raise PlanError(
            f"cups_per_flight must be at most {COMFORTABLE_CUPS}, got {cups_per_flight}: more "
            "cups side by side tire the palate. Plan more flights.",
            field="cups_per_flight",
        )


def _is_sound(sizes: Sizes) -> bool:
    """Whether every flight has a water apart from the control, and more waters than repeats."""
    most = -(-sizes.duplicates // sizes.flights)
    return sizes.cups - sizes.has_control - most >= 1 and 2 * most <= sizes.cups
