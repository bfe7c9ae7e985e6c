"""How the map of waters is said: what its shades mean, and what is told of the water in hand."""

from __future__ import annotations

from typing import Final

from labkit.analysis import WaterMap
from labkit.present.doses import ml_of
from labkit.water import COORDINATE, COORDINATES, Mixing, Target, figure

SHADES_FROM: Final = (0.05, 0.1, 0.2, 0.4, 0.6, 0.8)
"""Chances from which a map is shaded darker, on paper and under the finger."""


def said_of_margin(found: WaterMap) -> str:
    """What the map's chance is of, to stand after a colon.

    Parameters
    ----------
    found : WaterMap
        Of one coffee.
    """
    return (
        "the chance that a water is as good as the best within what was tasted, or at most "
        f"{found.margin:.1f} points below it"
    )


def said_of_pour(pour: Mixing) -> str:
    """``'for 1000 mL: 12.3 mL of calcium; 4.0 mL of buffer'``.

    Parameters
    ----------
    pour : Mixing
        What to pour for one water.
    """
    doses = [
        f"{ml_of(pour, dose)} mL of {dose.concentrate.name}"
        for dose in pour.doses
        if dose.volume_ml
    ]
    return f"for {figure(pour.volume_ml, 6)} mL: {'; '.join(doses) or 'no drops'}"


def said_of_handing(kind: str, water: Target) -> str:
    """That a water of the map went where a button says.

    Parameters
    ----------
    kind : str
        ``taste`` or ``card``.
    water : Target
        The water.
    """
    where = {"taste": "In the next flight", "card": "On the recipe card"}[kind]
    return f"{where}: {water.text}."


def map_words(found: WaterMap) -> dict[str, str]:
    """What the map that can be touched says, by where it says it; numbers stand in braces.

    Parameters
    ----------
    found : WaterMap
        Of one coffee.
    """
    still = [
        f"{COORDINATE[name].words} is {COORDINATE[name].state(float(levels[0]))}, as in all cups"
        for name, levels in zip(COORDINATES, found.levels, strict=True)
        if len(levels) == 1
    ]
    text = " and ".join(still)
    return {
        "label": "map of waters",
        "help": "Tap a water, or move with the arrow keys.",
        "help_dial": "Page Up and Page Down move the dial below.",
        "held": f"{text[:1].upper()}{text[1:]}." if text else "",
        "water": "Ca:Mg {ratio}, hardness {hardness}, alkalinity {alkalinity}",
        "metals": "{calcium} mg/L Ca and {magnesium} mg/L Mg, both as CaCO3",
        "expected": "Expected score {expected} ({low} to {high}, 90 %)",
        "above_best": "{chance} % chance to beat today's best",
        "is_best": "today's best itself",
        "above_control": "{chance} % chance to beat the control",
        "is_control": "the control itself",
        "near": "{chance} % chance to be as good as the best",
        "shades": f"Shades: {said_of_margin(found)}.",
        "below": "below {chance} %",
        "from": "from {chance} %",
        "tasted": "tasted",
        "tasted_elsewhere": "tasted at another level of the dial",
        "control": "control",
        "best": "today's best",
        "next": "to taste next",
        "to_best": "Show today's best",
        "taste": "Taste it next",
        "card": "Make it a card",
        "away": "Not connected: nothing was handed over. Open the page again.",
        "table": "The same as a table",
        "caption": "Expected score, and the chance in % to be as good as the best; {held}",
    }
