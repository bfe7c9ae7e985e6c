"""The copies of the notebooks that one works in, so that the tracked ones stay as they were pulled.

JupyterLab saves a notebook's outputs as one works; in a tracked file they would stand in the way
of the next ``git pull``.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from datetime import datetime
from pathlib import Path
from typing import TextIO

from labkit.errors import SetUpError

STATE_FILE = ".copied-from.json"
"""What each copy was made from: by name, the hash of the file and that of its cells."""


def renew_copies(workbook: Path, copies: Path, *, out: TextIO) -> None:
    """Copy each notebook that is new or was changed by a newer labkit.

    A copy whose cells were edited is not lost: it stays beside the new one under the day's name.

    Parameters
    ----------
    workbook : Path
        Folder of the tracked notebooks; folders in it are not copied.
    copies : Path
        Folder of the copies, made if it is missing.
    out : text stream
        Told of every copy that was set aside.

    Raises
    ------
    SetUpError
        If the folder cannot be written.
    """
    try:
        copies.mkdir(exist_ok=True)
        _renew(workbook, copies, out=out)
    except OSError as error:
        raise SetUpError(
            f"the notebooks cannot be copied to {copies} ({error.strerror}): make that folder "
            "writable, or move the project to a folder that is, and start again"
        ) from error


def _renew(workbook: Path, copies: Path, *, out: TextIO) -> None:
    state_file = copies / STATE_FILE
    made_from = _read_state(state_file)
    now = {path.name: _fingerprint(path) for path in sorted(workbook.glob("*.ipynb"))}
    for name in made_from.keys() - now.keys():  # no longer part of the workbook
        if _cells(copies / name) == made_from[name][1]:
            (copies / name).unlink()
    for name, fingerprint in now.items():
        copy, before = copies / name, made_from.get(name, ("", ""))
        if copy.exists() and before == fingerprint:
            continue
        if copy.exists() and _cells(copy) not in (before[1], fingerprint[1]):
            aside = copy.with_stem(f"{copy.stem}-until-{datetime.now():%Y%m%d-%H%M%S}")
            copy.rename(aside)
            print(
                f"labkit: {name} is newer than your copy, whose cells you had changed: yours is "
                f"now {aside.name}",
                file=out,
            )
        shutil.copyfile(workbook / name, copy)
    if now != made_from:
        state_file.write_text(json.dumps(now, indent=1), encoding="utf-8")


def _read_state(file: Path) -> dict[str, tuple[str, str]]:
    try:
        state = json.loads(file.read_text(encoding="utf-8"))
        return {name: (str(whole), str(cells)) for name, (whole, cells) in state.items()}
    except (OSError, ValueError, AttributeError, TypeError):
        return {}


def _fingerprint(notebook: Path) -> tuple[str, str]:
    return _hash(notebook.read_bytes()), _cells(notebook)


def _cells(notebook: Path) -> str:
    """Hash of what its cells say, whatever they last showed; "" if it cannot be read."""
    try:
        cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
        said = [[cell["cell_type"], "".join(cell["source"])] for cell in cells]
    except (OSError, ValueError, KeyError, TypeError):
        return ""
    return _hash(json.dumps(said).encode())


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
