"""What is measured in a cup beside its scores, each quantity with its unit and its ends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from labkit.boundary import checked
from labkit.errors import PlanError


@checked(PlanError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """Something that the preparer may measure in a cup."""

    name: str
    """As in tables and files, unit last."""

    words: str
    """What a form calls it."""

    unit: str
    """Of the number; empty for pH."""

    digits: int
    """Decimals that are shown."""

    lowest: float
    """Below this it was mistyped."""

    highest: float
    """Above this it was mistyped."""

    remedy: str
    """What to type instead of a number beyond the ends."""

    def check(self, value: float) -> float:
        """The value, if it can be one.

        Parameters
        ----------
        value : float
            As it was measured, in the quantity's unit.

        Raises
        ------
        PlanError
            If it lies beyond the ends.
        """
        if not self.lowest <= value <= self.highest:
            unit = f" {self.unit}" if self.unit else ""
            raise PlanError(
                f"{self.name} must be between {self.lowest:g} and {self.highest:g}{unit}, got "
                f"{value:g}. {self.remedy}",
                field=self.name,
            )
        return float(value)


_ALL: Final = (
    Quantity(
        name="strength_percent",
        words="Brew strength",
        unit="%",
        digits=2,
        lowest=0.1,
        highest=25.0,
        remedy="Type percent, as the refractometer shows it, such as 1.32.",
    ),
    Quantity(
        name="beverage_g",
        words="Beverage mass",
        unit="g",
        digits=1,
        lowest=5.0,
        highest=20_000.0,
        remedy="Type the grams of brewed coffee that the dose made.",
    ),
    Quantity(
        name="dose_g",
        words="Dose",
        unit="g",
        digits=1,
        lowest=1.0,
        highest=2_000.0,
        remedy="Type the grams of ground coffee that the beverage was brewed from.",
    ),
    Quantity(
        name="tasted_at_c",
        words="Temperature at tasting",
        unit="°C",
        digits=0,
        lowest=1.0,
        highest=95.0,
        remedy="Type degrees Celsius in the cup when it was tasted.",
    ),
    Quantity(
        name="brew_ph",
        words="Brew pH",
        unit="",
        digits=2,
        lowest=2.0,
        highest=9.0,
        remedy="Type the pH of the brewed coffee, such as 5.05.",
    ),
)

MEASURED: Final[Mapping[str, Quantity]] = MappingProxyType({one.name: one for one in _ALL})
"""What may be measured in a cup, by name, in the order of forms and tables."""

MOST_EXTRACTED_PERCENT: Final = 32.0
"""More of a roasted coffee does not dissolve in brewing (common practice: about 30 %)."""


@checked(PlanError)
def extraction_yield(strength_percent: float, beverage_g: float, dose_g: float) -> float:
    """Share of the dose that went into the cup, in percent.

    Parameters
    ----------
    strength_percent : float
        Dissolved solids in the beverage, percent by mass.
    beverage_g : float
        Mass of the beverage (g); of an immersion all its liquid, see below.
    dose_g : float
        Mass of ground coffee (g).

    Returns
    -------
    float
        Extraction yield, percent of the dose.

    Notes
    -----
    Beverage mass times strength over dose [1]_ holds for what was poured off: filter and espresso.
    In an immersion, such as a cupping bowl, the liquid held by the grounds is as strong as the
    rest [2]_: there the mass of the beverage is that of the water poured, not of what can be drunk.
    Mass lost as gas and moisture of the coffee are left out of account.

    References
    ----------
    .. [1] Lockhart, E. E. (1957). The Soluble Solids in Beverage Coffee as an Index to Cup
       Quality. Coffee Brewing Institute, New York (from memory).
    .. [2] Liang, J., Chan, K. C. and Ristenpart, W. D. (2021). An equilibrium desorption model for
       the strength and extraction yield of full immersion brewed coffee. Sci. Rep. 11, 6904 (from
       memory).

    Examples
    --------
    >>> round(extraction_yield(1.3, 350, 20), 2)
    22.75
    """
    return beverage_g * strength_percent / dose_g
