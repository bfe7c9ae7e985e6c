"""Runs the tasters' page for a test, and helps a browser to use it."""

from __future__ import annotations

import contextlib
import subprocess
from dataclasses import dataclass, field, replace
from pathlib import Path

from labkit.book import LabBook
from labkit.widgets.tasters.certificates import Certificate
from labkit.widgets.tasters.links import give_links
from labkit.widgets.tasters.page import server_command, server_environment, wait_until_it_answers
from tests.project import free_port

COUNT_SCORES = """
const { setItem, removeItem } = Storage.prototype;
const count = (list, score) => {
  const known = JSON.parse(sessionStorage.getItem(list) ?? '[]');
  setItem.call(sessionStorage, list, JSON.stringify([...known, JSON.parse(score).id]));
};
Storage.prototype.setItem = function (name, text) {
  if (name.includes('/touch/')) count('given', text);
  return setItem.call(this, name, text);
};
Storage.prototype.removeItem = function (name) {
  const score = name.includes('/touch/') && this.getItem(name);
  if (score) count('acknowledged', score);
  return removeItem.call(this, name);
};
"""
"""Script for a page: every score given, and every one that left the queue since Python has
acknowledged it; kept across reloads."""


@dataclass(kw_only=True)
class TastersServing:
    """A tasters' page on a lab book; can be killed and started again on the same port."""

    book_path: Path | str
    session: str
    folder: Path
    https: Certificate | None = None
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def of(self, session):
        """The same page, for another session of its lab book."""
        return replace(self, session=session)

    @property
    def url(self):
        """Address of the page, with a slash at its end."""
        return f"{'https' if self.https else 'http'}://127.0.0.1:{self.port}/"

    @property
    def log(self):
        """What the server said."""
        return self.folder / "tasters.log"

    def links(self):
        """The tasters' links by name."""
        with LabBook(self.book_path) as book:
            given = give_links(book, self.session, self.url, keep_in=self.folder / "links.json")
        return {link.taster: link for link in given}

    def start(self):
        """Start the server and wait for it."""
        self.launch()
        self.wait_until_it_answers()

    def launch(self):
        """Start the server."""
        environment = server_environment(str(self.book_path), "tasting.example")
        with self.log.open("ab") as said:
            self.process = subprocess.Popen(
                server_command(self.port, self.https),
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=subprocess.STDOUT,
            )

    def wait_until_it_answers(self):
        """Wait for the server that was started."""
        wait_until_it_answers(self.process, self.port, self.log)

    def kill(self):
        """Kill the server the hard way."""
        self.process.kill()
        self.process.wait()

    def stop(self):
        """Stop the server."""
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(timeout=30)


@contextlib.contextmanager
def serving(book_path, session, folder, *, https=None):
    """A running tasters' page."""
    page = TastersServing(book_path=book_path, session=session, folder=folder, https=https)
    page.start()
    try:
        yield page
    finally:
        page.stop()


def group(page, attribute):
    """The fieldset of an attribute."""
    return page.get_by_role("group", name=attribute, exact=True)


def choose(page, attribute, name):
    """Tap a radio button or box of an attribute, named as a screen reader names it."""
    role = "checkbox" if group(page, attribute).get_by_role("checkbox").count() else "radio"
    group(page, attribute).get_by_role(role, name=name, exact=True).click()


def wait_saved(page, timeout=20_000):
    """Wait until the sheet says that all is saved."""
    page.wait_for_selector('.lk-state[data-state="saved"]', timeout=timeout)


def mark(page):
    """Leave a mark on the page that a reload removes."""
    page.evaluate("window.isTheOldPage = true")


def wait_reloaded(page, timeout=120_000):
    """Wait until a page that was marked has reloaded itself and says that all is saved."""
    page.wait_for_function(
        """() => !window.isTheOldPage &&
           document.querySelector('.lk-state')?.dataset.state === 'saved'""",
        timeout=timeout,
        polling=200,  # looking at every frame would keep a small machine busy
    )


def open_sheet(page, address, timeout=60_000):
    """Open a link and wait for the sheet."""
    page.goto(address, timeout=timeout)
    page.wait_for_selector(".lk-sheet", timeout=timeout)
    wait_saved(page)


def given(page):
    """Ids of scores given on a page with COUNT_SCORES."""
    return set(page.evaluate("JSON.parse(sessionStorage.getItem('given') ?? '[]')"))


def acknowledged(page):
    """Ids of scores whose safety Python has confirmed to a page with COUNT_SCORES."""
    return set(page.evaluate("JSON.parse(sessionStorage.getItem('acknowledged') ?? '[]')"))


def kept(book_path, session):
    """Every row of the lab book's history as (taster, position, attribute, value)."""
    with LabBook(book_path) as book:
        return [(e.taster, e.position, e.attribute, e.value) for e in book.scores.history(session)]
