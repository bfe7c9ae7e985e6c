"""Accidents: an acknowledged score is in the book once, whatever happened; no other is."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from labkit.book import LabBook
from labkit.errors import BookAwayError, BookError, LockError
from tests.book.samples import SESSION, score_all, start_tasting
from tests.postgresql import a_postgresql_server

PROJECT = Path(__file__).resolve().parents[2]
on_posix = pytest.mark.skipif(os.name == "nt", reason="signals and limits are POSIX")


def run_faults(*arguments):
    command = [sys.executable, "-W", "ignore", "-m", "tests.book.faults", *map(str, arguments)]
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=300, check=False, cwd=PROJECT
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@on_posix
def test_a_killed_writer_loses_no_acknowledged_score_and_doubles_none():
    """Five repetitions here; `python -m tests.book.faults 100` for a hundred."""
    ((acknowledged, lost, doubled),) = [line.split() for line in run_faults(5)]
    assert int(acknowledged) >= 5
    assert (lost, doubled) == ("0", "0")


@on_posix
def test_a_full_disk_is_one_sentence_and_the_book_goes_on(book_path):
    with LabBook(book_path) as book:
        start_tasting(book)
    sentence, counts = run_faults("fill", book_path)
    before, after = map(int, counts.split())

    assert "the disk is full or failing; make room and try again" in sentence
    assert before > 0
    with LabBook(book_path) as book:
        values = Counter(entry.value for entry in book.scores.history(SESSION))
    assert values == {7: before, 8: after}


def hold_the_lock(path, seconds):
    """Hold SQLite's write lock from another connection, as a backup program might."""
    taken = threading.Event()

    def hold():
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            taken.set()
            time.sleep(seconds)
            other.execute("ROLLBACK")

    holder = threading.Thread(target=hold)
    holder.start()
    taken.wait()
    return holder


@pytest.mark.slow
def test_a_score_waits_longer_for_another_writer_than_sqlite_would(sqlite_book):
    """Five seconds are what Python's sqlite3 waits if nothing is said."""
    start_tasting(sqlite_book)
    holder = hold_the_lock(sqlite_book.name, 6)
    began = time.monotonic()
    sqlite_book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1)
    waited = time.monotonic() - began
    holder.join()

    assert waited > 5.5
    assert [entry.value for entry in sqlite_book.scores.history(SESSION)] == [7]


def test_a_lock_that_lasts_too_long_is_one_sentence_and_nothing_is_written(book_path, monkeypatch):
    monkeypatch.setattr("labkit.book.store.engines.BUSY_TIMEOUT_S", 0.2)
    with LabBook(book_path) as book:
        start_tasting(book)
        holder = hold_the_lock(book_path, 1.5)
        with pytest.raises(BookError, match="another program has kept it locked"):
            book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1)
        assert book.scores.history(SESSION) == ()  # reading goes on meanwhile
        holder.join()
        book.scores.record_score(SESSION, 1, "Ada", "overall", 8, position=1)
        assert [entry.value for entry in book.scores.history(SESSION)] == [8]


def test_opening_waits_for_no_writer(book_path, monkeypatch):
    """A taster's page opens the book anew at each reload, also while a backup holds it."""
    monkeypatch.setattr("labkit.book.store.engines.BUSY_TIMEOUT_S", 0.2)
    with LabBook(book_path) as book:
        start_tasting(book)
    with closing(sqlite3.connect(book_path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with LabBook(book_path) as book:
            assert book.sessions.sheet(SESSION).name == SESSION
        other.execute("ROLLBACK")


def test_a_book_with_little_patience_says_soon_that_it_cannot_write(book_path):
    with LabBook(book_path) as book:
        start_tasting(book)
    with (
        closing(sqlite3.connect(book_path, isolation_level=None)) as other,
        LabBook(book_path, patience_s=0.2) as book,
    ):
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(BookAwayError, match="locked"):
            book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1)
        other.execute("ROLLBACK")
        book.scores.record_score(SESSION, 1, "Ada", "overall", 8, position=1)
        assert [entry.value for entry in book.scores.history(SESSION)] == [8]


@on_posix
def test_no_score_goes_into_a_file_that_was_deleted_or_moved(book_path):
    moved = book_path.with_name("moved.db")
    with LabBook(book_path) as book:
        start_tasting(book)
        book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1)
        book_path.rename(moved)
        with pytest.raises(BookAwayError, match="not there"):
            book.scores.record_score(SESSION, 1, "Ada", "overall", 8, position=1)
        with pytest.raises(BookAwayError, match="not there"):
            book.scores.history(SESSION)
        assert not book_path.exists(), "no empty one was made"
        moved.rename(book_path)
        book.scores.record_score(SESSION, 1, "Ada", "overall", 9, position=1)
        assert [entry.value for entry in book.scores.history(SESSION)] == [7, 9]


def test_a_book_that_must_exist_is_not_made(book_path, tmp_path):
    with pytest.raises(BookAwayError, match="no lab book at"):
        LabBook(tmp_path / "gone.db", must_exist=True)
    assert not (tmp_path / "gone.db").exists()


@pytest.mark.postgres
def test_an_empty_database_that_must_be_a_book_stays_empty(postgres_schema_url):
    for _ in range(2):
        with pytest.raises(BookAwayError, match="no lab book at"):
            LabBook(postgres_schema_url, must_exist=True)


def test_twelve_writers_at_once_lose_and_double_nothing(book):
    """Twelve tasters, twenty touches each, every one sent twice."""
    tasters = [f"taster {number}" for number in range(12)]
    start_tasting(book, tasters=tasters)

    def write(taster):
        with LabBook(book.url) as own:
            for number in range(20):
                touch = (SESSION, 1, taster, "overall", 6 + number % 16 / 4)
                entry_id = f"{taster}-{number}"
                own.scores.record_score(*touch, position=1 + number % 4, entry_id=entry_id)
                assert not own.scores.record_score(
                    *touch, position=1 + number % 4, entry_id=entry_id
                ).is_new

    with ThreadPoolExecutor(12) as pool:
        list(pool.map(write, tasters))
    kept = Counter(entry.entry_id for entry in book.scores.history(SESSION))
    assert len(kept) == 240
    assert set(kept.values()) == {1}
    # The one event of the first score was written once too.
    assert [event.kind for event in book.sessions.events(SESSION)].count("first score") == 1


def test_two_devices_sending_one_entry_at_the_same_time_keep_one(book):
    start_tasting(book)
    together = threading.Barrier(4)

    def send(_):
        with LabBook(book.url) as own:
            together.wait()
            return own.scores.record_score(
                SESSION, 1, "Ada", "overall", 7, position=1, entry_id="one"
            ).is_new

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(send, range(4)))
    assert sorted(answers) == [False, False, False, True]
    assert len(book.scores.history(SESSION)) == 1


def test_no_score_passes_the_lock(book):
    """Scores race with the lock: what was acknowledged came before it, what came later was not."""
    plan = start_tasting(book)
    first = threading.Event()

    def write(taster):
        acknowledged = 0
        with LabBook(book.url) as own:
            for number in range(1000):
                try:
                    own.scores.record_score(
                        SESSION, 1, taster, "overall", 7, position=1 + number % 4
                    )
                except LockError:
                    return acknowledged
                acknowledged += 1
                first.set()
        return acknowledged

    with ThreadPoolExecutor(3) as pool:
        writers = [pool.submit(write, taster) for taster in plan.tasters]
        first.wait(30)
        book.sessions.lock_flights(SESSION, [1])
        at_lock = len(book.scores.history(SESSION))
        acknowledged = sum(writer.result() for writer in writers)
    assert len(book.scores.history(SESSION)) == at_lock == acknowledged


def test_the_database_itself_refuses_to_change_or_drop_a_score(book):
    from sqlalchemy import text
    from sqlalchemy.exc import DBAPIError

    start_tasting(book)
    score_all(book)
    statements = ["UPDATE scores SET value = 9", "DELETE FROM scores"]
    if book.url.startswith("postgresql"):
        statements += ["TRUNCATE scores", "TRUNCATE servings CASCADE"]
    for statement in statements:
        with (
            pytest.raises(DBAPIError, match="scores are only ever added"),
            book.store.engine.begin() as connection,
        ):
            connection.execute(text(statement))
    assert {entry.value for entry in book.scores.history(SESSION)} == {7.5}


# ------------------------------------------------------------------------- PostgreSQL's own


@pytest.fixture
def own_server(postgres_url):
    """A server of the test's own; there only where the tests have a server at all."""
    with a_postgresql_server() as server:
        yield server


@on_posix
@pytest.mark.postgres
def test_a_server_that_is_restarted_loses_and_doubles_nothing(own_server):
    with LabBook(own_server.url) as book:
        start_tasting(book)
        acknowledged = []

        def write():
            for number in range(60):
                receipt = book.scores.record_score(
                    SESSION, 1, "Ada", "overall", 6 + number % 16 / 4, position=1 + number % 4
                )
                acknowledged.append(receipt.entry_id)
                time.sleep(0.02)

        with ThreadPoolExecutor(1) as pool:
            writing = pool.submit(write)
            while len(acknowledged) < 10:
                time.sleep(0.01)
            own_server.stop()
            time.sleep(1)
            own_server.start()
            writing.result()
        kept = [entry.entry_id for entry in book.scores.history(SESSION)]
    assert kept == acknowledged
    assert len(set(kept)) == 60


@on_posix
@pytest.mark.postgres
def test_a_server_that_stays_away_is_one_sentence(own_server, monkeypatch):
    monkeypatch.setattr("labkit.book.store.transactions.PATIENCE_S", 0.5)
    with LabBook(own_server.url) as book:
        start_tasting(book)
        own_server.stop()
        with pytest.raises(BookError, match="could not be written to") as caught:
            book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1)
        assert "\n" not in str(caught.value)
        own_server.start()
        book.scores.record_score(SESSION, 1, "Ada", "overall", 8, position=1)
        assert [entry.value for entry in book.scores.history(SESSION)] == [8]
