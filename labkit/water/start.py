"""The water that the doses of a session go into, by name: as it comes, or thinned."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.water.figures import measured_ml
from labkit.water.given import is_finite
from labkit.water.waters.water import PURE_WATER, Water, blend

PURE: Final = "pure water"
"""What a base with nothing in it is called."""


@checked(WaterError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class StartWater:
    """A base water under its name, and how much of it is in what one starts from.

    Examples
    --------
    >>> tap = Water(calcium_mmol_l=1.0, chloride_mmol_l=2.0)
    >>> thinned = StartWater(name="tap", base=tap, share_percent=60)
    >>> thinned.text, thinned.water.calcium_mmol_l
    ('60 % tap + 40 % pure water', 0.6)
    """

    name: str = PURE
    """What the base is called at the bench."""

    base: Water = PURE_WATER
    """The base as it comes."""

    share_percent: float = 100.0
    """How much of the base there is in a blend with pure water (% by volume)."""

    def __post_init__(self) -> None:
        """Refuse shares that are none."""
        if not (is_finite(self.share_percent) and 0 < self.share_percent <= 100):
            raise WaterError(
                f"share_percent must be above 0 and at most 100, got {self.share_percent!r}: "
                f"choose {PURE} to take none of {self.name}.",
                field="share_percent",
            )

    @property
    def is_blend(self) -> bool:
        """Whether pure water must be added before anything is dosed."""
        return self.share_percent < 100 and self.name != PURE

    @property
    def water(self) -> Water:
        """What the doses go into."""
        if not self.is_blend:
            return self.base
        return blend([(self.base, self.share_percent), (PURE_WATER, 100 - self.share_percent)])

    def parts(self, volume_ml: float) -> tuple[tuple[str, float], ...]:
        """What is poured together for so much of it: name and mL of each water.

        The base is measured, the pure water fills up to the volume.

        Parameters
        ----------
        volume_ml : float
            How much is needed (mL).

        Examples
        --------
        >>> StartWater(name="tap", share_percent=30).parts(2761)
        (('tap', 828.0), ('pure water', 1933.0))
        """
        if not self.is_blend:
            return ((self.name, volume_ml),)
        of_base = min(measured_ml(volume_ml * self.share_percent / 100), volume_ml)
        return (self.name, of_base), (PURE, round(volume_ml - of_base, 9))

    def poured(self, volume_ml: float) -> Water:
        """The water that :meth:`parts` make: a blend as it is measured.

        Parameters
        ----------
        volume_ml : float
            How much of it there is (mL), above 0.
        """
        parts = self.parts(volume_ml)
        if len(parts) == 1:
            return self.base
        return blend(zip((self.base, PURE_WATER), (part_ml for _, part_ml in parts), strict=True))

    @property
    def text(self) -> str:
        """The name, with the shares where it is thinned."""
        if not self.is_blend:
            return self.name
        rest = round(100 - self.share_percent, 6)
        return f"{self.share_percent:g} % {self.name} + {rest:g} % {PURE}"
