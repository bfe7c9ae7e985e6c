"""Bench checks: what a meter and a drop kit should read, and the band that agrees."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.shown import Shown
from labkit.water.chemistry.conductivity import AIR_US_CM, accuracy_percent, conductivity_us_cm
from labkit.water.chemistry.equilibrium import MIXED_AT_C
from labkit.water.given import is_finite
from labkit.water.uncertainty import expanded
from labkit.water.units import (
    MG_L_CACO3_PER_FRENCH_DEGREE,
    MG_L_CACO3_PER_GERMAN_DEGREE,
    MG_L_CACO3_PER_GRAIN_US_GALLON,
)
from labkit.water.waters.water import Water

USUAL_COMPENSATION_PERCENT_PER_C = 2.0
"""What most meters take off for each degree above 25 °C (%/°C), common practice."""

METER_ACCURACY_PERCENT = 2.0
"""Half-width taken for a hand-held meter after calibration (%), common practice."""

DROP_DOUBT_PERCENT = 5.0
"""How far drops may differ in size and end points in colour (%), common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedMeter(Shown):
    """What a conductivity meter should show in a water."""

    temperature_c: float
    """Temperature of the water (°C)."""

    conductivity_25c_us_cm: float
    """Conductivity at 25 °C (µS/cm)."""

    conductivity_us_cm: float
    """True conductivity at the temperature of the water (µS/cm)."""

    shown: float
    """What the display shows, in :attr:`unit`."""

    unit: str
    """Unit of the display, its factor named if it shows dissolved solids."""

    compensated: bool
    """Whether the meter brings its reading to 25 °C."""

    slack: float
    """How far a reading may lie off and still agree, in :attr:`unit`."""

    @property
    def low(self) -> float:
        """Lowest reading that agrees."""
        return max(0.0, self.shown - self.slack)

    @property
    def high(self) -> float:
        """Highest reading that agrees."""
        return self.shown + self.slack

    def agrees(self, reading: float) -> bool:
        """Whether a reading lies in the band.

        Parameters
        ----------
        reading : float
            What the meter showed, in ``unit``.
        """
        return self.low <= reading <= self.high


def meter_band_percent(
    ions_mmol_l: NDArray[np.float64], temperature_c: float
) -> NDArray[np.float64]:
    """Expanded uncertainty (k = 2) of formula and meter together (%), shape (n,).

    Parameters
    ----------
    ions_mmol_l : ndarray, shape (n, n_ions) or (n_ions,)
        Waters, taken as known exactly.
    temperature_c : float
        Their temperature (°C).
    """
    each = accuracy_percent(ions_mmol_l, temperature_c)
    return np.array([expanded(float(one), METER_ACCURACY_PERCENT) for one in each])


@checked(WaterError, own_numbers=True)
def expected_meter(
    water: Water,
    *,
    temperature_c: float = MIXED_AT_C,
    tds_factor: float | None = None,
    compensation_percent_per_c: float | None = USUAL_COMPENSATION_PERCENT_PER_C,
    spread_us_cm: float = 0.0,
) -> ExpectedMeter:
    """What a conductivity meter should show.

    Parameters
    ----------
    water : Water
        The water as mixed.
    temperature_c : float
        Its temperature (°C).
    tds_factor : float, optional
        The factor (mg/L per µS/cm) of a meter that shows dissolved solids, from its manual: 0.5
        for one set to NaCl, up to 0.7 for others.
    compensation_percent_per_c : float, optional
        What the meter takes off a degree to bring the reading to 25 °C (%/°C); None for a meter
        that does not.
    spread_us_cm : float
        Expanded uncertainty (k = 2) of the water itself, at its temperature (µS/cm): 0 for one
        that is known, :func:`labkit.water.meter_of` finds that of a recipe.

    Raises
    ------
    WaterError
        If a figure is impossible.
    """
    if tds_factor is not None and not (is_finite(tds_factor) and 0.3 <= tds_factor <= 1.0):
        raise WaterError(
            f"tds_factor must be between 0.3 and 1 mg/L per µS/cm, got {tds_factor!r}: it stands "
            "in the meter's manual, often 0.5 or 0.7.",
            field="tds_factor",
        )
    rate = compensation_percent_per_c
    if rate is not None and not (is_finite(rate) and 0 <= rate <= 5):
        raise WaterError(
            f"compensation_percent_per_c must be between 0 and 5 %/°C, got {rate!r}.",
            field="compensation_percent_per_c",
        )
    if not (is_finite(temperature_c) and 0 <= temperature_c <= 50):
        raise WaterError(
            f"temperature_c of a meter reading must be between 0 and 50 °C, got {temperature_c!r}.",
            field="temperature_c",
        )
    at_25 = float(conductivity_us_cm(water.vector)[0])
    there = float(conductivity_us_cm(water.vector, temperature_c)[0])
    shown = there if rate is None else there / (1 + rate / 100 * (temperature_c - MIXED_AT_C))
    unit = "µS/cm"
    turn = shown / there if there else 1.0
    band = float(meter_band_percent(water.vector, temperature_c)[0])
    slack = max(math.hypot(shown * band / 100, turn * spread_us_cm), AIR_US_CM)
    if tds_factor is not None:
        shown *= tds_factor
        slack *= tds_factor
        unit = f"mg/L on the meter (µS/cm × {tds_factor:g})"
    return ExpectedMeter(
        temperature_c=temperature_c,
        conductivity_25c_us_cm=at_25,
        conductivity_us_cm=there,
        shown=shown,
        unit=unit,
        compensated=rate is not None,
        slack=slack,
    )


@checked(WaterError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class DropKit:
    """A titration kit that counts drops until the colour turns."""

    name: str
    """What to call it."""

    mg_l_caco3_per_drop: float
    """What one drop is worth in the kit's own sample (mg/L as CaCO3)."""

    sample_ml: float = 5.0
    """The kit's own sample (mL)."""

    def __post_init__(self) -> None:
        """Refuse impossible kits."""
        for field in ("mg_l_caco3_per_drop", "sample_ml"):
            value = getattr(self, field)
            if not (is_finite(value) and value > 0):
                raise WaterError(f"{field} must be above 0, got {value!r}.", field=field)

    def per_drop(self, sample_ml: float) -> float:
        """What one drop is worth in a sample of another size (mg/L as CaCO3).

        Parameters
        ----------
        sample_ml : float
            Sample taken (mL), above 0.

        Raises
        ------
        WaterError
            If the sample is not above 0.
        """
        if not (is_finite(sample_ml) and sample_ml > 0):
            raise WaterError(f"sample_ml must be above 0, got {sample_ml!r}.", field="sample_ml")
        return self.mg_l_caco3_per_drop * self.sample_ml / sample_ml


DROP_KITS: dict[str, DropKit] = {
    kit.name: kit
    for kit in (
        DropKit(name="1 °dH a drop in 5 mL", mg_l_caco3_per_drop=MG_L_CACO3_PER_GERMAN_DEGREE),
        DropKit(name="1 °fH a drop in 5 mL", mg_l_caco3_per_drop=MG_L_CACO3_PER_FRENCH_DEGREE),
        DropKit(
            name="1 grain per US gallon a drop in 5 mL",
            mg_l_caco3_per_drop=MG_L_CACO3_PER_GRAIN_US_GALLON,
        ),
        DropKit(name="20 mg/L as CaCO3 a drop in 5 mL", mg_l_caco3_per_drop=20.0),
    )
}
"""Kits by what a drop is worth (common practice: the leaflet says which)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedDrops(Shown):
    """How many drops should turn the colour."""

    quantity: str
    """``"hardness"`` or ``"alkalinity"``."""

    kit: DropKit
    """The kit."""

    sample_ml: float
    """Sample taken (mL)."""

    expected_mg_l_caco3: float
    """What the titration should find (mg/L as CaCO3)."""

    spread_mg_l_caco3: float = 0.0
    """Expanded uncertainty (k = 2) of the water itself (mg/L as CaCO3)."""

    @property
    def doubt_mg_l_caco3(self) -> float:
        """How far water and drops together may lie off, whole drops apart (mg/L as CaCO3)."""
        drops = self.expected_mg_l_caco3 * DROP_DOUBT_PERCENT / 100
        return math.hypot(drops, self.spread_mg_l_caco3)

    @property
    def exact(self) -> float:
        """Drops without rounding."""
        return self.expected_mg_l_caco3 / self.kit.per_drop(self.sample_ml)

    @property
    def low(self) -> int:
        """Fewest drops that agree: the colour may be called half-turned early."""
        least = self.expected_mg_l_caco3 - self.doubt_mg_l_caco3
        return max(0, math.floor(least / self.kit.per_drop(self.sample_ml) + 1e-9))

    @property
    def high(self) -> int:
        """Most drops that agree: the colour turns with the drop that passes the end."""
        most = self.expected_mg_l_caco3 + self.doubt_mg_l_caco3
        return math.ceil(most / self.kit.per_drop(self.sample_ml) - 1e-9)

    @property
    def half_drop_percent(self) -> float:
        """What half a drop is of the whole (%)."""
        return 50 / self.exact if self.exact else math.inf

    def agrees(self, drops: int) -> bool:
        """Whether so many drops agree with the recipe.

        Parameters
        ----------
        drops : int
            Drops until the colour turned.
        """
        return self.low <= drops <= self.high


def expected_drops(
    water: Water,
    quantity: Literal["hardness", "alkalinity"],
    *,
    kit: DropKit,
    sample_ml: float | None = None,
    spread_mg_l_caco3: float = 0.0,
) -> ExpectedDrops:
    """How many drops of a kit should turn the colour.

    Parameters
    ----------
    water : Water
        The water as mixed.
    quantity : {"hardness", "alkalinity"}
        What the kit titrates; alkalinity counts what organic anions add to pH 4.5.
    kit : DropKit
        The kit.
    sample_ml : float, optional
        Sample taken (mL); the kit's own if not given.
    spread_mg_l_caco3 : float
        Expanded uncertainty (k = 2) of the water itself (mg/L as CaCO3).

    Raises
    ------
    WaterError
        If the quantity is unknown or the sample impossible.
    """
    if quantity not in ("hardness", "alkalinity"):
        raise WaterError(
            f"quantity must be 'hardness' or 'alkalinity', got {quantity!r}.", field="quantity"
        )
    found = (
        water.hardness_mg_l_caco3
        if quantity == "hardness"
        else water.titratable_alkalinity_mg_l_caco3
    )
    taken = kit.sample_ml if sample_ml is None else sample_ml
    kit.per_drop(taken)
    return ExpectedDrops(
        quantity=quantity,
        kit=kit,
        sample_ml=taken,
        expected_mg_l_caco3=found,
        spread_mg_l_caco3=spread_mg_l_caco3,
    )
