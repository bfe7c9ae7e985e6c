"""The ions a water may hold, in one fixed order, with what each weighs and carries."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from labkit.water.salts.formula import molar_mass, read_table


@dataclass(frozen=True, slots=True, kw_only=True)
class Ion:
    """One ion in water."""

    symbol: str
    """Short name, the key of tables: ``"Ca"``, ``"HCO3"``, ``"citrate"``."""

    name: str
    """English name."""

    formula: str
    """Chemical formula without its charge."""

    charge: int
    """Charge number, with its sign."""

    molar_mass_g_mol: float
    """Molar mass (g/mol)."""

    alkalinity_eq_mol: float
    """Equivalents of alkalinity in one mole (carbonate system and hydroxide only)."""

    titratable_eq_mol: float
    """Equivalents in one mole that a titration to pH 4.5 finds."""

    limiting_conductivity_s_cm2_eq: float
    """Equivalent conductivity at infinite dilution and 25 °C (S cm²/eq)."""

    walden_exponent: float
    """Power of the water's fluidity with which that conductivity grows on warming."""

    volume_cm3_mol: float
    """Partial molar volume at infinite dilution and 25 °C (cm³/mol)."""

    size_angstrom: float
    """Ion size of Truesdell & Jones (ångström); NaN: Davies's equation is used."""

    slope_b: float
    """Linear term of Truesdell & Jones (kg/mol)."""


@cache
def ion_table() -> dict[str, Ion]:
    """All ions by symbol, in the order of every ion vector in labkit."""
    ions = {}
    for row in read_table("ions.csv"):
        ions[row["symbol"]] = Ion(
            symbol=row["symbol"],
            name=row["name"],
            formula=row["formula"],
            charge=int(row["charge"]),
            molar_mass_g_mol=molar_mass(row["formula"]),
            alkalinity_eq_mol=float(row["alkalinity_eq_mol"]),
            titratable_eq_mol=float(row["titratable_eq_mol"]),
            limiting_conductivity_s_cm2_eq=float(row["limiting_conductivity_s_cm2_eq"]),
            walden_exponent=float(row["walden_exponent"]),
            volume_cm3_mol=float(row["volume_cm3_mol"]),
            size_angstrom=float(row["size_angstrom"] or math.nan),
            slope_b=float(row["slope_b"] or 0.0),
        )
    return ions


def _column(values: list[float]) -> NDArray[np.float64]:
    column = np.array(values, dtype=np.float64)
    column.flags.writeable = False
    return column


IONS: tuple[str, ...] = tuple(ion_table())
"""Symbols of the ions, in the order of every ion vector."""

INDEX: dict[str, int] = {symbol: number for number, symbol in enumerate(IONS)}
"""Place of each symbol in an ion vector."""

CHARGES = _column([ion.charge for ion in ion_table().values()])
"""Charge of each ion."""

MOLAR_MASSES = _column([ion.molar_mass_g_mol for ion in ion_table().values()])
"""Molar mass of each ion (g/mol)."""

ALKALINITY_EQ = _column([ion.alkalinity_eq_mol for ion in ion_table().values()])
"""Equivalents of alkalinity in a mole of each ion."""

TITRATABLE_EQ = _column([ion.titratable_eq_mol for ion in ion_table().values()])
"""Equivalents that a titration to pH 4.5 finds in a mole of each ion."""
