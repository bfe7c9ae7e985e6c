"""The same water in several volumes, from bottles or straight from salts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from labkit.boundary import checked
from labkit.errors import DosingError, SheetError
from labkit.water import (
    PURE_WATER,
    Concentrate,
    Preference,
    Recipe,
    Salt,
    StartWater,
    Target,
    Water,
    mix,
    weigh_out,
)

VOLUMES_L: Final = (1.0, 5.0, 10.0, 20.0)
"""Volumes that are made unless others are asked for (L)."""


@checked(DosingError, own_numbers=True)
def make_recipes(
    target: Target,
    *,
    concentrates: Sequence[Concentrate] = (),
    salts: Sequence[Salt] = (),
    volumes_l: Sequence[float] = VOLUMES_L,
    base: Water | StartWater = PURE_WATER,
    pipette_ml: float = 0.1,
    balance_g: float = 0.01,
    purities: Mapping[str, float] | None = None,
    prefer: Preference = "few bottles",
) -> tuple[Recipe, ...]:
    """The same water in several volumes, from bottles or from salts, never both.

    Parameters
    ----------
    target : Target
        The water wanted.
    concentrates : sequence of Concentrate
        Bottles at hand, dosed to the pipette.
    salts : sequence of Salt
        Salts at hand, weighed to the balance straight into the tank.
    volumes_l : sequence of float
        Finished volumes (L).
    base : Water or StartWater
        What they go into.
    pipette_ml, balance_g : float
        Steps of the pipette (mL) and the balance (g).
    purities : mapping, optional
        Salt label -> share of the weighed mass that is the salt as labelled.
    prefer : Preference
        What to keep small where there is more than one way.

    Raises
    ------
    SheetError
        If neither or both ways are given, or no volume.
    DosingError
        If that water cannot be made.
    """
    if bool(concentrates) == bool(salts):
        raise SheetError(
            "concentrates or salts must be given, one of the two, got "
            f"{'both' if salts else 'neither'}. Make a card for each way.",
            field="concentrates",
        )
    if not volumes_l:
        raise SheetError(
            "volumes_l must hold at least one volume, got none. Ask for 1 L, say.",
            field="volumes_l",
        )
    if concentrates:
        return tuple(
            mix(
                target,
                concentrates,
                volume_ml=1000 * litres,
                base=base,
                pipette_ml=pipette_ml,
                prefer=prefer,
            )
            for litres in volumes_l
        )
    return tuple(
        weigh_out(
            target,
            salts,
            volume_l=litres,
            base=base,
            balance_g=balance_g,
            purities=purities,
            prefer=prefer,
        )
        for litres in volumes_l
    )
