"""The server killed in the middle of bursts of scores, many times over.

Run by hand (a repetition takes some 5 s)::

    python -m tests.benchmarks.sheet_faults [repetitions]

After each kill the page connects itself again; every score must be in the lab book once. What the
page had called saved is counted apart: it must be there right after the kill, before the page is
back.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from playwright.sync_api import sync_playwright

from labkit.book import LabBook
from tests.browser.test_sheet_faults import SETTLED, burst
from tests.conftest import CHROMIUM_FLAGS, find_chromium
from tests.widgets.serving import (
    COUNT_SCORES,
    acknowledged,
    given,
    open_sheet,
    serving,
)
from tests.widgets.tables import SESSION, lay_table


def rows(place):
    """How often each score is in the lab book."""
    with LabBook(place.book_path) as book:
        return Counter(entry.entry_id for entry in book.scores.history(SESSION))


def main(repetitions=100):
    """Run and print."""
    moment = random.Random()
    lost = doubled = missing = 0
    waits = []
    with (
        tempfile.TemporaryDirectory() as scratch,
        sync_playwright() as playwright,
    ):
        folder = Path(scratch)
        lay_table(folder / "book.db")
        with serving(folder / "book.db", SESSION, folder) as place:
            chromium = playwright.chromium.launch(
                executable_path=find_chromium(), args=list(CHROMIUM_FLAGS)
            )
            page = chromium.new_context(viewport={"width": 390, "height": 844}).new_page()
            page.add_init_script(COUNT_SCORES)
            open_sheet(page, place.links()["Ines"].address)
            for n in range(repetitions):
                burst(page, n)
                page.wait_for_timeout(moment.uniform(10, 400))
                done = acknowledged(page)
                place.kill()
                lost += len(done - set(rows(place)))
                place.start()
                started_at = time.monotonic()
                page.wait_for_function(SETTLED, timeout=60_000, polling=200)
                waits.append(time.monotonic() - started_at)
                kept = rows(place)
                missing = len(given(page) - set(kept))
                doubled = sum(times > 1 for times in kept.values())
                sys.stdout.write(
                    f"{n + 1} kills: {len(done)} acknowledged before "
                    f"a kill, of these lost {lost}; {len(kept)} kept, of those given missing "
                    f"{missing}, doubled {doubled}; back after {waits[-1]:.1f} s\n"
                )
                sys.stdout.flush()
                if lost or doubled or missing:
                    raise SystemExit("a score is lost or there twice")
            chromium.close()


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
