"""Scores while kernels, servers, networks and disks fail: none lost, none doubled."""

from __future__ import annotations

import os
import signal
import sqlite3
import time
import urllib.error
import urllib.request
from collections import Counter
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from labkit.book import LabBook
from labkit.widgets.tasters.gate import WRONG_CODES_A_MINUTE
from tests.postgresql import a_postgresql_server
from tests.widgets.serving import (
    COUNT_SCORES,
    acknowledged,
    choose,
    given,
    kept,
    mark,
    open_sheet,
    serving,
    wait_reloaded,
    wait_saved,
)
from tests.widgets.tables import SESSION, lay_table

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PHONE = {"width": 390, "height": 844, "has_touch": True, "is_mobile": True}
BACK_AGAIN = 90_000
CUT_OFF_S = 15
"""Longer than everything that a page does once in a while (sheet.js, outbox.js): what a minute
would show is shown by then."""

HELD_S = 6
"""Longer than the page waits for an answer (outbox.js), and than SQLite's usual five seconds."""

VICTIMS = ("kernel", "server", "server and kernels")
"""Who is killed: a taster's kernel, the server, all of the laptop's Python."""


SETTLED = """
() => document.querySelector('.lk-state')?.dataset.state === 'saved' && !window.isBursting
"""


@pytest.fixture
def place(tmp_path):
    """A tasters' page on a lab book of its own."""
    lay_table(tmp_path / "book.db")
    with serving(tmp_path / "book.db", SESSION, tmp_path) as running:
        yield running


def ids(place):
    with LabBook(place.book_path) as book:
        return Counter(entry.entry_id for entry in book.scores.history(SESSION))


def values(place):
    return [value for *_, value in kept(place.book_path, SESSION)]


def wait_away(page):
    page.wait_for_selector('.lk-state[data-state="away"]', timeout=30_000)


def scores_in_browser(page):
    return page.evaluate("Object.keys(localStorage).filter((k) => k.includes('/touch/')).length")


def status_of(address):
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with direct.open(address, timeout=20) as answer:
            return answer.status
    except urllib.error.HTTPError as error:
        return error.code


def test_scores_of_a_dead_kernel_are_saved_once_when_the_page_is_back(place, new_page):
    page = new_page(**PHONE)
    asked = []
    page.on("request", lambda request: asked.append(request.url) if "alive" in request.url else 0)
    open_sheet(page, place.links()["Ines"].address)
    choose(page, "acidity", "3")
    wait_saved(page)

    mark(page)
    (kernel,) = place.kernels()
    page.route("**/alive*", lambda route: route.abort())  # it cannot learn of the death at once
    os.kill(kernel, signal.SIGKILL)
    choose(page, "acidity", "4")
    choose(page, "acidity", "4.5")
    wait_away(page)
    said = page.locator(".lk-state").inner_text()
    assert status_of(asked[-1]) == 410
    page.unroute("**/alive*")
    wait_reloaded(page)

    (kernel_now,) = place.kernels()
    assert kernel_now != kernel, "nothing is left of the old one"
    assert status_of(f"{place.url}alive") == 200
    assert "Not connected" in said
    assert "Kept on this device until it is back: 2 not saved yet" in said
    assert values(place) == [3.0, 4.0, 4.5]
    assert set(ids(place).values()) == {1}
    assert scores_in_browser(page) == 0


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
    assert scores_in_browser(page) == 2
    place.start()
    wait_reloaded(page)

    assert values(place) == [3.0, 9.0, 9.5]
    assert page.locator(".lk-code").inner_text() == code, "the same cup"
    assert place.links() == links


def test_a_lab_book_that_is_away_is_waited_for_and_never_made_anew(place, new_page):
    page, newcomer = new_page(**PHONE), new_page(**PHONE)
    open_sheet(page, place.links()["Ines"].address)
    choose(page, "acidity", "3")
    wait_saved(page)
    links = place.links()
    mark(page)

    move_book(place.book_path, ".away")
    choose(page, "acidity", "4")
    page.wait_for_selector('.lk-state[data-state="waiting"]', timeout=30_000)
    answers = [answer_of(links["Tamsin"].address) for _ in range(WRONG_CODES_A_MINUTE + 2)]
    (kernel,) = place.kernels()
    os.kill(kernel, signal.SIGKILL)
    newcomer.goto(links["Jonas"].address)
    newcomer.get_by_text("This page tries again by itself").wait_for()
    wait_away(page)
    page.wait_for_timeout(3000)

    assert {status for status, _ in answers} == {503}
    assert not any(str(place.book_path.parent) in text for _, text in answers)
    assert "code" not in newcomer.inner_text("main").lower(), "not the entrance"
    assert not place.book_path.exists()
    assert page.evaluate("window.isTheOldPage"), "reloading would have taken the sheet away"
    assert scores_in_browser(page) == 1

    move_book(place.book_path.with_name("book.db.away"), "")
    wait_reloaded(page)
    newcomer.wait_for_selector(".lk-sheet", timeout=BACK_AGAIN)
    assert values(place) == [3.0, 4.0]
    assert answer_of(links["Tamsin"].address)[0] == 200, "no wrong code was counted"


def move_book(path, ending):
    """Rename a lab book with the files that SQLite keeps beside it."""
    name = path.with_name("book.db").name + ending
    for beside in ("", "-wal", "-shm"):
        with suppress(FileNotFoundError):
            Path(f"{path}{beside}").rename(path.with_name(f"{name}{beside}"))


def answer_of(address):
    """Status and text of a page."""
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with direct.open(address, timeout=60) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()


def test_two_devices_with_one_link_agree_and_say_so(place, new_page):
    phone, tablet = new_page(**PHONE), new_page(**PHONE)
    for page in (phone, tablet):
        open_sheet(page, place.links()["Ines"].address)
    phone.context.set_offline(True)
    choose(phone, "acidity", "3")
    phone.wait_for_timeout(1500)
    choose(tablet, "acidity", "7")
    wait_saved(tablet)
    phone.context.set_offline(False)

    phone.get_by_text("Scores not taken: 1").wait_for(timeout=BACK_AGAIN)
    wait_saved(phone, BACK_AGAIN)
    assert "given as 7 later" in phone.locator(".lk-alerts").inner_text()
    assert values(place) == [7.0]
    phone.get_by_role("button", name="OK").click()
    choose(phone, "acidity", "6")
    tablet.get_by_text("Changed on another device").wait_for(timeout=30_000)
    assert "acidity: 7 here, now 6" in tablet.locator(".lk-alerts").inner_text()
    assert values(place) == [7.0, 6.0]


def test_no_network_another_writer_and_a_full_disk_lose_nothing(place, new_page):
    """Three phones at one table, each with its own trouble at the same time."""
    offline, held, full = (counting(new_page(**PHONE)) for _ in range(3))
    for page, taster in ((offline, "Mirela"), (held, "Tamsin"), (full, "Ines")):
        before = set(place.kernels())
        open_sheet(page, place.links()[taster].address)
        choose(page, "acidity", "2")
        wait_saved(page)
    (kernel_of_full,) = set(place.kernels()) - before
    pages = (offline, held, full)
    assert [len(acknowledged(page)) for page in pages] == [1, 1, 1]

    offline.context.set_offline(True)
    cut_at = time.monotonic()
    choose(offline, "acidity", "3")
    choose(offline, "liking", "2 dislike very much")
    offline.get_by_role("button", name="next").click()
    choose(offline, "acidity", "12")
    score_while_somebody_holds_the_book(place, held)
    score_on_a_full_disk(place, full, kernel_of_full)
    wait_away(offline)
    assert (
        "Kept on this device until it is back: 3 not saved yet"
        in offline.locator(".lk-state").inner_text()
    )
    assert values(place).count(12.0) == 0, "nothing came through the cut line"
    offline.wait_for_timeout(max(0, 1000 * (CUT_OFF_S - (time.monotonic() - cut_at))))
    offline.context.set_offline(False)
    wait_saved(offline, BACK_AGAIN)

    assert sorted(ids(place)) == sorted(set().union(*map(acknowledged, pages)))
    assert set(ids(place).values()) == {1}
    by_taster = {name: [] for name in ("Mirela", "Tamsin", "Ines")}
    for taster, _, _, value in kept(place.book_path, SESSION):
        by_taster[taster].append(value)
    assert by_taster == {"Mirela": [2, 3, 2, 12], "Tamsin": [2, 3], "Ines": [2, 3]}


def counting(page):
    """The page, counting what Python has acknowledged to it."""
    page.add_init_script(COUNT_SCORES)
    return page


def score_while_somebody_holds_the_book(place, page):
    """Another program holds SQLite's write lock for longer than the sheet is patient."""
    before = len(values(place))
    other = sqlite3.connect(place.book_path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        choose(page, "acidity", "3")
        page.wait_for_timeout(1000 * HELD_S)
        # Counted, not awaited: a page that meanwhile loads anew waits for the same lock.
        assert page.locator('.lk-state[data-state="saved"]').count() == 0
        # Asked through the holder itself: opening the lab book anew would wait for it.
        ((now,),) = other.execute("SELECT count(*) FROM scores")
        assert now == before
    finally:
        other.execute("ROLLBACK")
        other.close()
    wait_saved(page, BACK_AGAIN)
    assert len(values(place)) == before + 1


def score_on_a_full_disk(place, page, kernel):
    """A limit on the size of files stands for the full disk; it needs no special rights."""
    resource = pytest.importorskip("resource")
    limits = resource.prlimit(kernel, resource.RLIMIT_FSIZE)
    resource.prlimit(kernel, resource.RLIMIT_FSIZE, (4096, limits[1]))
    before = len(values(place))

    choose(page, "acidity", "3")
    page.wait_for_selector('.lk-state[data-state="waiting"]', timeout=30_000)
    said = page.locator(".lk-state").inner_text()
    assert len(values(place)) == before
    resource.prlimit(kernel, resource.RLIMIT_FSIZE, limits)
    wait_saved(page, BACK_AGAIN)

    assert said.startswith("Not saved yet:")
    assert "Tell the lead" in said
    assert str(place.book_path) not in said
    assert len(values(place)) == before + 1


@pytest.mark.postgres
def test_a_postgresql_server_that_restarts_mid_session_loses_and_doubles_nothing(
    postgres_url, tmp_path, new_page
):
    page = counting(new_page(**PHONE))
    with a_postgresql_server() as postgresql:
        lay_table(postgresql.url)
        with serving(postgresql.url, SESSION, tmp_path) as place:
            open_sheet(page, place.links()["Ines"].address)
            for repetition in range(2):
                burst(page, repetition)
                page.wait_for_timeout(60)
                before = acknowledged(page)
                postgresql.stop()
                page.wait_for_timeout(1000)
                postgresql.start()
                assert before <= set(ids(place))
                # The server of the page may have been asked meanwhile: it waits, or comes back.
                page.wait_for_function(SETTLED, timeout=BACK_AGAIN, polling=200)

                assert len(given(page)) == 20 * (repetition + 1)
                assert given(page) == acknowledged(page) == set(ids(place))
                assert set(ids(place).values()) == {1}


def test_nothing_acknowledged_is_lost_when_it_dies_during_a_burst(tmp_path, new_page):
    """Three times each; tests/benchmarks/sheet_faults.py kills a hundred times, by hand."""
    with ExitStack() as running:
        tables = []
        for number, victim in enumerate(VICTIMS):
            folder = tmp_path / str(number)
            folder.mkdir()
            lay_table(folder / "book.db")
            place = running.enter_context(serving(folder / "book.db", SESSION, folder))
            page = counting(new_page(**PHONE))
            open_sheet(page, place.links()["Ines"].address)
            tables.append((victim, place, page))
        for repetition in range(3):
            for victim, place, page in tables:
                mark(page)
                burst(page, repetition)
                page.wait_for_timeout(80 * repetition + 40)
                before = acknowledged(page)
                kill(place, victim)
                assert before <= set(ids(place)), f"acknowledged before the {victim} died"
            for victim, place, _ in tables:
                if victim != "kernel":
                    place.launch()
            for victim, place, page in tables:
                wait_reloaded(page)

                assert len(given(page)) > 10 * (repetition + 1)
                assert given(page) == acknowledged(page) == set(ids(place)), victim
                assert set(ids(place).values()) == {1}


def kill(place, victim):
    """Kill the hard way; whoever killed a server starts it again."""
    kernels = place.kernels()
    if victim != "kernel":
        place.kill()
    if victim != "server":
        for pid in kernels:
            os.kill(pid, signal.SIGKILL)


def burst(page, repetition):
    """Twenty scores, ten milliseconds apart, by the page's own buttons."""
    page.evaluate(
        """(shift) => {
          const fields = [...document.querySelectorAll('.lk-field')]
            .map((field) => [...field.querySelectorAll('.lk-row input[type=radio]')])
            .filter((radios) => radios.length);
          let n = 0;
          window.isBursting = true;
          const timer = setInterval(() => {
            // To and fro between two neighbours: each click is a change.
            fields[n % 4][(shift + Math.floor(n / 4)) % 2].click();
            n += 1;
            if (n === 20) window.isBursting = clearInterval(timer);
          }, 10);
        }""",
        repetition,
    )
