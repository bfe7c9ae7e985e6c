"""The usual cautions, to be shown wherever a mass, a dose or a machine is spoken of."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

_GRADE = "Use food-grade or pharmacopoeia-grade salts and clean vessels only."
_DUST = (
    "Do not raise dust or breathe it; keep it out of the eyes. Calcium chloride warms as it "
    "dissolves: add the salt to the water, slowly."
)
_DIETS = (
    "Sodium and potassium matter in some people's diet: follow medical advice, and local "
    "drinking-water rules for water that is served."
)

CAUTIONS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "weighing": (
            _GRADE,
            _DUST,
            "Label the bottle at once: salt, strength, date, not for drinking. Keep it from "
            "children.",
            "Read the safety data sheet that comes with the salt; local rules go first.",
        ),
        "mixing": (
            "A concentrate is no drink: dose it into water, and drink only the mixed water.",
            "Calcium and bicarbonate never share a bottle at strength: calcite can fall out.",
            "A bicarbonate bottle feeds bacteria: keep it cold and make it fresh every 3 to 4 days "
            "(common practice).",
            _DIETS,
        ),
        "tank": (
            _GRADE,
            _DUST,
            "Keep salts from children. Read the safety data sheet of each; local rules go first.",
            _DIETS,
        ),
        "testing": (
            "Take a sample out of the jug for the drops; pour it away, never back, and do not "
            "drink it.",
            "Keep reagents from eyes, mouth and food, cap them and wash your hands: some irritate "
            "or poison. The kit's leaflet and safety data sheet go first.",
            "Rinse the probe with the water it is to measure.",
        ),
        "brewing": (
            "Hot water and steam scald: pour away from hands and faces.",
            "Let a cup cool before the first sip: coffee above 65 °C scalds, and is best avoided.",
        ),
        "machine": (
            "Scale and chloride can damage a machine: its maker's limits and a technician go "
            "before any figure here.",
            "Hot water and steam scald; let a machine cool before opening it.",
            "Long boiling drives off CO2 and drops chalk: heat the water once.",
        ),
    }
)
"""Handling cautions by situation: ``"weighing"`` (a bottle), ``"mixing"`` (of bottles), ``"tank"``
(salts straight into water that is drunk), ``"testing", "brewing", "machine"``.

65 °C: above it a drink counts as very hot (IARC Monographs 116, 2016; from memory).
"""
