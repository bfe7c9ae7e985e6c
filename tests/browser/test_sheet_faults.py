"""Touches while kernels, servers, networks and disks fail: none lost, none doubled."""

from __future__ import annotations

import os
import signal
import sqlite3
from collections import Counter

import pytest

from labkit.book import LabBook
from tests.widgets.serving import choose, kept, mark, open_sheet, serving, wait_reloaded, wait_saved
from tests.widgets.tables import SESSION, lay_table

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PHONE = {"width": 390, "height": 844, "has_touch": True, "is_mobile": True}
BACK_AGAIN = 90_000


@pytest.fixture
def place(tmp_path):
    """A tasters' page on a lab book of its own."""
    lay_table(tmp_path / "book.db")
    with serving(tmp_path / "book.db", SESSION, tmp_path) as running:
        yield running


def ids(place):
    with LabBook(place.book_path) as book:
        return Counter(entry.entry_id for entry in book.history(SESSION))


def values(place):
    return [value for *_, value in kept(place.book_path, SESSION)]


def wait_away(page):
    page.wait_for_selector('.lk-state[data-state="away"]', timeout=30_000)


def touches_in_browser(page):
    return page.evaluate("Object.keys(localStorage).filter((k) => k.includes('/touch/')).length")


def test_touches_of_a_dead_kernel_are_saved_once_when_the_page_is_back(place, new_page):
    page = new_page(**PHONE)
    open_sheet(page, place.links()["Ines"].address)
    choose(page, "acidity", "3")
    wait_saved(page)

    mark(page)
    (kernel,) = place.kernels()
    os.kill(kernel, signal.SIGKILL)
    choose(page, "acidity", "4")
    choose(page, "acidity", "4.5")
    wait_away(page)
    said = page.locator(".lk-state").inner_text()
    wait_reloaded(page)

    assert "Not connected" in said
    assert "2 touches kept on this device" in said
    assert values(place) == [3.0, 4.0, 4.5]
    assert set(ids(place).values()) == {1}
    assert touches_in_browser(page) == 0


def test_a_server_that_restarts_loses_nothing_and_links_stay(place, new_page):
    page = new_page(**PHONE)
    links = place.links()
    open_sheet(page, links["Jonas"].address)
    page.get_by_role("button", name="next").click()
    choose(page, "acidity", "3")
    wait_saved(page)
    code = page.locator(".lk-code").inner_text()

    mark(page)
    place.kill()
    choose(page, "acidity", "9")
    wait_away(page)
    choose(page, "acidity", "9.5")
    page.wait_for_timeout(4000)
    assert touches_in_browser(page) == 2
    place.start()
    wait_reloaded(page)

    assert values(place) == [3.0, 9.0, 9.5]
    assert page.locator(".lk-code").inner_text() == code, "the same cup"
    assert place.links() == links


def test_a_phone_without_network_goes_on_and_catches_up(place, new_page):
    page = new_page(**PHONE)
    open_sheet(page, place.links()["Mirela"].address)

    page.context.set_offline(True)
    choose(page, "acidity", "3")
    choose(page, "liking", "2 dislike very much")
    page.get_by_role("button", name="next").click()
    choose(page, "acidity", "12")
    wait_away(page)
    assert values(place) == []
    page.wait_for_timeout(8000)
    page.context.set_offline(False)
    wait_saved(page, BACK_AGAIN)

    assert values(place) == [3.0, 2.0, 12.0]


def test_a_lab_book_that_somebody_else_holds_is_waited_for(place, new_page):
    page = new_page(**PHONE)
    open_sheet(page, place.links()["Tamsin"].address)
    other = sqlite3.connect(place.book_path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        choose(page, "acidity", "3")
        page.wait_for_timeout(7000)
        assert page.locator(".lk-state").get_attribute("data-state") != "saved"
    finally:
        other.execute("ROLLBACK")
        other.close()
    wait_saved(page, BACK_AGAIN)

    assert values(place) == [3.0]


def test_a_full_disk_is_told_in_words_and_the_touch_waits(place, new_page):
    """A limit on the size of files stands for the full disk; it needs no special rights."""
    resource = pytest.importorskip("resource")
    page = new_page(**PHONE)
    open_sheet(page, place.links()["Ines"].address)
    (kernel,) = place.kernels()
    before = resource.prlimit(kernel, resource.RLIMIT_FSIZE)
    resource.prlimit(kernel, resource.RLIMIT_FSIZE, (4096, before[1]))

    choose(page, "acidity", "3")
    page.wait_for_selector('.lk-state[data-state="waiting"]', timeout=30_000)
    said = page.locator(".lk-state").inner_text()
    resource.prlimit(kernel, resource.RLIMIT_FSIZE, before)
    wait_saved(page, BACK_AGAIN)

    assert said.startswith("Not saved yet:")
    assert "Tell the lead" in said
    assert str(place.book_path) not in said
    assert values(place) == [3.0]


@pytest.mark.parametrize("victim", ["kernel", "server"])
def test_nothing_acknowledged_is_lost_when_it_dies_during_a_burst(place, new_page, victim):
    """Five times; tests/benchmarks/sheet_faults.py does it a hundred times, by hand."""
    page = new_page(**PHONE)
    open_sheet(page, place.links()["Ines"].address)
    for repetition in range(5):
        mark(page)
        burst(page, repetition)
        page.wait_for_timeout(40 * (repetition + 1))
        if victim == "kernel":
            for kernel in place.kernels():
                os.kill(kernel, signal.SIGKILL)
        else:
            place.kill()
            place.start()
        wait_reloaded(page)

        assert Counter(ids(place).values()) == {1: 20 * (repetition + 1)}


def burst(page, repetition):
    """Twenty touches, ten milliseconds apart, by the page's own buttons."""
    page.evaluate(
        """(shift) => {
          const fields = [...document.querySelectorAll('.lk-field')]
            .map((field) => [...field.querySelectorAll('.lk-row input[type=radio]')])
            .filter((radios) => radios.length);
          let n = 0;
          const timer = setInterval(() => {
            // To and fro between two neighbours: each click is a change.
            fields[n % 4][(shift + Math.floor(n / 4)) % 2].click();
            n += 1;
            if (n === 20) clearInterval(timer);
          }, 10);
        }""",
        repetition,
    )
