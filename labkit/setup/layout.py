"""Where things lie in the project and in its environment, per operating system.

Paths only, no input or output: so that Windows and macOS can be tested from anywhere.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Generic, TypeVar

P = TypeVar("P", bound=PurePath)

RUN_LOCK = "requirements.lock"
TEST_LOCK = "requirements-test.lock"


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout(Generic[P]):
    """The project's folders and the environment inside it."""

    root: P
    """Folder that holds labkit/, workbook/ and the locks."""

    windows: bool
    """Whether the environment is laid out as on Windows."""

    python_version: tuple[int, int]
    """Major and minor version of the Python that starts labkit."""

    @property
    def venv(self) -> P:
        """The project's own environment."""
        return self.root / ".venv"

    @property
    def python(self) -> P:
        """The environment's interpreter."""
        return self.venv / ("Scripts/python.exe" if self.windows else "bin/python")

    @property
    def site_packages(self) -> P:
        """Where the environment's packages lie."""
        major, minor = self.python_version
        inside = "Lib" if self.windows else f"lib/python{major}.{minor}"
        return self.venv / inside / "site-packages"

    @property
    def state_file(self) -> P:
        """What the environment was made from, and whether that was finished."""
        return self.venv / "labkit-set-up.json"

    @property
    def set_up_log(self) -> P:
        """Everything that venv and pip said, kept outside .venv to outlive a fresh start."""
        return self.root / ".set-up.log"

    @property
    def set_up_guard(self) -> P:
        """Held by the set-up that is running."""
        return self.root / ".set-up.lock"

    @property
    def jupyter_log(self) -> P:
        """What JupyterLab says while it runs."""
        return self.venv / "jupyter.log"

    @property
    def jupyter_home(self) -> P:
        """What JupyterLab and its kernels keep, apart from the user's own Jupyter."""
        return self.venv / "jupyter"

    @property
    def workbook(self) -> P:
        """The folder of notebooks, as they are under version control."""
        return self.root / "workbook"

    @property
    def copies(self) -> P:
        """The copies of the notebooks that one works in, which git ignores."""
        return self.root / "my-workbook"


def this_project() -> Layout[Path]:
    """The clone that this labkit was imported from, on this machine."""
    return Layout(
        root=Path(__file__).resolve().parents[2],
        windows=os.name == "nt",
        python_version=(sys.version_info.major, sys.version_info.minor),
    )
