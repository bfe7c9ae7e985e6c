"""An analysis as a bottle's label or a waterworks' report has it, typed in one line."""

from __future__ import annotations

import re
from typing import Final

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.water.salts.ions import ion_table
from labkit.water.typed.numbers import NUMBER, only_reading, tidy
from labkit.water.typed.reading import read_shares
from labkit.water.units import read_unit

_EXAMPLE: Final = "Ca 60, Mg 6, Na 10, Cl 20, SO4 35, NO3 5, HCO3 170 mg/L"
_SUMS: Final = (
    ("calcium hardness", r"(?:calcium|Ca)\s+hardness"),
    ("magnesium hardness", r"(?:magnesium|Mg)\s+hardness"),
    ("alkalinity", r"alkalinity|alk\.?|carbonate\s+hardness|KH"),
    ("hardness", r"(?:total\s+|general\s+)?hardness|GH|TH"),
    ("Mg share", r"(?:Mg|magnesium)\s+share"),
    ("conductivity", r"conductivity"),
    ("pH", r"pH"),
)
_UNIT: Final = (
    r"(?:mg|[µμu]g|mmol|meq|mval)\s*/\s*l(?:\s*(?:as\s+)?(?:CaCO3|HCO3-?))?"
    r"|°\s*[df]H?|[df]H|[µμu]S\s*/\s*cm|%"
)


def _names() -> list[tuple[str, str]]:
    """Each quantity and how it may be written, sums first: they begin like ions."""
    found = list(_SUMS)
    for symbol, ion in ion_table().items():
        sign = r"\++" if ion.charge > 0 else "-+"
        how = [rf"{re.escape(symbol)}(?:\d?{sign})?", re.escape(ion.name)]
        if symbol == "HCO3":
            how += [r"hydrogen\s?carbonate", "bicarbonates?"]
        found.append((symbol, "|".join(how)))
    return found


_NAMES: Final = _names()
_ITEM: Final = re.compile(
    "(?:"
    + "|".join(rf"(?P<name{n}>{how})" for n, (_, how) in enumerate(_NAMES))
    + rf")(?![A-Za-z0-9])\s*[:=]?\s*(?P<value>{NUMBER})(?:\s*(?P<unit>{_UNIT})(?![A-Za-z]))?",
    re.IGNORECASE,
)
_RATIO: Final = re.compile(rf"Ca\s*[:/]\s*Mg\s*=?\s*({NUMBER}\s*:\s*{NUMBER})", re.IGNORECASE)


@checked(WaterError, but=("text",))
def read_label(text: str, *, field: str = "label") -> dict[str, tuple[float, str]]:
    """An analysis typed in one line, for :func:`labkit.water.read_analysis`.

    Parameters
    ----------
    text : str
        Each quantity by symbol or name, then its figure and unit, such as
        ``Ca 60, Mg 6, HCO3 170 mg/L``; nothing typed is no analysis. What has no unit is mg/L of
        the ion, as on a bottle's label; hardness and alkalinity need theirs.
    field : str
        What the sentence of an error calls it, and its ``field``.

    Returns
    -------
    dict of str to (float, str)
        Quantity -> value and unit.

    Raises
    ------
    WaterError
        If something cannot be read, is given twice, or can be read in two ways.

    Examples
    --------
    >>> read_label("Ca 60, Mg 6,1, HCO3- 170 mg/L, total hardness 10 °dH")["hardness"]
    (10.0, '°dH')
    """
    plain = tidy(text, field)
    if not plain:
        return {}
    return only_reading(plain, field, lambda one: _read(one, field), _said)


def _said(analysis: dict[str, tuple[float, str]]) -> str:
    return ", ".join(f"{what} {value:g}" for what, (value, _) in analysis.items())


def _read(text: str, field: str) -> dict[str, tuple[float, str]]:
    found: dict[str, tuple[float, str]] = {}
    place = 0
    while place < len(text):
        if parting := re.compile(r"[\s,;|]+").match(text, place):
            place = parting.end()
            continue
        item = _ITEM.match(text, place)
        ratio = _RATIO.match(text, place)
        if item is not None:
            what, entry = _entry(item, field)
            place = item.end()
        elif ratio is not None:
            what, entry = "Mg share", (read_shares(ratio[1], field)[0], "")
            place = ratio.end()
        else:
            raise WaterError(
                f"{field} holds {text[place : place + 20]!r}, which is not read. Give each "
                f"quantity with its figure: {_EXAMPLE}.",
                field=field,
            )
        if what in found:
            raise WaterError(f"{field} gives {what} twice: give it once.", field=field)
        found[what] = entry
    if not found:
        raise WaterError(f"{field} must be an analysis, got {text!r}: {_EXAMPLE}.", field=field)
    return found


def _entry(item: re.Match[str], field: str) -> tuple[str, tuple[float, str]]:
    """One quantity with value and unit."""
    at = next(n for n in range(len(_NAMES)) if item[f"name{n}"] is not None)
    what = _NAMES[at][0]
    unit = read_unit(what, re.sub(r"(?i)\s*/\s*l(?![a-z])", "/L", item["unit"] or ""))
    unit = {"mval/L": "meq/L", "°d": "°dH", "°f": "°fH"}.get(unit, unit).replace("° ", "°")
    if not unit and what in ("hardness", "alkalinity", "calcium hardness", "magnesium hardness"):
        raise WaterError(
            f"{field} gives {what} without saying in what. Write mg/L as CaCO3, °dH, °fH or "
            "mmol/L behind it.",
            field=field,
        )
    usual = {"pH": "", "Mg share": "", "conductivity": "µS/cm"}
    return what, (float(item["value"]), unit or usual.get(what, "mg/L"))
