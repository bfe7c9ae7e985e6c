"""Scale: how saturated with calcite a heated water is, and how much chalk it can drop.

Calcite's constant is measured to 90 °C and two published sets part above it, so every figure
comes as a pair of bounds: the sets' spread is the real uncertainty. The water is taken to have
stood in air; "closed" is then heated without loss of gas, "degassed" has boiled down to the CO2
of air. How fast scale grows, and where, no such figure tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.water.chemistry.constants import CALCITE_MEASURED_TO_C, SETS, ConstantSet
from labkit.water.chemistry.equilibrium import (
    AIR_CO2_ATM,
    MINERALS,
    MIXED_AT_C,
    Equilibrium,
    Totals,
    equilibrate,
)
from labkit.water.chemistry.liquid import density_kg_l
from labkit.water.units import CACO3_G_MOL
from labkit.water.waters.water import Water

PLACES: tuple[tuple[str, float], ...] = (
    ("room", 20.0),
    ("brewing", 93.0),
    ("kettle", 100.0),
    ("steam boiler", 125.0),
)
"""Where water is heated, with a usual temperature (°C)."""

_CALCIUM = MINERALS["calcite"][0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """Lowest and highest of what the sets of constants give."""

    low: float
    """Lowest."""

    high: float
    """Highest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaling:
    """Calcite in one water at one temperature."""

    place: str
    """Where that is."""

    temperature_c: float
    """Temperature (°C)."""

    index_closed: Range
    """Saturation index heated without loss of gas; above 0 calcite can grow."""

    index_degassed: Range
    """Saturation index at the CO2 of air."""

    scale_closed_mg_l: Range
    """CaCO3 that can fall out, closed (mg/L): as many grams in 1000 L."""

    scale_degassed_mg_l: Range
    """CaCO3 that can fall out, degassed (mg/L)."""

    @property
    def extrapolated(self) -> bool:
        """Whether calcite's constant is used beyond its warmest measurement (90 °C)."""
        return self.temperature_c > CALCITE_MEASURED_TO_C


def scale_columns(
    ions_mmol_l: NDArray[np.float64], temperature_c: float, *, constants: ConstantSet = "1982"
) -> dict[str, NDArray[np.float64]]:
    """Saturation index and scale of many waters at one temperature with one set of constants.

    Parameters
    ----------
    ions_mmol_l : ndarray, shape (n, n_ions)
        Ions in the order of :data:`labkit.water.IONS`.
    temperature_c : float
        Temperature (°C), 0 to 130.
    constants : {"1982", "2024"}
        Set of constants.

    Returns
    -------
    columns : dict
        ``index_closed``, ``index_degassed``, ``scale_closed_mg_l``, ``scale_degassed_mg_l``, each
        of shape (n,).
    """
    totals = Totals.of_ions(ions_mmol_l)
    stood = equilibrate(totals, constants=constants, co2_atm=AIR_CO2_ATM).settled
    columns = {}
    for name, start, co2 in (("closed", stood, None), ("degassed", totals, AIR_CO2_ATM)):
        hot = equilibrate(start, temperature_c, constants=constants, co2_atm=co2)
        settled = equilibrate(
            start, temperature_c, constants=constants, co2_atm=co2, mineral="calcite"
        )
        columns[f"index_{name}"] = hot.saturation_index("calcite")
        columns[f"scale_{name}_mg_l"] = _fallen_mg_l(start, settled)
    return columns


def _fallen_mg_l(start: Totals, settled: Equilibrium) -> NDArray[np.float64]:
    fallen = start.components[:, _CALCIUM] - settled.settled.components[:, _CALCIUM]
    return np.maximum(0.0, fallen) * CACO3_G_MOL * 1000 * density_kg_l(MIXED_AT_C)


@checked(WaterError)
def scaling(water: Water, places: Sequence[tuple[str, float]] = PLACES) -> tuple[Scaling, ...]:
    """Calcite in one water wherever it is heated.

    Parameters
    ----------
    water : Water
        The water.
    places : sequence of (str, float)
        What to call each place, and its temperature (°C), 0 to 130.

    Raises
    ------
    WaterError
        If a temperature is out of range.
    """
    found = []
    for place, temperature in places:
        both = [scale_columns(water.vector, temperature, constants=name) for name in SETS]

        def spread(column: str, both: list[dict[str, NDArray[np.float64]]] = both) -> Range:
            ends = [float(columns[column][0]) for columns in both]
            return Range(low=min(ends), high=max(ends))

        found.append(
            Scaling(
                place=place,
                temperature_c=temperature,
                index_closed=spread("index_closed"),
                index_degassed=spread("index_degassed"),
                scale_closed_mg_l=spread("scale_closed_mg_l"),
                scale_degassed_mg_l=spread("scale_degassed_mg_l"),
            )
        )
    return tuple(found)
