"""Units of water chemistry, each named in full, and how to go from one to another.

"mg/L" alone never stands for hardness or alkalinity here: it is always *of what, as what*.
"""

from __future__ import annotations

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.water.salts.formula import molar_mass

CACO3_G_MOL = molar_mass("CaCO3")
"""Molar mass of CaCO3 (100.086 g/mol): 1 mmol/L of Ca or Mg is 100.086 mg/L as CaCO3."""

MG_L_CACO3_PER_MEQ = CACO3_G_MOL / 2
"""1 meq/L of hardness or alkalinity is 50.043 mg/L as CaCO3."""

BICARBONATE_G_MOL = molar_mass("HCO3")
"""Molar mass of bicarbonate (61.016 g/mol)."""

MG_L_CACO3_PER_GERMAN_DEGREE = 10.0 * CACO3_G_MOL / molar_mass("CaO")
"""1 °dH is 10 mg/L CaO (DIN 38409-6, from memory), which is 17.848 mg/L as CaCO3."""

MG_L_CACO3_PER_FRENCH_DEGREE = 10.0
"""1 °fH is 10 mg/L as CaCO3 (definition, from memory)."""

MG_L_CACO3_PER_GRAIN_US_GALLON = 64.79891 / 3.785411784
"""1 grain (64.79891 mg) in a US gallon (3.785411784 L), exact constants."""

_PER_UNIT = {
    "mg/L CaCO3": 1.0,
    "°dH": MG_L_CACO3_PER_GERMAN_DEGREE,
    "°fH": MG_L_CACO3_PER_FRENCH_DEGREE,
    "gr/US gal": MG_L_CACO3_PER_GRAIN_US_GALLON,
    "meq/L": MG_L_CACO3_PER_MEQ,
}
_PER_HARDNESS_UNIT = _PER_UNIT | {"mmol/L": CACO3_G_MOL}
_PER_ALKALINITY_UNIT = _PER_UNIT | {
    "mmol/L": MG_L_CACO3_PER_MEQ,
    "mg/L HCO3": MG_L_CACO3_PER_MEQ / BICARBONATE_G_MOL,
}

HARDNESS_UNITS: tuple[str, ...] = tuple(_PER_HARDNESS_UNIT)
"""Units in which hardness (Ca + Mg) may be given."""

ALKALINITY_UNITS: tuple[str, ...] = tuple(_PER_ALKALINITY_UNIT)
"""Units in which alkalinity may be given; mmol/L is of bicarbonate."""


_ALIASES = {
    "mg/L as CaCO3": "mg/L CaCO3",
    "ppm as CaCO3": "mg/L CaCO3",
    "ppm CaCO3": "mg/L CaCO3",
    "mg/L as HCO3": "mg/L HCO3",
    "mg/L HCO3-": "mg/L HCO3",
    "dH": "°dH",
    "fH": "°fH",
    "ug/L": "µg/L",
    "μg/L": "µg/L",
    "uS/cm": "µS/cm",
    "μS/cm": "µS/cm",
}
"""Other ways to write the same unit; ppm only with what it is as."""


def read_unit(field: str, text: str) -> str:
    """The unit meant, in labkit's spelling.

    Raises
    ------
    WaterError
        If the unit is a bare ppm, which does not say ppm of what.

    Examples
    --------
    >>> read_unit("hardness", "mg/l as CaCO3")
    'mg/L CaCO3'
    """
    unit = " ".join(text.split()).replace("/l", "/L")
    unit = _ALIASES.get(unit, unit)
    if "ppm" in unit.lower():
        raise WaterError(
            f"{field} is given in {unit!r}, which does not say ppm of what: give it as mg/L of the "
            "ion, as mg/L CaCO3, or give the meter's conductivity in µS/cm.",
            field=field,
        )
    return unit


def _factor(field: str, unit: str, table: dict[str, float]) -> float:
    unit = read_unit(field, unit)
    if unit not in table:
        raise WaterError(
            f"{field} must be in one of {', '.join(table)}, got {unit!r}.", field=field
        )
    return table[unit]


@checked(WaterError)
def hardness_from(value: float, unit: str) -> float:
    """Hardness in mg/L as CaCO3 from another unit.

    Parameters
    ----------
    value : float
        In that unit.
    unit : str
        One of :data:`labkit.water.HARDNESS_UNITS`.

    Raises
    ------
    WaterError
        If there is no such unit.

    Examples
    --------
    >>> round(hardness_from(1.0, "°dH"), 3)
    17.848
    """
    return value * _factor("hardness", unit, _PER_HARDNESS_UNIT)


@checked(WaterError)
def hardness_in(hardness_mg_l_caco3: float, unit: str) -> float:
    """Hardness in another unit from mg/L as CaCO3.

    Parameters
    ----------
    hardness_mg_l_caco3 : float
        In mg/L as CaCO3.
    unit : str
        One of :data:`labkit.water.HARDNESS_UNITS`.

    Raises
    ------
    WaterError
        If there is no such unit.
    """
    return hardness_mg_l_caco3 / _factor("hardness", unit, _PER_HARDNESS_UNIT)


def alkalinity_from(value: float, unit: str) -> float:
    """Alkalinity in mg/L as CaCO3 from another unit.

    >>> round(alkalinity_from(61.016, "mg/L HCO3"), 3)
    50.043
    """
    return value * _factor("alkalinity", unit, _PER_ALKALINITY_UNIT)


@checked(WaterError)
def alkalinity_in(alkalinity_mg_l_caco3: float, unit: str) -> float:
    """Alkalinity in another unit from mg/L as CaCO3.

    Parameters
    ----------
    alkalinity_mg_l_caco3 : float
        In mg/L as CaCO3.
    unit : str
        One of :data:`labkit.water.ALKALINITY_UNITS`.

    Raises
    ------
    WaterError
        If there is no such unit.
    """
    return alkalinity_mg_l_caco3 / _factor("alkalinity", unit, _PER_ALKALINITY_UNIT)
