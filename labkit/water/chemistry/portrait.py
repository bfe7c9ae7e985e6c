"""The portrait of a water: everything the laboratory and the bar want to know of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.shown import Shown
from labkit.water.chemistry.conductivity import accuracy_percent, conductivity_of
from labkit.water.chemistry.equilibrium import AIR_CO2_ATM, Totals, equilibrate
from labkit.water.chemistry.scale import PLACES, Scaling, scaling
from labkit.water.chemistry.steel import (
    CYCLES,
    SteelGuidance,
    steel_guidance,
    sulfate_share_for,
)
from labkit.water.waters.water import Water

CHLORIDE_TASTE_MG_L = 200.0
"""Lowest taste threshold of chloride (mg/L), WHO/SDE/WSH/03.04/03: 200 to 300."""

SULFATE_GUIDE_MG_L = 250.0
"""Sulfate guide value (mg/L), 40 CFR 143.3."""

NITRATE_LIMIT_MG_L = 50.0
"""Nitrate limit (mg/L), WHO drinking-water guideline, from memory."""

STEEL_304_MG_L = 50.0
"""Chloride up to which the steel table still lists 304 (mg/L)."""


class Finding(StrEnum):
    """What may stand out in a water."""

    CHLORIDE_TASTED = "chloride tasted"
    SULFATE_HIGH = "sulfate high"
    NITRATE_HIGH = "nitrate high"
    SULFATE_SPARES_STEEL = "sulfate spares steel"
    ORGANIC_ANIONS = "organic anions"
    CHARGES_OPEN = "charges open"
    SCALE_EXTRAPOLATED = "scale extrapolated"


@dataclass(frozen=True, slots=True, kw_only=True)
class Portrait(Shown):
    """All that labkit can say of one water."""

    water: Water
    """The water."""

    ph_closed: float
    """pH at 25 °C as mixed, closed to air."""

    ph_air: float
    """pH at 25 °C after long standing in outdoor air (CO2 at 420 µatm)."""

    conductivity_25c_us_cm: float
    """Conductivity at 25 °C (µS/cm)."""

    conductivity_accuracy_percent: float
    """How far a measured one may lie from it (%)."""

    scaling: tuple[Scaling, ...]
    """Calcite where the water is heated."""

    steel: tuple[SteelGuidance, ...]
    """Chloride guidance at 1, 2 and 5 cycles of concentration in a boiler."""

    @property
    def sulfate_share(self) -> float | None:
        """Share of the hardness to dose as sulfate for steel 304; None or 0 if it is no way."""
        return sulfate_share_for(self.water, STEEL_304_MG_L)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What stands out in this water."""
        mg_l = self.water.ions_mg_l
        chloride = mg_l.get("Cl", 0.0)
        most_open = 0.05 * max(1.0, sum(self.water.ions_meq_l.values()))
        stands_out = {
            Finding.CHLORIDE_TASTED: chloride > CHLORIDE_TASTE_MG_L,
            Finding.SULFATE_HIGH: mg_l.get("SO4", 0.0) > SULFATE_GUIDE_MG_L,
            Finding.NITRATE_HIGH: mg_l.get("NO3", 0.0) > NITRATE_LIMIT_MG_L,
            Finding.SULFATE_SPARES_STEEL: chloride > STEEL_304_MG_L and bool(self.sulfate_share),
            Finding.ORGANIC_ANIONS: any(one in mg_l for one in ("citrate", "lactate", "gluconate")),
            Finding.CHARGES_OPEN: abs(self.water.charge_balance_meq_l) > most_open,
            Finding.SCALE_EXTRAPOLATED: any(each.extrapolated for each in self.scaling),
        }
        return tuple(finding for finding, is_so in stands_out.items() if is_so)


@checked(WaterError)
def portray(water: Water, *, places: Sequence[tuple[str, float]] = PLACES) -> Portrait:
    """Everything that can be said of one water.

    Parameters
    ----------
    water : Water
        The water.
    places : sequence of (str, float)
        Where it is heated, and how hot (°C), 0 to 130.

    Raises
    ------
    WaterError
        If a temperature is out of range.
    """
    return _portrait(water, tuple((name, temperature) for name, temperature in places))


@lru_cache(maxsize=64)  # a form shows it again at every change, and paper once more: 30 ms each
def _portrait(water: Water, places: tuple[tuple[str, float], ...]) -> Portrait:
    totals = Totals.of_ions(water.vector)
    mixed = equilibrate(totals)
    air = equilibrate(totals, co2_atm=AIR_CO2_ATM)
    chloride = water.ions_mg_l.get("Cl", 0.0)
    return Portrait(
        water=water,
        ph_closed=float(mixed.ph[0]),
        ph_air=float(air.ph[0]),
        conductivity_25c_us_cm=float(conductivity_of(mixed, water.vector)[0]),
        conductivity_accuracy_percent=float(accuracy_percent(water.vector)[0]),
        scaling=scaling(water, places),
        steel=tuple(steel_guidance(chloride * cycles) for cycles in CYCLES),
    )
