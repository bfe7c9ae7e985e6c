"""A base water on the day it is used: what a reading of today says of an older analysis."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.shown import Shown
from labkit.water.chemistry.conductivity import accuracy_percent, conductivity_us_cm
from labkit.water.given import is_finite
from labkit.water.jugs.readings import DROP_DOUBT_PERCENT, METER_ACCURACY_PERCENT
from labkit.water.salts.ions import CHARGES, INDEX
from labkit.water.supply import Supply
from labkit.water.uncertainty import expanded
from labkit.water.waters.water import Water

SAME_SOURCE_PERCENT: Final = 20.0
"""How far one reading may lie from the analysis for the same water thinner or thicker (%): an
assumption of ours. Beyond it another well or plant is likelier, with other shares of the ions."""

_HALF_A_DROP: Final = 10.0
"""What half a drop of an ordinary kit is (mg/L as CaCO3), common practice: strips are no finer."""


class DayVerdict(StrEnum):
    """What today's readings say of the analysis."""

    HOLDS = "as analysed"
    SCALED = "thinner or thicker"
    TITRATED = "hardness and alkalinity of today"
    ANOTHER = "another water"


@checked(WaterError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class DayReading:
    """What was read of a base water today; at least one of them."""

    conductivity_25c_us_cm: float | None = None
    """The meter's, at 25 °C (µS/cm)."""

    hardness_mg_l_caco3: float | None = None
    """By drops or a strip (mg/L as CaCO3)."""

    alkalinity_mg_l_caco3: float | None = None
    """By drops or a strip (mg/L as CaCO3)."""

    def __post_init__(self) -> None:
        """Refuse impossible readings."""
        for field in _FIELDS:
            value = getattr(self, field)
            if value is not None and not (is_finite(value) and value >= 0):
                raise WaterError(
                    f"{field} must be a number of at least 0, got {value!r}. Read it again.",
                    field=field,
                )
        if all(getattr(self, field) is None for field in _FIELDS):
            raise WaterError(
                f"{_FIELDS[0]} or a drop test of today must be given, got nothing. Read the meter.",
                field=_FIELDS[0],
            )


METER: Final = "conductivity_25c_us_cm"
HARDNESS: Final = "hardness_mg_l_caco3"
ALKALINITY: Final = "alkalinity_mg_l_caco3"
_FIELDS: Final = (METER, HARDNESS, ALKALINITY)


@dataclass(frozen=True, slots=True, kw_only=True)
class DayWater(Shown):
    """A base water as it is today, as far as the readings tell."""

    analysed: Supply
    """The older analysis."""

    reading: DayReading
    """What was read today."""

    verdict: DayVerdict
    """What that says of the analysis."""

    water: Water
    """The water of today; as analysed where the analysis holds, or where another water came."""

    off_percent: Mapping[str, tuple[float, float]]
    """How far each reading lies from the analysis, and what it is in doubt of (%, k = 2)."""

    factor: float
    """How many times as thick as analysed it is taken to be; 1 unless it is scaled."""

    meter_off_percent: float | None
    """How far the meter lies from the ions that drops set (%); None if nothing was metered, or
    within the doubt of both."""


@checked(WaterError)
def water_of_day(supply: Supply, reading: DayReading) -> DayWater:
    """What a base water is today: the analysis, scaled or corrected by today's readings.

    One reading tells how much is in the water, not of what. A reading within its doubt changes
    nothing. Further off, all ions are scaled alike, which holds for the same water thinned or
    thickened; beyond :data:`SAME_SOURCE_PERCENT`, or where readings contradict each other, it is
    taken for another water and nothing is corrected. Hardness and alkalinity together set
    calcium and magnesium (in the ratio of the analysis) and bicarbonate; what the charges then
    lack is chloride or sodium, an assumption.

    Parameters
    ----------
    supply : Supply
        The analysis.
    reading : DayReading
        What was read today.

    Raises
    ------
    WaterError
        If the analysis holds nothing of what was read.

    Notes
    -----
    Conductivity follows the dissolved solids of one water closely, and differently from water to
    water, as the ions have other shares [1]_ (from memory). A reading is compared with the
    conductivity that the analysis states, or else with that of its ions.

    References
    ----------
    .. [1] Hem, J. D. (1985). Study and interpretation of the chemical characteristics of natural
       water. U.S. Geological Survey Water-Supply Paper 2254, 3rd ed.

    Examples
    --------
    >>> tap = Supply(name="tap", water=Water.of_ions({"Ca": 1, "HCO3": 2}),
    ...              analysed=Water.of_ions({"Ca": 1, "HCO3": 2}))
    >>> today = water_of_day(tap, DayReading(hardness_mg_l_caco3=85, alkalinity_mg_l_caco3=80))
    >>> today.verdict, round(today.water.calcium_mmol_l, 2), round(today.water.chloride_mmol_l, 2)
    (<DayVerdict.TITRATED: 'hardness and alkalinity of today'>, 0.85, 0.1)
    """
    water = supply.water
    read = {field: getattr(reading, field) for field in _FIELDS}
    read = {field: value for field, value in read.items() if value is not None}
    off: dict[str, tuple[float, float]] = {}
    amounts: dict[str, float] = {}
    for field, value in read.items():
        before, doubt = _expected(supply, field)
        if before <= 0:
            raise WaterError(
                f"{field} must be of something that the analysis holds, but it has none of it. "
                "Give the water by a new analysis.",
                field=field,
            )
        off[field] = 100 * (value / before - 1), doubt
        is_meter = field == METER
        amounts[field] = _thicker(water, value / before) if is_meter else value / before
    verdict, now, factor = DayVerdict.HOLDS, water, 1.0
    if any(abs(far) > doubt for far, doubt in off.values()):
        if {HARDNESS, ALKALINITY} <= amounts.keys():
            verdict = DayVerdict.TITRATED
            now = _titrated(water, amounts[HARDNESS], amounts[ALKALINITY])
        else:
            first, *others = amounts  # the meter comes first: it is finer than drops
            agree = all(
                abs(100 * (amounts[one] / amounts[first] - 1)) <= off[one][1] for one in others
            )
            is_same = agree and abs(100 * (amounts[first] - 1)) <= SAME_SOURCE_PERCENT
            verdict = DayVerdict.SCALED if is_same else DayVerdict.ANOTHER
            factor = amounts[first] if is_same else 1.0
            now = Water.of_vector(factor * water.vector)
    return DayWater(
        analysed=supply,
        reading=reading,
        verdict=verdict,
        water=now,
        off_percent=off,
        factor=factor,
        meter_off_percent=_meter_off(now, read.get(METER), off)
        if verdict is DayVerdict.TITRATED
        else None,
    )


def _expected(supply: Supply, field: str) -> tuple[float, float]:
    """What the analysis lets a reading expect, and what it is in doubt of (%, k = 2)."""
    water = supply.water
    if field == METER:
        stated = supply.conductivity_25c_us_cm
        if stated is not None:
            return stated, expanded(METER_ACCURACY_PERCENT, METER_ACCURACY_PERCENT)
        return supply.expected_conductivity_25c_us_cm, _meter_doubt(water)
    held = water.hardness_mg_l_caco3 if field == HARDNESS else water.alkalinity_mg_l_caco3
    return held, math.hypot(DROP_DOUBT_PERCENT, 100 * _HALF_A_DROP / max(held, 1e-9))


def _meter_doubt(water: Water) -> float:
    return expanded(METER_ACCURACY_PERCENT, float(accuracy_percent(water.vector)[0]))


def _thicker(water: Water, times: float) -> float:
    """How many times as thick a water is that conducts so many times as well."""
    before = float(conductivity_us_cm(water.vector)[0])
    factor = times
    for _ in range(6):  # the conductivity is all but proportional
        shown = float(conductivity_us_cm(factor * water.vector)[0])
        factor *= times * before / shown if shown else 1.0
    return factor


def _titrated(water: Water, harder: float, more_alkaline: float) -> Water:
    """The water with another hardness and alkalinity; chloride or sodium closes its charges."""
    vector = water.vector.copy()
    for symbols, times in ((("Ca", "Mg"), harder), (("HCO3", "CO3"), more_alkaline)):
        for symbol in symbols:
            vector[INDEX[symbol]] *= times
    gap = float(CHARGES @ (vector - water.vector))
    vector[INDEX["Cl" if gap > 0 else "Na"]] += abs(gap)
    return Water.of_vector(vector)


def _meter_off(
    now: Water, metered: float | None, off: Mapping[str, tuple[float, float]]
) -> float | None:
    """How far the meter lies from the ions that drops set (%); None within the doubt of both."""
    if metered is None:
        return None
    drops = max(off[HARDNESS][1], off[ALKALINITY][1])
    far = 100 * (metered / float(conductivity_us_cm(now.vector)[0]) - 1)
    return far if abs(far) > math.hypot(_meter_doubt(now), drops) else None
