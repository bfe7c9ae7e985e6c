"""A PostgreSQL server that a test may stop and start."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from glob import glob
from pathlib import Path

import pytest

from tests.project import free_port


class OwnServer:
    """A PostgreSQL server in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        # The server refuses to run as root.
        self.user = {"user": "postgres"} if os.getuid() == 0 else {}
        self.port = free_port()

    @property
    def url(self) -> str:
        """Where a lab book may lie on it."""
        return f"postgresql://labkit@127.0.0.1:{self.port}/postgres"

    def run(self, name: str, *arguments: str) -> None:
        """Run a program of the server on its data."""
        command = [_program(name), "-D", str(self.folder / "data"), *arguments]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.STDOUT}
        subprocess.run(command, check=True, timeout=120, cwd=self.folder, **quiet, **self.user)

    def start(self) -> None:
        """Start it and wait for it."""
        options = f"-p {self.port} -k {self.folder} -c listen_addresses=127.0.0.1"
        self.run("pg_ctl", "-o", options, "-l", str(self.folder / "log"), "-w", "start")

    def stop(self) -> None:
        """Stop it the hard way: connections are cut, nothing is tidied up."""
        self.run("pg_ctl", "-m", "immediate", "-w", "stop")


@contextmanager
def a_postgresql_server() -> Iterator[OwnServer]:
    """A running server, in memory where there is room for it."""
    memory = Path("/dev/shm")
    where = memory if memory.is_dir() else None
    with tempfile.TemporaryDirectory(prefix="labkit-", dir=where) as scratch:
        folder = Path(scratch) / "server"
        folder.mkdir()
        if os.getuid() == 0:
            folder.parent.chmod(0o755)
            shutil.chown(folder, "postgres")
        server = OwnServer(folder)
        server.run("initdb", "-A", "trust", "-U", "labkit", "--no-sync")
        server.start()
        try:
            yield server
        finally:
            server.stop()


def _program(name: str) -> str:
    """Find a program of the server, which Debian keeps off the path."""
    found = shutil.which(name) or max(glob(f"/usr/lib/postgresql/*/bin/{name}"), default=None)
    if found is None:
        pytest.skip(f"no {name} on this machine")
    return found
