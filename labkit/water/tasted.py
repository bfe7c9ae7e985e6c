"""From how much on an ion is tasted in water, by those who set levels for drinking water."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class TastedFrom:
    """A level of one ion that is set for its taste, not for health."""

    level_mg_l: float
    """From about so much on it is tasted (mg/L of the ion)."""

    source: str
    """Who says so."""


TASTED_FROM: Final[Mapping[str, TastedFrom]] = MappingProxyType(
    {
        "Cl": TastedFrom(
            level_mg_l=250.0,
            source="US EPA secondary level, 40 CFR 143.3; WHO: 200 to 300 mg/L",
        ),
        "SO4": TastedFrom(
            level_mg_l=250.0,
            source="US EPA secondary level, 40 CFR 143.3; WHO: 250 mg/L with sodium, up to "
            "1000 mg/L with calcium",
        ),
        "Na": TastedFrom(level_mg_l=200.0, source="WHO, at room temperature"),
    }
)
"""By symbol. Code of Federal Regulations and the WHO's Guidelines for drinking-water quality, 4th
edition, chapter 12; from memory. Coffee hides and changes tastes: no threshold of the cup."""
