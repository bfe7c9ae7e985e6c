"""The API reference, built by pdoc from the docstrings of every public name.

``python -m tests.api_reference FOLDER`` writes one page a room.
"""

from __future__ import annotations

import importlib
import sys
import warnings
from pathlib import Path

import pdoc

ROOMS = ("water", "tasting", "book", "analysis", "workflow", "present", "bench", "widgets")
DOORS = ("labkit", *(f"labkit.{room}" for room in ROOMS))


def public_names() -> dict[str, tuple[str, ...]]:
    """What each door offers; asked for, so that pdoc finds names that load when first used."""
    offered = {}
    for door in DOORS:
        module = importlib.import_module(door)
        offered[door] = tuple(name for name in module.__all__ if not name.startswith("__"))
        for name in offered[door]:
            getattr(module, name)
    return offered


def build(folder: Path) -> None:
    """Write the pages, one a door, into `folder`."""
    public_names()
    pdoc.render.configure(docformat="numpy", show_source=False)
    with warnings.catch_warnings():
        # Annotations that only a type checker can resolve (pd.Series[int]) are shown as written.
        warnings.filterwarnings("ignore", "Error parsing type annotation")
        pdoc.pdoc(*DOORS, output_directory=folder)


if __name__ == "__main__":
    build(Path(sys.argv[1]))
