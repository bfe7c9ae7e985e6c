"""A wheel and a source archive name the commit they are of, as a clone does (labkit/release.py)."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class CommitHook(BuildHookInterface):  # type: ignore[type-arg]
    """Fill in labkit/commit.txt, in what is built and not in the clone."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Before anything is packed; nothing is named of code that was changed since."""
        del version
        commit = self._git("rev-parse", "HEAD").strip()
        if not commit or self._git("status", "--porcelain", "--", "labkit").strip():
            return
        self._written = tempfile.TemporaryDirectory()
        filled = Path(self._written.name) / "commit.txt"
        filled.write_text(f"{commit}\n", encoding="ascii")
        build_data["force_include"][str(filled)] = "labkit/commit.txt"

    def _git(self, *arguments: str) -> str:
        """What git says of the folder that is built; nothing without git or a clone."""
        if not (Path(self.root) / ".git").exists():
            return ""
        command = ["git", "-C", self.root, *arguments]
        try:
            return subprocess.run(command, capture_output=True, check=True, text=True).stdout
        except (OSError, subprocess.SubprocessError):
            return ""
