"""Which analysis reads: what was read by another one may say something else."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Final

_READ_BY: Final = ("analysis", "tasting", "water")
"""The rooms whose code decides what is read of scores."""

_LIBRARIES: Final = ("numpy", "pandas", "scipy", "statsmodels")


@cache
def analysis_version() -> str:
    """A mark of the code that reads scores and of the libraries that it computes with."""
    labkit = Path(__file__).parents[1]
    mark = hashlib.sha256()
    for name in _LIBRARIES:
        mark.update(f"{name} {version(name)}\n".encode())
    for room in _READ_BY:
        for path in sorted((labkit / room).rglob("*")):
            if path.suffix in {".py", ".csv"}:
                mark.update(f"{path.relative_to(labkit).as_posix()}\n".encode())
                mark.update(path.read_bytes())
    return mark.hexdigest()
