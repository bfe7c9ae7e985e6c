"""The words and signs of a typed water, each with what it stands for."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from labkit.errors import WaterError
from labkit.water.salts.ions import ion_table
from labkit.water.typed.numbers import NUMBER
from labkit.water.units import CACO3_G_MOL, MG_L_CACO3_PER_MEQ, alkalinity_from, hardness_from

CA, MG, HARDNESS, ALKALINITY, SHARE = "Ca", "Mg", "hardness", "alkalinity", "Mg share"
HCO3, CA_SHARE = "HCO3", "Ca share"

_END: Final = r"(?![A-Za-z0-9])"
_KEYS: Final = (
    (SHARE, r"(?:Mg|magnesium)[\s-]+share(?:\s+of\s+hardness)?|share\s+of\s+(?:Mg|magnesium)"),
    (CA_SHARE, r"(?:Ca|calcium)[\s-]+share(?:\s+of\s+hardness)?|share\s+of\s+(?:Ca|calcium)"),
    ("Ca:Mg", r"Ca\s*[:/]\s*Mg|ratio"),
    ("Mg:Ca", r"Mg\s*[:/]\s*Ca"),
    (f"all {CA}", r"all\s+(?:Ca|calcium)"),
    (f"all {MG}", r"all\s+(?:Mg|magnesium)"),
    ("Ca hardness", r"(?:Ca|calcium)\s+hardness"),
    ("Mg hardness", r"(?:Mg|magnesium)\s+hardness"),
    (HCO3, r"bicarbonates?|hydrogen\s?carbonates?|HCO3-?"),
    (ALKALINITY, r"carbonate\s+hardness|alkalinity|alkaline|alk\.?|KH"),
    (HARDNESS, r"(?:total\s+|general\s+)?hardness|hard|GH|TH"),
    (CA, r"calcium|Ca(?:2\+|\+\+)?"),
    (MG, r"magnesium|Mg(?:2\+|\+\+)?"),
)
_SPECIES: Final = r"CaCO3|HCO3-?|Ca|Mg|(?:the\s+)?ions?"
_UNITS: Final = (
    ("mg/L CaCO3", r"(?:(?:mg\s*/\s*l|ppm)\s*(?:as\s+)?|as\s+)CaCO3"),
    ("mg/L of", rf"(?:(?:mg\s*/\s*l|ppm)\s*)?(?:as|of)\s+(?P<species>{_SPECIES})"),
    ("mg/L", r"mg\s*/\s*l|ppm"),
    ("°dH", r"°\s*d(?:[GK]?H)?|d[GK]?H"),
    ("°fH", r"°\s*f(?:H)?|fH"),
    ("mmol/L", r"mmol\s*/\s*l"),
    ("meq/L", r"(?:meq|mval)\s*/\s*l"),
    ("gr/US gal", r"gr\s*/\s*US\s+gal|gpg"),
)
_TOKENS: Final = re.compile(
    "|".join(
        [
            rf"(?P<ratio>{NUMBER}\s*(?::|\bto\b)\s*{NUMBER}(?!\s*:))",
            rf"(?P<number>{NUMBER})",
            r"(?P<parting>[,;()|&+]|and\b)",
            rf"(?P<at>@|at{_END})",
            r"(?P<percent>%)",
            *(rf"(?P<unit{n}>(?:{how}){_END})" for n, (_, how) in enumerate(_UNITS)),
            *(rf"(?P<key{n}>(?:{how}){_END})" for n, (_, how) in enumerate(_KEYS)),
            r"(?P<is>[:=])",
            r"(?P<space>\s+)",
        ]
    ),
    re.IGNORECASE,
)
EXAMPLES: Final = "Ca 60, Mg 40, alk 15 (mg/L as CaCO3), or 1:3 at 100, alk 15"
"""How a water may be typed."""


@dataclass(frozen=True, slots=True)
class Token:
    """One word, number or sign."""

    kind: str
    """``ratio``, ``number``, ``parting``, ``at``, ``percent``, ``key``, ``unit`` or ``is``."""

    text: str
    """As typed."""

    means: str = ""
    """Which key or unit."""

    numbers: tuple[float, ...] = ()
    """What a number or a ratio states."""


def tokens_of(text: str, field: str) -> list[Token]:
    """The words, numbers and signs of a text.

    Raises
    ------
    WaterError
        If something in it is none of them.
    """
    found: list[Token] = []
    place = 0
    while place < len(text):
        match = _TOKENS.match(text, place)
        if match is None or match.lastgroup is None:
            raise WaterError(
                f"{field} holds {text[place:].split()[0]!r}, which is not read. Write {EXAMPLES}.",
                field=field,
            )
        place = match.end()
        kind = next(name for name, what in match.groupdict().items() if what is not None)
        if kind == "space":
            continue
        means = ""
        if kind.startswith("key"):
            kind, means = "key", _KEYS[int(kind[3:])][0]
        elif kind.startswith("unit"):
            kind, means = "unit", _UNITS[int(kind[4:])][0]
            if means == "mg/L of":
                means = f"mg/L of {_species(match['species'])}"
        numbers = tuple(map(float, re.findall(NUMBER, match[0]))) if kind[0] in "rn" else ()
        if any(number > 1e6 for number in numbers):
            raise WaterError(
                f"{field} holds {match[0]}, which is more than any water has. Write {EXAMPLES}.",
                field=field,
            )
        found.append(Token(kind, match[0], means, numbers))
    return found


def _species(text: str) -> str:
    lower = text.lower().rstrip("-")
    return {"hco3": HCO3, "ca": CA, "mg": MG, "caco3": "CaCO3"}.get(lower, "ions")


def as_caco3(what: str, number: float, unit: str, text: str, field: str) -> tuple[str, float]:
    """Which sum it states, and how much of it in mg/L as CaCO3.

    Raises
    ------
    WaterError
        If the unit is not one of this quantity, or can mean two things.
    """
    sums = {HCO3: ALKALINITY, "Ca hardness": CA, "Mg hardness": MG}
    quantity = sums.get(what, what)
    ion = {CA: CA, MG: MG, ALKALINITY: HCO3}.get(quantity)
    if unit in ("mg/L of ions", f"mg/L of {ion}") and ion is not None:
        return quantity, number * _caco3_per_mg(ion)
    if unit == "mg/L of CaCO3":
        unit = "mg/L CaCO3"
    if unit == "mg/L":
        if what == HCO3:
            return quantity, number * _caco3_per_mg(HCO3)
        if ion is not None and what not in sums:
            raise WaterError(
                f"{field} can be read in two ways: {text!r} as {number:g} mg/L as CaCO3, or as "
                f"{number:g} mg/L of {ion}, which is {number * _caco3_per_mg(ion):.3g} as CaCO3. "
                f"Write mg/L as CaCO3 or mg/L of {ion}.",
                field=field,
            )
        unit = "mg/L CaCO3"  # hardness is stated as nothing else
    if not unit:
        if what == HCO3:
            raise WaterError(
                f"{field} can be read in two ways: {text!r} as {number:g} mg/L of HCO3, which is "
                f"{number * _caco3_per_mg(HCO3):.3g} as CaCO3, or as {number:g} as CaCO3. "
                f"Write {number:g} mg/L of HCO3, or alk {number:g}.",
                field=field,
            )
        unit = "mg/L CaCO3"
    if unit.startswith("mg/L of"):
        raise WaterError(
            f"{field} states {what} in {unit}, which does not fit. Write mg/L as CaCO3"
            + (f", or mg/L of {ion}." if ion else "."),
            field=field,
        )
    convert = alkalinity_from if quantity == ALKALINITY else hardness_from
    return quantity, convert(number, unit)


def _caco3_per_mg(ion: str) -> float:
    """What a mg/L of the ion is in mg/L as CaCO3."""
    per_mmol = MG_L_CACO3_PER_MEQ if ion == HCO3 else CACO3_G_MOL
    return per_mmol / ion_table()[ion].molar_mass_g_mol
