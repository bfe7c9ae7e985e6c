"""How many flights, and how many cups in each, a session needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from labkit.errors import PlanError

COMFORTABLE_CUPS: Final = 6
"""Most cups side by side before tasting tires, common practice."""


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


def size_flights(
    n_waters: int,
    *,
    has_control: bool,
    duplicates: int = 1,
    cups_per_flight: int = 5,
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
    control = int(has_control)

    def cups(n_flights: int, n_repeats: int) -> int:
        return control + -(-(n_repeats * n_waters + duplicates) // n_flights)

    if flights is None:
        times = repeats or (1 if has_control or cups(1, 1) <= cups_per_flight else 2)
        most = times * n_waters + duplicates
        tries = [(n, times) for n in range(times, max(times, most) + 1)]
    elif repeats is None:
        tries = [(flights, times) for times in range(flights, 0, -1)]
    else:
        tries = [(flights, repeats)]
    fitting = [pair for pair in tries if cups(*pair) <= cups_per_flight]
    if fitting:
        n_flights, times = fitting[0]
        n_cups = max(1, cups(n_flights, times))
        extra = n_flights * (n_cups - control) - times * n_waters
    elif in_part and repeats is None and flights is not None:
        n_flights, n_cups, extra = flights, cups_per_flight, duplicates
    else:
        n_flights, times = flights or 1, repeats or 1
        raise PlanError(
            f"cups must be at most {cups_per_flight} in a flight, got {cups(n_flights, times)}: "
            f"flights {n_flights}, waters {n_waters} apart from the control, each in {times} of "
            f"them, hidden duplicates {duplicates}, control {'yes' if has_control else 'no'}. "
            "Plan more flights, fewer waters or fewer duplicates."
        )
    sizes = Sizes(
        n_waters=n_waters, has_control=has_control, flights=n_flights, cups=n_cups, duplicates=extra
    )
    if sizes.seats < 1 or -(-extra // n_flights) * 2 > n_cups:
        raise PlanError(
            f"duplicates must each repeat another water of their flight, got {extra} duplicate "
            f"cups in {n_flights} flights of {n_cups}. Ask for fewer duplicates or more cups."
        )
    return sizes
