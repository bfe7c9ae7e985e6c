"""The project as tests meet it: where it lies, and copies of its parts that they may write to."""

from __future__ import annotations

import contextlib
import itertools
import os
import shutil
import socket
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[1]


_ports = itertools.count(20_000 + os.getpid() % 100 * 100)
"""Below those that systems hand out unasked, or a connection could take the port of a server that
is being started again; each process begins elsewhere."""


def free_port() -> int:
    """A port that nobody listens on, and that this process never gave before."""
    while True:
        port = next(_ports)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


def copy_data(folder: Path) -> Path:
    """Copy the demo scenario, without anybody's lab book."""
    shutil.copytree(PROJECT / "data" / "demo", folder / "data" / "demo")
    return folder / "data"


def copy_workbook(folder: Path) -> Path:
    """Copy the notebooks, and beside them the tables that they read."""
    shutil.copytree(PROJECT / "shared", folder / "shared")
    ignore = shutil.ignore_patterns(".ipynb_checkpoints")
    return shutil.copytree(PROJECT / "workbook", folder / "workbook", ignore=ignore)
