"""Fixtures that several rooms share: a PostgreSQL database, a browser, a JupyterLab."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import shutil
import subprocess
import sys
import time
import urllib.request
import uuid
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from labkit.setup.opening import jupyter_command, jupyter_environment
from labkit.tasting import seal
from tests.nursery import nursery
from tests.postgresql import url_for_this_run
from tests.project import PROJECT, copy_data, copy_workbook, free_port

CHROMIUM_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # No other machine has a part in any test, whatever a page asks for.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost",
)


@pytest.hookimpl(wrapper=True)
def pytest_collect_file() -> Generator[None, list[pytest.Collector], list[pytest.Collector]]:
    """Look for examples in docstrings in labkit only, not once more in every module of tests."""
    found = yield
    return [one for one in found if type(one).__name__ != "DoctestModule"]


# ------------------------------------------------------------------------------- PostgreSQL


@pytest.fixture(scope="session")
def postgres_url() -> str:
    """URL of a database on a throw-away PostgreSQL server; each test makes a schema of its own.

    The server is the one that ``LABKIT_TEST_POSTGRES_URL`` names, else one that this run starts.
    """
    url = os.environ.get("LABKIT_TEST_POSTGRES_URL") or url_for_this_run()
    return url.replace("postgresql://", "postgresql+psycopg://", 1)


# ------------------------------------------------------------------------------ passphrases


@pytest.fixture(scope="session", autouse=True)
def shipped_log2_n() -> Iterator[int]:
    """The cost of trying a passphrase as the user gets it; tests seal at the lowest there is.

    Programs that tests start (servers, kernels) seal at the shipped cost.
    """
    shipped = seal.SCRYPT_LOG2_N
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(seal, "SCRYPT_LOG2_N", 1)
        yield shipped


# ---------------------------------------------------------------------------------- browser


def find_chromium() -> str | None:
    """Path of a Chromium, if the machine has one."""
    names = ("chromium-headless-shell", "chromium", "chromium-browser")
    names += ("google-chrome", "google-chrome-stable", "chrome")
    return os.environ.get("LABKIT_CHROMIUM") or next(filter(None, map(shutil.which, names)), None)


@contextlib.contextmanager
def running_chromium() -> Iterator[Any]:
    """A headless Chromium (a playwright ``Browser``)."""
    from playwright.sync_api import sync_playwright

    chromium = find_chromium()
    if not chromium:
        pytest.skip("no Chromium on this machine: install one, or name it in LABKIT_CHROMIUM")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=chromium, args=list(CHROMIUM_FLAGS))
        yield running
        running.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A headless Chromium; one a module, as playwright's loop must not run for other tests."""
    with running_chromium() as running:
        yield running


@pytest.fixture
def new_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """Makes pages, each with cookies and storage of its own: ``new_page(width=390)``."""
    contexts = []

    def make(*, width: int = 1280, height: int = 900, **options: Any) -> Any:
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        return context.new_page()

    yield make
    for context in contexts:
        context.close()


# ------------------------------------------------------------------------------- JupyterLab


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkbookServer:
    """A running JupyterLab on a copy of the workbook."""

    url: str
    """Root of the server, without a slash at its end."""

    token: str
    """Lets one in."""

    workbook: Path
    """The copy; data/ lies beside it, as in the project."""

    @property
    def demo_book(self) -> Path:
        """The demo lab book, once a notebook has opened it."""
        return self.workbook.parent / "data" / "demo.db"

    def page(self) -> str:
        """Address of JupyterLab, in a workspace of its own."""
        return f"{self.url}/lab/workspaces/{uuid.uuid4().hex}?token={self.token}"

    def call(self, method: str, path: str) -> Any:
        """Answer of the server's REST interface."""
        request = urllib.request.Request(
            f"{self.url}{path}", method=method, headers={"Authorization": f"token {self.token}"}
        )
        direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with direct.open(request, timeout=30) as answer:
            text = answer.read()
        return json.loads(text) if text else None

    def end_sessions(self) -> None:
        """Shut every kernel down but the one that waits for the next page.

        All at once: each takes its time.
        """
        sessions = self.call("GET", "/api/sessions")
        paths = [f"/api/sessions/{one['id']}" for one in sessions]
        notebooks = {one["kernel"]["id"] for one in sessions}
        pages = [
            one["id"] for one in self.call("GET", "/api/kernels") if one["id"] not in notebooks
        ]
        paths += [f"/api/kernels/{kernel}" for kernel in pages[:-1]]  # the last started waits
        with ThreadPoolExecutor() as hands:
            list(hands.map(partial(self.call, "DELETE"), paths))


@pytest.fixture(scope="session")
def forked_kernels(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[str]]:
    """What a server's JUPYTER_PATH must begin with for its kernels to need no importing."""
    with nursery(tmp_path_factory.mktemp("nursery")) as path:
        yield path


@pytest.fixture(scope="session")
def session_workbook_server(
    tmp_path_factory: pytest.TempPathFactory, forked_kernels: list[str]
) -> Iterator[WorkbookServer]:
    """One JupyterLab for all browser tests; they ask for ``workbook_server``."""
    folder = tmp_path_factory.mktemp("project")
    workbook = copy_workbook(folder)
    port, token = free_port(), secrets.token_urlsafe(24)
    command = jupyter_command(Path(sys.executable), workbook, port=port)
    # Lets a test wait for the application and run its commands.
    command.append("--LabApp.expose_app_in_browser=True")
    (folder / "temporary").mkdir()  # what tests of traces search
    own = {"LABKIT_DATA": str(copy_data(folder)), "TMPDIR": str(folder / "temporary")}
    environment = jupyter_environment(
        {**os.environ, **own}, token=token, project=PROJECT, home=folder / "jupyter"
    )
    environment["JUPYTER_PATH"] = os.pathsep.join([*forked_kernels, environment["JUPYTER_PATH"]])
    with (folder / "jupyter.log").open("w") as log:
        process = subprocess.Popen(
            command,
            cwd=workbook,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
    server = WorkbookServer(url=f"http://127.0.0.1:{port}", token=token, workbook=workbook)
    try:
        _wait_for(server, process, folder / "jupyter.log")
        yield server
    finally:
        process.terminate()
        process.wait(timeout=30)


@pytest.fixture
def workbook_server(session_workbook_server: WorkbookServer) -> Iterator[WorkbookServer]:
    """JupyterLab on a copy of the workbook; each test starts without kernels, on a fresh demo."""
    yield session_workbook_server
    session_workbook_server.end_sessions()
    # Whatever a test left: an own book that it chose would be the next test's too, and so would a
    # cell that it saved.
    for left in session_workbook_server.demo_book.parent.iterdir():
        if left.name != "demo":
            shutil.rmtree(left) if left.is_dir() else left.unlink()
    for left in session_workbook_server.workbook.glob("*.ipynb"):
        shipped = PROJECT / "workbook" / left.name
        if shipped.exists():
            shutil.copyfile(shipped, left)
        else:
            left.unlink()


def _wait_for(server: WorkbookServer, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + 120
    while process.poll() is None and time.monotonic() < deadline:
        try:
            server.call("GET", "/api/status")
        except OSError:
            time.sleep(0.1)
        else:
            return
    pytest.fail(f"JupyterLab did not start:\n{log.read_text()[-2000:]}")
