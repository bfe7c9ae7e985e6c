"""The true strength of a bottle, from a titration or a conductivity reading of a dilution."""

from __future__ import annotations

import math

import numpy as np

from labkit.boundary import checked
from labkit.errors import ConcentrateError
from labkit.water.bottles.concentrates import Concentrate, MeasuredStrength
from labkit.water.chemistry.conductivity import conductivity_us_cm
from labkit.water.given import is_finite
from labkit.water.jugs.readings import DROP_DOUBT_PERCENT, METER_ACCURACY_PERCENT
from labkit.water.uncertainty import expanded

SINGLE_SALT_ACCURACY_PERCENT = 1.0
"""Half-width of the conductivity formula on a dilute single salt (%), from handbook values."""


def _dilution(concentrate_ml: float, diluted_to_ml: float) -> float:
    if not (is_finite(concentrate_ml) and concentrate_ml > 0):
        raise ConcentrateError(
            f"concentrate_ml must be above 0, got {concentrate_ml!r}.", field="concentrate_ml"
        )
    if not (is_finite(diluted_to_ml) and diluted_to_ml >= concentrate_ml):
        raise ConcentrateError(
            f"diluted_to_ml must be at least the {concentrate_ml:g} mL taken from the bottle, got "
            f"{diluted_to_ml!r}.",
            field="diluted_to_ml",
        )
    return diluted_to_ml / concentrate_ml


@checked(ConcentrateError, own_numbers=True)
def strength_by_titration(
    concentrate: Concentrate,
    *,
    reading_mg_l_caco3: float,
    step_mg_l_caco3: float,
    concentrate_ml: float,
    diluted_to_ml: float,
    titrant_percent: float = DROP_DOUBT_PERCENT,
) -> Concentrate:
    """The bottle with the strength that a hardness or alkalinity titration found.

    Parameters
    ----------
    concentrate : Concentrate
        The bottle as weighed.
    reading_mg_l_caco3 : float
        What the titration of the dilution found (mg/L as CaCO3).
    step_mg_l_caco3 : float
        What one drop or one division is worth (mg/L as CaCO3).
    concentrate_ml, diluted_to_ml : float
        How much of the bottle was made up to what volume with pure water (mL).
    titrant_percent : float
        How far what a drop or a division is worth may be off (%); drops differ in size, a burette
        with a checked titrant is good to about 0.5 (common practice).

    Raises
    ------
    ConcentrateError
        If a figure is impossible.
    """
    dilution = _dilution(concentrate_ml, diluted_to_ml)
    for field, value in (
        ("reading_mg_l_caco3", reading_mg_l_caco3),
        ("step_mg_l_caco3", step_mg_l_caco3),
    ):
        if not (is_finite(value) and value > 0):
            raise ConcentrateError(f"{field} must be above 0, got {value!r}.", field=field)
    what = "hardness" if concentrate.salt.hardness_mg_caco3_per_g else "alkalinity"
    return concentrate.with_measured(
        MeasuredStrength(
            strength_mg_l_caco3_per_ml=reading_mg_l_caco3 * dilution / 1000,
            method=f"{what} titration",
            uncertainty_percent=expanded(
                100 * 0.5 * step_mg_l_caco3 / reading_mg_l_caco3, titrant_percent
            ),
        )
    )


@checked(ConcentrateError, own_numbers=True)
def strength_by_conductivity(
    concentrate: Concentrate,
    *,
    conductivity_25c_us_cm: float,
    concentrate_ml: float,
    diluted_to_ml: float,
) -> Concentrate:
    """The bottle with the strength that a conductivity reading found.

    Parameters
    ----------
    concentrate : Concentrate
        The bottle as weighed.
    conductivity_25c_us_cm : float
        Conductivity of the dilution at 25 °C (µS/cm), that of the pure water subtracted.
    concentrate_ml, diluted_to_ml : float
        How much of the bottle was made up to what volume with pure water (mL).

    Raises
    ------
    ConcentrateError
        If a figure is impossible, or no strength gives that reading.
    """
    from scipy.optimize import brentq  # loaded when first used: it is slow to load

    dilution = _dilution(concentrate_ml, diluted_to_ml)
    if not (is_finite(conductivity_25c_us_cm) and conductivity_25c_us_cm > 0):
        raise ConcentrateError(
            f"conductivity_25c_us_cm must be above 0, got {conductivity_25c_us_cm!r}.",
            field="conductivity_25c_us_cm",
        )
    weighed = concentrate.strength_g_l * concentrate.purity / concentrate.salt.molar_mass_g_mol
    one_mmol_l = concentrate.salt.vector

    def miss(log_mmol_l: float) -> float:
        shown = conductivity_us_cm(math.exp(log_mmol_l) * one_mmol_l)[0]
        return float(np.log(shown / conductivity_25c_us_cm))

    expected = math.log(1000 * weighed / dilution)
    reach = math.log(20)
    if miss(expected - reach) > 0 or miss(expected + reach) < 0:
        raise ConcentrateError(
            f"a conductivity of {conductivity_25c_us_cm:g} µS/cm is more than 20 times off what "
            f"was weighed (expected {math.exp(miss(expected)) * conductivity_25c_us_cm:.0f}): "
            "check the dilution and the meter's unit.",
            field="conductivity_25c_us_cm",
        )
    found = math.exp(brentq(miss, expected - reach, expected + reach, xtol=1e-10))
    ratio = found * dilution / (1000 * weighed)
    return concentrate.with_measured(
        MeasuredStrength(
            strength_mg_l_caco3_per_ml=ratio * concentrate.weighed_strength_mg_l_caco3_per_ml,
            method="conductivity",
            uncertainty_percent=expanded(SINGLE_SALT_ACCURACY_PERCENT, METER_ACCURACY_PERCENT),
        )
    )
