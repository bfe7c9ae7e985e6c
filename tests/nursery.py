"""Kernels for tests in a browser, forked from one process that has imported everything.

Starting a kernel is mostly importing: three seconds of processor that say nothing of the page that
is looked at, some sixty times a run. Here Jupyter starts as a kernel a small program, which has
itself a kernel forked, passes signals on to it and ends with it, as it ends with the program.

How a kernel starts from nothing and what it imports is tested without this: in ``tests/setup``, and
by the run of each notebook.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

from tests.project import PROJECT

PROGRAM = Path(__file__).with_name("nursery_kernel.py")
"""What Jupyter starts."""

IMPORTED = ("labkit.setup.kernel", "matplotlib_inline.backend_inline", "labkit.setup.warm")
"""What kernels of tests need."""

SPECIFICATION = PROJECT / "labkit" / "setup" / "jupyter" / "kernels" / "python3" / "kernel.json"
"""How they start otherwise: ``python -m labkit.setup.kernel``, and its arguments."""


@contextlib.contextmanager
def nursery(folder: Path) -> Iterator[list[str]]:
    """A running nursery; what JUPYTER_PATH must begin with for kernels to come from it.

    Nothing where it cannot run: then they start from nothing.
    """
    if not sys.platform.startswith("linux"):
        yield []
        return
    kernels = folder / "kernels" / "python3"
    kernels.mkdir(parents=True)
    door = folder / "door"
    # No site-packages, no settings of anybody's: it starts in hundredths of a second.
    command = [sys.executable, "-I", "-S", str(PROGRAM), str(door)]
    about = json.loads(SPECIFICATION.read_text())
    about["argv"][:2] = command
    (kernels / "kernel.json").write_text(json.dumps(about))
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as listening,
        (folder / "nursery.log").open("wb") as log,
    ):
        listening.bind(str(door))
        listening.listen(64)  # who comes while it still imports waits here
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.nursery", str(listening.fileno())],
            cwd=PROJECT,
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
            pass_fds=[listening.fileno()],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
    try:
        yield [str(folder)]
    finally:
        process.terminate()
        process.wait(timeout=30)


def _fork_kernels(listening: socket.socket) -> None:
    """Fork a kernel for each that asks, until a signal comes."""
    # As ipykernel sets it before anything imports matplotlib.
    os.environ.setdefault("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    for name in IMPORTED:
        importlib.import_module(name)
    gc.collect()
    gc.freeze()  # what is shared stays shared
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    while True:
        line, _ = listening.accept()
        asked, standard, *_ = socket.recv_fds(line, 1 << 20, 3)
        if os.fork() == 0:
            listening.close()
            _become_kernel(line, standard, *json.loads(asked))
            return
        line.close()
        for one in standard:
            os.close(one)


def _become_kernel(
    line: socket.socket,
    standard: list[int],
    arguments: list[str],
    folder: str,
    environment: dict[str, str],
) -> None:
    from labkit.setup.kernel import Program

    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    os.setsid()
    for place, given in enumerate(standard):
        os.dup2(given, place)
        os.close(given)
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    sys.argv = arguments
    line.send(str(os.getpid()).encode())
    threading.Thread(target=_end_with, args=(line,), daemon=True).start()
    Program.launch_instance()


def _end_with(line: socket.socket) -> None:
    """End as hard as the program that asked for this kernel was ended."""
    line.recv(1)
    os.kill(os.getpid(), signal.SIGKILL)


if __name__ == "__main__":
    sys.path[:] = [path for path in sys.path if path not in ("", os.getcwd())] + [str(PROJECT)]
    _fork_kernels(socket.socket(fileno=int(sys.argv[1])))
