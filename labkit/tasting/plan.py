"""The cup plan: what is served when to whom under which code, and nothing of what is in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType

import pandas as pd

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.noted import Noted
from labkit.shown import Shown
from labkit.tasting.seal import SealedKey
from labkit.tasting.vessels import Vessels


@dataclass(frozen=True, slots=True, kw_only=True)
class Serving:
    """One cup before one taster."""

    flight: int
    """Number of the flight in the session, from 1."""

    taster: str
    """Who tastes it."""

    position: int
    """When it is tasted within the flight, from 1."""

    blind_code: str
    """What stands on the cup; empty when one tastes alone and it is hidden under the cup."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """How evenly a plan serves its waters; counts only, no names."""

    kind: str
    """Complete blocks, balanced or near-balanced incomplete blocks, or a discrimination method."""

    n_waters: int
    """Different waters in the flights planned, the control among them."""

    flights: int = 1
    """Flights planned together."""

    repeats: float
    """Flights in which a taster meets each water, the control apart."""

    cups_per_flight: int
    """Cups before a taster in each flight: the same in all, as a count could give waters away."""

    control_cups: int
    """Cups before a taster that serve the control."""

    duplicate_cups: int
    """Cups before a taster that serve hidden duplicates."""

    jugs: int = 0
    """Jugs to mix and brew, all flights together."""

    efficiency: float
    """Information on differences between waters left by the blocks, from 0 to 1."""

    spreads: tuple[tuple[str, int, int], ...]
    """What is counted over all tasters and flights, the fewest and the most.

    Counts water by water would link the codes of one flight to those of the next, so that there
    are none here.
    """

    most_cups: int | None = None
    """Cups side by side that were asked for at most; None where that was not kept."""

    jug_ml: float | None = None
    """Finished volume of each jug (mL); None where that was not kept."""

    minutes: float | None = None
    """Time there was at the table (minutes); None where that was not said."""

    def to_frame(self) -> pd.DataFrame:
        """The imbalance that is left: what is counted, fewest, most."""
        return pd.DataFrame(list(self.spreads), columns=["counted", "fewest", "most"])


class PlanNote(Enum):
    """What there is to know; in brackets the facts that come with it.

    The lab book keeps the values: none is ever changed.
    """

    CONTROL = "control"
    """A hidden control in every flight (cups: of each taster, that it costs)."""

    NO_CONTROL = "no control"
    """None: flights and days are linked by their waters only."""

    DUPLICATE = "duplicate"
    """A hidden duplicate (cups: of each taster, that it costs)."""

    NO_DUPLICATE = "no duplicate"
    """None: nothing tells how well a cup repeats."""

    MIXED_ONCE = "mixed once"
    """Each water comes from one jug, or one jug and bowl (serving)."""

    NEVER_MEET = "never meet"
    """Some waters never meet, not even through others."""

    IN_PART = "in part"
    """Not every water is in every flight (design: its kind, efficiency)."""

    ALONE = "alone"
    """One person prepares and tastes."""

    KEEP_SHEET = "keep the sheet"
    """The bench sheet is the way back if the passphrase is lost."""

    CODES_RETURN = "codes return"
    """Codes served less than a fortnight ago return (n, of, day, last: days as text, rested)."""

    PLANNED_ANEW = "planned anew"
    """Some flights were planned anew (flight: the first, absent, late: names)."""

    SETS = "sets"
    """It is a test of two waters (method: its name)."""

    MIXED_AGAIN = "mixed again"
    """Both waters of such a test are mixed and brewed again for each trial."""

    SETS_ALIKE = "sets alike"
    """Each taster has several sets of such a test, whose answers are alike."""

    AS_WRITTEN = "as written"
    """A sentence of a lab book from before notes were values (text)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CupPlan(Shown):
    """Everything about a tasting that may lie open, with the sealed keys beside it."""

    session: str
    """Name of the session in the lab book."""

    tasters: tuple[str, ...]
    """Who tastes."""

    serving: Vessels
    """Shared bowls or a cup each."""

    cups: tuple[Serving, ...]
    """By flight, taster and position."""

    keys: tuple[SealedKey, ...]
    """One a flight, in order of the flights."""

    design: Design
    """How evenly the waters are served."""

    notes: tuple[Noted[PlanNote], ...] = ()
    """What the lead should know before serving."""

    under_cups: tuple[tuple[int, str], ...] = ()
    """When one tastes alone: flight and code of every label under a cup, by code."""

    def __post_init__(self) -> None:
        flights = sorted({cup.flight for cup in self.cups})
        if [key.flight for key in self.keys] != flights:
            raise PlanError(
                f"keys must be one for each flight, {flights}, got "
                f"{[key.flight for key in self.keys]}. Plan the session again.",
                field="keys",
            )

    @property
    def flights(self) -> tuple[int, ...]:
        """Numbers of the flights."""
        return tuple(key.flight for key in self.keys)

    @property
    def sealed(self) -> Mapping[int, SealedKey]:
        """The sealed key of each flight."""
        return MappingProxyType({key.flight: key for key in self.keys})

    @property
    def servings(self) -> pd.DataFrame:
        """One row a cup: flight, taster, position, blind_code."""
        rows = [(c.flight, c.taster, c.position, c.blind_code) for c in self.cups]
        return pd.DataFrame(rows, columns=["flight", "taster", "position", "blind_code"])

    @property
    def alone(self) -> bool:
        """Whether codes are hidden under the cups, so that servings have places only."""
        return bool(self.under_cups)

    @property
    def all_codes(self) -> frozenset[str]:
        """Every code of the plan."""
        on_cups = {cup.blind_code for cup in self.cups if cup.blind_code}
        return frozenset(on_cups | {code for _, code in self.under_cups})

    @checked(PlanError)
    def codes(self, flight: int) -> tuple[str, ...]:
        """The codes of a flight in numeric order, as for labels.

        Parameters
        ----------
        flight : int
            Number of the flight.
        """
        on_cups = {c.blind_code for c in self.cups if c.flight == flight and c.blind_code}
        return tuple(sorted(on_cups | {code for f, code in self.under_cups if f == flight}))

    @checked(PlanError)
    def sheet(self, taster: str) -> pd.DataFrame:
        """What one taster receives.

        Parameters
        ----------
        taster : str
            Name as in ``tasters``.

        Returns
        -------
        DataFrame
            One row a cup: ``flight, position, blind_code``.

        Raises
        ------
        PlanError
            If nobody of that name is in the plan.
        """
        if taster not in self.tasters:
            raise PlanError(
                f"taster must be one of {', '.join(self.tasters)}, got {taster!r}. "
                "Add a late taster by replanning the flights not yet served.",
                field="taster",
            )
        frame = self.servings
        return frame[frame["taster"] == taster].drop(columns="taster").reset_index(drop=True)


def checked_names(tasters: Sequence[str], session: str) -> tuple[str, ...]:
    """The tasters' names, each once, after a look at the session's name."""
    names = tuple(name.strip() for name in tasters)
    if not names or not all(names):
        raise PlanError(
            f"tasters must be one name or more, none empty, got {list(tasters)}. Say who tastes.",
            field="tasters",
        )
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise PlanError(
            f"tasters must have different names, got {twice!r} twice. Add an initial.",
            field="tasters",
        )
    if not session.strip() or len(session) > 200:
        raise PlanError(
            f"session must be a name of 1 to 200 characters, got {len(session)}. "
            "Call the session something short.",
            field="session",
        )
    return names
