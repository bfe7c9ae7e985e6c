"""Which slips at the bench, one or two at once, explain readings that a right jug does not give."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from labkit.errors import WaterError
from labkit.water.bottles.concentrates import Concentrate
from labkit.water.chemistry.conductivity import AIR_US_CM, conductivity_us_cm
from labkit.water.chemistry.equilibrium import MIXED_AT_C
from labkit.water.given import is_finite
from labkit.water.jugs.doses import Doses, Recipe, doses_of
from labkit.water.jugs.mistakes import ways
from labkit.water.jugs.readings import (
    DROP_DOUBT_PERCENT,
    USUAL_COMPENSATION_PERCENT_PER_C,
    DropKit,
    ExpectedMeter,
    expected_drops,
    expected_meter,
    meter_band_percent,
)
from labkit.water.markup import figure, table
from labkit.water.waters.water import Water

_SHOWN: Final = 6

_TDS_FACTORS: Final = (0.45, 0.75)
"""Between which the factors of meters lie that show dissolved solids (common practice)."""

_ABOUT_AS_WELL: Final = 1.2
"""Up to how many half-widths of its bands off a slip explains about as well as one inside: bands
hold 95 in 100 readings (k = 2), and of three readings one lies just outside too often."""

_LARGEST_SAMPLE_ML: Final = 20.0
"""What a drop test takes at most: half a drop of 20 mg/L in 5 mL is 2.5 mg/L there."""


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

    parts: tuple[str, ...] = ()
    """The slips it is made of: one or two; none if all was done as the recipe says."""

    @property
    def is_double(self) -> bool:
        """Whether it takes two slips at once."""
        return len(self.parts) == 2

    @property
    def explains(self) -> bool:
        """Whether it explains the readings about as well as a way that they agree with."""
        return self.distance <= _ABOUT_AS_WELL


@dataclass(frozen=True, slots=True, kw_only=True)
class JugCheck:
    """Whether a jug is what it should be, and what else it could be."""

    meant: Slip
    """The jug as the recipe says."""

    slips: tuple[Slip, ...]
    """Every slip thought of, what explains the readings first: one slip before two at once."""

    next_check: str
    """What to measure to tell apart what is still possible; empty if nothing known would."""

    checks: tuple[Check, ...]
    """What was read."""

    other_unit: str
    """What the meter would have to show for a right jug, if not µS/cm; empty if nothing would."""

    @property
    def explanations(self) -> tuple[Slip, ...]:
        """The slips that explain all readings about equally well."""
        return tuple(slip for slip in self.slips if slip.explains)

    @property
    def is_sure(self) -> bool:
        """Whether one single slip explains the readings and nothing else does about as well."""
        found = self.explanations
        return len(found) == 1 and not found[0].is_double and not self.meant.explains

    @property
    def verdict(self) -> str:
        """The answer in a sentence or two."""
        found = self.explanations
        single = [slip for slip in found if not slip.is_double]
        double = [slip for slip in found if slip.is_double]
        if self.meant.agrees:
            text = "The jug reads as the recipe says it should."
            if single:
                text += f" These readings cannot exclude: {_listed(single)}."
            return f"{text} {self.next_check}".strip()
        text = "The jug is not as the recipe says"
        if not found and not self.slips:
            text += "."
        elif not found:
            text += (
                f", and no single slip explains it, nor do two at once; the nearest, "
                f"{self.slips[0].what}, is still off. Check the meter on a standard and the "
                "bottles' strengths."
            )
        elif not single:
            text += f", and no single slip explains it. Two at once do: {_listed(double)}."
        elif len(single) == 1 and (double or self.meant.explains):
            text += f". Of single slips only this one explains it: {single[0].what}."
        elif len(single) == 1:
            text += f". One single slip explains it: {single[0].what}."
        else:
            text += f". {len(single)} single slips explain it about equally well: "
            text += f"{_listed(single)}."
        if single and double:
            text += f" Two slips at once would do too, in {_times(len(double))}, such as "
            in_all = len(single) == 1 and all(single[0].what in slip.parts for slip in double)
            text += f"{double[0].what}{' (it is in all of them)' if in_all else ''}."
        if self.meant.explains:
            text += " It is only just outside the band: read again before anything else."
        if self.other_unit:
            text += f" {self.other_unit} If it does not, pour the jug away and mix again."
        else:
            text += " Pour it away and mix again."
        return f"{text} {self.next_check}".strip()

    def _repr_html_(self) -> str:
        """The verdict, what was read, and the ways that come nearest."""
        first, _, more = self.verdict.partition(". ")
        ways = (self.meant, *self.slips[:_SHOWN])
        fits = [("what you read", *self._read(), ""), *(_row(way) for way in ways if way.explains)]
        others = [_row(way) for way in ways if not way.explains]
        head = ("the jug", "µS/cm", "hardness", "alkalinity", "off, % of its band")
        return (
            f"<p style='margin:.6rem 0'><b>{escape(first)}.</b> {escape(more)}</p>"
            + table("What you read, and what fits it", head, fits)
            + (table("What does not fit", head, others) if others else "")
            + "<p>µS/cm at 25 °C; hardness and alkalinity in mg/L as CaCO3. Off: how far the worst "
            "of your readings lies from that water; up to 100 % it agrees, and up to "
            f"{100 * _ABOUT_AS_WELL:.0f} % it cannot be excluded.</p>"
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


def _row(way: Slip) -> tuple[str, str, str, str, str]:
    us_cm, water = float(conductivity_us_cm(way.water.vector)[0]), way.water
    found = water.hardness_mg_l_caco3, water.alkalinity_mg_l_caco3
    off = f"{100 * way.distance:.0f}"
    return way.what, f"{us_cm:.0f}", figure(found[0], 2), figure(found[1], 2), off


def _times(ways: int) -> str:
    return "one way" if ways == 1 else f"{ways} ways"


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
    """Compare readings with the recipe, and with every slip in making it, alone or two at once.

    Slips thought of: a dose doubled or skipped, taken from another bottle (or salt), two doses
    exchanged, all doses taken for another volume, and another water filled up with: pure water,
    those given, and a blend with its parts exchanged. Bands hold
    strengths, pipette or balance, the base's analysis, meter and drops, as those of
    :func:`labkit.water.meter_of` and ``drops_of`` do.

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
    found = ways(doses, other_bases or {}, other_volumes_l)
    vectors, shifts = found.vectors, found.shifts
    distances = np.array([_distances(doses, vectors, shifts, check) for check in checks])
    worst = distances.max(axis=0)
    slips = [
        Slip(
            what=name,
            water=Water.of_vector(vector),
            agrees=bool(far <= 1 + 1e-9),
            distance=float(far),
            parts=parts,
        )
        for name, vector, far, parts in zip(found.names, vectors, worst, found.parts, strict=True)
    ]
    possible = [n for n, slip in enumerate(slips) if slip.explains and not slip.is_double]
    if len(possible) < 2:
        possible = [n for n, slip in enumerate(slips) if slip.explains]
    return JugCheck(
        meant=slips[0],
        slips=tuple(
            sorted(
                slips[1:],
                key=lambda slip: (
                    not slip.explains,
                    slip.explains and slip.is_double,
                    slip.distance,
                ),
            )
        ),
        next_check=_next_check(vectors[possible], checks),
        checks=tuple(checks),
        other_unit="" if slips[0].agrees else _other_unit(doses, vectors, shifts, checks),
    )


def _distances(
    doses: Doses, vectors: NDArray[np.float64], shifts: NDArray[np.float64], check: Check
) -> NDArray[np.float64]:
    """How far a reading lies from each water, in half-widths of the band that agrees."""
    if isinstance(check, DropCount):
        spreads = doses.spreads(vectors, shifts)[check.quantity]
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
    mixing = turn * doses.meter_spread(vectors, shifts, check.temperature_c)
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
    """The reading that tells most pairs of the ways still possible from one another."""
    if len(possible) < 2:
        return ""
    waters = [Water.of_vector(vector) for vector in possible]
    counted = {check.quantity: check for check in checks if isinstance(check, DropCount)}
    told = {}
    for quantity in ("hardness", "alkalinity"):
        got = np.array(
            [
                one.hardness_mg_l_caco3
                if quantity == "hardness"
                else one.titratable_alkalinity_mg_l_caco3
                for one in waters
            ]
        )
        check = counted.get(quantity)
        kit = DropKit(name="", mg_l_caco3_per_drop=20.0) if check is None else check.kit
        taken = kit.sample_ml
        if check is not None:
            taken = _LARGEST_SAMPLE_ML
            if (check.sample_ml or kit.sample_ml) >= taken:
                continue
        drop = kit.per_drop(taken)
        what = f"a drop test of {quantity}"
        if check is not None:
            what += f" in a sample of {taken:g} mL, where a drop is {figure(drop, 2)} mg/L as CaCO3"
        told[what] = _pairs_told(got, drop, DROP_DOUBT_PERCENT)
    if not any(isinstance(check, MeterReading) for check in checks):
        got = conductivity_us_cm(possible)
        told["the conductivity"] = _pairs_told(
            got, AIR_US_CM, float(np.mean(meter_band_percent(possible, MIXED_AT_C)))
        )
    best = max(told, key=lambda what: told[what], default="")
    if not best or not told[best]:
        return "No meter or drop test here tells these apart."
    return f"To tell these apart, take {best}."


def _pairs_told(got: NDArray[np.float64], least: float, percent: float) -> int:
    """How many pairs differ by more than a step and what a reading is in doubt of."""
    apart = np.abs(got[:, None] - got)
    doubt = np.hypot(least, percent / 100 * np.maximum(got[:, None], got))
    return int((apart > doubt).sum()) // 2
