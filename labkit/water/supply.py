"""Base water: pure water with its meter reading, or a supply known by analysis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from labkit.boundary import checked, shown
from labkit.errors import WaterError
from labkit.shown import Shown
from labkit.water.chemistry.conductivity import AIR_US_CM, accuracy_percent, conductivity_us_cm
from labkit.water.chemistry.equilibrium import AIR_CO2_ATM
from labkit.water.given import is_finite
from labkit.water.salts.ions import CHARGES, INDEX, ion_table
from labkit.water.start import StartWater
from labkit.water.units import (
    ALKALINITY_UNITS,
    CACO3_G_MOL,
    HARDNESS_UNITS,
    MG_L_CACO3_PER_MEQ,
    alkalinity_from,
    hardness_from,
    read_unit,
)
from labkit.water.waters.water import FIELDS, PURE_WATER, Water

PURE_LIMIT_US_CM = 100.0
"""Conductivity up to which a water may be called pure (µS/cm)."""

WANTS_ANALYSIS_US_CM = 10.0
"""Conductivity above which a water called pure should be analysed once (µS/cm)."""

WORST_GAP_PERCENT = 10.0
"""Charge gap above which an analysis is refused (%), unless it is filled or tiny."""

_TINY_GAP_MEQ_L = 0.5
_ION_NAMES = {ion.name: symbol for symbol, ion in ion_table().items()}
_SUMS = ("hardness", "calcium hardness", "magnesium hardness", "alkalinity")


@checked(WaterError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class PureWater(Shown):
    """Water called pure, with its meter reading and what that reading can hide."""

    conductivity_25c_us_cm: float
    """Meter reading at 25 °C (µS/cm)."""

    def __post_init__(self) -> None:
        """Refuse readings that no pure water gives."""
        reading = self.conductivity_25c_us_cm
        if not (is_finite(reading) and 0 <= reading <= PURE_LIMIT_US_CM):
            raise WaterError(
                f"conductivity_25c_us_cm of a pure water must be between 0 and "
                f"{PURE_LIMIT_US_CM:.0f} µS/cm, got {reading!r}: give other waters by analysis.",
                field="conductivity_25c_us_cm",
            )

    @property
    def water(self) -> Water:
        """What it is taken for: water with nothing in it."""
        return PURE_WATER

    @property
    def hidden_alkalinity_mg_l_caco3(self) -> float:
        """Most alkalinity the reading can hide (mg/L as CaCO3): all of it sodium bicarbonate."""
        return MG_L_CACO3_PER_MEQ * self._most_mmol_l({"Na": 1, "HCO3": 1})

    @property
    def hidden_hardness_mg_l_caco3(self) -> float:
        """Most hardness the reading can hide (mg/L as CaCO3): all magnesium bicarbonate."""
        return CACO3_G_MOL * self._most_mmol_l({"Mg": 1, "HCO3": 2})

    @property
    def hidden_sodium_chloride_mg_l(self) -> float:
        """Sodium chloride that gives the reading (mg/L), neither hard nor alkaline."""
        return self._most_mmol_l({"Na": 1, "Cl": 1}) * (
            ion_table()["Na"].molar_mass_g_mol + ion_table()["Cl"].molar_mass_g_mol
        )

    @property
    def is_as_pure_as_air_allows(self) -> bool:
        """Whether CO2 from air alone would give the reading."""
        return self.conductivity_25c_us_cm <= AIR_US_CM

    @property
    def wants_analysis(self) -> bool:
        """Whether the reading hides too much to build a recipe of low alkalinity on it."""
        return self.conductivity_25c_us_cm > WANTS_ANALYSIS_US_CM

    def _most_mmol_l(self, salt: Mapping[str, int]) -> float:
        vector = np.zeros(len(INDEX))
        for symbol, number in salt.items():
            vector[INDEX[symbol]] = number
        found = self.conductivity_25c_us_cm / 100
        if not found:
            return 0.0
        for _ in range(4):  # the conductivity is all but proportional
            shown = float(conductivity_us_cm(found * vector, co2_atm=AIR_CO2_ATM)[0])
            found *= self.conductivity_25c_us_cm / shown
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply(Shown):
    """A water known by analysis, with the gap in its charge balance."""

    name: str
    """What to call it."""

    water: Water
    """Its ions, as analysed or filled up."""

    analysed: Water
    """Its ions as analysed."""

    conductivity_25c_us_cm: float | None = None
    """Conductivity that the analysis states (µS/cm), to compare with the ions."""

    ph: float | None = None
    """Stated pH; shown, not used: it drifts with CO2 between tap, jug and air."""

    @property
    def charge_gap_meq_l(self) -> float:
        """Cations minus anions as analysed (meq/L)."""
        return self.analysed.charge_balance_meq_l

    @property
    def charge_gap_percent(self) -> float:
        """The gap over the sum of cations and anions (%), as in Standard Methods 1030 E."""
        total = float(self.analysed.vector @ np.abs(CHARGES))
        return 100 * self.charge_gap_meq_l / total if total else 0.0

    @property
    def gap_allowed_meq_l(self) -> float:
        """Gap that a good analysis stays within (meq/L), Standard Methods 1030 E from memory."""
        anions = float(np.maximum(-CHARGES, 0) @ self.analysed.vector)
        if anions <= 3:
            return 0.2
        return (0.02 if anions <= 10 else 0.05) * 2 * anions

    @property
    def filled_with(self) -> str | None:
        """Symbol of the ion that a gap in the charges was filled with; None if none was."""
        if self.water == self.analysed:
            return None
        return _filler(self.charge_gap_meq_l)

    @property
    def gap_is_notable(self) -> bool:
        """Whether the gap, left as it is, is larger than a good analysis has."""
        return self.filled_with is None and abs(self.charge_gap_meq_l) > self.gap_allowed_meq_l

    @property
    def expected_conductivity_25c_us_cm(self) -> float:
        """Conductivity at 25 °C that its ions give (µS/cm)."""
        return float(conductivity_us_cm(self.water.vector)[0])

    @property
    def conductivity_off_percent(self) -> float | None:
        """How far the ions' conductivity lies off the stated one (%); None if within doubt."""
        stated = self.conductivity_25c_us_cm
        if stated is None:
            return None
        off = 100 * (self.expected_conductivity_25c_us_cm / stated - 1)
        return off if abs(off) > 2 * float(accuracy_percent(self.water.vector)[0]) else None


@checked(WaterError, but=("entries",))
def read_analysis(
    entries: Mapping[str, tuple[float, str]],
    *,
    name: str = "",
    fill_gap: bool = False,
) -> Supply:
    """A supply water from its analysis.

    Parameters
    ----------
    entries : mapping
        Quantity -> (value, unit). Ions by symbol or name in ``"mg/L"``, ``"mmol/L"``, ``"meq/L"``
        or ``"µg/L"`` of the ion; ``"hardness"``, ``"calcium hardness"`` and ``"magnesium
        hardness"`` in one of :data:`labkit.water.HARDNESS_UNITS`; ``"alkalinity"`` in one of
        :data:`labkit.water.ALKALINITY_UNITS`; ``"Mg share"``, of a hardness that is not parted,
        with ``""`` or in ``"%"``; ``"conductivity"`` in ``"µS/cm"`` at 25 °C;
        ``"pH"`` with ``""``.
    name : str
        What to call it.
    fill_gap : bool
        Whether to fill a gap in the charges with sodium or chloride, as partial analyses need.

    Raises
    ------
    WaterError
        If a quantity or unit is unknown, hardness is given without its split, a figure is
        negative, or the charges are too far apart.

    Examples
    --------
    >>> tap = read_analysis(
    ...     {"Ca": (60, "mg/L"), "Mg": (6, "mg/L"), "Na": (10, "mg/L"), "Cl": (20, "mg/L"),
    ...      "SO4": (35, "mg/L"), "alkalinity": (139, "mg/L CaCO3")})
    >>> round(tap.charge_gap_percent, 1)
    -1.8
    """
    ions: dict[str, float] = {}
    sums: dict[str, float] = {}
    share: float | None = None
    conductivity: float | None = None
    ph: float | None = None
    given: object = entries
    if not isinstance(given, Mapping) or not all(isinstance(one, str) for one in given):
        raise WaterError(
            "entries must be a mapping from names to values with their units, as in "
            f"{{'Ca': (60, 'mg/L')}}, got {shown(entries)}.",
            field="entries",
        )
    for quantity in entries:
        entry: object = entries[quantity]
        if not (isinstance(entry, tuple | list) and len(entry) == 2):
            raise WaterError(
                f"{quantity} must be a value with its unit, as in (50, 'mg/L'), got {entry!r}.",
                field=quantity,
            )
        value, unit = entry[0], read_unit(quantity, str(entry[1]))
        key = " ".join(quantity.split())
        if not (is_finite(value) and value >= 0):
            raise WaterError(f"{key} must be a number of at least 0, got {value!r}.", field=key)
        symbol = key if key in INDEX else _ION_NAMES.get(key.lower(), "")
        lower = key.lower()
        value = float(value)
        if symbol in ions:
            raise WaterError(
                f"{ion_table()[symbol].name} is given twice: give it once.", field=symbol
            )
        if symbol:
            ions[symbol] = _ion_mmol_l(symbol, value, unit)
        elif lower in _SUMS:
            sums[lower] = _sum_mg_l_caco3(lower, value, unit)
        elif lower == "mg share":
            share = _share(value, unit)
        elif lower == "conductivity":
            if unit != "µS/cm":
                raise WaterError(
                    f"conductivity must be in µS/cm at 25 °C, got {unit!r}.", field="conductivity"
                )
            conductivity = value
        elif lower == "ph":
            if value > 14:
                raise WaterError(f"pH must be between 0 and 14, got {value!r}.", field="pH")
            ph = value
        else:
            raise WaterError(
                f"{quantity!r} is not a quantity that labkit reads: give ions "
                f"({', '.join(INDEX)}), {', '.join(_SUMS)}, Mg share, conductivity or pH.",
                field=quantity,
            )
    _split_hardness(ions, sums, share)
    if "alkalinity" in sums:
        if ions.get("HCO3") or ions.get("CO3"):
            raise WaterError(
                "give alkalinity or bicarbonate, not both: one repeats the other.",
                field="alkalinity",
            )
        ions["HCO3"] = sums["alkalinity"] / MG_L_CACO3_PER_MEQ
    water = Water.of_ions(ions)
    supply = Supply(
        name=name, water=water, analysed=water, conductivity_25c_us_cm=conductivity, ph=ph
    )
    gap = supply.charge_gap_meq_l
    if fill_gap:
        filler = _filler(gap)
        amount = getattr(water, FIELDS[filler]) + abs(gap)  # both carry one charge
        return replace(supply, water=replace(water, **{FIELDS[filler]: amount}))
    if abs(gap) > _TINY_GAP_MEQ_L and abs(supply.charge_gap_percent) > WORST_GAP_PERCENT:
        raise WaterError(
            f"the analysis does not balance: cations minus anions is {gap:+.2f} meq/L "
            f"({supply.charge_gap_percent:+.0f} % of their sum). Check the units (alkalinity as "
            "HCO3 or as CaCO3?), add the missing ions, or let fill_gap fill it with "
            f"{ion_table()[_filler(gap)].name}.",
            field="fill_gap",
        )
    return supply


def _filler(gap_meq_l: float) -> str:
    """Symbol of the ion, of one charge, that closes a gap."""
    return "Cl" if gap_meq_l > 0 else "Na"


def _ion_mmol_l(symbol: str, value: float, unit: str) -> float:
    ion = ion_table()[symbol]
    per_unit = {
        "mg/L": 1 / ion.molar_mass_g_mol,
        "µg/L": 1e-3 / ion.molar_mass_g_mol,
        "mmol/L": 1.0,
        "meq/L": 1 / abs(ion.charge),
    }
    if symbol in ("Ca", "Mg"):
        per_unit["mg/L CaCO3"] = 1 / CACO3_G_MOL
    if symbol == "HCO3":
        per_unit["mg/L CaCO3"] = 1 / MG_L_CACO3_PER_MEQ
    if unit not in per_unit:
        raise WaterError(
            f"{ion.name} must be in one of {', '.join(per_unit)} (mg/L of the ion), got {unit!r}.",
            field=symbol,
        )
    return value * per_unit[unit]


def _sum_mg_l_caco3(quantity: str, value: float, unit: str) -> float:
    if unit == "mg/L":
        units = ALKALINITY_UNITS if quantity == "alkalinity" else HARDNESS_UNITS
        raise WaterError(
            f"{quantity} in mg/L does not say as what: give it in one of {', '.join(units)}.",
            field=quantity,
        )
    if quantity == "alkalinity":
        return alkalinity_from(value, unit)
    return hardness_from(value, unit)


def _share(value: float, unit: str) -> float:
    share = value / 100 if unit == "%" else value
    if unit not in ("", "%") or share > 1:
        raise WaterError(
            f"Mg share must be from 0 to 1, or in %, got {value!r} {unit}".rstrip() + ".",
            field="Mg share",
        )
    return share


def _split_hardness(
    ions: dict[str, float], sums: dict[str, float], share: float | None = None
) -> None:
    """Turn hardness into calcium and magnesium, in place."""
    for quantity, symbol in (("calcium hardness", "Ca"), ("magnesium hardness", "Mg")):
        if quantity in sums:
            if symbol in ions:
                raise WaterError(
                    f"give {quantity} or {symbol}, not both: one repeats the other.", field=quantity
                )
            ions[symbol] = sums[quantity] / CACO3_G_MOL
    if share is not None:
        _part_by_share(ions, sums, share)
    if "hardness" not in sums:
        return
    total = sums["hardness"] / CACO3_G_MOL
    known = [symbol for symbol in ("Ca", "Mg") if symbol in ions]
    if not known and total:
        raise WaterError(
            "hardness alone does not say how much is calcium: give Ca, Mg, calcium hardness, "
            "magnesium hardness or Ca:Mg with it.",
            field="hardness",
        )
    if len(known) == 2:
        if abs(ions["Ca"] + ions["Mg"] - total) > 0.05 * total + 0.05:
            raise WaterError(
                f"hardness of {sums['hardness']:.0f} mg/L as CaCO3 does not agree with Ca and Mg, "
                f"which make {(ions['Ca'] + ions['Mg']) * CACO3_G_MOL:.0f}: check their units.",
                field="hardness",
            )
        return
    if not known:
        return
    rest = total - ions[known[0]]
    if rest < -0.02 * total:
        raise WaterError(
            f"hardness of {sums['hardness']:.0f} mg/L as CaCO3 is less than its {known[0]} alone "
            f"({ions[known[0]] * CACO3_G_MOL:.0f}): check their units.",
            field="hardness",
        )
    ions["Mg" if known[0] == "Ca" else "Ca"] = max(rest, 0.0)


def _part_by_share(ions: dict[str, float], sums: Mapping[str, float], share: float) -> None:
    """Calcium and magnesium (mmol/L) from how they share a hardness, in place."""
    known = [symbol for symbol in ("Ca", "Mg") if symbol in ions]
    of = {"Ca": 1 - share, "Mg": share}
    if len(known) == 2:
        total = ions["Ca"] + ions["Mg"]
        if total and abs(ions["Mg"] / total - share) > 0.02:
            raise WaterError(
                f"Mg share of {share:.2f} does not agree with Ca and Mg, which make "
                f"{ions['Mg'] / total:.2f}: leave it out, or check their units.",
                field="Mg share",
            )
    elif "hardness" in sums:
        total = sums["hardness"] / CACO3_G_MOL
        for symbol in known:
            if abs(ions[symbol] - of[symbol] * total) > 0.05 * total + 0.05:
                raise WaterError(
                    f"hardness of {sums['hardness']:.0f} mg/L as CaCO3 with a Mg share of "
                    f"{share:.2f} does not agree with {symbol}: leave one of the three out.",
                    field="Mg share",
                )
        for rest in of.keys() - known:
            ions[rest] = of[rest] * total
    elif known and of[known[0]]:
        (other,) = of.keys() - known
        ions[other] = ions[known[0]] * of[other] / of[known[0]]
    else:
        raise WaterError(
            "Mg share says how Ca and Mg share a hardness, but none of the three is given: give "
            "hardness, Ca or Mg with it.",
            field="Mg share",
        )


def as_water(base: Water | Supply | PureWater | StartWater) -> Water:
    """The water itself, whichever way it is known."""
    return base if isinstance(base, Water) else base.water


@checked(WaterError, own_numbers=True)
def pure_water(*, conductivity_25c_us_cm: float = 1.0) -> PureWater:
    """Pure water with its meter reading at 25 °C.

    Parameters
    ----------
    conductivity_25c_us_cm : float
        Meter reading at 25 °C (µS/cm).

    Raises
    ------
    WaterError
        If no pure water gives such a reading.

    Examples
    --------
    >>> round(pure_water(conductivity_25c_us_cm=20).hidden_alkalinity_mg_l_caco3, 1)
    10.7
    """
    return PureWater(conductivity_25c_us_cm=conductivity_25c_us_cm)
