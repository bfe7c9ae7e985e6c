"""Rules of every test run: whose lab book, which labkit, and no skipping in CI."""

from __future__ import annotations

import gc
import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Generator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from tests.postgresql import RUN_VARIABLE, stop_server_of_this_run
from tests.project import PROJECT, copy_data

MOST_PROCESSES = 9
"""The longest files take as long however many processes there are."""

ROOM_IN_MEMORY = 4 * 2**30
"""Bytes; a run needs about a tenth of it."""

GARBAGE = 20_000
"""Objects more than went, after which Python looks for garbage; usually 700."""

BYTECODE = PROJECT / ".pytest_cache" / "bytecode"

LIBRARIES = (
    "scipy.stats, statsmodels.formula.api",
    "sqlalchemy.orm, alembic.command, matplotlib.pyplot, ipywidgets, jupyterlab.labapp",
)
"""Most of what the tests import, in two halves that take equally long to compile."""

IN_CI = os.environ.get("LABKIT_CI") == "1"

# How long an example takes says how busy the machine is, not whether labkit is right. CI tries the
# same examples each time: it answers for a change, and new ones are found at home.
settings.register_profile("labkit", parent=settings(), deadline=None, derandomize=IN_CI)
settings.load_profile("labkit")


def pytest_configure(config: pytest.Config) -> None:
    """Let what tests start import this clone's labkit, and keep it off the user's lab book."""
    known = [str(PROJECT), os.environ.get("PYTHONPATH", "")]
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, known))
    if not hasattr(config, "workerinput"):
        keep_files_in_memory()
    folder = Path(tempfile.mkdtemp(prefix="labkit-tests-"))
    config.add_cleanup(lambda: shutil.rmtree(folder, ignore_errors=True))
    os.environ["LABKIT_DATA"] = str(copy_data(folder))
    if sys.dont_write_bytecode:
        keep_bytecode_apart()
    if not hasattr(config, "workerinput"):  # the run's first process; the others get its folder
        os.environ[RUN_VARIABLE] = os.environ["PYTEST_DEBUG_TEMPROOT"] = str(folder)
        config.add_cleanup(lambda: stop_server_of_this_run(folder))


def keep_files_in_memory() -> None:
    """Let what this run writes lie in memory where there is room: commits wait for a disk."""
    memory = Path("/dev/shm")
    if memory.is_dir() and shutil.disk_usage(memory).free > ROOM_IN_MEMORY:
        os.environ["TMPDIR"] = tempfile.tempdir = str(memory)


def keep_bytecode_apart() -> None:
    """Let all processes of this run and the next share compiled code, away from the sources.

    Told to write none (PYTHONDONTWRITEBYTECODE, as in many containers), every kernel, server and
    program that a test starts would compile pandas, SciPy and matplotlib anew: 6 s instead of 2.
    """
    temporary = Path(tempfile.gettempdir())
    shutil.rmtree(BYTECODE / temporary.relative_to(temporary.anchor), ignore_errors=True)
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # none if it was the flag -B
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix = str(BYTECODE)
    sys.dont_write_bytecode = False


def pytest_sessionstart(session: pytest.Session) -> None:
    """Compile the libraries of a new environment before this run's processes are started.

    All of them would do so at the same time and throw all but one result away: some 10 s each.
    """
    is_first = not hasattr(session.config, "workerinput")
    if not is_first or not session.config.getoption("numprocesses", default=None):
        return
    library = importlib.util.find_spec("statsmodels")
    if library and Path(importlib.util.cache_from_source(str(library.origin))).exists():
        return
    halves = [subprocess.Popen([sys.executable, "-c", f"import {half}"]) for half in LIBRARIES]
    for half in halves:
        half.wait()


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Keep Python from looking for garbage among libraries and tests, which all stay to the end.

    It would go through these million objects again and again: a tenth of the processor's time. Of
    what tests leave it looks through everything a few times only: it took a tenth of theirs.
    """
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()
        gc.set_threshold(GARBAGE)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Two processes more than cores, as tests in the browser wait half of their time.

    Each takes some 0.5 GB.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return min((cores or 1) + 2, MOST_PROCESSES)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Hand out files, to every second process those in the browser last.

    So there is always something to reckon while pages are waited for, and fewer of them are open
    at a time: a widget that a busy page needs more than two seconds to begin hears nothing more.
    """
    from xdist.scheduler import LoadFileScheduling

    class BrowserApart(LoadFileScheduling):
        def _assign_work_unit(self, node: Any) -> None:
            if int(node.gateway.id.removeprefix("gw")) % 2:
                others = (one for one in self.workqueue if not one.startswith("tests/browser/"))
                first = next(others, None)
                if first is not None:
                    self.workqueue.move_to_end(first, last=False)
            super()._assign_work_unit(node)

    return BrowserApart(config, log)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Let several processes start with the slow files, so that none of them is left for the end.

    Of the others the largest come first: on the whole they take longest. pytest-xdist would start
    with the files of most tests; ``--no-loadscope-reorder`` keeps it off.
    """
    if not hasattr(config, "workerinput"):
        return
    slow = {
        item.path
        for item in items
        if item.path.suffix == ".ipynb" or any(map(item.get_closest_marker, ("slow", "browser")))
    }
    size = {path: path.stat().st_size for path in {item.path for item in items}}
    browser = PROJECT / "tests" / "browser"
    items.sort(
        key=lambda item: (
            browser not in item.path.parents,  # in a row, they share what is slow to start
            item.path not in slow,
            -size[item.path],
            item.path,
        )
    )


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """In CI a skipped test is a failed one: all that it needs is installed there."""
    report = yield
    if IN_CI and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, which CI does not allow: {call.excinfo.value}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """The same for a module that skips itself while it is imported."""
    report = yield
    if IN_CI and report.skipped:
        report.outcome = "failed"
        report.longrepr = f"skipped, which CI does not allow: {report.longrepr}"
    return report
