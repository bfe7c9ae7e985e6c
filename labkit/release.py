"""Which labkit this is, version and commit, as every paper names what made it."""

from __future__ import annotations

import os
import re
import subprocess
from functools import cache
from pathlib import Path
from typing import Final

from labkit import __version__

ROOT: Final = Path(__file__).resolve().parent.parent
"""The folder that holds labkit: a clone, a downloaded archive, or where it was installed."""

_DIGITS: Final = 10
"""Of the commit's hash on paper: enough to find one among many."""

_PATIENCE_S: Final = 10.0


@cache
def made_with() -> str:
    """``'labkit 0.2.0 (commit 0245f9e1ab)'``: what stands on paper, to find the code again.

    Changes that are not committed are said; without a commit that can be told, the version alone.
    """
    found = commit_of(ROOT)
    return f"labkit {__version__}" + (f" ({found})" if found else "")


def commit_of(root: Path) -> str:
    """The commit of a folder's code, in words; empty if it cannot be told.

    Parameters
    ----------
    root : Path
        A clone, or what was unpacked from an archive of one, in which ``labkit/commit.txt`` was
        filled in (``git help attributes``, export-subst).
    """
    if (root / ".git").exists():
        return _of_clone(root)
    try:
        written = (root / "labkit" / "commit.txt").read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""
    return f"commit {written[:_DIGITS]}" if re.fullmatch("[0-9a-f]{40,64}", written) else ""


def _of_clone(root: Path) -> str:
    head = _git(root, "rev-parse", "HEAD").strip()
    if not head:
        return ""
    changed = _git(root, "status", "--porcelain", "--untracked-files=no", "--", "labkit")
    return f"commit {head[:_DIGITS]}" + (", changed since" if changed.strip() else "")


def _git(root: Path, *arguments: str) -> str:
    """What git says of a clone; nothing if it is not there or refuses."""
    # A hook or another tool may have named its own repository.
    env = {name: value for name, value in os.environ.items() if not name.startswith("GIT_")}
    try:
        said = subprocess.run(
            ["git", "-C", str(root), "--no-optional-locks", *arguments],
            capture_output=True,
            check=True,
            text=True,
            timeout=_PATIENCE_S,
            env=env,
        )
    except (OSError, subprocess.SubprocessError, UnicodeDecodeError):
        return ""
    return said.stdout
