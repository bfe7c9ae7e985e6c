"""A wanted water: the three coordinates of the search space, and what is asked of its salts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.shown import Shown
from labkit.water.coordinates import COORDINATE, SALT_SHARES
from labkit.water.figures import figure
from labkit.water.given import is_finite
from labkit.water.units import CACO3_G_MOL, MG_L_CACO3_PER_MEQ
from labkit.water.waters.composition import ca_mg_ratio_text, ca_mg_text
from labkit.water.waters.water import Water

_ENDS: Final = {
    "sulfate_share": ("chloride", "sulfate"),
    "potassium_share": ("sodium", "potassium"),
}
"""What there is of a share of 0, and of a share of 1."""


@checked(WaterError)
def share_text(name: str, share: float, digits: int = 3) -> str:
    """A share of the salts in words.

    Parameters
    ----------
    name : str
        One of ``SALT_SHARES``.
    share : float
        0 to 1.
    digits : int
        Significant digits of the per cent.

    Examples
    --------
    >>> share_text("sulfate_share", 0), share_text("potassium_share", 0.5)
    ('all chloride', '50 % potassium')
    """
    none, whole = _ENDS[name]
    if share in (0, 1):
        return f"all {whole if share else none}"
    return f"{figure(100 * share, digits)} % {whole}"


@checked(WaterError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class Target(Shown):
    """A wanted water."""

    mg_share: float
    """Magnesium's share of the hardness, 0 to 1 by moles (the same as by mg/L as CaCO3)."""

    hardness_mg_l_caco3: float
    """General hardness (mg/L as CaCO3)."""

    alkalinity_mg_l_caco3: float
    """Alkalinity (mg/L as CaCO3)."""

    sulfate_share: float | None = None
    """Sulfate's share of chloride and sulfate, 0 to 1 by charge; None for what the bottles give."""

    potassium_share: float | None = None
    """Potassium's share of sodium and potassium, 0 to 1 by charge; None for what they give."""

    def __post_init__(self) -> None:
        """Refuse shares outside 0 to 1 and impossible amounts."""
        if not (is_finite(self.mg_share) and 0 <= self.mg_share <= 1):
            raise WaterError(
                f"mg_share must be between 0 (all calcium) and 1 (all magnesium), got "
                f"{self.mg_share!r}: divide a percentage by 100.",
                field="mg_share",
            )
        for name in ("hardness_mg_l_caco3", "alkalinity_mg_l_caco3"):
            value = getattr(self, name)
            highest = COORDINATE[name].highest
            if not (is_finite(value) and 0 <= value <= highest):
                raise WaterError(
                    f"{name} must be between 0 and {highest:.0f} mg/L as CaCO3, got {value!r}.",
                    field=name,
                )
        for name in SALT_SHARES:
            share = getattr(self, name)
            if share is not None and not (is_finite(share) and 0 <= share <= 1):
                none, whole = _ENDS[name]
                raise WaterError(
                    f"{name} must be between 0 (all {none}) and 1 (all {whole}), or None for what "
                    f"the bottles give, got {share!r}: divide a percentage by 100.",
                    field=name,
                )

    @classmethod
    def of_water(cls, water: Water) -> Target:
        """The coordinates of a water at hand.

        Parameters
        ----------
        water : Water
            The water at hand.
        """
        return cls(
            mg_share=water.mg_share,
            hardness_mg_l_caco3=water.hardness_mg_l_caco3,
            alkalinity_mg_l_caco3=water.alkalinity_mg_l_caco3,
        )

    @property
    def calcium_mg_l_caco3(self) -> float:
        """Calcium wanted (mg/L as CaCO3)."""
        return (1 - self.mg_share) * self.hardness_mg_l_caco3

    @property
    def magnesium_mg_l_caco3(self) -> float:
        """Magnesium wanted (mg/L as CaCO3)."""
        return self.mg_share * self.hardness_mg_l_caco3

    @property
    def calcium_mmol_l(self) -> float:
        """Calcium wanted (mmol/L)."""
        return self.calcium_mg_l_caco3 / CACO3_G_MOL

    @property
    def magnesium_mmol_l(self) -> float:
        """Magnesium wanted (mmol/L)."""
        return self.magnesium_mg_l_caco3 / CACO3_G_MOL

    @property
    def alkalinity_meq_l(self) -> float:
        """Alkalinity wanted (meq/L)."""
        return self.alkalinity_mg_l_caco3 / MG_L_CACO3_PER_MEQ

    @property
    def ca_mg_ratio_text(self) -> str:
        """Calcium to magnesium by moles, as said at the bench.

        >>> Target(mg_share=0.25, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40).ca_mg_ratio_text
        '3:1'
        """
        return ca_mg_ratio_text(self.mg_share, self.hardness_mg_l_caco3)

    @property
    def ca_mg_text(self) -> str:
        """Calcium and magnesium in mg/L as CaCO3, as they stand beside the ratio.

        >>> Target(mg_share=0.25, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40).ca_mg_text
        'Ca 60, Mg 20'
        """
        return ca_mg_text(self.mg_share, self.hardness_mg_l_caco3)

    @property
    def salt_shares(self) -> dict[str, float]:
        """The shares that are asked of its salts, by name; empty where the bottles decide."""
        asked = {name: getattr(self, name) for name in SALT_SHARES}
        return {name: float(share) for name, share in asked.items() if share is not None}

    @property
    def salts_text(self) -> str:
        """What is asked of its salts; empty where the bottles decide.

        >>> Target(mg_share=0.5, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40,
        ...        sulfate_share=0.25, potassium_share=1).salts_text
        '25 % sulfate, all potassium'
        """
        return salts_said(self)

    @property
    def text(self) -> str:
        """Its name in one line, as sentences and lists call it."""
        salts = f", {self.salts_text}" if self.salts_text else ""
        return (
            f"Ca:Mg {self.ca_mg_ratio_text} ({self.ca_mg_text}), "
            f"hardness {figure(self.hardness_mg_l_caco3)} and "
            f"alkalinity {figure(self.alkalinity_mg_l_caco3)} mg/L as CaCO3{salts}"
        )


def salts_said(target: Target, digits: int = 3) -> str:
    """What is asked of a water's salts, to so many significant digits; empty if nothing is."""
    shares = target.salt_shares.items()
    return ", ".join(share_text(name, share, digits) for name, share in shares)
