"""Concentrates: one salt dissolved to a known strength, weighed or measured."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import ConcentrateError
from labkit.shown import Shown
from labkit.water.bottles.solubility import solubility_limit_g_l, solution_density_kg_l
from labkit.water.figures import figure
from labkit.water.given import is_finite
from labkit.water.salts.table import Salt
from labkit.water.uncertainty import expanded

ASSAY_HALF_WIDTH_PERCENT = 1.0
"""How far a food-grade salt is taken to lie from its stated purity (%), common practice."""

NOTABLE_DIFFERENCE_PERCENT = 5.0
"""Difference between weighed and measured strength that is worth a remark (%)."""

SLOW_PERCENT = 50.0
"""Share of saturation above which a salt dissolves slowly (%), common practice."""

MOST_G_L = 1500.0
"""Strength that no bottle reaches, whatever the salt (g/L)."""

PURITY_BOUNDS = (0.3, 1.3)
"""Lowest and highest purity taken as real; above 1 the salt has partly dried out."""


def check_purity(purity: float) -> None:
    """Raise :class:`ConcentrateError` unless the purity can be real."""
    low, high = PURITY_BOUNDS
    if not (is_finite(purity) and low <= purity <= high):
        raise ConcentrateError(
            f"purity must be between {low} and {high}, where 1 is the pure salt as labelled, got "
            f"{purity!r}: give 98 % as 0.98.",
            field="purity",
        )


@checked(ConcentrateError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredStrength:
    """What a test of the bottle found, which goes before what was weighed."""

    strength_mg_l_caco3_per_ml: float
    """What 1 mL in a litre adds (mg/L as CaCO3)."""

    method: str
    """How it was measured, as in "hardness titration" or "conductivity"."""

    uncertainty_percent: float
    """Expanded uncertainty, k = 2 (%)."""

    def __post_init__(self) -> None:
        """Refuse impossible figures."""
        for field in ("strength_mg_l_caco3_per_ml", "uncertainty_percent"):
            value = getattr(self, field)
            if not (is_finite(value) and value > 0):
                raise ConcentrateError(f"{field} must be above 0, got {value!r}.", field=field)


@checked(ConcentrateError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class Concentrate(Shown):
    """One salt dissolved to a known strength, ready to dose."""

    salt: Salt
    """As weighed, hydrate water included."""

    strength_g_l: float
    """Salt as weighed per litre of finished solution (g/L)."""

    purity: float = 1.0
    """Share of the weighed mass that is the salt as labelled; above 1 if it has dried out."""

    name: str = ""
    """What stands on the bottle; the salt's label if empty."""

    weighing_uncertainty_percent: float = expanded(ASSAY_HALF_WIDTH_PERCENT)
    """Expanded uncertainty (k = 2) of the strength as weighed, from assay and balance (%)."""

    measured: MeasuredStrength | None = None
    """What a test of the bottle found; the weighed strength is kept beside it."""

    def __post_init__(self) -> None:
        """Refuse impossible strengths and purities, and more salt than dissolves."""
        check_purity(self.purity)
        if not (
            is_finite(self.weighing_uncertainty_percent) and self.weighing_uncertainty_percent >= 0
        ):
            raise ConcentrateError(
                "weighing_uncertainty_percent must be at least 0, got "
                f"{self.weighing_uncertainty_percent!r}.",
                field="weighing_uncertainty_percent",
            )
        if not (is_finite(self.strength_g_l) and self.strength_g_l > 0):
            raise ConcentrateError(
                f"strength_g_l must be above 0, got {self.strength_g_l!r}: give the grams of "
                f"{self.salt.label} in a litre of finished solution.",
                field="strength_g_l",
            )
        if self.strength_g_l > MOST_G_L:
            raise ConcentrateError(
                f"strength_g_l must be at most {MOST_G_L:.0f}, got {self.strength_g_l:g}: "
                "no bottle holds more, so check the unit.",
                field="strength_g_l",
            )
        limit = solubility_limit_g_l(self.salt)
        if limit is not None and self.strength_g_l * self.purity > limit:
            raise ConcentrateError(
                f"strength_g_l must be above 0 and at most {figure(limit / self.purity)} for "
                f"{self.salt.label} (its solubility at 20 °C), got {figure(self.strength_g_l, 4)}: "
                "make a weaker bottle and dose more of it.",
                field="strength_g_l",
            )
        if self.measured is not None and not self.salt.strength_mg_caco3_per_g:
            raise ConcentrateError(
                f"{self.salt.label} adds {self.salt.role}, so its strength cannot be measured as "
                "CaCO3.",
                field="measured",
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
        """The bottle of a wanted strength.

        Parameters
        ----------
        salt : Salt
            As weighed, hydrate water included.
        strength_mg_l_caco3_per_ml : float
            What 1 mL in a litre adds (mg/L as CaCO3).
        purity : float
            1 = as labelled.
        name : str
            What stands on the bottle.

        Raises
        ------
        ConcentrateError
            If a figure is impossible, or the salt adds neither hardness nor alkalinity.

        Examples
        --------
        >>> from labkit.water import salt
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
        balance_g: float = 0.01,
        assay_half_width_percent: float = ASSAY_HALF_WIDTH_PERCENT,
    ) -> Concentrate:
        """The bottle got from what was actually weighed and made up to a volume.

        Parameters
        ----------
        salt : Salt
            As on the label, hydrate included.
        weighed_g : float
            What the balance showed (g).
        volume_ml : float
            Volume of the finished bottle (mL).
        purity : float
            Share of the weighed mass that is the salt as labelled.
        name : str
            What stands on the bottle.
        balance_g : float
            Last digit of the balance (g).
        assay_half_width_percent : float
            How far the purity may be off (%).

        Raises
        ------
        ConcentrateError
            If a figure is impossible, or so much does not dissolve.
        """
        check_volume(volume_ml)
        check_balance(balance_g)
        if not (is_finite(weighed_g) and weighed_g > 0):
            raise ConcentrateError(
                f"weighed_g must be above 0, got {weighed_g!r}.", field="weighed_g"
            )
        digit_percent = 100 * balance_g / weighed_g
        return cls(
            salt=salt,
            strength_g_l=1000 * weighed_g / volume_ml,
            purity=purity,
            name=name,
            weighing_uncertainty_percent=expanded(digit_percent, assay_half_width_percent),
        )

    def with_measured(self, measured: MeasuredStrength) -> Concentrate:
        """The same bottle, dosed by what a test of it found.

        Parameters
        ----------
        measured : MeasuredStrength
            What the test found.
        """
        return replace(self, measured=measured)

    @property
    def weighed_strength_mg_l_caco3_per_ml(self) -> float:
        """What 1 mL in a litre adds by weighing (mg/L as CaCO3)."""
        return self.strength_g_l * self.purity * self.salt.strength_mg_caco3_per_g / 1000

    @property
    def correction(self) -> float:
        """Measured over weighed strength; 1 if nothing was measured."""
        if self.measured is None:
            return 1.0
        weighed = self.weighed_strength_mg_l_caco3_per_ml
        return self.measured.strength_mg_l_caco3_per_ml / weighed

    @property
    def uncertainty_percent(self) -> float:
        """Expanded uncertainty (k = 2) of the strength in use (%)."""
        if self.measured is None:
            return self.weighing_uncertainty_percent
        return self.measured.uncertainty_percent

    @property
    def saturation_percent(self) -> float | None:
        """How far the bottle is on its way to saturation at 20 °C (%); None if not known."""
        limit = solubility_limit_g_l(self.salt)
        return None if limit is None else 100 * self.strength_g_l * self.purity / limit

    @property
    def differs_notably(self) -> bool:
        """Whether the test found much more or less than was weighed."""
        return abs(100 * (self.correction - 1)) > NOTABLE_DIFFERENCE_PERCENT

    @property
    def dissolves_slowly(self) -> bool:
        """Whether the bottle is more than half way to saturation."""
        return (self.saturation_percent or 0.0) > SLOW_PERCENT

    @property
    def density_kg_l(self) -> float:
        """Density at 20 °C (kg/L), to turn a dose in mL into grams."""
        return solution_density_kg_l(self.vector)

    @property
    def strength_mmol_l(self) -> float:
        """Salt per litre (mmol/L), by measurement if there is one."""
        weighed = 1000 * self.strength_g_l * self.purity / self.salt.molar_mass_g_mol
        return weighed * self.correction

    @property
    def vector(self) -> NDArray[np.float64]:
        """Ions in the bottle (mmol/L), in the order of :data:`labkit.water.IONS`."""
        return self.strength_mmol_l * self.salt.vector

    @property
    def hardness_mg_l_caco3_per_ml(self) -> float:
        """Hardness that 1 mL in a litre adds (mg/L as CaCO3)."""
        hardness = self.salt.hardness_mg_caco3_per_g * self.correction
        return self.strength_g_l * self.purity * hardness / 1000

    @property
    def alkalinity_mg_l_caco3_per_ml(self) -> float:
        """Alkalinity that 1 mL in a litre adds (mg/L as CaCO3)."""
        alkalinity = self.salt.alkalinity_mg_caco3_per_g * self.correction
        return self.strength_g_l * self.purity * alkalinity / 1000

    @property
    def strength_mg_l_caco3_per_ml(self) -> float:
        """What 1 mL in a litre adds (mg/L as CaCO3): hardness, or else alkalinity."""
        return self.hardness_mg_l_caco3_per_ml or self.alkalinity_mg_l_caco3_per_ml


def check_balance(balance_g: float) -> None:
    """Raise :class:`ConcentrateError` unless this can be a balance's last digit."""
    if not (is_finite(balance_g) and balance_g > 0):
        raise ConcentrateError(
            f"balance_g must be above 0, got {balance_g!r}: give the last digit the balance shows, "
            "as in 0.01.",
            field="balance_g",
        )


def check_volume(volume_ml: float) -> None:
    """Raise :class:`ConcentrateError` unless the volume can be made."""
    if not (is_finite(volume_ml) and volume_ml > 0):
        raise ConcentrateError(
            f"volume_ml must be above 0, got {volume_ml!r}: give the volume of the finished "
            "bottle.",
            field="volume_ml",
        )


@checked(ConcentrateError, own_numbers=True)
def strength_needed_g_l(
    *, salt: Salt, strength_mg_l_caco3_per_ml: float = 1.0, purity: float = 1.0
) -> float:
    """Salt as weighed per litre that gives a bottle this strength.

    Parameters
    ----------
    salt : Salt
        As weighed, hydrate water included.
    strength_mg_l_caco3_per_ml : float
        What 1 mL in a litre adds (mg/L as CaCO3).
    purity : float
        1 = as labelled.

    Returns
    -------
    float
        In g/L of finished solution.

    Raises
    ------
    ConcentrateError
        If a figure is impossible, or the salt adds neither hardness nor alkalinity.
    """
    check_purity(purity)
    if not (is_finite(strength_mg_l_caco3_per_ml) and strength_mg_l_caco3_per_ml > 0):
        raise ConcentrateError(
            "strength_mg_l_caco3_per_ml must be above 0, got "
            f"{strength_mg_l_caco3_per_ml!r}: 1 is the usual strength, of which 1 mL in a litre "
            "adds 1 mg/L as CaCO3.",
            field="strength_mg_l_caco3_per_ml",
        )
    if not salt.strength_mg_caco3_per_g:
        raise ConcentrateError(
            f"{salt.label} adds {salt.role}, so its strength cannot be given as CaCO3: "
            "give strength_g_l instead.",
            field="strength_mg_l_caco3_per_ml",
        )
    return 1000 * strength_mg_l_caco3_per_ml / salt.strength_mg_caco3_per_g / purity
