"""What the scores say: the panel, the surface, the best water, the next flight, when to stop.

It reads one DataFrame, a row a score, and knows neither the lab book nor the screen. Each name
loads its module when first used: statsmodels is slow to load.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_MODULE_OF = {
    "Reading": "reading.coffee",
    "Region": "region",
    "SimulatedPanel": "search.simulate",
    "PlantedPeak": "search.simulate",
    "read_coffee": "reading.coffee",
    "stop_or_taste": "search.stopping",
    "suggest_flight": "search.next_flight",
}

__all__ = list(_MODULE_OF)


def __getattr__(name: str) -> Any:
    """Load a name's module when it is first asked for."""
    if name not in _MODULE_OF:
        raise AttributeError(f"labkit.analysis has no name {name!r}.")
    return getattr(import_module(f"labkit.analysis.{_MODULE_OF[name]}"), name)
