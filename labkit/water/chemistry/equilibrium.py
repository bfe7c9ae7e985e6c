"""Chemical equilibrium of many waters at once: species, pH and mineral saturation.

The species are those of the constants' table; chloride, nitrate and organic anions are counted
in the ionic strength only. Waters may exchange CO2 with a gas and settle with calcite.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.errors import WaterError
from labkit.water.chemistry.constants import (
    COMPONENTS,
    ConstantSet,
    formation_log_k,
    log_k,
    species_table,
)
from labkit.water.chemistry.liquid import check_temperature, debye_hueckel, density_kg_l
from labkit.water.salts.ions import ALKALINITY_EQ, CHARGES, INDEX

AIR_CO2_ATM = 420e-6
"""CO2 in outdoor air (atm); indoor air holds more."""

MIXED_AT_C = 25.0
"""Temperature at which concentrations per litre are meant (°C)."""

_LN10 = float(np.log(10.0))
_NOTHING = 1e-15
_H, _CO3 = COMPONENTS.index("H"), COMPONENTS.index("CO3")
MINERALS: dict[str, tuple[int, int]] = {
    name: (COMPONENTS.index(metal), COMPONENTS.index(anion))
    for name, metal, anion in (
        ("calcite", "Ca", "CO3"),
        ("aragonite", "Ca", "CO3"),
        ("gypsum", "Ca", "SO4"),
        ("nesquehonite", "Mg", "CO3"),
    )
}
"""Minerals and the places of their two components."""

_SPECTATORS = np.array(
    [symbol in ("Cl", "NO3", "citrate", "lactate", "gluconate") for symbol in INDEX]
)
_MOST_STEPS = 200
_TOLERANCE = 1e-9
_SETTLED = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """What a batch of waters holds of each component, in mol per kg of water."""

    components: NDArray[np.float64]
    """Totals of H, Ca, Mg, Na, K, SO4, CO3, shape (n, 7); H is acidity over carbonate."""

    spectator_strength: NDArray[np.float64]
    """Part of the ionic strength from ions that form nothing (mol/kg), shape (n,)."""

    @classmethod
    def of_ions(cls, ions_mmol_l: NDArray[np.float64]) -> Totals:
        """Totals of waters given as ions.

        The salts are taken as dissolved in water free of CO2.

        Parameters
        ----------
        ions_mmol_l : ndarray, shape (n_waters, n_ions) or (n_ions,)
            Ions (mmol/L), in the order of :data:`labkit.water.IONS`.

        Returns
        -------
        Totals
            One row a water (mol/kg).
        """
        molal = np.atleast_2d(ions_mmol_l) / 1000 / density_kg_l(MIXED_AT_C)
        carbon = molal[:, INDEX["HCO3"]] + molal[:, INDEX["CO3"]]
        acidity = 2 * carbon - molal @ ALKALINITY_EQ
        columns = [acidity]
        columns += [molal[:, INDEX[name]] for name in COMPONENTS[1:-1]]
        columns.append(carbon)
        strength = 0.5 * molal[:, _SPECTATORS] @ CHARGES[_SPECTATORS] ** 2
        return cls(components=np.stack(columns, axis=1), spectator_strength=strength)


@dataclass(frozen=True, slots=True, kw_only=True)
class Equilibrium:
    """A batch of waters at rest, one row a water."""

    temperature_c: float
    """Temperature (°C)."""

    constants: ConstantSet
    """Set of constants used."""

    ln_activity: NDArray[np.float64]
    """Natural logarithm of the components' activities, shape (n, 7)."""

    molality: NDArray[np.float64]
    """Species (mol/kg), shape (n, n_species)."""

    ionic_strength: NDArray[np.float64]
    """Ionic strength (mol/kg), shape (n,)."""

    settled: Totals
    """What is dissolved now, after gas and calcite have come and gone."""

    @property
    def ph(self) -> NDArray[np.float64]:
        """pH, shape (n,)."""
        return -self.ln_activity[:, _H] / _LN10

    def saturation_index(self, mineral: str) -> NDArray[np.float64]:
        """Saturation index of one of :data:`MINERALS`, shape (n,).

        0 is saturation, 1 is ten times the ion product at saturation; minus infinity where the
        water holds none of the mineral's ions.
        """
        one, other = MINERALS[mineral]
        index = (self.ln_activity[:, one] + self.ln_activity[:, other]) / _LN10 - log_k(
            mineral, self.temperature_c, self.constants
        )
        total = self.settled.components
        missing = np.minimum(total[:, one], total[:, other]) < 10 * _NOTHING
        return np.where(missing, -np.inf, index)


def equilibrate(
    totals: Totals,
    temperature_c: float = MIXED_AT_C,
    *,
    constants: ConstantSet = "1982",
    co2_atm: float | None = None,
    mineral: str | None = None,
) -> Equilibrium:
    """Let a batch of waters come to rest.

    Parameters
    ----------
    totals : Totals
        What they hold.
    temperature_c : float
        Temperature (°C), 0 to 130.
    constants : {"1982", "2024"}
        Set of constants.
    co2_atm : float, optional
        Pressure of CO2 above the water (atm); closed to gas if not given.
    mineral : str, optional
        One of :data:`MINERALS`, there to dissolve or to grow until it is at saturation. A water
        below saturation then comes out with more of it than it had.

    Raises
    ------
    WaterError
        If the temperature is out of range, or the iteration does not settle.

    Notes
    -----
    With the activities' logarithms x as unknowns, the mass balances are the gradient of a convex
    function, so that Newton's method with bounded steps finds the one solution. A gas or mineral
    at fixed activity removes an unknown: x = x0 + N y, and only N^T of the balances must hold.
    """
    check_temperature(temperature_c)
    table = species_table()
    logs = formation_log_k(temperature_c, constants)
    offset, free = _constraints(temperature_c, constants, co2_atm, mineral)
    total = np.where(
        np.abs(totals.components) < _NOTHING,
        np.array([0.0] + [_NOTHING] * (len(COMPONENTS) - 1)),
        totals.components,
    )
    n = len(total)
    y = (_first_guess(total) - offset) @ np.linalg.pinv(free).T
    x = offset + y @ free.T
    molality = np.zeros((n, len(logs)))
    ln_gamma = np.zeros((n, len(logs)))
    strength = totals.spectator_strength.copy()
    reduced = table.parts @ free
    goal = total @ free
    scale_parts = np.abs(reduced)
    width = reduced.shape[1]
    products = (reduced[:, :, None] * reduced[:, None, :]).reshape(len(logs), -1)
    squares = table.charge**2
    running = np.arange(n)
    for _ in range(_MOST_STEPS):
        ln_gamma[running] = _ln_gamma(strength[running], temperature_c)
        # Far from the solution a species may overshoot: 150 mol/kg is more than any water holds.
        c = np.exp(np.minimum(logs * _LN10 + x[running] @ table.parts.T - ln_gamma[running], 5.0))
        bystanders = totals.spectator_strength[running]
        found_strength = bystanders + 0.5 * c @ squares
        shift = np.abs(found_strength - strength[running]) / (found_strength + 1e-12)
        molality[running] = c
        miss = c @ reduced - goal[running]
        done = (np.abs(miss) <= _TOLERANCE * (c @ scale_parts)).all(axis=1) & (shift < _SETTLED)
        jacobian = (c @ products).reshape(-1, width, width)
        # Scaled to ones on the diagonal: trace ions beside major ones leave it ill-conditioned.
        root = 1 / np.sqrt(np.einsum("nii->ni", jacobian))
        scaled = jacobian * root[:, :, None] * root[:, None, :]
        step = -root * np.linalg.solve(scaled, (root * miss)[:, :, None])[:, :, 0]
        longest = np.abs(step).max(axis=1, keepdims=True)
        step *= np.minimum(1.0, 3.0 / np.maximum(longest, 1e-30))
        y[running] += step
        x[running] = offset + y[running] @ free.T
        # The ionic strength to come, so that activities do not lag a step behind the species.
        ahead = c * (1 + np.clip(step @ reduced.T, -0.5, 0.5))
        strength[running] = np.minimum(
            bystanders + 0.5 * ahead @ squares, 2 * strength[running] + 1e-3
        )
        running = running[~done]
        if not len(running):
            break
    else:
        raise WaterError(
            f"the equilibrium of {len(running)} of {n} waters did not settle at "
            f"{temperature_c:g} °C: check their ions, which may be far too strong."
        )
    settled = Totals(
        components=molality @ table.parts, spectator_strength=totals.spectator_strength
    )
    return Equilibrium(
        temperature_c=temperature_c,
        constants=constants,
        ln_activity=x,
        molality=molality,
        ionic_strength=strength,
        settled=settled,
    )


def _constraints(
    temperature_c: float, constants: ConstantSet, co2_atm: float | None, mineral: str | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Offset x0 (7,) and directions N (7, n_free) of the activities still free."""
    free = np.eye(len(COMPONENTS))
    offset = np.zeros(len(COMPONENTS))
    fixed = []
    if co2_atm is not None:
        offset[_CO3] = np.log(co2_atm) + _LN10 * (
            log_k("gas CO2", temperature_c, constants) - log_k("CO2", temperature_c, constants)
        )
        # CO2 + H2O = CO3 + 2 H: at fixed CO2, carbonate's activity follows from that of H.
        free[_CO3] = -2 * free[_H]
        fixed.append(_CO3)
    if mineral is not None:
        metal, anion = MINERALS[mineral]
        kept, bound = (anion, metal) if anion in fixed else (metal, anion)
        offset[bound] = _LN10 * log_k(mineral, temperature_c, constants) - offset[kept]
        free[bound] = -free[kept]
        fixed.append(bound)
    return offset, np.delete(free, fixed, axis=1)


def _first_guess(total: NDArray[np.float64]) -> NDArray[np.float64]:
    guess = np.log(np.maximum(np.abs(total), _NOTHING))
    guess[:, _H] = -8 * _LN10
    # At that pH most carbon is bicarbonate, and roughly a hundredth of it carbonate.
    guess[:, _CO3] -= 2 * _LN10
    return guess


def _ln_gamma(strength: NDArray[np.float64], temperature_c: float) -> NDArray[np.float64]:
    """Truesdell & Jones (1974); slope 0.1 for uncharged species."""
    table = species_table()
    a, b = debye_hueckel(temperature_c)
    root = np.sqrt(strength)[:, None]
    log = -a * table.charge**2 * root / (1 + b * table.size_angstrom * root)
    return _LN10 * (log + table.slope_b * strength[:, None])
