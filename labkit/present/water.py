"""What is said of a water: its coordinates and ions, its portrait, heat and steel."""

from __future__ import annotations

import math
from typing import Final

from labkit.present.asked import remarks, say, to_html
from labkit.present.cautions import CAUTIONS
from labkit.present.doses import made_figures
from labkit.present.html import folded, notes, table
from labkit.water import (
    ALKALINITY_UNITS,
    COORDINATE,
    CYCLES,
    HARDNESS_UNITS,
    SALT_SHARE,
    SOURCE,
    Finding,
    Portrait,
    Range,
    SteelGuidance,
    Target,
    TypedWater,
    Water,
    alkalinity_in,
    figure,
    hardness_in,
    ion_table,
    percent,
)

_ONLY_STEEL: Final = "titanium or a 6 % molybdenum steel"


@to_html.register
def _water(water: Water) -> str:
    return table(
        "Water",
        ("", "mg/L as CaCO3"),
        [
            ("hardness", figure(water.hardness_mg_l_caco3)),
            ("alkalinity", figure(water.alkalinity_mg_l_caco3)),
        ],
    ) + _ions(water)


def _ions(water: Water) -> str:
    rows = [
        (ion_table()[symbol].name, figure(mg), figure(mmol), figure(meq))
        for (symbol, mg), mmol, meq in zip(
            water.ions_mg_l.items(),
            water.ions_mmol_l.values(),
            water.ions_meq_l.values(),
            strict=True,
        )
    ]
    return table("Ions", ("", "mg/L", "mmol/L", "meq/L"), rows)


@say.register
def _target_said(target: Target) -> str:
    return target.text


@say.register
def _typed(typed: TypedWater) -> str:
    """What was taken because it was not typed; nothing where all was."""
    if not typed.taken:
        return ""
    target, parts = typed.target, []
    for name in typed.taken:
        if name == "mg_share":
            parts.append(f"Ca:Mg was not said: {target.ca_mg_ratio_text} is taken")
        else:
            level = f"{figure(getattr(target, name))} mg/L as CaCO3"
            parts.append(f"{COORDINATE[name].words} was not said: {level} is taken")
    said = "; ".join(parts)
    return f"{said[0].upper()}{said[1:]}."


def other_ways(target: Target) -> str:
    """A water in the trade's ways, as they stand beside what is typed.

    Parameters
    ----------
    target : Target
        The water.

    Examples
    --------
    >>> other_ways(Target(mg_share=0.4, hardness_mg_l_caco3=100, alkalinity_mg_l_caco3=15))
    ... # doctest: +NORMALIZE_WHITESPACE
    'Ca 60, Mg 40, alk 15 mg/L as CaCO3; Ca:Mg 3:2 at 100; 5.6 °dH, alk 0.8;
     10.0 °fH, alk 1.5; 1.00 mmol/L, alk 0.30'
    """
    hard, soft = target.hardness_mg_l_caco3, target.alkalinity_mg_l_caco3
    units = [
        f"{hardness_in(hard, unit):.{digits}f} {unit}, alk {alkalinity_in(soft, unit):.{digits}f}"
        for unit, digits in (("°dH", 1), ("°fH", 1), ("mmol/L", 2))
    ]
    return "; ".join(
        [
            f"{target.ca_mg_text}, alk {figure(soft)} mg/L as CaCO3",
            f"Ca:Mg {target.ca_mg_ratio_text} at {figure(hard)}",
            *units,
            *([target.salts_text] if target.salts_text else []),
        ]
    )


@to_html.register
def _target(target: Target) -> str:
    return table(
        "Wanted water",
        ("", "value"),
        [
            ("Ca:Mg (by moles)", target.ca_mg_ratio_text),
            ("calcium and magnesium, mg/L as CaCO3", target.ca_mg_text),
            ("Mg share of hardness", percent(target.mg_share)),
            ("hardness, mg/L as CaCO3", figure(target.hardness_mg_l_caco3)),
            ("alkalinity, mg/L as CaCO3", figure(target.alkalinity_mg_l_caco3)),
            *((SALT_SHARE[name].title, percent(x)) for name, x in target.salt_shares.items()),
        ],
    )


@say.register
def _steel_said(guidance: SteelGuidance) -> str:
    allowed = [
        f"{name} to {limit:.0f} °C"
        for name, limit in (("304", guidance.steel_304_to_c), ("316", guidance.steel_316_to_c))
        if limit is not None
    ]
    steel = " and ".join(allowed) if allowed else f"only {_ONLY_STEEL}"
    return f"{figure(guidance.chloride_mg_l, 2)} mg/L chloride: {steel}."


@to_html.register
def _steel(guidance: SteelGuidance) -> str:
    return notes([say(guidance), f"Source: {SOURCE}.", *CAUTIONS["machine"]])


def from_to(found: Range, digits: int = 1, *, signed: bool = False) -> str:
    """Both ends of a range, or one figure where they agree.

    Parameters
    ----------
    found : Range
        The two ends.
    digits : int
        Decimals that are shown.
    signed : bool
        Whether a plus is written too.

    Examples
    --------
    >>> from_to(Range(low=0.24, high=0.53), signed=True)
    '+0.2 to +0.5'
    >>> from_to(Range(low=-0.04, high=0.23), signed=True)
    '+0.0 to +0.2'
    """
    if not math.isfinite(found.high):
        return "none"
    sign = "+" if signed else ""
    ends = [f"{round(end, digits) + 0.0:{sign}.{digits}f}" for end in (found.low, found.high)]
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


def ph_range(portrait: Portrait) -> str:
    """The pH as a range, lowest first: it drifts between closed and open to air.

    Parameters
    ----------
    portrait : Portrait
        What the water is worked out to be.
    """
    low, high = sorted((portrait.ph_closed, portrait.ph_air))
    return f"{low:.1f} to {high:.1f}" if f"{low:.1f}" != f"{high:.1f}" else f"{low:.1f}"


@remarks.register
def _portrait_remarks(portrait: Portrait) -> tuple[str, ...]:
    return tuple(_finding(portrait, finding) for finding in portrait.findings)


def _finding(portrait: Portrait, finding: Finding) -> str:
    water, mg_l = portrait.water, portrait.water.ions_mg_l
    match finding:
        case Finding.CHLORIDE_TASTED:
            return (
                f"Chloride of {mg_l['Cl']:.0f} mg/L is in the range where it can be tasted (200 to "
                "300 mg/L, WHO/SDE/WSH/03.04/03)."
            )
        case Finding.SULFATE_HIGH:
            return (
                f"Sulfate of {mg_l['SO4']:.0f} mg/L is above the guide value of 250 mg/L "
                "(40 CFR 143.3)."
            )
        case Finding.NITRATE_HIGH:
            return (
                f"Nitrate of {mg_l['NO3']:.0f} mg/L is above 50 mg/L (WHO guideline, from memory): "
                "not for drinking without local advice."
            )
        case Finding.SULFATE_SPARES_STEEL:
            # Rounded down it would not suffice.
            enough = math.ceil(100 * (portrait.sulfate_share or 0.0) - 1e-9) / 100
            return (
                f"Dosing {percent(enough)} of the hardness as sulfate instead would bring "
                "chloride down to 50 mg/L, where the steel table still lists 304 (to 60 °C)."
            )
        case Finding.ORGANIC_ANIONS:
            return (
                "Organic anions are counted as bystanders: they bind some calcium and magnesium, "
                "so scale is overstated, and a titration finds "
                f"{figure(water.titratable_alkalinity_mg_l_caco3)} mg/L alkalinity as CaCO3."
            )
        case Finding.CHARGES_OPEN:
            gap = water.charge_balance_meq_l
            return f"The charges do not cancel ({gap:+.2f} meq/L): an ion is missing."
        case Finding.SCALE_EXTRAPOLATED:
            return (
                "Calcite's constant is measured to 90 °C; hotter figures are extrapolated, and "
                "their spread is that of two published sets of constants."
            )


@to_html.register
def _portrait(portrait: Portrait) -> str:
    """What most ask first, the rest folded below."""
    water, made = portrait.water, made_figures(portrait.water)
    conductivity = (
        f"{portrait.conductivity_25c_us_cm:.0f} ± {portrait.conductivity_accuracy_percent:.0f} %"
    )
    first = [
        ("hardness, mg/L as CaCO3", made["hardness"]),
        ("alkalinity, mg/L as CaCO3", made["alkalinity"]),
        ("Ca:Mg by moles", water.ca_mg_ratio_text),
        ("calcium and magnesium, mg/L as CaCO3", water.ca_mg_text),
        ("Mg share of hardness", f"{made['Mg share, %']} %"),
        ("conductivity at 25 °C, µS/cm", conductivity),
        ("pH, closed to open to air", ph_range(portrait)),
        ("chloride and sulfate, mg/L", _two(water, "Cl", "SO4")),
        ("sodium and potassium, mg/L", _two(water, "Na", "K")),
    ]
    return (
        table("Water", ("", "value"), first)
        + _scale(portrait)
        + notes(remarks(portrait))
        + folded("Machine: chloride, steel, heat", _machine(portrait))
        + folded("Ions and dissolved solids", _ions(water) + _solids(water))
        + folded("Other units", _units(water))
    )


def _two(water: Water, one: str, other: str) -> str:
    mg_l = water.ions_mg_l
    return f"{figure(mg_l.get(one, 0.0), 2)} and {figure(mg_l.get(other, 0.0), 2)}"


def _scale(portrait: Portrait) -> str:
    rows = [
        (
            f"{each.place}, {each.temperature_c:.0f} °C",
            from_to(each.index_closed, signed=True),
            from_to(each.scale_closed_mg_l, 0),
            from_to(each.index_degassed, signed=True),
            from_to(each.scale_degassed_mg_l, 0),
        )
        for each in portrait.scaling
    ]
    return table(
        "Calcite: saturation index, and CaCO3 that can fall out (mg/L)",
        ("", "index, closed", "mg/L, closed", "index, degassed", "mg/L, degassed"),
        rows,
    )


def _machine(portrait: Portrait) -> str:
    rows = [(f"{cycles:g}", say(each)) for cycles, each in zip(CYCLES, portrait.steel, strict=True)]
    return (
        table("Chloride where steam leaves salts behind", ("cycles", "steel"), rows)
        + notes([f"Source: {SOURCE}."])
        + notes(CAUTIONS["machine"])
    )


def _solids(water: Water) -> str:
    solids = [
        ("sum of ions", figure(water.sum_of_ions_mg_l)),
        ("dry residue at 180 °C, calculated", figure(water.dry_residue_180c_mg_l)),
    ]
    return table("Total dissolved solids", ("", "mg/L"), solids)


_STATED_IN: Final = "mg/L CaCO3"
"""The unit in which what doses make is stated."""


def _units(water: Water) -> str:
    made = made_figures(water)
    hard = [
        (unit, made["hardness"] if unit == _STATED_IN else figure(water.hardness_in(unit)))
        for unit in HARDNESS_UNITS
    ]
    soft = [
        (unit, made["alkalinity"] if unit == _STATED_IN else figure(water.alkalinity_in(unit)))
        for unit in ALKALINITY_UNITS
    ]
    return table("Hardness", ("unit", "value"), hard) + table("Alkalinity", ("unit", "value"), soft)
