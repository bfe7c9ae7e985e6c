"""Scores while servers, networks and disks fail: none lost, none doubled."""

from __future__ import annotations

import sqlite3
import time
import urllib.error
import urllib.request
from collections import Counter
from contextlib import suppress
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


def test_a_server_that_is_killed_and_started_anew_loses_nothing_and_links_stay(place, new_page):
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
    said = page.locator(".lk-state").inner_text()
    page.wait_for_timeout(2000)
    assert scores_in_browser(page) == 2
    place.start()
    wait_saved(page, BACK_AGAIN)

    assert "Kept on this device until it is back: 2 not saved yet" in said
    assert page.evaluate("window.isTheOldPage"), "the page stays as it is"
    assert values(place) == [3.0, 9.0, 9.5]
    assert set(ids(place).values()) == {1}
    assert scores_in_browser(page) == 0
    assert page.locator(".lk-code").inner_text() == code, "the same cup"
    assert place.links() == links


OF_ANOTHER_DAY = """
if (!sessionStorage.getItem('loaded')) {
  sessionStorage.setItem('loaded', 'once');
  window.isTheOldPage = true;
  const { parse } = JSON;
  JSON.parse = (text) => {
    const read = parse(text);
    return read?.mark && read.words ? { ...read, mark: 'of another day' } : read;
  };
}
"""
"""Script for a page: the first time it is loaded, it shows what is no longer so."""


def test_a_page_that_shows_what_is_no_longer_so_loads_itself_anew(place, new_page):
    page = new_page(**PHONE)
    page.add_init_script(OF_ANOTHER_DAY)
    page.goto(place.links()["Ines"].address)
    wait_reloaded(page)

    choose(page, "acidity", "3")
    wait_saved(page)
    assert values(place) == [3.0]


def test_a_link_that_was_replaced_opens_nothing_more_and_what_waits_goes_with_the_new_one(
    place, new_page
):
    page = new_page(**PHONE)
    open_sheet(page, place.links()["Ines"].address)
    place.kill()
    choose(page, "acidity", "3")
    wait_away(page)
    with LabBook(place.book_path) as book:
        book.sessions.issue_link(SESSION, "Ines", secret="K7M2QX9PWD")
    place.start()
    page.get_by_label("The code on your card").wait_for(timeout=BACK_AGAIN)
    assert "a newer one replaced it" in page.get_by_role("alert").inner_text()

    page.get_by_label("The code on your card").fill("K7M2Q-X9PWD")
    page.get_by_role("button", name="Open my sheet").click()
    wait_saved(page, BACK_AGAIN)
    assert values(place) == [3.0]


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
    newcomer.goto(links["Jonas"].address)
    newcomer.get_by_text("This page tries again by itself").wait_for()
    place.kill()
    wait_away(page)
    place.start()
    page.wait_for_selector('.lk-state[data-state="waiting"]', timeout=30_000)

    assert {status for status, _ in answers} == {503}
    assert not any(str(place.book_path.parent) in text for _, text in answers)
    assert "code" not in newcomer.inner_text("main").lower(), "not the entrance"
    assert not place.book_path.exists()
    assert page.evaluate("window.isTheOldPage"), "reloading would have taken the sheet away"
    assert scores_in_browser(page) == 1

    move_book(place.book_path.with_name("book.db.away"), "")
    wait_saved(page, BACK_AGAIN)
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
        open_sheet(page, place.links()[taster].address)
        choose(page, "acidity", "2")
        wait_saved(page)
    pages = (offline, held, full)
    assert [len(acknowledged(page)) for page in pages] == [1, 1, 1]

    offline.context.set_offline(True)
    cut_at = time.monotonic()
    choose(offline, "acidity", "3")
    choose(offline, "liking", "2 dislike very much")
    offline.get_by_role("button", name="next").click()
    choose(offline, "acidity", "12")
    score_while_somebody_holds_the_book(place, held)
    score_on_a_full_disk(place, full)
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
    before, newcomer = len(values(place)), place.links()["Jonas"].address
    other = sqlite3.connect(place.book_path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        choose(page, "acidity", "3")
        page.wait_for_selector('.lk-state[data-state="waiting"]', timeout=30_000)
        assert answer_of(newcomer)[0] == 200, "nobody else waits for it"
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


def score_on_a_full_disk(place, page):
    """A limit on the size of files stands for the full disk; it needs no special rights."""
    resource = pytest.importorskip("resource")
    server = place.process.pid
    limits = resource.prlimit(server, resource.RLIMIT_FSIZE)
    resource.prlimit(server, resource.RLIMIT_FSIZE, (4096, limits[1]))
    before = len(values(place))

    choose(page, "acidity", "3")
    page.wait_for_selector('.lk-state[data-state="waiting"]', timeout=30_000)
    said = page.locator(".lk-state").inner_text()
    assert len(values(place)) == before
    resource.prlimit(server, resource.RLIMIT_FSIZE, limits)
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
