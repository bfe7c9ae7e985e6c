"""Properties of liquid water that the equilibria need: density, permittivity, viscosity."""

from __future__ import annotations

import math

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.water.given import is_finite

LOWEST_C, HIGHEST_C = 0.0, 130.0
"""Temperatures that may be asked for (°C); above 100 °C the water is under pressure."""

KELVIN = 273.15
"""0 °C (K)."""


def check_temperature(temperature_c: float) -> None:
    """Raise :class:`WaterError` outside the temperatures for which anything is known."""
    if not (is_finite(temperature_c) and LOWEST_C <= temperature_c <= HIGHEST_C):
        raise WaterError(
            f"temperature_c must be between {LOWEST_C:.0f} and {HIGHEST_C:.0f} °C, got "
            f"{temperature_c!r}: the equilibrium constants say nothing beyond.",
            field="temperature_c",
        )


@checked(WaterError)
def density_kg_l(temperature_c: float) -> float:
    """Density of pure water (kg/L), 0 to 150 °C.

    Parameters
    ----------
    temperature_c : float
        In °C.

    References
    ----------
    .. [1] Kell, G. S. (1975). J. Chem. Eng. Data 20, 97-105 (coefficients from memory).
    """
    t = temperature_c
    top = 999.83952 + t * (
        16.945176
        + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 - t * 280.54253e-12)))
    )
    return top / (1 + 16.879850e-3 * t) / 1000


def permittivity(temperature_c: float) -> float:
    """Relative permittivity of water, measured 0 to 100 °C.

    References
    ----------
    .. [1] Malmberg, C. G., Maryott, A. A. (1956). J. Res. NBS 56, 1-8 (from memory).
    """
    t = temperature_c
    return 87.740 + t * (-0.40008 + t * (9.398e-4 - t * 1.410e-6))


@checked(WaterError)
def viscosity_mpa_s(temperature_c: float) -> float:
    """Viscosity of water (mPa s), measured 0 to 100 °C.

    Parameters
    ----------
    temperature_c : float
        In °C.

    References
    ----------
    .. [1] Korson, L., Drost-Hansen, W., Millero, F. J. (1969). J. Phys. Chem. 73, 34-39
       (from memory).
    """
    t = temperature_c
    return float(1.002 * 10 ** ((1.1709 * (20 - t) - 0.001827 * (t - 20) ** 2) / (t + 89.93)))


def debye_hueckel(temperature_c: float) -> tuple[float, float]:
    """The two constants A (kg½/mol½) and B (kg½/mol½ per ångström) of Debye and Hückel."""
    heat = permittivity(temperature_c) * (temperature_c + KELVIN)
    root_density = math.sqrt(density_kg_l(temperature_c))
    return 1.8246e6 * root_density * heat**-1.5, 50.29 * root_density * heat**-0.5


def bjerrum_angstrom(temperature_c: float, *, charges: int) -> float:
    """Bjerrum's distance (ångström) of two ions, by the product of their charges.

    Closer than this two ions are a pair: e² z / (8 π ε k T).

    >>> round(bjerrum_angstrom(25.0, charges=4), 1)
    14.3
    """
    heat = permittivity(temperature_c) * (temperature_c + KELVIN)
    return 8.3550e4 * charges / heat
