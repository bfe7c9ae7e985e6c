"""One Chromium for all files in a row, what it has loaded kept, and one page of JupyterLab."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from tests.browser.lab import load_lab, put_away
from tests.conftest import WorkbookServer, running_chromium

HERE = Path(__file__).parent


class Held:
    """What is kept from file to file, until a test comes that is not in this folder.

    Not longer: playwright's loop would still run when notebooks' kernels want theirs.
    """

    def __init__(self) -> None:
        self._ends = ExitStack()
        self._browser: Any = None
        self._contexts: dict[str, Any] = {}
        self.lab: Any = None

    def browser(self) -> Any:
        """The one Chromium."""
        if self._browser is None:
            self._browser = self._ends.enter_context(running_chromium())
        return self._browser

    def context(self, **options: Any) -> Any:
        """Cookies, storage and loaded scripts that tests with the same options share."""
        name = repr(sorted(options.items()))
        if name not in self._contexts:
            self._contexts[name] = self.browser().new_context(**options)
        return self._contexts[name]

    def end(self) -> None:
        """Let go of everything."""
        self._ends.close()
        self._browser = self.lab = None
        self._contexts = {}


held = Held()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(
    item: pytest.Item, nextitem: pytest.Item | None
) -> Generator[None, None, None]:
    """After the last test in a row, end what was held."""
    try:
        return (yield)
    finally:
        if nextitem is None or HERE not in nextitem.path.parents:
            held.end()


@pytest.fixture(scope="module")
def browser() -> Any:
    """A headless Chromium (a playwright ``Browser``)."""
    return held.browser()


@pytest.fixture
def new_tab(browser: Any) -> Iterator[Callable[..., Any]]:
    """Like ``new_page``, in a window that tests share, as one who works opens many pages.

    What a page needs is loaded and compiled already: half of the processor's time. Storage is
    shared, too: tests of what a page keeps there take ``new_page``.
    """
    pages = []

    def make(*, width: int = 1280, height: int = 900, **options: Any) -> Any:
        page = held.context(**options).new_page()
        pages.append(page)
        page.set_viewport_size({"width": width, "height": height})
        return page

    yield make
    for page in pages:
        page.close()


@pytest.fixture
def lab(
    workbook_server: WorkbookServer, browser: Any, request: pytest.FixtureRequest
) -> Iterator[Any]:
    """A page of JupyterLab with nothing open, loaded once for tests in a row."""
    failed_before = request.session.testsfailed
    if held.lab is None:
        held.lab = held.context().new_page()
        load_lab(held.lab, workbook_server)
    page = held.lab
    page.set_default_timeout(30_000)
    page.set_viewport_size({"width": 1280, "height": 900})
    yield page
    if request.session.testsfailed > failed_before:  # who knows what stands on it
        held.lab = None
        page.close()
    else:
        put_away(page)
