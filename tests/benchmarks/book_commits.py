"""How long a score takes to be safe, and how long a full book takes to be read.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.book_commits [URL or folder]

Twelve processes write 200 scores each, as twelve tasters' kernels do: at people's pace (56 scores
a second together) and as fast as they can. The table gives the wall time of ``record_score``, from
the call to its return, which is committed, beside the disk's own fsync. Then twenty coffees are
read. A folder (the default is the system's) gets a new lab book; a URL must lead to an empty
PostgreSQL database.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import random
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from labkit.book import LabBook, Score
from tests.book.samples import CLIENT, PASSPHRASE, SESSION, start_tasting
from tests.tasted import lock_and_open

N_TASTERS, N_SCORES = 12, 200
TASTERS = [f"taster {number:02d}" for number in range(N_TASTERS)]


def main(where):
    """Print the table."""
    say(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with contextlib.ExitStack() as stack:
        url = where
        if "://" not in where:
            folder = stack.enter_context(tempfile.TemporaryDirectory(dir=where or None))
            url = f"{folder}/book.db"
            say(f"fsync of 4 kB, now: {figures(fsyncs(folder))}")
        with LabBook(url) as book:
            start_tasting(book, tasters=TASTERS)
            say(f"one writer: {figures(write(url, TASTERS[0], 'alone'))}")
            with multiprocessing.get_context("spawn").Pool(N_TASTERS) as pool:
                pool.starmap(warm_up, [(url, taster) for taster in TASTERS], chunksize=1)
                for run, pause_s in (("at people's pace", 0.43), ("as fast as they can", 0)):
                    tasks = [(url, taster, run, pause_s) for taster in TASTERS]
                    times = np.concatenate(pool.starmap(write, tasks, chunksize=1))
                    kept = [e.entry_id for e in book.scores.history(SESSION) if run in e.entry_id]
                    lost = N_TASTERS * N_SCORES - len(set(kept))
                    doubled = len(kept) - len(set(kept))
                    say(f"twelve {run}: {figures(times)}, {lost} lost, {doubled} doubled")
        twenty_coffees(url)


def warm_up(url, taster):
    """Write one score, so that importing and compiling statements stay out of the table."""
    with LabBook(url) as book:
        book.scores.record_score(SESSION, 1, taster, "overall", 7, position=1)
    time.sleep(0.5)  # leaves every process of the pool one task


def write(url, taster, run, pause_s=0.0):
    """Wall time of each score of one taster (s)."""
    times = []
    with LabBook(url) as book:
        book.scores.record_score(SESSION, 1, taster, "overall", 7, position=1)
        for number in range(N_SCORES):
            time.sleep(random.uniform(0, pause_s))
            began = time.perf_counter()
            book.scores.record_score(
                SESSION,
                1,
                taster,
                "overall",
                6 + number % 16 / 4,
                position=1 + number % 4,
                entry_id=f"{run}-{taster}-{number}",
            )
            times.append(time.perf_counter() - began)
    return times


def twenty_coffees(url):
    """Fill the book with twenty coffees and time the ways to read it."""
    began, n_scores = time.perf_counter(), 0
    with LabBook(url) as book:
        for number in range(20):
            name = f"session {number}"
            book.people.add_coffee(f"coffee {number}", client=CLIENT)
            plan = start_tasting(book, name=name, tasters=TASTERS, coffee=f"coffee {number}")
            scores = [
                Score(
                    session=name,
                    flight=cup.flight,
                    taster=cup.taster,
                    attribute=attribute,
                    value=7 + cup.position / 2,
                    position=cup.position,
                )
                for cup in plan.cups
                for attribute in ("overall", "acidity")
                if attribute == "overall" or cup.position % 2
            ]
            n_scores += len(book.scores.record_scores(scores))
            lock_and_open(book, plan, PASSPHRASE)
        say(f"{n_scores} scores of 20 coffees written: {time.perf_counter() - began:.1f} s")
        for words, call in {
            "opened_scores of all": book.scores.opened_scores,
            "opened_scores of one coffee": lambda: book.scores.opened_scores(coffee="coffee 7"),
            "wide_scores of all": book.scores.wide_scores,
            "history of one session": lambda: book.scores.history("session 7"),
            "current_scores of one taster": lambda: book.scores.current_scores(
                "session 7", 1, TASTERS[0]
            ),
            "progress of one session": lambda: book.sessions.progress("session 7"),
        }.items():
            call()
            began = time.perf_counter()
            call()
            say(f"  {words}: {1000 * (time.perf_counter() - began):.0f} ms")
    began = time.perf_counter()
    LabBook(url).close()
    say(f"  opening: {1000 * (time.perf_counter() - began):.0f} ms")


def fsyncs(folder):
    """Wall time of writing 4 kB safely (s), a hundred times."""
    times = []
    with open(Path(folder) / "probe", "wb", buffering=0) as file:
        for _ in range(100):
            file.write(b"x" * 4096)
            began = time.perf_counter()
            os.fsync(file.fileno())
            times.append(time.perf_counter() - began)
    return times


def figures(times):
    """Give the median and the 95th percentile."""
    p50, p95 = np.percentile(np.asarray(times) * 1000, [50, 95])
    return f"p50 {p50:.1f} ms, p95 {p95:.1f} ms"


def say(line):
    """Print a line at once."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "")
