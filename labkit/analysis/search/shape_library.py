"""The library of shapes: drawn once, kept on disk, checked by a hash, drawn anew when code changes.

Its 16 000 shapes take 0.9 MB on disk and in memory; a suggestion after 60 cups works in 30 MB.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from functools import cache
from pathlib import Path
from typing import Final
from zipfile import BadZipFile

import numpy as np

from labkit.analysis.search import shapes as shapes_module
from labkit.analysis.search.shapes import Shapes, draw_shapes

N_SHAPES: Final = 16_000
SEED: Final = 20_250_303
FIELDS: Final = ("form", "bends", "quadratic", "second", "second_height", "top", "fall")


def cache_folder() -> Path:
    """Where the library is kept: ``LABKIT_CACHE``, or the user's cache folder."""
    named = os.environ.get("LABKIT_CACHE")
    if named:
        return Path(named)
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local")) / "labkit"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "labkit"
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "labkit"


@cache
def shape_library() -> Shapes:
    """The library, from disk if it is there and whole, drawn and kept otherwise."""
    return load_or_draw(cache_folder())


def load_or_draw(folder: Path, *, n_shapes: int = N_SHAPES, progress: bool = True) -> Shapes:
    """The library as kept in `folder`; drawn there if it is missing, damaged or of other code.

    Parameters
    ----------
    folder : Path
        Made if it is missing; a library that cannot be kept there is drawn and used all the same.
    n_shapes : int
        Size of the library.
    progress : bool
        Whether to show a bar while it is drawn, which takes some seconds.
    """
    path = folder / f"shapes-{_code_hash(n_shapes)}.npz"
    kept = _load(path)
    if kept is not None:
        return kept
    drawn = draw_shapes(n_shapes, rng=np.random.default_rng(SEED), progress=progress)
    _keep(drawn, path)
    return drawn


def _code_hash(n_shapes: int) -> str:
    """Of the code that draws shapes, the size and the seed."""
    code = Path(shapes_module.__file__).read_bytes()
    return hashlib.sha256(code + f"{n_shapes} {SEED}".encode()).hexdigest()[:16]


def _content_hash(shapes: Shapes) -> str:
    told = hashlib.sha256()
    for name in FIELDS:
        told.update(np.ascontiguousarray(getattr(shapes, name)).tobytes())
    return told.hexdigest()


def _load(path: Path) -> Shapes | None:
    try:
        with np.load(path) as kept:
            shapes = Shapes(**{name: kept[name] for name in FIELDS})
            return shapes if str(kept["content"]) == _content_hash(shapes) else None
    except (OSError, KeyError, ValueError, BadZipFile):
        return None


def _keep(shapes: Shapes, path: Path) -> None:
    """Write beside and rename, so that two workbooks starting at once never read half a file."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        for older in path.parent.glob("shapes-*.npz"):
            older.unlink(missing_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
        with os.fdopen(handle, "wb") as file:
            fields = {field: getattr(shapes, field) for field in FIELDS}
            np.savez(file, **fields, content=np.array(_content_hash(shapes)))
        Path(name).replace(path)
    except OSError:
        return  # a read-only disk costs some seconds at every start, nothing more
