"""Which single slip at the bench would explain a reading that is not what the recipe says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from labkit.errors import WaterError
from labkit.water.concentrates import Concentrate
from labkit.water.conductivity import AIR_US_CM, conductivity_us_cm
from labkit.water.equilibrium import MIXED_AT_C
from labkit.water.given import is_finite
from labkit.water.jugs import Doses, Recipe, doses_of
from labkit.water.markup import figure, table
from labkit.water.readings import (
    USUAL_COMPENSATION_PERCENT_PER_C,
    DropKit,
    ExpectedMeter,
    expected_drops,
    expected_meter,
    meter_band_percent,
)
from labkit.water.waters import Water
from labkit.water.ways import ways

_SHOWN: Final = 6

_TDS_FACTORS: Final = (0.45, 0.75)
"""Between which the factors of meters lie that show dissolved solids (common practice)."""

_TELLS_MG_L_CACO3: Final = 10.0
"""A spread that a drop test or meter sees: half a drop of 20 mg/L as CaCO3."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterReading:
    """What a conductivity meter showed."""

    shown: float
    """As on the display: µS/cm, or mg/L if it shows dissolved solids."""

    tds_factor: float | None = None
    """The meter's own factor (mg/L per µS/cm), if it shows dissolved solids."""

    temperature_c: float = MIXED_AT_C
    """Temperature of the water (°C)."""

    compensation_percent_per_c: float | None = USUAL_COMPENSATION_PERCENT_PER_C
    """What the meter takes off a degree (%/°C); None if it does not."""

    def __post_init__(self) -> None:
        """Refuse impossible readings."""
        if not (is_finite(self.shown) and self.shown >= 0):
            raise WaterError(
                f"shown must be a number of at least 0, got {self.shown!r}. Read the display again."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class DropCount:
    """How many drops turned the colour."""

    quantity: Literal["hardness", "alkalinity"]
    """What the kit titrates."""

    kit: DropKit
    """The kit."""

    drops: int
    """Drops counted."""

    sample_ml: float | None = None
    """Sample taken (mL); the kit's own if not given."""

    def __post_init__(self) -> None:
        """Refuse impossible counts."""
        if not (is_finite(self.drops) and self.drops >= 0):
            raise WaterError(f"drops must be at least 0, got {self.drops!r}. Count them again.")


Check = MeterReading | DropCount
"""One reading at the bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """One way in which the jug may have been mixed, and what the readings say of it."""

    what: str
    """What was done, in words."""

    water: Water
    """The water it gives."""

    agrees: bool
    """Whether every reading lies in the band of this water."""

    distance: float
    """How far the readings lie from this water, in half-widths of their bands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JugCheck:
    """Whether a jug is what it should be, and what else it could be."""

    meant: Slip
    """The jug as the recipe says."""

    slips: tuple[Slip, ...]
    """Every single slip thought of, the nearest to the readings first."""

    next_check: str
    """What to measure to tell apart what is still possible; empty if nothing known would."""

    checks: tuple[Check, ...]
    """What was read."""

    other_unit: str
    """What the meter would have to show for a right jug, if not µS/cm; empty if nothing would."""

    @property
    def explanations(self) -> tuple[Slip, ...]:
        """The slips that all readings agree with."""
        return tuple(slip for slip in self.slips if slip.agrees)

    @property
    def verdict(self) -> str:
        """The answer in a sentence or two."""
        found = self.explanations
        if self.meant.agrees:
            text = "The jug reads as the recipe says it should."
            if found:
                text += f" These readings cannot exclude: {_listed(found)}."
        elif not found:
            text = (
                "The jug is not as the recipe says, and no single slip explains it; the nearest, "
                f"{self.slips[0].what}, is still off. Check the meter on a standard and the "
                "bottles' strengths, or there was more than one slip."
                if self.slips
                else "The jug is not as the recipe says."
            )
        elif len(found) == 1:
            text = (
                f"The jug is not as the recipe says. One single slip explains it: {found[0].what}."
            )
        else:
            text = (
                f"The jug is not as the recipe says. {len(found)} single slips explain it equally "
                f"well: {_listed(found)}."
            )
        if self.other_unit:
            text += f" {self.other_unit} If it does not, pour the jug away and mix again."
        elif not self.meant.agrees:
            text += " Pour it away and mix again."
        return f"{text} {self.next_check}".strip()

    def _repr_html_(self) -> str:
        """The verdict, what was read, and the ways that come nearest."""
        first, _, more = self.verdict.partition(". ")
        ways = (self.meant, *self.slips[:_SHOWN])
        fits = [("what you read", *self._read()), *(_row(way) for way in ways if way.agrees)]
        others = [_row(way) for way in ways if not way.agrees]
        head = ("the jug", "µS/cm", "hardness", "alkalinity")
        return (
            f"<p style='margin:.6rem 0'><b>{escape(first)}.</b> {escape(more)}</p>"
            + table("What you read, and what fits it", head, fits)
            + (table("What does not fit", head, others) if others else "")
            + "<p>µS/cm at 25 °C; hardness and alkalinity in mg/L as CaCO3.</p>"
        )

    def _read(self) -> tuple[str, str, str]:
        """The readings in the units of the table; an empty cell for what was not read."""
        cells = {"meter": "", "hardness": "", "alkalinity": ""}
        for check in self.checks:
            if isinstance(check, DropCount):
                worth = check.kit.per_drop(check.sample_ml or check.kit.sample_ml)
                cells[check.quantity] = figure(check.drops * worth, 2)
            else:
                expected = _expected(check, self.meant.water)
                us_cm = check.shown * expected.conductivity_25c_us_cm / expected.shown
                cells["meter"] = figure(us_cm) if us_cm < 1 else f"{us_cm:.0f}"
        return cells["meter"], cells["hardness"], cells["alkalinity"]


def _row(way: Slip) -> tuple[str, str, str, str]:
    us_cm, water = float(conductivity_us_cm(way.water.vector)[0]), way.water
    found = water.hardness_mg_l_caco3, water.alkalinity_mg_l_caco3
    return way.what, f"{us_cm:.0f}", figure(found[0], 2), figure(found[1], 2)


def _listed(slips: Sequence[Slip]) -> str:
    words = [slip.what for slip in slips[:_SHOWN]]
    more = len(slips) - len(words)
    return "; ".join(words) + (f"; and {more} more" if more else "")


def check_jug(
    recipe: Recipe,
    checks: Sequence[Check],
    *,
    other_bases: Mapping[str, Water] | None = None,
    other_bottles: Sequence[Concentrate] = (),
    other_volumes_l: Sequence[float] = (),
) -> JugCheck:
    """Compare readings with the recipe, and with every single slip in making it.

    Slips thought of: a dose doubled or skipped, taken from another bottle (or salt), two doses
    exchanged, all doses taken for another volume, and another water filled up with. Bands hold
    strengths, pipette or balance, the base's analysis, meter and drops, as those of
    :func:`labkit.water.jugs.meter_of` and ``drops_of`` do.

    Parameters
    ----------
    recipe : Mixing or TankMixing
        What should have been made.
    checks : sequence of MeterReading or DropCount
        What was read, at least one.
    other_bases : mapping of str to Water, optional
        Waters that may have been filled up with by mistake, by name.
    other_bottles : sequence of Concentrate, optional
        Bottles beside those of the recipe that a dose may have come from by mistake.
    other_volumes_l : sequence of float, optional
        Volumes (L) whose doses stand on the same card; twice and half are thought of without.

    Raises
    ------
    WaterError
        If nothing was read.
    """
    if not checks:
        raise WaterError("checks must hold at least one reading, got none. Read the meter.")
    doses = doses_of(recipe, other_bottles=other_bottles)
    names, poured, bases = ways(doses, other_bases or {}, other_volumes_l)
    vectors, volumes = doses.waters(poured, bases)
    shifts = doses.shifts(poured, vectors, volumes)
    distances = np.array([_distances(doses, vectors, shifts, check) for check in checks])
    worst = distances.max(axis=0)
    slips = [
        Slip(
            what=name,
            water=Water.of_vector(vector),
            agrees=bool(far <= 1 + 1e-9),
            distance=float(far),
        )
        for name, vector, far in zip(names, vectors, worst, strict=True)
    ]
    possible = [n for n, slip in enumerate(slips) if slip.agrees]
    return JugCheck(
        meant=slips[0],
        slips=tuple(sorted(slips[1:], key=lambda slip: slip.distance)),
        next_check=_next_check(vectors[possible], checks),
        checks=tuple(checks),
        other_unit="" if slips[0].agrees else _other_unit(doses, vectors, shifts, checks),
    )


def _distances(
    doses: Doses, vectors: NDArray[np.float64], shifts: NDArray[np.float64], check: Check
) -> NDArray[np.float64]:
    """How far a reading lies from each water, in half-widths of the band that agrees."""
    if isinstance(check, DropCount):
        spreads = doses.spreads(vectors, shifts, MIXED_AT_C)[check.quantity]
        far = []
        for vector, spread in zip(vectors, spreads, strict=True):
            expected = expected_drops(
                Water.of_vector(vector),
                check.quantity,
                kit=check.kit,
                sample_ml=check.sample_ml,
                spread_mg_l_caco3=float(spread),
            )
            middle, half = (expected.low + expected.high) / 2, (expected.high - expected.low) / 2
            far.append(abs(check.drops - middle) / max(half, 0.5))
        return np.array(far)
    # One water tells how the meter turns conductivity into its display; the rest follow at once.
    one = _expected(check, Water.of_vector(vectors[0]))
    turn = one.shown / one.conductivity_us_cm
    shown = turn * conductivity_us_cm(vectors, check.temperature_c)
    mixing = turn * doses.spreads(vectors, shifts, check.temperature_c)["conductivity"]
    least = AIR_US_CM * (check.tds_factor or 1.0)
    band = meter_band_percent(vectors, check.temperature_c) / 100
    slack = np.maximum(np.hypot(shown * band, mixing), least)
    return np.asarray(np.abs(check.shown - shown) / slack)


def _expected(check: MeterReading, water: Water) -> ExpectedMeter:
    """What this meter would show in a water that is known exactly."""
    return expected_meter(
        water,
        temperature_c=check.temperature_c,
        tds_factor=check.tds_factor,
        compensation_percent_per_c=check.compensation_percent_per_c,
    )


def _other_unit(
    doses: Doses,
    vectors: NDArray[np.float64],
    shifts: NDArray[np.float64],
    checks: Sequence[Check],
) -> str:
    """A sentence if all would be right, did the meter show another unit than was said."""
    for check in checks:
        if not isinstance(check, MeterReading) or check.tds_factor is not None:
            continue
        factor = check.shown / _expected(check, Water.of_vector(vectors[0])).shown
        instead = [
            (
                replace(check, shown=1000 * check.shown),
                f"Or the meter shows mS/cm: {check.shown:g} mS/cm are {1000 * check.shown:.0f} "
                "µS/cm, which is right; type that.",
            )
        ]
        if _TDS_FACTORS[0] <= factor <= _TDS_FACTORS[1]:
            instead.append(
                (
                    replace(check, tds_factor=factor),
                    "Or the meter shows TDS in mg/L or ppm, not µS/cm: with a factor of "
                    f"{factor:.2f} the reading is right; look up its factor and type it.",
                )
            )
        for read, sentence in instead:
            all_read = (read, *(one for one in checks if one is not check))
            far = [_distances(doses, vectors[:1], shifts[:1], one)[0] for one in all_read]
            if max(far) <= 1:
                return sentence
    return ""


def _next_check(possible: NDArray[np.float64], checks: Sequence[Check]) -> str:
    """The reading not yet taken that tells most of the ways still possible from one another."""
    if len(possible) < 2:
        return ""
    done = {check.quantity if isinstance(check, DropCount) else "meter" for check in checks}
    spreads = {}
    for quantity in ("hardness", "alkalinity"):
        if quantity not in done:
            got = [
                water.hardness_mg_l_caco3 if quantity == "hardness" else water.alkalinity_mg_l_caco3
                for water in map(Water.of_vector, possible)
            ]
            spreads[f"a drop test of {quantity}"] = max(got) - min(got)
    if "meter" not in done:
        got = list(conductivity_us_cm(possible))
        spreads["the conductivity"] = (max(got) - min(got)) / 2  # about mg/L as CaCO3
    told = {what: spread for what, spread in spreads.items() if spread > _TELLS_MG_L_CACO3}
    if not told:
        return "No meter or drop test here tells these apart."
    return f"To tell these apart, take {max(told, key=lambda what: told[what])}."
