"""Bottles and waters that several tests of this room use."""

from __future__ import annotations

from hypothesis import strategies as st

from labkit.water import Concentrate, Target, Water, salt


def bottles(*formulas: str, strength: float = 1.0) -> list[Concentrate]:
    """Bottles of these salts, single strength if not said otherwise."""
    return [
        Concentrate.of_strength(salt=salt(formula), strength_mg_l_caco3_per_ml=strength)
        for formula in formulas
    ]


def wanted(share: float, hardness: float, alkalinity: float) -> Target:
    """A target in one short line."""
    return Target(mg_share=share, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=alkalinity)


THREE = bottles("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3")
FIVE = bottles("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3", "MgSO4·7H2O", "NaHCO3")
HARD_TAP = Water.of_ions(
    {"Ca": 2.5, "Mg": 0.4, "Na": 0.7, "K": 0.07, "Cl": 1.0, "SO4": 0.55, "HCO3": 4.47}
)

AMOUNTS = st.floats(0.0, 5.0, allow_subnormal=False).map(lambda x: round(x, 6))
SALT_WATERS = st.builds(
    lambda a, b, c, d, e: Water(
        calcium_mmol_l=a,
        magnesium_mmol_l=b + c,
        chloride_mmol_l=2 * a + 2 * b,
        sulfate_mmol_l=c,
        sodium_mmol_l=d,
        potassium_mmol_l=e,
        bicarbonate_mmol_l=d + e,
    ),
    AMOUNTS,
    AMOUNTS,
    AMOUNTS,
    AMOUNTS,
    AMOUNTS,
)
TRACES = st.floats(0, 1e-6)
"""Amounts (mg/L as CaCO3) that no dose can follow: a solver's tolerance is of their size."""
TARGETS = st.builds(wanted, st.floats(0, 1), st.floats(0, 400) | TRACES, st.floats(0, 250) | TRACES)
