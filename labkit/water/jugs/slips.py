"""Which slips at the bench, one or two at once, explain readings that a right jug does not give."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.shown import Shown
from labkit.water.bottles.concentrates import Concentrate
from labkit.water.chemistry.conductivity import AIR_US_CM, accuracy_percent, conductivity_us_cm
from labkit.water.chemistry.equilibrium import MIXED_AT_C
from labkit.water.given import is_finite
from labkit.water.jugs.doses import Doses, Recipe, doses_of
from labkit.water.jugs.mistakes import Mistake, ways
from labkit.water.jugs.readings import (
    DROP_DOUBT_PERCENT,
    METER_ACCURACY_PERCENT,
    USUAL_COMPENSATION_PERCENT_PER_C,
    DropKit,
    ExpectedMeter,
    expected_drops,
    expected_meter,
    meter_band_percent,
)
from labkit.water.uncertainty import COVERAGE
from labkit.water.waters.water import Water

_TDS_FACTORS: Final = (0.45, 0.75)
"""Between which the factors of meters lie that show dissolved solids (common practice)."""

ABOUT_AS_WELL: Final = 1.2
"""Up to how many half-widths of its bands off a slip explains about as well as one inside: bands
hold 95 in 100 readings (k = 2), and of three readings one lies just outside too often."""

_SECOND_SLIP: Final = 0.05
"""How often a second slip is taken to happen where one did: an assumption of ours, for the odds."""

_LEAST_SIGMA_DROPS: Final = 0.02
"""No drops are more even than this: keeps a water without any from dividing by 0."""

_LEAST_CHANCE: Final = 1e-200
"""Keeps the logarithm of what is impossible."""

_STRAY: Final = 0.02
"""Share of readings that lie further off than all doubts say: an assumption of ours."""

_WITHIN: Final = (np.arange(21) - 10.0) / 10.5
"""Places within a half-width, evenly: what may be off by anything up to it."""

_LARGEST_SAMPLE_ML: Final = 20.0
"""What a drop test takes at most: half a drop of 20 mg/L in 5 mL is 2.5 mg/L there."""


@checked(WaterError, own_numbers=True)
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
                f"shown must be a number of at least 0, got {self.shown!r}. "
                "Read the display again.",
                field="shown",
            )


@checked(WaterError, own_numbers=True)
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
            raise WaterError(
                f"drops must be at least 0, got {self.drops!r}. Count them again.", field="drops"
            )


Check = MeterReading | DropCount
"""One reading at the bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """One way in which the jug may have been mixed, and what the readings say of it."""

    water: Water
    """The water it gives."""

    agrees: bool
    """Whether every reading lies in the band of this water."""

    distance: float
    """How far the readings lie from this water, in half-widths of their bands."""

    odds: float | None = None
    """Chance that it was this, if one or two of the slips thought of were made: by how well all
    readings fit, each slip taken to be as likely beforehand and two at once to be rare; None of the
    jug as the recipe says."""

    parts: tuple[Mistake, ...] = ()
    """The slips it is made of: one or two; none if all was done as the recipe says."""

    @property
    def is_double(self) -> bool:
        """Whether it takes two slips at once."""
        return len(self.parts) == 2

    @property
    def explains(self) -> bool:
        """Whether it explains the readings about as well as a way that they agree with."""
        return self.distance <= ABOUT_AS_WELL


@dataclass(frozen=True, slots=True, kw_only=True)
class NextCheck:
    """The reading that tells most of what is still possible apart."""

    quantity: Literal["hardness", "alkalinity", "conductivity"] | None
    """What to measure; None if no meter or drop test at hand tells."""

    sample_ml: float | None = None
    """Sample to take for drops (mL), where the kit's own was too small."""

    mg_l_caco3_per_drop: float | None = None
    """What a drop is worth in that sample (mg/L as CaCO3)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherUnit:
    """A unit, not the one said, in which a meter reads as a right jug would."""

    shown: float
    """As on the display."""

    tds_factor: float | None
    """The factor of a meter that shows dissolved solids; None if it shows mS/cm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JugCheck(Shown):
    """Whether a jug is what it should be, and what else it could be."""

    meant: Slip
    """The jug as the recipe says."""

    slips: tuple[Slip, ...]
    """Every slip thought of, what explains the readings first: one slip before two at once, the
    likeliest first."""

    next_check: NextCheck | None
    """What to measure to tell apart what is still possible; None if one way alone is."""

    checks: tuple[Check, ...]
    """What was read."""

    other_unit: OtherUnit | None
    """The unit in which the meter's reading would be of a right jug; None if there is none."""

    @property
    def explanations(self) -> tuple[Slip, ...]:
        """The slips that explain all readings about equally well."""
        return tuple(slip for slip in self.slips if slip.explains)

    @property
    def is_sure(self) -> bool:
        """Whether one single slip explains the readings and nothing else does about as well."""
        found = self.explanations
        return len(found) == 1 and not found[0].is_double and not self.meant.explains


@checked(WaterError)
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
        raise WaterError(
            "checks must hold at least one reading, got none. Read the meter.", field="checks"
        )
    doses = doses_of(recipe, other_bottles=other_bottles)
    found = ways(doses, other_bases or {}, other_volumes_l)
    vectors, shifts = found.vectors, found.shifts
    compared = np.array([_compare(doses, vectors, shifts, check) for check in checks])
    distances, fits = compared[:, 0], compared[:, 1]
    worst = distances.max(axis=0)
    odds = [None, *_odds(fits[:, 1:].sum(axis=0), found.parts[1:])]
    slips = [
        Slip(
            water=Water.of_vector(vector),
            agrees=bool(far <= 1 + 1e-9),
            distance=float(far),
            odds=chance,
            parts=parts,
        )
        for vector, far, chance, parts in zip(vectors, worst, odds, found.parts, strict=True)
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
                    -(slip.odds or 0.0) if slip.explains else slip.distance,
                ),
            )
        ),
        next_check=_next_check(vectors[possible], checks),
        checks=tuple(checks),
        other_unit=None if slips[0].agrees else _other_unit(doses, vectors, shifts, checks),
    )


def _compare(
    doses: Doses, vectors: NDArray[np.float64], shifts: NDArray[np.float64], check: Check
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How far a reading lies from each water, and how likely it is there.

    The first in half-widths of the band that agrees, the second as a natural logarithm, up to a
    constant. Formula, meter and drops may be off by anything up to their half-widths, each as
    likely (the rectangular distributions of GUM, JCGM 100:2008, 4.3.7): within them a nearer water
    is no likelier, and normal errors would be too sure. What was poured is normal. A few readings
    stray further.
    """
    if isinstance(check, DropCount):
        return _compare_drops(doses, vectors, shifts, check)
    return _compare_meter(doses, vectors, shifts, check)


def _compare_drops(
    doses: Doses, vectors: NDArray[np.float64], shifts: NDArray[np.float64], check: DropCount
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Of whole drops: the colour turns with the one that passes the end, or as often before."""
    from scipy.special import ndtr  # loaded when first used: it is slow to load

    spreads = doses.spreads(vectors, shifts)[check.quantity]
    far, exact = [], []
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
        exact.append(expected.exact)
    drop = check.kit.per_drop(check.sample_ml or check.kit.sample_ml)
    sigma = np.maximum(spreads / COVERAGE / drop, _LEAST_SIGMA_DROPS)
    counted = np.array(exact) * (1 + _WITHIN[:, None] * DROP_DOUBT_PERCENT / 100)
    inside = ndtr((check.drops + 1 - counted) / sigma) - ndtr((check.drops - 1 - counted) / sigma)
    off = (check.drops - np.array(exact)) / np.hypot(1, 2 * sigma)
    return np.array(far), _log_mixed(inside.mean(axis=0) / 2, np.exp(-(off**2) / 2))


def _compare_meter(
    doses: Doses, vectors: NDArray[np.float64], shifts: NDArray[np.float64], check: MeterReading
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    from scipy.special import ndtr  # loaded when first used: it is slow to load

    # One water tells how the meter turns conductivity into its display; the rest follow at once.
    one = _expected(check, Water.of_vector(vectors[0]))
    turn = one.shown / one.conductivity_us_cm
    shown = turn * conductivity_us_cm(vectors, check.temperature_c)
    mixing = turn * doses.meter_spread(vectors, shifts, check.temperature_c)
    least = AIR_US_CM * (check.tds_factor or 1.0)
    band = meter_band_percent(vectors, check.temperature_c) / 100
    slack = np.maximum(np.hypot(shown * band, mixing), least)
    off = (check.shown - shown) / slack
    sigma = np.maximum(mixing, least) / COVERAGE
    formula = shown * accuracy_percent(vectors, check.temperature_c) / 100
    meter = np.maximum(shown * METER_ACCURACY_PERCENT / 100, _LEAST_CHANCE)
    away = check.shown - shown - _WITHIN[:, None] * formula
    inside = ndtr((away + meter) / sigma) - ndtr((away - meter) / sigma)
    return np.abs(off), _log_mixed(inside.mean(axis=0) / (2 * meter), np.exp(-(off**2) / 2) / slack)


def _log_mixed(inside: NDArray[np.float64], stray: NDArray[np.float64]) -> NDArray[np.float64]:
    """Logarithm of the chance of a reading within its doubts, or straying twice as far."""
    chance = (1 - _STRAY) * inside + _STRAY * stray / math.sqrt(math.tau)
    return np.asarray(np.log(np.maximum(chance, _LEAST_CHANCE)))


def _odds(log_fits: NDArray[np.float64], parts: Sequence[tuple[Mistake, ...]]) -> list[float]:
    """Chance of each slip given that one was made.

    Parameters
    ----------
    log_fits : ndarray, shape (n_slips,)
        How likely all readings are in the water of each, as :func:`_compare` has it.
    parts : sequence of tuple of Mistake
        What each is made of.
    """
    if not parts:
        return []
    ways = Counter(one[0].kind for one in parts if len(one) == 1)
    of_kind = {kind: 1 / (number * len(ways)) for kind, number in ways.items()}
    before = np.array([math.prod(of_kind[part.kind] for part in one) for one in parts])
    is_double = np.array([len(one) == 2 for one in parts])
    if is_double.any():
        before[is_double] *= _SECOND_SLIP / before[is_double].sum()
    log_weights = np.log(before) + log_fits
    weights = np.exp(log_weights - log_weights.max())
    return [float(one) for one in weights / weights.sum()]


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
) -> OtherUnit | None:
    """The unit in which all would be right, did the meter show another one than was said."""
    for check in checks:
        if not isinstance(check, MeterReading) or check.tds_factor is not None:
            continue
        factor = check.shown / _expected(check, Water.of_vector(vectors[0])).shown
        instead: list[tuple[MeterReading, float | None]] = [
            (replace(check, shown=1000 * check.shown), None)
        ]
        if _TDS_FACTORS[0] <= factor <= _TDS_FACTORS[1]:
            instead.append((replace(check, tds_factor=factor), factor))
        for read, tds_factor in instead:
            all_read = (read, *(one for one in checks if one is not check))
            far = [_compare(doses, vectors[:1], shifts[:1], one)[0][0] for one in all_read]
            if max(far) <= 1:
                return OtherUnit(shown=check.shown, tds_factor=tds_factor)
    return None


def _next_check(possible: NDArray[np.float64], checks: Sequence[Check]) -> NextCheck | None:
    """The reading that tells most pairs of the ways still possible from one another."""
    if len(possible) < 2:
        return None
    waters = [Water.of_vector(vector) for vector in possible]
    counted = {check.quantity: check for check in checks if isinstance(check, DropCount)}
    told: dict[NextCheck, int] = {}
    titrated: dict[Literal["hardness", "alkalinity"], list[float]] = {
        "hardness": [one.hardness_mg_l_caco3 for one in waters],
        "alkalinity": [one.titratable_alkalinity_mg_l_caco3 for one in waters],
    }
    for quantity, got in titrated.items():
        check = counted.get(quantity)
        if check is None:
            kit = DropKit(name="", mg_l_caco3_per_drop=20.0)
            drop, what = kit.per_drop(kit.sample_ml), NextCheck(quantity=quantity)
        elif (check.sample_ml or check.kit.sample_ml) >= _LARGEST_SAMPLE_ML:
            continue
        else:
            drop = check.kit.per_drop(_LARGEST_SAMPLE_ML)
            what = NextCheck(
                quantity=quantity, sample_ml=_LARGEST_SAMPLE_ML, mg_l_caco3_per_drop=drop
            )
        told[what] = _pairs_told(np.array(got), drop, DROP_DOUBT_PERCENT)
    if not any(isinstance(check, MeterReading) for check in checks):
        told[NextCheck(quantity="conductivity")] = _pairs_told(
            conductivity_us_cm(possible),
            AIR_US_CM,
            float(np.mean(meter_band_percent(possible, MIXED_AT_C))),
        )
    best = max(told, key=lambda what: told[what], default=None)
    return best if best is not None and told[best] else NextCheck(quantity=None)


def _pairs_told(got: NDArray[np.float64], least: float, percent: float) -> int:
    """How many pairs differ by more than a step and what a reading is in doubt of."""
    apart = np.abs(got[:, None] - got)
    doubt = np.hypot(least, percent / 100 * np.maximum(got[:, None], got))
    return int((apart > doubt).sum()) // 2
