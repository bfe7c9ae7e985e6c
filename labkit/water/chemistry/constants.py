"""Equilibrium constants in two published sets, whose spread is the real doubt about scale."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.water.chemistry.liquid import KELVIN, check_temperature
from labkit.water.salts.formula import read_table

ConstantSet = Literal["1982", "2024"]
"""``"1982"``: Plummer & Busenberg; ``"2024"``: the refit in PHREEQC 3.8.6's own table."""

SETS: tuple[ConstantSet, ...] = ("1982", "2024")
"""Both sets, the one that labkit states first."""

CALCITE_MEASURED_TO_C = 90.0
"""Warmest measurement of calcite's solubility in the 1982 set (°C)."""

COMPONENTS = ("H", "Ca", "Mg", "Na", "K", "SO4", "CO3")
"""The free species of which all others are made."""

ABSENT_LOG_K = -99.0
"""Stands for a species that a set does not know: it never forms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeciesTable:
    """All dissolved species, as arrays over species."""

    names: tuple[str, ...]
    """Name of each species."""

    charge: NDArray[np.float64]
    """Charge of each species."""

    parts: NDArray[np.float64]
    """Components in each species, shape (n_species, n_components)."""

    size_angstrom: NDArray[np.float64]
    """Ion size of Truesdell & Jones (ångström); 0 for uncharged species."""

    slope_b: NDArray[np.float64]
    """Linear term of Truesdell & Jones (kg/mol)."""

    limiting_conductivity_s_cm2_eq: NDArray[np.float64]
    """Equivalent conductivity at infinite dilution and 25 °C (S cm²/eq)."""

    walden_exponent: NDArray[np.float64]
    """Power of the water's fluidity with which that conductivity grows on warming."""


@cache
def species_table() -> SpeciesTable:
    """The species of ``data/species.csv``."""
    rows = read_table("species.csv")

    def column(name: str) -> NDArray[np.float64]:
        return np.array([float(row[name] or 0.0) for row in rows])

    return SpeciesTable(
        names=tuple(row["species"] for row in rows),
        charge=column("charge"),
        parts=np.array([[float(row[name]) for name in COMPONENTS] for row in rows]),
        size_angstrom=column("size_angstrom"),
        slope_b=column("slope_b"),
        limiting_conductivity_s_cm2_eq=column("limiting_conductivity_s_cm2_eq"),
        walden_exponent=column("walden_exponent"),
    )


@cache
def _coefficients(constants: ConstantSet) -> dict[str, tuple[float, ...]]:
    return {
        row["reaction"]: tuple(float(row[name]) for name in "abcdef")
        for row in read_table("constants.csv")
        if row["set"] == constants
    }


@checked(WaterError)
def log_k(reaction: str, temperature_c: float, constants: ConstantSet = "1982") -> float:
    """Decimal logarithm of one equilibrium constant.

    Parameters
    ----------
    reaction : str
        A mineral (``"calcite"``, ``"gypsum"``), ``"gas CO2"``, or a species formed from the
        components, as in ``"HCO3"`` (H + CO3).
    temperature_c : float
        Temperature (°C), 0 to 130.
    constants : {"1982", "2024"}
        Which set.

    Returns
    -------
    float
        ``ABSENT_LOG_K`` for a species that the set does not know: it never forms.
        Minus infinity's stand-in where the set does not know the species.

    Raises
    ------
    WaterError
        If the temperature is out of range or there is no such reaction.

    Examples
    --------
    >>> round(log_k("calcite", 25.0), 2)
    -8.48
    """
    check_temperature(temperature_c)
    terms = _coefficients(constants).get(reaction)
    if terms is None and reaction in species_table().names:
        return ABSENT_LOG_K
    if terms is None:
        raise WaterError(f"no constant is known for {reaction!r}.", field="reaction")
    kelvin = temperature_c + KELVIN
    a, b, c, d, e, f = terms
    return float(a + b * kelvin + c / kelvin + d * np.log10(kelvin) + e / kelvin**2 + f * kelvin**2)


@cache
def formation_log_k(temperature_c: float, constants: ConstantSet) -> NDArray[np.float64]:
    """Formation constant of every species (decimal logarithm), 0 for the components."""
    logs = [
        0.0 if name in COMPONENTS else log_k(name, temperature_c, constants)
        for name in species_table().names
    ]
    found = np.array(logs)
    found.flags.writeable = False
    return found
