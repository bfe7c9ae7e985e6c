"""What to taste next, whether to stop, and from what: one belief behind all of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from labkit.analysis import (
    Belief,
    Excluded,
    HeadStart,
    Recommendation,
    Region,
    StopAdvice,
    StopReason,
    Suggestion,
    WalkStep,
    believe,
    classical_walk,
    compares_salts,
    flight_history,
    gather_scores,
    makeable,
    scored_only,
    stop_or_taste,
    suggest_flight,
    water_target,
)
from labkit.book import LabBook
from labkit.boundary import checked
from labkit.errors import DosingError, ReadingError
from labkit.shown import Shown
from labkit.steps import note_step
from labkit.tasting import Sweep, flight_minutes
from labkit.water import PURE_WATER, Mixing, Target, Water
from labkit.workflow.kept import kept_head_start
from labkit.workflow.readings import opened

if TYPE_CHECKING:
    import pandas as pd

Path: TypeAlias = Literal["search", "walk"]
"""Whatever teaches most, or one dial after the other."""

USUAL_PANEL = 4
"""Tasters who are expected while nobody has tasted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightCost:
    """What one flight costs."""

    side_by_side: int
    """Cups before a taster."""

    cups: int
    """Cups to taste, all tasters together."""

    jugs: int
    """Jugs to mix and brew: each cup comes from its own, whoever drinks of it."""

    minutes: float
    """At the table, with brewing."""

    n_tasters: int
    """People at the table."""


def flight_cost(cups: int, n_tasters: int) -> FlightCost:
    """What a flight costs whose cups are served as they are.

    Parameters
    ----------
    cups : int
        Side by side.
    n_tasters : int
        People at the table.
    """
    return FlightCost(
        side_by_side=cups,
        cups=cups * n_tasters,
        jugs=cups,
        minutes=flight_minutes(cups),
        n_tasters=n_tasters,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class NextFlight(Shown):
    """Whether to taste on, which waters, and what both rest on."""

    client: str
    """Whose coffee."""

    coffee: str
    """Its name."""

    advice: StopAdvice | None
    """Stop, or taste on; None before the first flight."""

    suggestion: Suggestion | None
    """The flight that teaches most; None on a walk."""

    step: WalkStep | None
    """The next dial of a walk; None unless that is the path."""

    recommended: Recommendation | None
    """The water to serve after the cups so far; None before the first flight."""

    control: Target | None
    """The coffee's control so far, which links its days; None before the first."""

    history: pd.DataFrame | None
    """The flights so far, a row each; None before the first."""

    is_waiting: bool
    """Whether nothing is open though a flight was planned."""

    earlier: HeadStart | None
    """What other coffees lend; None if nothing does."""

    pours: tuple[Mixing, ...]
    """What to pour for each cup of the suggestion; empty if it cannot be mixed, or on a walk."""

    unmixable: DosingError | None
    """Why it cannot be mixed."""

    n_tasters: int
    """Who will come, or as many as have scored so far."""

    @property
    def cost(self) -> FlightCost | None:
        """What the flight costs as it is placed; None on a walk, which leaves that to a plan."""
        return None if self.suggestion is None else flight_cost(len(self.served), self.n_tasters)

    @property
    def served(self) -> tuple[Target, ...]:
        """What each cup holds as the search places them, repeats among them; empty on a walk."""
        return () if self.suggestion is None else self.suggestion.targets

    @property
    def targets(self) -> tuple[Target, ...]:
        """The distinct waters of the next flight.

        Raises
        ------
        ReadingError
            If the walk is at its end.
        """
        if self.step is not None and self.step.sweep is not None:
            return self.step.sweep.targets
        if self.suggestion is None:
            raise ReadingError(
                "the next flight must be a dial, but the walk is finished. Taste next "
                "'whatever teaches most' instead, or stop."
            )
        return tuple(dict.fromkeys(self.suggestion.targets))

    @property
    def sweep(self) -> Sweep | None:
        """The dial of a walk; None for waters that fill gaps between earlier ones."""
        return None if self.step is None else self.step.sweep


@checked(ReadingError)
def next_flight(
    book: LabBook,
    coffee: str,
    *,
    client: str | None = None,
    path: Path = "search",
    cups: int = 5,
    held: Mapping[str, float] | None = None,
    excluded: Sequence[Excluded] = (),
    include: Sequence[Target] = (),
    n_tasters: int | None = None,
    brew_method: str | None = None,
    base: Water = PURE_WATER,
    region: Region | None = None,
    scores: pd.DataFrame | None = None,
    earlier: HeadStart | Literal[True] | None = True,
) -> NextFlight:
    """What to taste next of a coffee, and whether to.

    Parameters
    ----------
    book : LabBook
        Whose bottles say what can be mixed.
    coffee, client : str
        Which coffee; whose it is only where two clients have one of that name.
    path : str
        ``"search"`` for whatever teaches most, ``"walk"`` for one dial after the other.
    cups : int
        Cups side by side in the flight, its control and repeats among them.
    held : mapping, optional
        Coordinates that are not varied, with their levels.
    excluded : sequence of Excluded
        Blocks of waters that are not proposed.
    include : sequence of Target
        Waters that shall be in it in any case.
    n_tasters : int, optional
        Who will come; as many as so far unless given.
    brew_method : str, optional
        The most scored unless given.
    base : Water
        What the doses go into.
    region : Region, optional
        Where to search; what the bottles on the shelf can make, less what is held and excluded,
        unless given.
    scores : DataFrame, optional
        What to rest on; the coffee's opened scores without what is left out unless given.
    earlier : HeadStart, True or None
        What other coffees lend; True to ask them all, None for nothing.

    Raises
    ------
    BookError
        If there is no such coffee.
    ReadingError, RegionError
        If the scores cannot be read, or nothing can be proposed.
    """
    there = opened(book, coffee, client=client)
    given = there.left_out.keep(there.scores) if scores is None else scores
    scored = scored_only(given)
    # Comparisons of salts say nothing of the three coordinates: the search has yet to begin.
    untold = given.empty or (len(scored) > 0 and bool(compares_salts(scored).all()))
    frame = None if untold else given
    gathered = None if frame is None else gather_scores(frame, brew_method=brew_method)
    method = brew_method or (gathered.brew_method if gathered is not None else "cupping")
    if earlier is True:
        earlier = ask_earlier_coffees(book, there.coffee, client=there.client, brew_method=method)
    if region is None:
        allowed = makeable(book.stock.concentrates(), base=base)
        region = Region(locked=dict(held or {}), excluded=tuple(excluded), allowed=allowed)
    note_step(1, 4)
    belief = believe(
        frame,
        region,
        brew_method=method,
        n_tasters=n_tasters or USUAL_PANEL if frame is None else None,
        also=include,
        head_start=earlier,
    )
    note_step(2, 4)
    advice = None
    if frame is not None:
        advice = stop_or_taste(belief, k=cups, served_as=method, tests=frame)
    note_step(3, 4)
    step, suggestion = None, None
    if path == "walk":
        step = classical_walk(frame, region, cups, brew_method=method)
    else:
        suggestion = suggest_flight(
            belief,
            k=cups,
            include=include,
            n_tasters=n_tasters,
            confirm=advice is not None and advice.reason is StopReason.LIKELY,
        )
    pours, unmixable = _pours(book, suggestion, base)
    return NextFlight(
        client=there.client,
        coffee=there.coffee,
        advice=advice,
        suggestion=suggestion,
        step=step,
        recommended=belief.recommended,
        control=_control(belief) if frame is not None else None,
        history=None if gathered is None else flight_history(gathered),
        is_waiting=frame is None and _was_planned(book, there.client, there.coffee),
        earlier=earlier,
        pours=pours,
        unmixable=unmixable,
        n_tasters=n_tasters or belief.n_tasters,
    )


@checked(ReadingError)
def ask_earlier_coffees(
    book: LabBook, coffee: str, *, client: str | None = None, brew_method: str = "cupping"
) -> HeadStart | None:
    """What the other coffees of a lab book lend to this one; None if nothing does.

    Parameters
    ----------
    book : LabBook
        The lab book.
    coffee : str
        Which coffee.
    client : str, optional
        Whose coffee it is; needed where two clients have one of that name.
    brew_method : str
        How it was brewed.
    """
    import pandas as pd

    about = book.people.coffee(coffee, client=client)
    columns = ["client", "coffee", "origin", "process", "roast_level"]
    known = [(c.client, c.name, c.origin, c.process, c.roast_level) for c in book.people.coffees()]
    frame = pd.DataFrame(known, columns=columns)
    return kept_head_start(book, (about.client, about.name), frame, brew_method=brew_method)


def _pours(
    book: LabBook, suggestion: Suggestion | None, base: Water
) -> tuple[tuple[Mixing, ...], DosingError | None]:
    if suggestion is None:
        return (), None
    try:
        return suggestion.mixings(book.stock.concentrates(), base=base), None
    except DosingError as error:
        return (), error


def _control(belief: Belief) -> Target | None:
    if belief.control is None:
        return None
    return water_target(belief.posterior.recipes[belief.control])


def _was_planned(book: LabBook, client: str, coffee: str) -> bool:
    return bool(book.sessions.flights_by_session(client=client, coffee=coffee))
