"""The project's own environment: made once from the locks, recognised after that.

An environment that was not finished is thrown away and made anew: pip's own cache keeps the
downloads, and a half-installed package is not worth recognising. One whose project was moved or
copied is re-pointed: what labkit uses of it names no place of the project's.
"""

from __future__ import annotations

import errno
import hashlib
import importlib.util
import json
import os
import queue
import re
import shutil
import subprocess
import sys
import sysconfig
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TextIO

from labkit.errors import SetUpError
from labkit.setup.layout import Layout
from labkit.setup.progress import PipProgress, ProgressLine, packages_in
from labkit.setup.trouble import DISK_FULL, pip_trouble

NEEDED_BYTES = 1_500_000_000
"""Free disk that a set-up asks for: environment 0.7 GB, downloads 0.2 GB, and room to breathe."""


_NAMES_ITS_PYTHON = re.compile(rb"#!/bin/sh\n'''exec' .*\n' '''\n|#!.*/python[\d.]*\n")
"""Head of a script as pip makes it: where the environment's Python is at the time."""

_FINDS_ITS_PYTHON = b"""#!/bin/sh
\'\'\'exec' "$(dirname -- "$(realpath -- "$0")")/python" "$0" "$@"
' \'\'\'
"""
"""A head that finds it beside the script; what sh runs of it is a text to Python."""


def ensure_environment(layout: Layout[Path], locks: Sequence[str], *, out: TextIO) -> None:
    """Make the environment hold what the locks name; do nothing if it does already.

    Parameters
    ----------
    layout : Layout
        The project.
    locks : sequence of str
        Names of the lock files, in the project's folder.
    out : text stream
        Where progress is shown.

    Raises
    ------
    SetUpError
        If it cannot be made; the sentence says what to do.
    """
    wanted = {name: fingerprint(layout.root / name) for name in locks}
    have = installed_locks(layout)
    layout = _with_its_python(layout) if have else layout
    stands = have.items() >= wanted.items()
    if stands and _state(layout).get("project") == str(layout.root):
        return
    try:
        with one_at_a_time(layout) as guard:
            if stands:
                _settle(layout)
                write_state(layout, have, finished=True)
                print(f"labkit: {layout.venv} was moved, and is at home here", file=out, flush=True)
            else:
                _make(layout, have, wanted, guard, out=out)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise SetUpError(DISK_FULL) from error
        raise SetUpError(
            f"the environment cannot be written ({error}): make {layout.root} writable, or move "
            "the project to a folder that is, and start again"
        ) from error


def installed_locks(layout: Layout[Path]) -> dict[str, str]:
    """Fingerprint of each lock that the environment was finished from; empty if it must be new."""
    state = _state(layout)
    here = sysconfig.get_platform()
    if state.get("finished") is not True or state.get("platform", here) != here:
        return {}
    if not layout.python.exists() or not _with_its_python(layout).site_packages.is_dir():
        return {}
    locks = state.get("locks")
    return locks if isinstance(locks, dict) else {}


def _with_its_python(layout: Layout[Path]) -> Layout[Path]:
    """The project with the Python that its environment was made with.

    Whoever has several types now this one and now that: no reason to make it anew.
    """
    major, _, minor = str(_state(layout).get("python")).partition(".")
    if not (major.isdecimal() and minor.isdecimal()):
        return layout
    return replace(layout, python_version=(int(major), int(minor)))


def _state(layout: Layout[Path]) -> dict[str, object]:
    """What was written down of the environment; nothing if that cannot be read."""
    try:
        state = json.loads(layout.state_file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return state if isinstance(state, dict) else {}


def _make(
    layout: Layout[Path],
    have: dict[str, str],
    wanted: dict[str, str],
    guard: TextIO,
    *,
    out: TextIO,
) -> None:
    """Install what is missing, into a new environment unless the old one only lacks a lock."""
    started = time.monotonic()
    to_add = {name: mark for name, mark in wanted.items() if name not in have}
    add_only = all(wanted.get(name, mark) == mark for name, mark in have.items()) and bool(have)
    layout.set_up_log.write_text("", encoding="utf-8")
    if add_only:
        print("labkit: adding the packages that the tests need", file=out, flush=True)
    else:
        to_add, have = wanted, {}
        layout = replace(layout, python_version=sys.version_info[:2])
        print(
            f"labkit: setting up {layout.venv}, once (some 160 MB to fetch, 600 MB on disk, "
            "a few minutes)",
            file=out,
            flush=True,
        )
        _start_anew(layout)
    write_state(layout, have, finished=False)
    _install(layout, list(to_add), guard, out=out)
    _settle(layout)
    write_state(layout, have | to_add, finished=True)
    print(f"labkit: set up in {time.monotonic() - started:.0f} s", file=out, flush=True)


def _settle(layout: Layout[Path]) -> None:
    """Let the environment find this clone, wherever both may be moved together."""
    import venv  # _start_anew says so where it is missing

    # The kernels run in my-workbook, the tests anywhere: both import labkit from this clone.
    up = os.path.relpath(layout.root, layout.site_packages)
    (layout.site_packages / "labkit.pth").write_text(f"{up}\n", encoding="utf-8")
    # labkit itself runs modules only (python -m); these are for those who work on it.
    builder = venv.EnvBuilder()
    builder.setup_scripts(builder.ensure_directories(str(layout.venv)))  # activate and the like
    for script in () if layout.windows else layout.python.parent.iterdir():
        if script.is_file() and not script.is_symlink():
            text = script.read_bytes()
            if head := _NAMES_ITS_PYTHON.match(text):
                script.write_bytes(_FINDS_ITS_PYTHON + text[head.end() :])


def _start_anew(layout: Layout[Path]) -> None:
    """Make an empty environment with pip in it."""
    if layout.venv.exists() and not layout.state_file.exists() and any(layout.venv.iterdir()):
        raise SetUpError(
            f"{layout.venv} is there already and labkit did not make it: move it away or delete "
            "it, and start again"
        )
    if Path(sys.prefix).resolve() == layout.venv.resolve():
        raise SetUpError(
            f"{layout.venv} has to be made anew, and the Python that runs this is its own: type "
            "the command with another one, as 'python3 -m labkit open' (after 'deactivate', if "
            "you have activated .venv)"
        )
    if os.pathsep in str(layout.venv):
        raise SetUpError(
            f"Python makes no environment in a folder whose name has a '{os.pathsep}' in it: "
            f"rename it ({layout.root}), and start again"
        )
    for module in ("venv", "ensurepip"):
        if importlib.util.find_spec(module) is None:
            major, minor = layout.python_version
            raise SetUpError(
                f"this Python ({sys.executable}) lacks its {module} module: on Debian or Ubuntu "
                f"run 'sudo apt install python{major}.{minor}-venv', elsewhere use a Python that "
                "has it, and start again"
            )
    free = shutil.disk_usage(layout.root).free
    if free < NEEDED_BYTES:
        raise SetUpError(
            f"the disk that holds {layout.root} has {free / 1e9:.1f} GB free and the set-up "
            f"needs {NEEDED_BYTES / 1e9:.1f} GB: make room and start again"
        )
    if layout.venv.exists():
        shutil.rmtree(layout.venv)
    layout.venv.mkdir()
    write_state(layout, {}, finished=False)
    done = subprocess.run(
        [sys.executable, "-m", "venv", str(layout.venv)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        check=False,
    )
    layout.set_up_log.write_text(done.stdout, encoding="utf-8")
    if done.returncode != 0 or not layout.python.exists():
        raise SetUpError(
            f"Python's venv module could not make {layout.venv}: read what it said in "
            f"{layout.set_up_log}, fix that and start again"
        )


def pip_command(layout: Layout[Path], locks: Sequence[str]) -> list[str]:
    """Call of pip that takes ready-made packages only, each with the hash the locks give."""
    command = [str(layout.python), "-m", "pip", "install", "--require-hashes"]
    command += ["--only-binary", ":all:", "--no-input", "--progress-bar", "off"]
    command += ["--disable-pip-version-check", "--retries", "2", "--no-user"]
    # Compiling all of it would take a third of the time and 200 MB, for files mostly never run.
    command += ["--no-compile"]
    for name in locks:
        command += ["-r", str(layout.root / name)]
    return command


def _install(layout: Layout[Path], locks: Sequence[str], guard: TextIO, *, out: TextIO) -> None:
    """Run pip, show how far it is, and keep all it says in the log.

    It holds the guard too: where this process is killed, pip goes on for a while, and the next
    set-up must not begin in the folder that it writes.
    """
    texts = [(layout.root / name).read_text(encoding="utf-8") for name in locks]
    progress = PipProgress(wanted=packages_in("\n".join(texts)))
    before = _n_installed(layout)
    line = ProgressLine(out)
    # Where a user has told pip to install elsewhere, the environment would stay empty.
    elsewhere = {"PIP_USER", "PIP_TARGET", "PIP_PREFIX", "PIP_ROOT"}
    pip = subprocess.Popen(
        pip_command(layout, locks),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        env={k: v for k, v in os.environ.items() if k not in elsewhere},
        pass_fds=() if os.name == "nt" else [guard.fileno()],
    )
    lines: queue.Queue[str | None] = queue.Queue()
    reader = threading.Thread(target=_feed, args=(pip.stdout or (), lines), daemon=True)
    reader.start()
    try:
        with layout.set_up_log.open("a", encoding="utf-8") as log:
            while (said := _next_line(lines)) is not None:
                if said:
                    log.write(said)
                    progress.read(said)
                line.show(progress.text(_n_installed(layout) - before))
        code = pip.wait()
    finally:
        line.clear()
        if pip.poll() is None:
            pip.terminate()
            pip.wait()
        reader.join()
        if pip.stdout:
            pip.stdout.close()
    if code != 0:
        said = layout.set_up_log.read_text(encoding="utf-8", errors="replace")
        raise SetUpError(pip_trouble(said, log=layout.set_up_log))


def _feed(stream: Iterable[str], lines: queue.Queue[str | None]) -> None:
    for line in stream:
        lines.put(line)
    lines.put(None)


def _next_line(lines: queue.Queue[str | None]) -> str | None:
    """Return the next line, an empty one when there is none for a while, None at the end."""
    try:
        return lines.get(timeout=0.5)
    except queue.Empty:
        return ""


def _n_installed(layout: Layout[Path]) -> int:
    return sum(1 for _ in layout.site_packages.glob("*.dist-info"))


def fingerprint(lock: Path) -> str:
    """What a lock is known again by, whatever ends its lines."""
    try:
        # Line ends differ between clones on Windows and elsewhere; the lock does not.
        content = lock.read_bytes().replace(b"\r\n", b"\n")
    except OSError as error:
        raise SetUpError(
            f"{lock} is missing: run this from a full clone of the project ({error.strerror})"
        ) from error
    return hashlib.sha256(content).hexdigest()


def write_state(layout: Layout[Path], locks: dict[str, str], *, finished: bool) -> None:
    """Write down which locks are installed, and whether to the end."""
    state = {
        "made_by": "python3 -m labkit",
        "project": str(layout.root),
        "python": ".".join(map(str, layout.python_version)),
        "platform": sysconfig.get_platform(),
        "locks": locks,
        "finished": finished,
    }
    partial = layout.state_file.with_suffix(".part")
    partial.write_text(json.dumps(state, indent=2), encoding="utf-8")
    partial.replace(layout.state_file)


@contextmanager
def one_at_a_time(layout: Layout[Path]) -> Iterator[TextIO]:
    """Keep two set-ups from writing into one environment; the second is told to wait."""
    with layout.set_up_guard.open("a+", encoding="utf-8") as guard:
        try:
            _hold(guard)
        except OSError as error:
            raise SetUpError(
                "another set-up of this project is running (or what is left of one that was "
                "killed): wait for it to end, then start again"
            ) from error
        yield guard


def _hold(file: TextIO) -> None:
    """Take the file's lock, which the system lets go when those who hold it end, however."""
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
