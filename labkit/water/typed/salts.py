"""A water from grams of salts weighed into a litre."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from labkit.errors import SaltError, WaterError
from labkit.water.bottles.solubility import solubility_limit_g_l
from labkit.water.dosing.direct import Portion
from labkit.water.figures import figure
from labkit.water.salts.ions import IONS
from labkit.water.salts.table import salt
from labkit.water.typed.numbers import NUMBER
from labkit.water.waters.water import Water

_MASS: Final = r"(?P<unit>m?g(?:\s*/\s*l|\s+per\s+lit(?:er|re))?)"
_SALT_FIRST: Final = re.compile(rf"(?P<salt>\S.*?)\s*[\s:=]\s*(?P<mass>{NUMBER})\s*{_MASS}", re.I)
_MASS_FIRST: Final = re.compile(rf"(?P<mass>{NUMBER})\s*{_MASS}\s+(?:of\s+)?(?P<salt>\S.*)", re.I)
_VOLUME: Final = re.compile(
    rf"[\s,;]+(?:made\s+up\s+to|in|to|for|per)\s+(?P<volume>{NUMBER})?\s*"
    r"(?P<unit>m?l|lit(?:er|re)s?)(?:\s+of\s+(?:pure\s+)?water)?\s*$",
    re.I,
)
_GRAMS: Final = re.compile(r"\d\s*(?:m?g(?!\s*[/\d])|g\s*/\s*[lL])(?![A-Za-z])")
"""A mass; a capital letter makes it magnesium, a number behind it too."""

_EXAMPLE: Final = "CaCl2·2H2O 0.118 g, NaHCO3 0.067 g in 1 L"


def names_salts(text: str) -> bool:
    """Whether a water is given by what is weighed: by a mass in grams."""
    return bool(_GRAMS.search(text))


def water_of_salts(text: str, field: str) -> Water:
    """The water that weighed salts make, each taken as pure as its label.

    Raises
    ------
    WaterError
        If a salt or its mass cannot be read, or the volume is missing.
    """
    found = _VOLUME.search(text)
    weighed = text[: found.start()] if found else text
    litres = None
    if found:
        litres = float(found["volume"] or 1) / (1000 if found["unit"].lower() == "ml" else 1)
    parts = [
        part.strip()
        for part in re.split(r",\s+(?!anhydrous)|,(?=\D)|[;+]|\band\b", weighed)
        if part.strip()
    ]
    vector = np.zeros(len(IONS))
    for part in parts:
        vector += _ions_of(part, litres, field)
    return Water.of_vector(vector)


def _ions_of(part: str, litres: float | None, field: str) -> np.ndarray:
    """The ions (mmol/L) that one salt brings."""
    match = _SALT_FIRST.fullmatch(part) or _MASS_FIRST.fullmatch(part)
    if match is None:
        raise WaterError(
            f"{field} must give each salt with its mass, got {part!r}. Write {_EXAMPLE}.",
            field=field,
        )
    unit = re.sub(r"\s", "", match["unit"].lower()).replace("per", "/")
    grams = float(match["mass"]) / (1000 if unit.startswith("mg") else 1)
    if "/" in unit:
        litres = 1.0
    if not litres:
        raise WaterError(
            f"{field} must say how much water the salts go into, got {part!r}. Write {_EXAMPLE}.",
            field=field,
        )
    try:
        weighed = salt(match["salt"])
    except SaltError as error:
        raise WaterError(f"{field}: {error}", field=field) from None
    limit = solubility_limit_g_l(weighed)
    if limit is not None and grams / litres > limit:
        raise WaterError(
            f"{field} has {figure(grams / litres)} g/L of {weighed.label}, more than the "
            f"{figure(limit)} g/L that dissolve at 20 °C. Check mass and volume.",
            field=field,
        )
    portion = Portion(salt=weighed, mass_g=grams, exact_g=grams)
    return np.asarray(portion.mmol_per_g * portion.mass_g / litres)
