"""A wanted water: the three coordinates of the search space."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.errors import WaterError
from labkit.shown import Shown
from labkit.water.coordinates import COORDINATE
from labkit.water.figures import figure
from labkit.water.given import is_finite
from labkit.water.units import CACO3_G_MOL, MG_L_CACO3_PER_MEQ
from labkit.water.waters.composition import ca_mg_ratio_text, ca_mg_text
from labkit.water.waters.water import Water


@dataclass(frozen=True, slots=True, kw_only=True)
class Target(Shown):
    """A wanted water."""

    mg_share: float
    """Magnesium's share of the hardness, 0 to 1 by moles (the same as by mg/L as CaCO3)."""

    hardness_mg_l_caco3: float
    """General hardness (mg/L as CaCO3)."""

    alkalinity_mg_l_caco3: float
    """Alkalinity (mg/L as CaCO3)."""

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
    def text(self) -> str:
        """Its name in one line, as sentences and lists call it."""
        return (
            f"Ca:Mg {self.ca_mg_ratio_text} ({self.ca_mg_text}), "
            f"hardness {figure(self.hardness_mg_l_caco3)} and "
            f"alkalinity {figure(self.alkalinity_mg_l_caco3)} mg/L as CaCO3"
        )
