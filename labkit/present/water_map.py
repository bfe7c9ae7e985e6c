"""How the map of waters is said: what its shades mean, and what is told of the water in hand."""

from __future__ import annotations

from labkit.analysis import WaterMap


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
