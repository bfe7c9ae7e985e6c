"""Electrical conductivity from the species present, at any temperature of the bench.

Limiting ionic conductivities with the relaxation and electrophoretic terms of Debye, Hückel and
Onsager, summed for a mixture of ions; ion pairs carry their own, smaller charge. Calcium or
magnesium with sulfate or carbonate is a pair within Bjerrum's distance, free beyond it [1]_.

References
----------
.. [1] Justice, J.-C. (1971). An interpretation for the distance parameter of the Fuoss-Onsager
   conductance equation in the case of ionic association. Electrochim. Acta 16, 701-712 (from
   memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.water.chemistry.constants import species_table
from labkit.water.chemistry.equilibrium import MIXED_AT_C, Equilibrium, Totals, equilibrate
from labkit.water.chemistry.liquid import (
    KELVIN,
    bjerrum_angstrom,
    debye_hueckel,
    density_kg_l,
    permittivity,
    viscosity_mpa_s,
)
from labkit.water.salts.ions import CHARGES, INDEX, ion_table

PLAIN_ACCURACY_PERCENT = 5.0
"""How far a water without sulfate may lie from any such formula at 25 °C (%), from measured
groundwaters (Stuyfzand 1987)."""

SULFATE_DOUBT_PERCENT = 4.0
"""What is added where sulfate carries all the negative charge (%), and of it the share that sulfate
carries: published formulas part there. With it PHREEQC 3.8.6 lies inside for 95 in 100 waters."""

WARMTH_DOUBT_PERCENT_PER_C = 0.1
"""What is added for each degree from 25 °C (%): formulas part there too."""

AIR_US_CM = 1.0
"""What CO2 from air alone gives pure water (µS/cm, computed 0.99 at 420 µatm)."""

# Onsager's limiting slopes in water at 25 °C (from memory), per square root of ionic strength: a
# share of each limiting conductivity, and S cm2/eq.
_RELAXATION = 0.785
_ELECTROPHORESIS = 30.3
_CLOSENESS = 1.3


@checked(WaterError)
def conductivity_us_cm(
    ions_mmol_l: NDArray[np.float64],
    temperature_c: float = MIXED_AT_C,
    *,
    co2_atm: float | None = None,
) -> NDArray[np.float64]:
    """Conductivity of waters (µS/cm) at a temperature.

    Parameters
    ----------
    ions_mmol_l : ndarray, shape (n, n_ions) or (n_ions,)
        Ions in the order of :data:`labkit.water.IONS`.
    temperature_c : float
        Temperature of the water (°C).
    co2_atm : float, optional
        Pressure of CO2 above the water (atm); freshly mixed and closed to air if not given.

    Returns
    -------
    conductivity : ndarray, shape (n,)
        True conductivity at that temperature, not brought to 25 °C.
    """
    vectors = np.atleast_2d(ions_mmol_l)
    rest = equilibrate(Totals.of_ions(vectors), temperature_c, co2_atm=co2_atm)
    return conductivity_of(rest, vectors)


def accuracy_percent(
    ions_mmol_l: NDArray[np.float64], temperature_c: float = MIXED_AT_C
) -> NDArray[np.float64]:
    """How far measured waters may lie from :func:`conductivity_us_cm` (%), shape (n,).

    Parameters
    ----------
    ions_mmol_l : ndarray, shape (n, n_ions) or (n_ions,)
        Ions in the order of :data:`labkit.water.IONS`.
    temperature_c : float
        Temperature of the water (°C).
    """
    vectors = np.atleast_2d(ions_mmol_l)
    negative = vectors @ np.maximum(-CHARGES, 0.0)
    sulfate = 2 * vectors[:, INDEX["SO4"]] / np.maximum(negative, 1e-30)
    away = WARMTH_DOUBT_PERCENT_PER_C * abs(temperature_c - MIXED_AT_C)
    found: NDArray[np.float64] = PLAIN_ACCURACY_PERCENT + away + SULFATE_DOUBT_PERCENT * sulfate
    return found


def conductivity_of(
    equilibrium: Equilibrium, ions_mmol_l: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Conductivity (µS/cm) of waters at rest, shape (n,); ``ions_mmol_l`` adds the spectators."""
    t = equilibrium.temperature_c
    table = species_table()
    spectators = [ion_table()[name] for name in ("Cl", "NO3", "citrate", "lactate", "gluconate")]
    others = np.atleast_2d(ions_mmol_l)[:, [INDEX[ion.symbol] for ion in spectators]]
    litre = density_kg_l(t)
    others = others * litre / density_kg_l(MIXED_AT_C)
    amounts = np.concatenate([equilibrium.molality * 1000 * litre, others], axis=1)
    charge = np.concatenate([table.charge, [float(ion.charge) for ion in spectators]])
    fluidity = viscosity_mpa_s(MIXED_AT_C) / viscosity_mpa_s(t)
    limiting = np.concatenate(
        [
            table.limiting_conductivity_s_cm2_eq * fluidity**table.walden_exponent,
            [
                ion.limiting_conductivity_s_cm2_eq * fluidity**ion.walden_exponent
                for ion in spectators
            ],
        ]
    )
    warmth = (permittivity(MIXED_AT_C) * (MIXED_AT_C + KELVIN)) / (permittivity(t) * (t + KELVIN))
    relaxation = _RELAXATION * warmth**1.5
    drag = _ELECTROPHORESIS * fluidity * math.sqrt(warmth)
    root = np.sqrt(equilibrium.ionic_strength)

    equivalents = amounts * np.abs(charge)
    plus, minus = charge > 0, charge < 0
    twice = np.abs(charge) == 2
    side, paired = {}, {}
    for name, mask in (("plus", plus), ("minus", minus)):
        moles = np.maximum(amounts[:, mask].sum(axis=1), 1e-30)
        load = np.maximum(equivalents[:, mask].sum(axis=1), 1e-30)
        side[name] = (load / moles, (equivalents[:, mask] @ limiting[mask]) / load)
        paired[name] = equivalents[:, mask & twice].sum(axis=1) / load
    (z_plus, l_plus), (z_minus, l_minus) = side["plus"], side["minus"]
    q = z_plus * z_minus / (z_plus + z_minus) * (l_plus + l_minus)
    q = q / (z_plus * l_minus + z_minus * l_plus)
    slowing = relaxation * q / (1 + np.sqrt(q))
    opposite = np.where(plus, z_minus[:, None], z_plus[:, None])
    # What comes closer than Bjerrum's distance is a pair already, and must not slow twice.
    far = root / (1 + _CLOSENESS * root)
    near = root / (1 + debye_hueckel(t)[1] * bjerrum_angstrom(t, charges=4) * root)
    partners = np.where(plus, paired["minus"][:, None], paired["plus"][:, None])
    crowding = far[:, None] - np.where(twice, partners, 0.0) * (far - near)[:, None]
    mobile = limiting - crowding * np.abs(charge) * (slowing[:, None] * opposite * limiting + drag)
    found: NDArray[np.float64] = (equivalents * np.maximum(mobile, 0.0)).sum(axis=1)
    return found
