"""What follows from ions by arithmetic alone, for one water or for many at once.

Every function takes ion vectors (mmol/L) in the order of :data:`labkit.water.IONS`, of shape
(n_ions,) or (n, n_ions), and returns one figure a water.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from labkit.water.figures import figure
from labkit.water.salts.ions import ALKALINITY_EQ, CHARGES, INDEX, MOLAR_MASSES, TITRATABLE_EQ
from labkit.water.units import CACO3_G_MOL, MG_L_CACO3_PER_MEQ

Vectors = NDArray[np.float64]
"""Ion vectors, one a row, or a single one."""

DRY_RESIDUE_BICARBONATE = 0.4917
"""Share of bicarbonate's mass left as carbonate after drying at 180 °C (2 HCO3 -> CO3)."""


def calcium_hardness(ions_mmol_l: Vectors) -> NDArray[np.float64]:
    """Calcium as mg/L CaCO3."""
    return np.asarray(ions_mmol_l[..., INDEX["Ca"]] * CACO3_G_MOL)


def magnesium_hardness(ions_mmol_l: Vectors) -> NDArray[np.float64]:
    """Magnesium as mg/L CaCO3."""
    return np.asarray(ions_mmol_l[..., INDEX["Mg"]] * CACO3_G_MOL)


def hardness(ions_mmol_l: Vectors) -> NDArray[np.float64]:
    """General hardness, calcium and magnesium, as mg/L CaCO3."""
    return np.asarray((ions_mmol_l[..., INDEX["Ca"]] + ions_mmol_l[..., INDEX["Mg"]]) * CACO3_G_MOL)


def mg_share(ions_mmol_l: Vectors) -> NDArray[np.float64]:
    """Magnesium's share of the hardness by moles; 0 without hardness."""
    magnesium = ions_mmol_l[..., INDEX["Mg"]]
    both = ions_mmol_l[..., INDEX["Ca"]] + magnesium
    return np.asarray(np.divide(magnesium, both, out=np.zeros_like(both), where=both > 0))


def sulfate_share(ions_mmol_l: Vectors) -> NDArray[np.float64]:
    """Sulfate's share of chloride and sulfate by charge; NaN where there is neither."""
    return _part(2 * ions_mmol_l[..., INDEX["SO4"]], ions_mmol_l[..., INDEX["Cl"]])


def potassium_share(ions_mmol_l: Vectors) -> NDArray[np.float64]:
    """Potassium's share of sodium and potassium by charge; NaN where there is neither."""
    return _part(ions_mmol_l[..., INDEX["K"]], ions_mmol_l[..., INDEX["Na"]])


def _part(one: Vectors, other: Vectors) -> NDArray[np.float64]:
    both = np.asarray(one + other, dtype=np.float64)
    return np.asarray(np.divide(one, both, out=np.full_like(both, np.nan), where=both > 0))


def ca_mg_ratio_text(mg_share: float, hardness_mg_l_caco3: float) -> str:
    """Calcium to magnesium by moles, as said at the bench.

    >>> ca_mg_ratio_text(0.25, 80), ca_mg_ratio_text(0.17, 80), ca_mg_ratio_text(0.0, 80)
    ('3:1', '4.9:1', 'all Ca')
    """
    if hardness_mg_l_caco3 == 0:
        return "no hardness"
    if mg_share == 0:
        return "all Ca"
    if mg_share == 1:
        return "all Mg"
    ratio = (1 - mg_share) / mg_share
    whole = Fraction(ratio).limit_denominator(5)
    small = 0 < max(whole.numerator, whole.denominator) <= 9
    if whole and small and abs(float(whole) - ratio) < 0.004 * ratio:
        return f"{whole.numerator}:{whole.denominator}"
    return f"{figure(ratio, 2)}:1" if ratio >= 1 else f"1:{figure(1 / ratio, 2)}"


def ca_mg_text(mg_share: float, hardness_mg_l_caco3: float) -> str:
    """Calcium and magnesium in mg/L as CaCO3, as they stand beside the ratio.

    >>> ca_mg_text(1 / 3, 100), ca_mg_text(0.7, 5)
    ('Ca 67, Mg 33', 'Ca 1.5, Mg 3.5')
    """
    magnesium = mg_share * hardness_mg_l_caco3
    return f"Ca {figure(hardness_mg_l_caco3 - magnesium, 2)}, Mg {figure(magnesium, 2)}"


def alkalinity(ions_mmol_l: Vectors) -> NDArray[np.float64]:
    """Alkalinity from bicarbonate, carbonate and hydroxide as mg/L CaCO3."""
    return np.asarray(ions_mmol_l @ ALKALINITY_EQ * MG_L_CACO3_PER_MEQ)


def titratable_alkalinity(ions_mmol_l: Vectors) -> NDArray[np.float64]:
    """What a titration to pH 4.5 finds as mg/L CaCO3, part of organic anions included."""
    return np.asarray(ions_mmol_l @ TITRATABLE_EQ * MG_L_CACO3_PER_MEQ)


def charge_balance(ions_mmol_l: Vectors) -> NDArray[np.float64]:
    """Positive minus negative charge (meq/L)."""
    return np.asarray(ions_mmol_l @ CHARGES)


def sum_of_ions(ions_mmol_l: Vectors) -> NDArray[np.float64]:
    """Total dissolved solids as the sum of all ions (mg/L)."""
    return np.asarray(ions_mmol_l @ MOLAR_MASSES)


def dry_residue_180c(ions_mmol_l: Vectors) -> NDArray[np.float64]:
    """Total dissolved solids as the residue on drying at 180 °C (mg/L), calculated."""
    bicarbonate = ions_mmol_l[..., INDEX["HCO3"]] * MOLAR_MASSES[INDEX["HCO3"]]
    return np.asarray(sum_of_ions(ions_mmol_l) - bicarbonate * (1 - DRY_RESIDUE_BICARBONATE))
