"""Chloride and stainless steel: guidance that defers to the machine's maker and a technician."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.shown import Shown
from labkit.water.given import is_finite
from labkit.water.salts.formula import read_table
from labkit.water.units import CACO3_G_MOL, MG_L_CACO3_PER_MEQ
from labkit.water.waters.water import Water

SOURCE = (
    "chloride table for plate heat exchangers in a heating-equipment maker's manual; it also says "
    "that a pH below 6 raises and above 7.5 lowers the risk"
)
"""Where the table of chloride and temperature comes from."""

CYCLES = (1.0, 2.0, 5.0)
"""Cycles of concentration: 2 is a boiler that gives half its feed as steam."""

_CHLORIDE_G_MOL = 35.45
_CHLORIDE_PER_HARDNESS = 2 * _CHLORIDE_G_MOL / CACO3_G_MOL


@cache
def _table() -> tuple[tuple[float, float | None, float | None], ...]:
    return tuple(
        (
            float(row["chloride_mg_l"]),
            float(row["steel_304_to_c"]) if row["steel_304_to_c"] else None,
            float(row["steel_316_to_c"]) if row["steel_316_to_c"] else None,
        )
        for row in read_table("steel.csv")
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SteelGuidance(Shown):
    """How hot common stainless steels may get with so much chloride, as one source has it."""

    chloride_mg_l: float
    """Chloride in the water touching the steel (mg/L)."""

    steel_304_to_c: float | None
    """Highest temperature for 304 (°C); None where the source gives none."""

    steel_316_to_c: float | None
    """Highest temperature for 316 (°C); None where the source gives none."""


@checked(WaterError)
def steel_guidance(chloride_mg_l: float) -> SteelGuidance:
    """Guidance for a chloride content, from the next higher row of the table.

    Parameters
    ----------
    chloride_mg_l : float
        Chloride in the water touching the steel (mg/L).

    Raises
    ------
    WaterError
        If the chloride is negative or no number.

    Examples
    --------
    >>> found = steel_guidance(57)
    >>> found.steel_304_to_c, found.steel_316_to_c
    (None, 120.0)
    """
    if not (is_finite(chloride_mg_l) and chloride_mg_l >= 0):
        raise WaterError(
            f"chloride_mg_l must be a number of at least 0, got {chloride_mg_l!r}.",
            field="chloride_mg_l",
        )
    hottest_316 = max(limit for _, _, limit in _table() if limit is not None)
    for chloride, limit_304, limit_316 in _table():
        if chloride_mg_l <= chloride:
            return SteelGuidance(
                chloride_mg_l=chloride_mg_l,
                steel_304_to_c=limit_304,
                steel_316_to_c=limit_316 if limit_316 is not None else hottest_316,
            )
    return SteelGuidance(chloride_mg_l=chloride_mg_l, steel_304_to_c=None, steel_316_to_c=None)


def sulfate_share_for(water: Water, chloride_mg_l: float) -> float | None:
    """Share of the hardness to dose as sulfate instead, to bring chloride down to a figure.

    Returns
    -------
    share : float or None
        0 to 1; None if the hardness did not bring that much, because chloride came with sodium or
        potassium, of which the bicarbonate takes its part first.
    """
    too_much = water.ions_mg_l.get("Cl", 0.0) - chloride_mg_l
    if too_much <= 0:
        return 0.0
    of_table_salt = water.sodium_mmol_l + water.potassium_mmol_l
    of_table_salt -= water.alkalinity_mg_l_caco3 / MG_L_CACO3_PER_MEQ
    if too_much > _CHLORIDE_G_MOL * (water.chloride_mmol_l - max(0.0, of_table_salt)):
        return None
    share = too_much / max(_CHLORIDE_PER_HARDNESS * water.hardness_mg_l_caco3, 1e-30)
    return share if share <= 1 else None
