"""The recipe of a water, from what is at hand: the same doses on card, report and page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final

from labkit.book import LabBook
from labkit.boundary import checked
from labkit.errors import DosingError, ReadingError
from labkit.shown import Shown
from labkit.water import (
    Concentrate,
    IonChange,
    Preference,
    Reach,
    Recipe,
    StartWater,
    Target,
    Water,
    differences,
    mix,
    salt,
    within_reach,
)
from labkit.workflow.readings import Findings, read
from labkit.workflow.recipes import VOLUMES_L, make_recipes

FINE_ML: Final = 0.001
"""Of a pipette that hardly rounds: what still differs comes from other salts."""

FINE_G: Final = 1e-5
"""The same of a balance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Card(Shown):
    """One water as it is handed over: what to pour or weigh for it, and how sure it is."""

    wanted: Target
    """The water asked for: of a coffee the recommended one, not rounded."""

    recipes: tuple[Recipe, ...]
    """What to pour or weigh, a recipe a volume, smallest volume first."""

    reach: Reach
    """What is made instead where that is out of reach, and what it starts from."""

    start: StartWater
    """The water given to start from."""

    changes: tuple[IonChange, ...]
    """How its ions differ from those that the lab's own bottles made; none if nothing does."""

    found: Findings | None
    """What the scores say of it; None for a water that is not a coffee's recommended one."""

    @property
    def base_name(self) -> str:
        """What the doses go into is called, with its shares as they are poured."""
        return self.poured_from.text

    @property
    def poured_from(self) -> StartWater:
        """What the doses go into: the start, thinned as far as this water needs."""
        if self.reach.base_share == 0:
            return StartWater()
        return replace(self.start, share_percent=round(100 * self.reach.base_share, 9))


@checked(ReadingError, own_numbers=True)
def make_card(
    book: LabBook,
    water: Target | str | Findings,
    *,
    client: str | None = None,
    volumes_l: Sequence[float] = VOLUMES_L,
    salts: Sequence[str] = (),
    start: StartWater | None = None,
    pipette_ml: float = 0.1,
    balance_g: float = 0.01,
    prefer: Preference = "few bottles",
    thin: bool = True,
    strength_mg_l_caco3_per_ml: float | None = None,
) -> Card:
    """What to pour for a water, or for a coffee's recommended one.

    Parameters
    ----------
    book : LabBook
        Where coffees, scores and bottles are.
    water : Target, str or Findings
        A water; or a coffee by name; or what was read of it.
    client : str, optional
        Whose coffee, where two clients have one of that name.
    volumes_l : sequence of float
        Finished volumes (L).
    salts : sequence of str
        Salts to weigh straight into the tank, by label; the bottles on the shelf unless given.
    start : StartWater, optional
        What the doses go into; what the coffee's last session started from, or pure water, unless
        given.
    pipette_ml, balance_g : float
        Steps of the pipette (mL) and the balance (g).
    prefer : Preference
        What to keep small where there is more than one way.
    thin : bool
        Whether a base that holds too much is thinned with pure water.
    strength_mg_l_caco3_per_ml : float, optional
        What 1 mL in a litre adds (mg/L as CaCO3), of bottles that are made there of the same
        salts; as strong as those on the shelf unless given.

    Raises
    ------
    ReadingError
        If the scores of the coffee recommend no water.
    DosingError
        If there is nothing to make it from, or that water cannot be made.
    ConcentrateError
        If a salt does not dissolve to that strength.
    """
    found = read(book, water, client=client) if isinstance(water, str) else None
    found = water if isinstance(water, Findings) else found
    wanted = water if isinstance(water, Target) else found.with_salts if found is not None else None
    if wanted is None:
        why = "" if found is None or found.reading is None else str(found.reading.verdict.kind)
        raise ReadingError(f"no recipe follows from these scores: {why}".rstrip(": "))
    start = start or _start_of(book, found)
    bottles = _as_strong(book.stock.concentrates(), strength_mg_l_caco3_per_ml)
    sources: Sequence[Any] = [salt(label) for label in salts] if salts else bottles
    if not sources:
        raise DosingError(
            "no bottle is on the shelf yet: make one under Bottles, or choose 'g straight from "
            "salts'."
        )
    most = start.share_percent / 100 if start.is_blend else 1.0
    reach = within_reach(wanted, sources, base=start.base, most=most, blend_with_pure=thin)
    card = Card(wanted=wanted, recipes=(), reach=reach, start=start, changes=(), found=found)
    purities = {b.salt.label: b.purity for b in bottles if b.salt.label in salts}
    made_from = partial(
        make_recipes,
        reach.target,
        volumes_l=volumes_l,
        base=card.poured_from,
        prefer=prefer,
        concentrates=() if salts else bottles,
        salts=sources if salts else (),
        purities=purities if salts else None,
    )
    recipes = made_from(pipette_ml=pipette_ml, balance_g=balance_g)
    exact = made_from(pipette_ml=FINE_ML, balance_g=FINE_G)[-1].reached
    return replace(card, recipes=recipes, changes=_changes(book, reach, exact))


def _as_strong(bottles: Sequence[Concentrate], strength: float | None) -> tuple[Concentrate, ...]:
    """Bottles of the same salts and names, made to another strength."""
    if strength is None:
        return tuple(bottles)
    return tuple(
        Concentrate.of_strength(
            salt=one.salt, strength_mg_l_caco3_per_ml=strength, purity=one.purity, name=one.name
        )
        for one in bottles
    )


def _start_of(book: LabBook, found: Findings | None) -> StartWater:
    if found is None:
        return StartWater()
    sessions = book.sessions.all(client=found.client, coffee=found.coffee)
    return book.stock.start_water(sessions[-1].held) if sessions else StartWater()


def _changes(book: LabBook, reach: Reach, made: Water) -> tuple[IonChange, ...]:
    """How the card's water differs from the one that the lab's own bottles made."""
    try:
        tasted = mix(reach.wanted, book.stock.concentrates(), pipette_ml=FINE_ML).reached
    except DosingError:  # the lab's bottles have changed since: nothing to compare with
        return ()
    return tuple(differences(tasted, made))
