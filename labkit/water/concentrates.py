"""Concentrates: one salt dissolved to a known strength, and the grams that make it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.errors import ConcentrateError
from labkit.water.cautions import CAUTIONS
from labkit.water.html import figure, folded, notes, table
from labkit.water.salts import Salt

PURITY_BOUNDS = (0.3, 1.3)
"""Lowest and highest purity taken as real; above 1 the salt has partly dried out."""


def check_purity(purity: float) -> None:
    """Raise :class:`ConcentrateError` unless the purity can be real."""
    low, high = PURITY_BOUNDS
    if not (math.isfinite(purity) and low <= purity <= high):
        raise ConcentrateError(
            f"purity must be between {low} and {high}, where 1 is the pure salt as labelled, got "
            f"{purity!r}: give 98 % as 0.98."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Concentrate:
    """One salt dissolved to a known strength, ready to dose."""

    salt: Salt
    """As weighed, hydrate water included."""

    strength_g_l: float
    """Salt as weighed per litre of finished solution (g/L)."""

    purity: float = 1.0
    """Share of the weighed mass that is the salt as labelled; above 1 if it has dried out."""

    name: str = ""
    """What stands on the bottle; the salt's label if empty."""

    def __post_init__(self) -> None:
        """Refuse impossible strengths and purities."""
        check_purity(self.purity)
        if not (math.isfinite(self.strength_g_l) and self.strength_g_l > 0):
            raise ConcentrateError(
                f"strength_g_l must be above 0, got {self.strength_g_l!r}: give the grams of "
                f"{self.salt.label} in a litre of finished solution."
            )
        if not self.name:
            object.__setattr__(self, "name", self.salt.label)

    @classmethod
    def of_strength(
        cls,
        *,
        salt: Salt,
        strength_mg_l_caco3_per_ml: float = 1.0,
        purity: float = 1.0,
        name: str = "",
    ) -> Concentrate:
        """The bottle of which 1 mL in a litre adds this much (mg/L as CaCO3).

        >>> from labkit.water.salts import salt
        >>> round(Concentrate.of_strength(salt=salt("CaCl2·2H2O")).strength_g_l, 4)
        1.4688
        """
        strength = strength_needed_g_l(
            salt=salt, strength_mg_l_caco3_per_ml=strength_mg_l_caco3_per_ml, purity=purity
        )
        return cls(salt=salt, strength_g_l=strength, purity=purity, name=name)

    @classmethod
    def from_weighing(
        cls,
        *,
        salt: Salt,
        weighed_g: float,
        volume_ml: float,
        purity: float = 1.0,
        name: str = "",
    ) -> Concentrate:
        """The bottle got from what was actually weighed and made up to a volume."""
        check_volume(volume_ml)
        if not (math.isfinite(weighed_g) and weighed_g > 0):
            raise ConcentrateError(f"weighed_g must be above 0, got {weighed_g!r}.")
        return cls(salt=salt, strength_g_l=1000 * weighed_g / volume_ml, purity=purity, name=name)

    @property
    def strength_mmol_l(self) -> float:
        """Salt per litre (mmol/L)."""
        return 1000 * self.strength_g_l * self.purity / self.salt.molar_mass_g_mol

    @property
    def vector(self) -> NDArray[np.float64]:
        """Ions in the bottle (mmol/L), in the order of :data:`labkit.water.IONS`."""
        return self.strength_mmol_l * self.salt.vector

    @property
    def hardness_mg_l_caco3_per_ml(self) -> float:
        """Hardness that 1 mL in a litre adds (mg/L as CaCO3)."""
        return self.strength_g_l * self.purity * self.salt.hardness_mg_caco3_per_g / 1000

    @property
    def alkalinity_mg_l_caco3_per_ml(self) -> float:
        """Alkalinity that 1 mL in a litre adds (mg/L as CaCO3)."""
        return self.strength_g_l * self.purity * self.salt.alkalinity_mg_caco3_per_g / 1000

    @property
    def strength_mg_l_caco3_per_ml(self) -> float:
        """What 1 mL in a litre adds (mg/L as CaCO3): hardness, or else alkalinity."""
        return self.hardness_mg_l_caco3_per_ml or self.alkalinity_mg_l_caco3_per_ml

    def _repr_html_(self) -> str:
        """A small table for a notebook, with the cautions folded below."""
        rows = [
            ("salt", f"{self.salt.label}, {self.salt.name}"),
            ("purity", f"{100 * self.purity:.1f} %"),
            ("strength, g/L as weighed", figure(self.strength_g_l, 4)),
            ("strength, mmol/L", figure(self.strength_mmol_l, 4)),
            (
                "1 mL in 1 L adds, mg/L as CaCO3",
                figure(self.strength_mg_l_caco3_per_ml, 4),
            ),
            ("hazard", self.salt.hazard),
        ]
        return table(f"Concentrate: {self.name}", ("", "value"), rows) + folded(
            "Handle with care", notes(CAUTIONS["weighing"])
        )


def check_volume(volume_ml: float) -> None:
    """Raise :class:`ConcentrateError` unless the volume can be made."""
    if not (math.isfinite(volume_ml) and volume_ml > 0):
        raise ConcentrateError(
            f"volume_ml must be above 0, got {volume_ml!r}: give the volume of the finished bottle."
        )


def strength_needed_g_l(
    *, salt: Salt, strength_mg_l_caco3_per_ml: float = 1.0, purity: float = 1.0
) -> float:
    """Salt as weighed per litre (g/L) that gives a bottle this strength."""
    check_purity(purity)
    if not (math.isfinite(strength_mg_l_caco3_per_ml) and strength_mg_l_caco3_per_ml > 0):
        raise ConcentrateError(
            "strength_mg_l_caco3_per_ml must be above 0, got "
            f"{strength_mg_l_caco3_per_ml!r}: 1 is the usual strength, of which 1 mL in a litre "
            "adds 1 mg/L as CaCO3."
        )
    if not salt.strength_mg_caco3_per_g:
        raise ConcentrateError(
            f"{salt.label} adds {salt.role}, so its strength cannot be given as CaCO3: "
            "give strength_g_l instead."
        )
    return 1000 * strength_mg_l_caco3_per_ml / salt.strength_mg_caco3_per_g / purity


def grams_to_weigh(
    *,
    salt: Salt,
    volume_ml: float,
    strength_mg_l_caco3_per_ml: float = 1.0,
    purity: float = 1.0,
) -> float:
    """Grams of salt to weigh and make up to a volume.

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

    Returns
    -------
    grams : float
        Mass to weigh (g), not rounded to a balance.

    Raises
    ------
    ConcentrateError
        If a figure is impossible, or the salt dissolves less than that.

    Examples
    --------
    >>> from labkit.water.salts import salt
    >>> round(grams_to_weigh(salt=salt("KHCO3"), volume_ml=1000), 3)
    2.001
    """
    check_volume(volume_ml)
    bottle = Concentrate.of_strength(
        salt=salt, strength_mg_l_caco3_per_ml=strength_mg_l_caco3_per_ml, purity=purity
    )
    return bottle.strength_g_l * volume_ml / 1000
