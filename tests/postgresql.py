"""PostgreSQL for tests: one server for a whole run, and servers that a test may stop and start."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from glob import glob
from pathlib import Path

import pytest

from tests.project import free_port

RUN_VARIABLE = "LABKIT_TEST_RUN"
"""Names the folder that all processes of a run share."""

_PATIENCE_S = 120
_OPTIONS = "-c listen_addresses=127.0.0.1 -c unix_socket_directories='' -c fsync=off"


class OwnServer:
    """A PostgreSQL server in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        # The server refuses to run as root.
        self.user = {"user": "postgres"} if _is_root() else {}
        self.port = free_port()

    @property
    def url(self) -> str:
        """Where a lab book may lie on it."""
        return f"postgresql://labkit@127.0.0.1:{self.port}/postgres"

    def run(self, name: str, *arguments: str) -> None:
        """Run a program of the server on its data."""
        command = [server_program(name), "-D", str(self.folder / "data"), *arguments]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.STDOUT}
        subprocess.run(
            command, check=True, timeout=_PATIENCE_S, cwd=self.folder, **quiet, **self.user
        )

    def make(self) -> None:
        """Make its folder and an empty database, or skip what needs them, saying why."""
        server_program("initdb")
        self.folder.mkdir()
        if self.user:
            self.folder.parent.chmod(0o755)
            try:
                shutil.chown(self.folder, "postgres")
            except LookupError:
                pytest.skip("PostgreSQL refuses to run as root, and there is no user 'postgres'")
        locale = ("-E", "UTF8", "--locale=C")
        self.run("initdb", "-A", "trust", "-U", "labkit", "--no-sync", *locale)

    def start(self) -> None:
        """Start it and wait for it."""
        options = f"-p {self.port} {_OPTIONS}"
        self.run("pg_ctl", "-o", options, "-l", str(self.folder / "log"), "-w", "start")

    def stop(self) -> None:
        """Stop it the hard way: connections are cut, nothing is tidied up."""
        self.run("pg_ctl", "-m", "immediate", "-w", "stop")


@contextmanager
def a_postgresql_server() -> Iterator[OwnServer]:
    """A running server of the test's own, in memory where there is room for it."""
    memory = Path("/dev/shm")
    where = memory if memory.is_dir() else None
    with tempfile.TemporaryDirectory(prefix="labkit-", dir=where) as scratch:
        server = OwnServer(Path(scratch) / "server")
        server.make()
        server.start()
        try:
            yield server
        finally:
            server.stop()


def url_for_this_run() -> str:
    """URL of the one server of this run, started by the process that asks first."""
    run = Path(os.environ[RUN_VARIABLE])
    told = run / "postgresql.url"
    try:
        (run / "postgresql.asked").touch(exist_ok=False)
    except FileExistsError:
        deadline = time.monotonic() + _PATIENCE_S
        while not told.exists() and time.monotonic() < deadline:
            time.sleep(0.1)
        said = told.read_text() if told.exists() else ""
    else:
        said = ""
        try:
            server = OwnServer(run / "postgresql")
            server.make()
            server.start()
            said = server.url
        except pytest.skip.Exception as error:
            said = f"skip {error.msg}"
        finally:
            told.with_suffix(".part").write_text(said)
            told.with_suffix(".part").rename(told)
    if said.startswith("skip "):
        pytest.skip(said.removeprefix("skip "))
    assert said, f"the PostgreSQL server of this run did not start: see {run / 'postgresql'}"
    return said


def stop_server_of_this_run(run: Path) -> None:
    """Stop it if any process started it."""
    if (run / "postgresql" / "data" / "postmaster.pid").exists():
        OwnServer(run / "postgresql").stop()


def _is_root() -> bool:
    return os.name != "nt" and os.getuid() == 0


def server_program(name: str) -> str:
    """Find a program of the server, which Debian keeps off the path."""
    kept = sorted(glob(f"/usr/lib/postgresql/*/bin/{name}"), key=_version)
    found = shutil.which(name) or next(reversed(kept), None)
    if found is None:
        pytest.skip(f"no PostgreSQL server on this machine (no {name}): install one to run these")
    return found


def _version(path: str) -> list[int]:
    return [int(number) for number in re.findall(r"\d+", path)]
