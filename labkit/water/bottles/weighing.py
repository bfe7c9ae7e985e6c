"""Weighing a salt for a bottle: the mass, what the balance adds in error, and what mends it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from labkit.boundary import checked
from labkit.errors import ConcentrateError
from labkit.shown import Shown
from labkit.water.bottles.concentrates import Concentrate, check_balance, check_volume
from labkit.water.figures import figure
from labkit.water.salts.table import Salt

NOTABLE_ERROR_PERCENT = 1.0
"""Error of one digit of the balance above which a larger batch is advised (%)."""

_BATCH_STEP_ML = 50.0


def digits_of(step: float) -> int:
    """Decimals that a reading in such steps shows.

    Parameters
    ----------
    step : float
        Such as the step of a balance (g).

    Examples
    --------
    >>> digits_of(0.01), digits_of(0.5), digits_of(1.0)
    (2, 1, 0)
    """
    for digits in range(9):
        if abs(round(step, digits) - step) < 1e-9:
            return digits
    return 9


def to_step(amount: float, step: float) -> float:
    """The amount rounded to whole steps of a balance, pipette or syringe."""
    return round(round(amount / step) * step, 9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighing(Shown):
    """What to weigh for one bottle."""

    salt: Salt
    """As on the label, hydrate included."""

    purity: float
    """Share of the weighed mass that is the salt as labelled."""

    volume_ml: float
    """Volume of the finished bottle (mL)."""

    exact_g: float
    """Mass before rounding (g)."""

    balance_g: float
    """Last digit of the balance (g)."""

    @property
    def mass_g(self) -> float:
        """Mass to weigh, rounded to the balance (g)."""
        return to_step(self.exact_g, self.balance_g)

    @property
    def error_percent(self) -> float:
        """What one digit of the balance is of the mass (%)."""
        return 100 * self.balance_g / self.exact_g

    @property
    def mending_volume_ml(self) -> float | None:
        """Smallest batch with at most 1 % error (mL), in steps of 50; None if this one will do."""
        if self.error_percent <= NOTABLE_ERROR_PERCENT:
            return None
        needed = self.volume_ml * self.error_percent / NOTABLE_ERROR_PERCENT
        return math.ceil(needed / _BATCH_STEP_ML - 1e-9) * _BATCH_STEP_ML

    @property
    def bottle(self) -> Concentrate:
        """The bottle that the rounded mass makes."""
        return Concentrate.from_weighing(
            salt=self.salt,
            weighed_g=self.mass_g,
            volume_ml=self.volume_ml,
            purity=self.purity,
            balance_g=self.balance_g,
        )


@checked(ConcentrateError, own_numbers=True)
def plan_weighing(
    *,
    salt: Salt,
    volume_ml: float,
    strength_mg_l_caco3_per_ml: float = 1.0,
    purity: float = 1.0,
    balance_g: float = 0.01,
) -> Weighing:
    """What to weigh for a bottle of this strength, with the balance's error.

    Parameters
    ----------
    salt : Salt
        As on the label, hydrate included.
    volume_ml : float
        Volume of the finished bottle (mL).
    strength_mg_l_caco3_per_ml : float
        What 1 mL in a litre shall add (mg/L as CaCO3).
    purity : float
        Share of the weighed mass that is the salt as labelled.
    balance_g : float
        Last digit of the balance (g).

    Raises
    ------
    ConcentrateError
        If a figure is impossible, the salt dissolves less than that, or the mass is less than one
        digit of the balance.

    Examples
    --------
    >>> from labkit.water import salt
    >>> round(plan_weighing(salt=salt("KHCO3"), volume_ml=1000).exact_g, 3)
    2.001
    """
    check_balance(balance_g)
    check_volume(volume_ml)
    bottle = Concentrate.of_strength(
        salt=salt, strength_mg_l_caco3_per_ml=strength_mg_l_caco3_per_ml, purity=purity
    )
    exact = bottle.strength_g_l * volume_ml / 1000
    planned = Weighing(
        salt=salt, purity=purity, volume_ml=volume_ml, exact_g=exact, balance_g=balance_g
    )
    if exact < balance_g:
        raise ConcentrateError(
            f"the mass must be at least one digit of the balance ({balance_g:g} g), got "
            f"{figure(exact, 2)} g of {salt.label} for {figure(volume_ml)} mL: make at least "
            f"{planned.mending_volume_ml:.0f} mL, or weigh on a finer balance.",
            field="volume_ml",
        )
    return planned
