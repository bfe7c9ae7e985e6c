"""labkit: find, with a blind panel and few cups, the brew water that shows a coffee best.

The names below are what a notebook needs; each loads its room when first used. Python 3.6 has to
parse this file, so that labkit.__main__ can tell it what is missing.
"""

from importlib import import_module
from typing import Any

__version__ = "0.2.0"

_ROOM_OF = {
    "LabBook": "book",
    "choose_book": "book.current",
    "find_book": "book.current",
    "open_book": "book.current",
    "Concentrate": "water",
    "Target": "water",
    "Water": "water",
    "mix": "water",
    "salt": "water",
    "alkalinity_dial": "tasting",
    "anion_sweep": "tasting",
    "cation_sweep": "tasting",
    "hardness_dial": "tasting",
    "plan_tasting": "tasting",
    "ratio_hardness_grid": "tasting",
    "ratio_sweep": "tasting",
    "Region": "analysis",
    "read_coffee": "analysis",
    "stop_or_taste": "analysis",
    "suggest_flight": "analysis",
    "lock_flights": "workflow",
    "mark_mixed": "workflow",
    "open_flights": "workflow",
    "plan_pair_test": "workflow",
    "plan_session": "workflow",
    "prepare_flights": "workflow",
    "record_doses": "workflow",
    "record_measurements": "workflow",
    "record_scores": "workflow",
    "replan": "workflow",
    "confirm": "workflow",
    "make_card": "workflow",
    "make_report": "workflow",
    "next_flight": "workflow",
    "one_water": "workflow",
    "panel_history": "workflow",
    "read": "workflow",
    "read_all": "workflow",
}

__all__ = ["__version__", *_ROOM_OF]


def __getattr__(name: str) -> Any:
    """Load a name's room when it is first asked for."""
    if name not in _ROOM_OF:
        raise AttributeError(f"labkit has no name {name!r}; it has {', '.join(__all__)}.")
    found = globals()[name] = getattr(import_module(f"labkit.{_ROOM_OF[name]}"), name)
    return found


def __dir__() -> "list[str]":
    return sorted(__all__)
