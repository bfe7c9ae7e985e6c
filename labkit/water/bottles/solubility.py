"""How much of a salt dissolves, and how dense its solution is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from labkit.water.chemistry.liquid import density_kg_l
from labkit.water.salts.ions import MOLAR_MASSES, ion_table
from labkit.water.salts.table import Salt

ROOM_C = 20.0
"""Temperature at which bottles are made and solubilities are stated (°C)."""

_EXCESS_G_MOL = MOLAR_MASSES - density_kg_l(25.0) * np.array(
    [ion.volume_cm3_mol for ion in ion_table().values()]
)


def solution_density_kg_l(ions_mmol_l: NDArray[np.float64]) -> float:
    """Density of a solution at 20 °C (kg/L) from the volumes that its ions take up.

    Good to 0.1 % up to ten times single strength; the volumes are those at infinite dilution
    (Millero 1971, from memory).
    """
    return density_kg_l(ROOM_C) + float(ions_mmol_l @ _EXCESS_G_MOL) / 1e6


def solubility_limit_g_l(salt: Salt) -> float | None:
    """Salt as labelled in a litre of saturated solution at 20 °C (g/L); None if not known."""
    if salt.solubility_g_100g is None:
        return salt.solubility_g_l
    share = salt.solubility_g_100g / (100 + salt.solubility_g_100g)
    gain = float(salt.vector @ _EXCESS_G_MOL) / salt.anhydrous_molar_mass_g_mol
    dry_g_l = 1000 * density_kg_l(ROOM_C) * share / (1 - gain * share)
    return dry_g_l * salt.molar_mass_g_mol / salt.anhydrous_molar_mass_g_mol
