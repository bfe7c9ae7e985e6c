"""The portrait of a water: everything the laboratory and the bar want to know of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from labkit.water.cautions import CAUTIONS
from labkit.water.chemistry.conductivity import accuracy_percent, conductivity_of
from labkit.water.chemistry.equilibrium import AIR_CO2_ATM, Totals, equilibrate
from labkit.water.chemistry.scale import PLACES, Scaling, scaling
from labkit.water.chemistry.steel import (
    CYCLES,
    SOURCE,
    SteelGuidance,
    steel_guidance,
    sulfate_share_for,
)
from labkit.water.markup import figure, folded, notes, percent, table
from labkit.water.salts.ions import ion_table
from labkit.water.units import ALKALINITY_UNITS, HARDNESS_UNITS
from labkit.water.waters.water import Water

CHLORIDE_TASTE_MG_L = 200.0
"""Lowest taste threshold of chloride (mg/L), WHO/SDE/WSH/03.04/03: 200 to 300."""

SULFATE_GUIDE_MG_L = 250.0
"""Sulfate guide value (mg/L), 40 CFR 143.3."""

NITRATE_LIMIT_MG_L = 50.0
"""Nitrate limit (mg/L), WHO drinking-water guideline, from memory."""

_STEEL_304_WANTED_MG_L = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Portrait:
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
    def ph_text(self) -> str:
        """The pH as a range, lowest first: it drifts between closed and open to air."""
        low, high = sorted((self.ph_closed, self.ph_air))
        return f"{low:.1f} to {high:.1f}" if f"{low:.1f}" != f"{high:.1f}" else f"{low:.1f}"

    @property
    def remarks(self) -> tuple[str, ...]:
        """What stands out in this water."""
        mg_l = self.water.ions_mg_l
        said = []
        chloride = mg_l.get("Cl", 0.0)
        if chloride > CHLORIDE_TASTE_MG_L:
            said.append(
                f"Chloride of {chloride:.0f} mg/L is in the range where it can be tasted (200 to "
                "300 mg/L, WHO/SDE/WSH/03.04/03)."
            )
        if mg_l.get("SO4", 0.0) > SULFATE_GUIDE_MG_L:
            said.append(
                f"Sulfate of {mg_l['SO4']:.0f} mg/L is above the guide value of 250 mg/L "
                "(40 CFR 143.3)."
            )
        if mg_l.get("NO3", 0.0) > NITRATE_LIMIT_MG_L:
            said.append(
                f"Nitrate of {mg_l['NO3']:.0f} mg/L is above 50 mg/L (WHO guideline, from memory): "
                "not for drinking without local advice."
            )
        if chloride > _STEEL_304_WANTED_MG_L:
            share = sulfate_share_for(self.water, _STEEL_304_WANTED_MG_L)
            if share:
                enough = math.ceil(100 * share - 1e-9) / 100  # rounded down it would not suffice
                said.append(
                    f"Dosing {percent(enough)} of the hardness as sulfate instead would bring "
                    "chloride down to 50 mg/L, where the steel table still lists 304 (to 60 °C)."
                )
        if any(symbol in mg_l for symbol in ("citrate", "lactate", "gluconate")):
            said.append(
                "Organic anions are counted as bystanders: they bind some calcium and magnesium, "
                "so scale is overstated, and a titration finds "
                f"{figure(self.water.titratable_alkalinity_mg_l_caco3)} mg/L alkalinity as CaCO3."
            )
        gap = self.water.charge_balance_meq_l
        if abs(gap) > 0.05 * max(1.0, sum(self.water.ions_meq_l.values())):
            said.append(f"The charges do not cancel ({gap:+.2f} meq/L): an ion is missing.")
        if any(each.extrapolated for each in self.scaling):
            said.append(
                "Calcite's constant is measured to 90 °C; hotter figures are extrapolated, and "
                "their spread is that of two published sets of constants."
            )
        return tuple(said)

    def _repr_html_(self) -> str:
        """What most ask first, the rest folded below."""
        water = self.water
        first = [
            ("hardness, mg/L as CaCO3", figure(water.hardness_mg_l_caco3)),
            ("alkalinity, mg/L as CaCO3", figure(water.alkalinity_mg_l_caco3)),
            ("Ca:Mg by moles", water.ca_mg_ratio_text),
            ("Mg share of hardness", f"{percent(water.mg_share)}"),
            (
                "conductivity at 25 °C, µS/cm",
                f"{self.conductivity_25c_us_cm:.0f} ± {self.conductivity_accuracy_percent:.0f} %",
            ),
            ("pH, closed to open to air", self.ph_text),
            ("chloride and sulfate, mg/L", self._two("Cl", "SO4")),
            ("sodium and potassium, mg/L", self._two("Na", "K")),
        ]
        return (
            table("Water", ("", "value"), first)
            + self._scale_html
            + notes(self.remarks)
            + folded("Machine: chloride, steel, heat", self._machine_html)
            + folded("Ions and dissolved solids", self._ions_html)
            + folded("Other units", self._units_html)
        )

    def _two(self, one: str, other: str) -> str:
        mg_l = self.water.ions_mg_l
        return f"{figure(mg_l.get(one, 0.0), 2)} and {figure(mg_l.get(other, 0.0), 2)}"

    @property
    def _scale_html(self) -> str:
        rows = [
            (
                f"{each.place}, {each.temperature_c:.0f} °C",
                each.index_closed.text(1, signed=True),
                each.scale_closed_mg_l.text(0),
                each.index_degassed.text(1, signed=True),
                each.scale_degassed_mg_l.text(0),
            )
            for each in self.scaling
        ]
        return table(
            "Calcite: saturation index, and CaCO3 that can fall out (mg/L)",
            ("", "index, closed", "mg/L, closed", "index, degassed", "mg/L, degassed"),
            rows,
        )

    @property
    def _machine_html(self) -> str:
        rows = [(f"{cycles:g}", each.text) for cycles, each in zip(CYCLES, self.steel, strict=True)]
        return (
            table("Chloride where steam leaves salts behind", ("cycles", "steel"), rows)
            + notes([f"Source: {SOURCE}."])
            + notes(CAUTIONS["machine"])
        )

    @property
    def _ions_html(self) -> str:
        water = self.water
        rows = [
            (
                ion_table()[symbol].name,
                figure(water.ions_mg_l[symbol]),
                figure(mmol),
                figure(water.ions_meq_l[symbol]),
            )
            for symbol, mmol in water.ions_mmol_l.items()
        ]
        solids = [
            ("sum of ions", figure(water.sum_of_ions_mg_l)),
            ("dry residue at 180 °C, calculated", figure(water.dry_residue_180c_mg_l)),
        ]
        return table("Ions", ("", "mg/L", "mmol/L", "meq/L"), rows) + table(
            "Total dissolved solids", ("", "mg/L"), solids
        )

    @property
    def _units_html(self) -> str:
        hard = [(unit, figure(self.water.hardness_in(unit))) for unit in HARDNESS_UNITS]
        soft = [(unit, figure(self.water.alkalinity_in(unit))) for unit in ALKALINITY_UNITS]
        return table("Hardness", ("unit", "value"), hard) + table(
            "Alkalinity", ("unit", "value"), soft
        )


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
