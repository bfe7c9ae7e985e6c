"""Accidents made on purpose: a writer killed in a burst, a disk that is full.

Run as a program it repeats the first as often as asked: ``python -m tests.book.faults 100``.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import text

from labkit.book import LabBook
from labkit.errors import BookError
from tests.book.samples import SESSION, start_tasting


@contextmanager
def failing_to_store(book, table, after=0):
    """Let the database refuse new rows of a table that holds some, as a failing disk would."""
    with book.store.write_engine.begin() as connection:
        connection.execute(
            text(
                f"CREATE TRIGGER failing BEFORE INSERT ON {table} "
                f"WHEN (SELECT COUNT(*) FROM {table}) >= {after} "
                "BEGIN SELECT RAISE(ABORT, 'disk I/O error'); END"
            )
        )
    try:
        yield
    finally:
        with book.store.write_engine.begin() as connection:
            connection.execute(text("DROP TRIGGER failing"))


def kill_writers(where, repetitions):
    """Kill writers in the middle of a burst, and count their acknowledged scores afterwards.

    Returns
    -------
    acknowledged, lost, doubled : int
    """
    acknowledged = set()
    for repetition in range(repetitions):
        read_end, write_end = os.pipe()
        writer = os.fork()
        if writer == 0:
            os.close(read_end)
            _write_until_killed(where, write_end, repetition)
        os.close(write_end)
        with os.fdopen(read_end) as told:
            acknowledged.add(told.readline().strip())
            time.sleep(random.uniform(0.0, 0.15))
            os.kill(writer, signal.SIGKILL)
            os.waitpid(writer, 0)
            # A last line that was cut off was not acknowledged to anyone.
            acknowledged.update(line.strip() for line in told if line.endswith("\n"))
    with LabBook(where) as book:
        kept = Counter(entry.entry_id for entry in book.scores.history(SESSION))
    lost = sum(kept[entry_id] == 0 for entry_id in acknowledged)
    doubled = sum(count > 1 for count in kept.values())
    return len(acknowledged), lost, doubled


def _write_until_killed(where, tell, repetition):
    book = LabBook(where)
    for number in range(100_000):
        receipt = book.scores.record_score(
            SESSION,
            1,
            "Ada",
            "overall",
            6 + number % 16 / 4,
            position=1 + number % 4,
            entry_id=f"{repetition}-{number}",
        )
        os.write(tell, f"{receipt.entry_id}\n".encode())
    os._exit(1)


def fill_the_disk(where):
    """Write until the file-size limit refuses, make room, and write on.

    Says the sentence, then how many scores were acknowledged before and after.
    """
    import resource  # not on every system

    book = LabBook(where)
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    files = [Path(f"{where}{ending}") for ending in ("", "-wal")]
    size = max(file.stat().st_size for file in files if file.exists())
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 100_000, limits[1]))
    before = 0
    try:
        while True:
            book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1)
            before += 1
    except BookError as error:
        say(error)
    resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    for _ in range(5):
        book.scores.record_score(SESSION, 1, "Ada", "overall", 8, position=2)
    say(before, 5)


def say(*words):
    """Tell the test that started this program."""
    sys.stdout.write(" ".join(map(str, words)) + "\n")


if __name__ == "__main__":
    if sys.argv[1] == "fill":
        fill_the_disk(sys.argv[2])
    else:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "book.db"
            where = sys.argv[2] if len(sys.argv) > 2 else path
            with LabBook(where) as new:
                start_tasting(new)
            say(*kill_writers(where, int(sys.argv[1])))
