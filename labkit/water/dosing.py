"""Dosing: how much of each concentrate and of the base water makes a wanted water."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.errors import DosingError
from labkit.water.cautions import CAUTIONS
from labkit.water.concentrates import Concentrate
from labkit.water.html import figure, folded, notes, table
from labkit.water.ions import ALKALINITY_EQ, INDEX, IONS
from labkit.water.targets import Target
from labkit.water.waters import PURE_WATER, Water

_COORDINATES = np.zeros((3, len(IONS)))
_COORDINATES[0, INDEX["Ca"]] = 1.0
_COORDINATES[1, INDEX["Mg"]] = 1.0
_COORDINATES[2] = ALKALINITY_EQ


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose:
    """How much of one concentrate goes into the jug."""

    concentrate: Concentrate
    """The bottle."""

    volume_ml: float
    """Dose, rounded to the pipette (mL)."""

    exact_ml: float
    """Dose before rounding (mL)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixing:
    """What to pour together for one wanted water, and the water really reached."""

    target: Target
    """The water wanted."""

    doses: tuple[Dose, ...]
    """One for each concentrate at hand, in the order given; some may be 0 mL."""

    base: Water
    """The water the doses go into."""

    base_ml: float
    """Base water to pour (mL)."""

    volume_ml: float
    """Finished volume (mL)."""

    pipette_ml: float
    """Step to which the doses are rounded (mL)."""

    reached: Water
    """The water got from the rounded doses."""

    def _repr_html_(self) -> str:
        """The doses and the water reached, with the cautions folded below."""
        rows = [
            (dose.concentrate.name, f"{_to_step(dose.volume_ml, self.pipette_ml)} mL")
            for dose in self.doses
            if dose.volume_ml
        ]
        rows.append(("base water", f"{_to_step(self.base_ml, self.pipette_ml)} mL"))
        rows.append(("makes", f"{figure(self.volume_ml, 5)} mL"))
        wanted, got = self.target, self.reached
        water = [
            ("hardness, mg/L as CaCO3", wanted.hardness_mg_l_caco3, got.hardness_mg_l_caco3),
            ("alkalinity, mg/L as CaCO3", wanted.alkalinity_mg_l_caco3, got.alkalinity_mg_l_caco3),
            ("Mg share, %", 100 * wanted.mg_share, 100 * got.mg_share),
        ]
        return (
            table(f"Mix: {self.target.text}", ("pour", "volume"), rows)
            + table(
                "Water reached",
                ("", "wanted", "reached"),
                [(name, figure(a), figure(b)) for name, a, b in water],
            )
            + folded("Handle with care", notes(CAUTIONS["mixing"]))
        )


def _to_step(volume_ml: float, step_ml: float) -> str:
    return f"{volume_ml:.{max(0, math.ceil(-math.log10(step_ml) - 1e-9))}f}"


def mix(
    target: Target,
    concentrates: Sequence[Concentrate],
    *,
    volume_ml: float = 1000.0,
    base: Water = PURE_WATER,
    pipette_ml: float = 0.1,
) -> Mixing:
    """Doses that make a wanted water, made up to a volume.

    The doses' own volume counts: the base water fills up what they leave.

    Parameters
    ----------
    target : Target
        The water wanted.
    concentrates : sequence of Concentrate
        The bottles at hand.
    volume_ml : float
        Finished volume (mL).
    base : Water
        What the doses go into.
    pipette_ml : float
        Step to which doses are rounded (mL).

    Raises
    ------
    DosingError
        If these bottles and this base cannot make that water.
    """
    for field, value in (("volume_ml", volume_ml), ("pipette_ml", pipette_ml)):
        if not (math.isfinite(value) and value > 0):
            raise DosingError(f"{field} must be above 0, got {value!r}.")
    if not concentrates:
        raise DosingError("concentrates must hold at least one bottle, got none.")
    bottles = np.array([bottle.vector for bottle in concentrates])
    wanted = np.array([target.calcium_mmol_l, target.magnesium_mmol_l, target.alkalinity_meq_l])
    matrix = _COORDINATES @ (bottles - base.vector).T
    needed = volume_ml * (wanted - _COORDINATES @ base.vector)
    exact = _solve(target, concentrates, matrix, needed)
    if exact.sum() > volume_ml:
        raise DosingError(
            f"the doses for {target.text} take {exact.sum():.0f} mL, more than the "
            f"{volume_ml:.0f} mL wanted: make the bottles at least "
            f"{exact.sum() / volume_ml:.1f} times as strong."
        )
    rounded = np.round(exact / pipette_ml) * pipette_ml
    base_ml = float(volume_ml - rounded.sum())
    reached = Water.of_vector((rounded @ bottles + base_ml * base.vector) / volume_ml)
    return Mixing(
        target=target,
        doses=tuple(
            Dose(concentrate=bottle, volume_ml=float(round(volume, 9)), exact_ml=float(amount))
            for bottle, volume, amount in zip(concentrates, rounded, exact, strict=True)
        ),
        base=base,
        base_ml=base_ml,
        volume_ml=volume_ml,
        pipette_ml=pipette_ml,
        reached=reached,
    )


def _solve(
    target: Target,
    concentrates: Sequence[Concentrate],
    matrix: NDArray[np.float64],
    needed: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Doses (mL) of least total volume that meet the three coordinates."""
    from scipy.optimize import linprog  # loaded when first used: it is slow to load

    found = linprog(np.ones(matrix.shape[1]), A_eq=matrix, b_eq=needed, bounds=(0, None))
    if not found.success:
        names = ", ".join(bottle.name for bottle in concentrates)
        raise DosingError(
            f"{target.text} cannot be made from {names} and this base water: add a bottle for "
            "what is missing, or choose a softer base."
        )
    doses: NDArray[np.float64] = np.maximum(found.x, 0.0)
    return doses
