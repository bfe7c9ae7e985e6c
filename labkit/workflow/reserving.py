"""What a plan takes of the bottles: its jugs, what is set aside as it is sealed, what is short."""

from __future__ import annotations

from collections.abc import Sequence

from labkit.book import Held, LabBook, Reservation, most_needed, shortages
from labkit.errors import StockError
from labkit.tasting import VESSEL_ML, CupPlan, jug_volume
from labkit.water import Target
from labkit.workflow.preparation import Preparation


def jug_of(
    plan: CupPlan, held: Held, vessel_ml: float | None, jug_volume_ml: float | None
) -> float:
    """Finished volume of each jug (mL): as asked, or what the vessels take.

    A vessel takes what is asked, else the water of its coffee by dose and ratio.
    """
    if jug_volume_ml is not None:
        return jug_volume_ml
    if vessel_ml is None:
        vessel_ml = VESSEL_ML
        if held.dose_g and held.brew_ratio_g_l:
            vessel_ml = 1000 * held.dose_g / held.brew_ratio_g_l
    return jug_volume(plan, vessel_ml=vessel_ml)


def set_aside(
    plan: CupPlan, prepared: Preparation, targets: Sequence[Target], *, flights: Sequence[int]
) -> dict[int, Reservation]:
    """What each of these flights takes: what suffices for any draw, and sealed what it will be."""
    jugs, reserved = prepared.jugs, {}
    for flight in flights:
        if plan.sealed[flight].dose_lock is not None:  # else the key is of an earlier version
            reserved[flight] = Reservation(
                at_most=most_needed(
                    plan,
                    targets,
                    prepared.bottles,
                    flights=(flight,),
                    jug_volume_ml=prepared.jug_volume_ml,
                    base=prepared.start.water,
                ),
                token=plan.sealed[flight].seal_doses(jugs.doses_of(flight), by_plan=True),
            )
    return reserved


def reservations(
    book: LabBook,
    plan: CupPlan,
    prepared: Preparation,
    targets: Sequence[Target],
    *,
    even_if_short: bool = False,
) -> dict[int, Reservation]:
    """What to set aside for each flight of a plan, if the bottles hold it.

    What is compared with the shelf is what suffices for any draw, so that a refusal tells nothing
    of this one.

    Raises
    ------
    StockError
        If a bottle may not suffice, with the grams to weigh, unless it shall be sealed even so.
    """
    reserved = set_aside(plan, prepared, targets, flights=plan.flights)
    needed: dict[str, float] = {}
    for one in reserved.values():
        for name, volume_ml in one.at_most.items():
            needed[name] = needed.get(name, 0.0) + volume_ml
    short = shortages(book, needed, apart_from={(plan.session, flight) for flight in plan.flights})
    if short and not even_if_short:
        raise StockError(
            " ".join(one.text for one in short)
            + " Then seal again, or seal anyway and make it before you mix.",
            field="even_if_short",
        )
    return reserved
