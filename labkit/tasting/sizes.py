"""How many flights, and how many cups in each, a session needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from labkit.errors import PlanError

COMFORTABLE_CUPS: Final = 6
"""Most cups side by side before tasting tires, common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """Cups of a session by what they serve, the same number in every flight."""

    n_waters: int
    """Waters apart from the control."""

    has_control: bool
    """Whether one more water is in every flight."""

    flights: int
    """Flights planned."""

    repeats: int
    """Flights that each water is in."""

    cups: int
    """Cups in each flight."""

    @property
    def duplicates(self) -> int:
        """Duplicate cups in all flights together: cups that are over hold duplicates too."""
        return self.flights * (self.cups - self.has_control) - self.repeats * self.n_waters

    @property
    def complete(self) -> bool:
        """Whether every water is in every flight."""
        return self.repeats == self.flights


def _cups(n_waters: int, control: int, duplicates: int, flights: int, repeats: int) -> int:
    """Fewest cups a flight that hold everything, equal over flights."""
    return control + -(-(repeats * n_waters + duplicates) // flights)


def size_flights(
    n_waters: int,
    *,
    has_control: bool,
    duplicates: int = 1,
    cups_per_flight: int = 5,
    flights: int | None = None,
    repeats: int | None = None,
    insist: bool = False,
) -> Sizes:
    """Choose the flights and repeats that are not given.

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
    insist : bool
        Allow more than six cups in a flight.

    Raises
    ------
    PlanError
        If a number is out of range or the cups do not fit.
    """
    control = int(has_control)
    if cups_per_flight > COMFORTABLE_CUPS and not insist:
        raise PlanError(
            f"cups_per_flight must be at most {COMFORTABLE_CUPS}, got {cups_per_flight}: more "
            "cups side by side tire the palate. Plan more flights, or pass insist=True."
        )
    for name, number, least in (
        ("cups_per_flight", cups_per_flight, 2),
        ("duplicates", duplicates, 0),
        ("flights", 1 if flights is None else flights, 1),
        ("repeats", 1 if repeats is None else repeats, 1),
    ):
        if number < least:
            raise PlanError(f"{name} must be at least {least}, got {number}. Ask for more.")
    if repeats is not None and flights is not None and repeats > flights:
        raise PlanError(
            f"repeats must be at most the number of flights, {flights}, got {repeats}: within a "
            "flight a repeat is a duplicate. Plan more flights or fewer repeats."
        )

    def fits(n_flights: int, n_repeats: int) -> bool:
        needed = _cups(n_waters, control, duplicates, n_flights, n_repeats)
        return n_repeats <= n_flights and needed <= cups_per_flight

    if flights is None:
        times = repeats or (1 if has_control or fits(1, 1) else 2)
        most = times * n_waters + duplicates + 1
        found = [(n, times) for n in range(times, most + 1) if fits(n, times)][:1]
    else:
        tries = range(flights, 0, -1) if repeats is None else (repeats,)
        found = [(flights, times) for times in tries if fits(flights, times)][:1]
    if not found:
        times = repeats or 1
        raise PlanError(
            f"cups must fit, {cups_per_flight} a flight: {n_waters} waters {times} times, "
            f"{duplicates} duplicates and {'a' if has_control else 'no'} control need "
            f"{_cups(n_waters, control, duplicates, flights or 1, times)} in each of "
            f"{flights or 1} flights. Plan more flights, fewer waters or fewer duplicates."
        )
    n_flights, times = found[0]
    cups = max(_cups(n_waters, control, duplicates, n_flights, times), 1)
    sizes = Sizes(
        n_waters=n_waters, has_control=has_control, flights=n_flights, repeats=times, cups=cups
    )
    if -(-sizes.duplicates // n_flights) * 2 > cups:
        raise PlanError(
            f"duplicates must repeat different waters of a flight, got {sizes.duplicates} "
            f"duplicate cups for {n_flights} flights of {cups}. Ask for fewer duplicates."
        )
    return sizes
