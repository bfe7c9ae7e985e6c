"""Twelve tasters at once: how long pages take to open, scores to be committed, and what it costs.

Run by hand on an otherwise idle machine::

    python -m tests.benchmarks.tasters_load [tasters]

Twelve phones (in one Chromium on the same machine, so their work burdens the laptop too) open their
links together and give 8 cups x 6 attributes each, a score every 0.3 s. Prints one line a figure,
the time to a commit beside that of a bare writer: SQLite alone, a row and a sync for each score, at
the same pace in the same run. Fails if a score is missing or there twice.
"""

from __future__ import annotations

import asyncio
import os
import sqlite3
import statistics
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

from playwright.async_api import async_playwright

from labkit.book import LabBook
from tests.conftest import CHROMIUM_FLAGS, find_chromium
from tests.widgets.serving import serving
from tests.widgets.tables import SESSION, lay_table

PAUSE_S = 0.3
NUMBERS = ("overall quality", "liking", "acidity", "acidity for you")

# Times each score from the tap to Python's acknowledgement, by the browser's queue of scores.
WATCH_QUEUE = """
window.waits = []; const begun = new Map(); const is = (name) => name.includes('/touch/');
const { setItem, removeItem } = Storage.prototype;
Storage.prototype.setItem = function (name, text) {
  if (is(name)) begun.set(name, performance.now());
  return setItem.call(this, name, text);
};
Storage.prototype.removeItem = function (name) {
  if (begun.has(name)) window.waits.push(performance.now() - begun.get(name));
  begun.delete(name);
  return removeItem.call(this, name);
};
"""


async def taste(browser, address, ready):
    """One taster's visit: seconds to the sheet, and milliseconds from tap to saved."""
    context = await browser.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True
    )
    await context.add_init_script(WATCH_QUEUE)
    page = await context.new_page()
    begun = time.monotonic()
    await page.goto(address, timeout=180_000)
    await page.wait_for_selector('.lk-state[data-state="saved"]', timeout=180_000)
    opened_s = time.monotonic() - begun
    await ready.wait()
    for cup in range(8):
        for n, attribute in enumerate(NUMBERS):
            group = page.get_by_role("group", name=attribute, exact=True)
            await group.get_by_role("radio").nth((cup + n) % 4).tap()
            await asyncio.sleep(PAUSE_S)
        words = page.get_by_role("group", name="words", exact=True)
        await words.get_by_role("checkbox").nth(cup % 4).tap()
        await asyncio.sleep(PAUSE_S)
        note = page.get_by_role("group", name="note", exact=True).get_by_role("textbox")
        await note.fill(f"cup {cup}")
        if cup == 3:  # the first flight ends here
            await page.get_by_role("button", name="All cups").tap()
            await page.locator('[data-cup="2/1"]').tap()
        elif cup < 7:
            await page.get_by_role("button", name="Next").tap()
    await page.locator(".lk-code").tap()
    await page.wait_for_function(
        "() => !Object.keys(localStorage).some((n) => /[/](touch|draft)[/]/.test(n))",
        timeout=60_000,
    )
    waits = await page.evaluate("window.waits")
    return opened_s, waits


async def everybody(addresses):
    """All tasters together."""
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=find_chromium(), args=list(CHROMIUM_FLAGS)
        )
        ready = asyncio.Barrier(len(addresses))
        results = await asyncio.gather(*(taste(browser, a, ready) for a in addresses))
        await browser.close()
        return results


def say(line):
    """Print one figure."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def resident_mb(pid):
    """Proportional memory of a process (MB): shared pages counted once for all that share them."""
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1]) / 1024
    raise ValueError(f"no memory figure for process {pid}")


def bare_commits_ms(folder, times, pause_s):
    """Milliseconds of a bare writer: one row and one sync a score, at that pace."""
    taken = []
    with closing(sqlite3.connect(folder / "bare.db", isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("PRAGMA synchronous=FULL")
        db.execute("CREATE TABLE scores (id TEXT PRIMARY KEY, value REAL)")
        for n in range(times):
            begun = time.perf_counter()
            db.execute("INSERT INTO scores VALUES (?, ?)", [f"{n:032d}", n % 9 + 1])
            taken.append(1000 * (time.perf_counter() - begun))
            time.sleep(pause_s)
    return taken


def processor_s(pid):
    """Seconds of processor that a process has used so far."""
    rest = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(rest[11]) + int(rest[12])) / os.sysconf("SC_CLK_TCK")


def beside(work, *told):
    """Start work in a thread; a function that waits for what it found."""
    pool = ThreadPoolExecutor(1)
    return pool.submit(work, *told).result


def idle_syncs_ms(folder):
    """Milliseconds in which the bare disk makes a page of 4 KiB safe, without a lab book."""
    taken = []
    with (folder / "sync").open("wb", buffering=0) as file:
        for _ in range(200):
            begun = time.perf_counter()
            file.write(bytes(4096))
            os.fsync(file.fileno())
            taken.append(1000 * (time.perf_counter() - begun))
    return taken


def quantiles(values):
    """Median, 95th percentile and largest."""
    cuts = statistics.quantiles(values, n=100)
    return f"p50 {statistics.median(values):.1f}, p95 {cuts[94]:.1f}, most {max(values):.1f}"


def main(n_tasters=12):
    """Run and print."""
    names = tuple(f"Taster {chr(65 + i)}" for i in range(n_tasters))
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        say(f"load of the machine at the start {os.getloadavg()[0]:.1f}")
        say(f"one sync of the bare disk (ms): {quantiles(idle_syncs_ms(folder))}")
        lay_table(folder / "book.db", tasters=names)
        with serving(folder / "book.db", SESSION, folder) as place:
            addresses = [link.address for link in place.links().values()]
            begun, before_s = time.monotonic(), processor_s(place.process.pid)
            bare = beside(bare_commits_ms, folder, n_tasters * 8 * 6, PAUSE_S / n_tasters)
            results = asyncio.run(everybody(addresses))
            took_s = time.monotonic() - begun
            used_s = processor_s(place.process.pid) - before_s
            say(f"memory of the server (MB): {resident_mb(place.process.pid):.0f}")
            alone = bare()
        opened = [opened_s for opened_s, _ in results]
        waits = [wait for _, waits in results for wait in waits]
        with LabBook(folder / "book.db") as book:
            history = book.scores.history(SESSION)
        once = Counter(Counter(entry.entry_id for entry in history).values())
        reached = [1000 * (e.received_at - e.given_at).total_seconds() for e in history]
        say(f"opening {n_tasters} links at once (s): {min(opened):.1f} to {max(opened):.1f}")
        say(f"scores: {len(waits)} given, {len(history)} kept, rows per score {dict(once)}")
        say(f"a bare writer's row (ms): {quantiles(alone)}")
        p95 = [statistics.quantiles(values, n=100)[94] for values in (reached, waits, alone)]
        say(f"tap to the row (ms): {quantiles(reached)}; {p95[0] / p95[2]:.1f} bare rows at p95")
        say(
            f"tap to 'saved' on the phone (ms): {quantiles(waits)}; {p95[1] / p95[2]:.1f} bare rows"
        )
        say(
            f"the server's processor: {used_s:.1f} s, {1000 * used_s / len(history):.1f} ms a score"
        )
        say(f"took {took_s:.0f} s; load of the machine at the end {os.getloadavg()[0]:.1f}")
        # One score a place was given: each of 12 x 8 x 6 places has one row and no other has any.
        places = Counter((e.taster, e.flight, e.position, e.attribute) for e in history)
        wrong = len(places) != n_tasters * 8 * 6 or set(places.values()) != {1}
        if wrong or len(history) != n_tasters * 8 * 6 or set(once) != {1}:
            raise SystemExit("a score is missing or there twice")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
