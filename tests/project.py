"""The project as tests meet it: where it lies, and copies of its parts that they may write to."""

from __future__ import annotations

import shutil
import socket
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[1]


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def copy_data(folder: Path) -> Path:
    """Copy the demo scenario, without anybody's lab book."""
    shutil.copytree(PROJECT / "data" / "demo", folder / "data" / "demo")
    return folder / "data"


def copy_workbook(folder: Path) -> Path:
    """Copy the notebooks, and beside them the tables that they read."""
    shutil.copytree(PROJECT / "shared", folder / "shared")
    ignore = shutil.ignore_patterns(".ipynb_checkpoints")
    return shutil.copytree(PROJECT / "workbook", folder / "workbook", ignore=ignore)
