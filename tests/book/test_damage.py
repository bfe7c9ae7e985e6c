"""What a lab book promises of its own content: a change that it did not make is noticed."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
from contextlib import closing

import pytest

from labkit.book import LabBook, take_as_it_is
from labkit.errors import BookError, LabkitError
from tests.book.samples import SESSION, score_all, start_tasting
from tests.book.test_folders import fill

N_FLIPS = int(os.environ.get("LABKIT_FLIPS", "40"))


@pytest.fixture(scope="module")
def full_book(new_book_file, tmp_path_factory):
    """A closed lab book that uses every table, and its content."""
    path = tmp_path_factory.mktemp("full") / "book.db"
    path.write_bytes(new_book_file.read_bytes())
    with LabBook(path) as book:
        fill(book)
    return path.read_bytes(), content(path)


def content(path):
    """Every row of every table, and the tables themselves."""
    with closing(sqlite3.connect(path)) as db:
        names = "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
        made = db.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall()
        rows = [
            db.execute(f'SELECT * FROM "{n}" ORDER BY 1').fetchall() for (n,) in db.execute(names)
        ]
    return made, rows


def test_no_flipped_bit_changes_what_is_read_unsaid(full_book, quick_folder):
    """Disks and memory sticks flip bits; most flips leave every page of the file well formed."""
    whole, before = full_book
    places = random.Random(20_261_128)
    path = quick_folder / "book.db"
    unsaid, raw, refused = [], [], 0  # LABKIT_FLIPS=300: 0 unsaid, 0 raw
    for _ in range(N_FLIPS):
        bit = places.randrange(8 * len(whole))
        flipped = bytearray(whole)
        flipped[bit // 8] ^= 1 << bit % 8
        path.write_bytes(flipped)
        try:
            LabBook(path).close()
            if content(path) != before:
                unsaid.append(bit)
        except LabkitError as error:
            refused += "\n" not in str(error)
        except Exception as error:  # what must not reach anyone
            raw.append((bit, repr(error)))

    assert unsaid == []
    assert raw == []
    assert refused > 0


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("sealed_keys", "UPDATE sealed_keys SET token = zeroblob(10) WHERE flight_id = 1"),
        ("sessions", "UPDATE sessions SET note = 'other' WHERE id = 1"),
        ("events", "DELETE FROM events WHERE id = 1"),
        ("tasters", "INSERT INTO tasters (name) VALUES ('Zed')"),
        ("sqlite_master", "DROP TRIGGER scores_refuse_update"),
    ],
)
def test_what_something_else_changed_is_refused_by_name(table, change, full_book, quick_folder):
    path = quick_folder / "book.db"
    path.write_bytes(full_book[0])
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(change)
    changed = path.read_bytes()
    with pytest.raises(BookError, match=f"not as labkit wrote it: {table}\\b"):
        LabBook(path)
    assert path.read_bytes() == changed

    with pytest.raises(BookError, match="reason"):
        take_as_it_is(path, reason=" ")
    take_as_it_is(path, reason="edited by hand")
    with LabBook(path) as book:
        assert table in book.doubt
        assert "edited by hand" in book.doubt


def test_every_write_moves_the_sums_along(book_path):
    """Whatever the tables, before, during and after: a book in use can be opened once more."""
    with LabBook(book_path) as book:
        fill(book)
        with LabBook(book_path) as again:
            assert again.scores.history(SESSION) == book.scores.history(SESSION)
            again.sessions.add_remark(SESSION, "seen twice")
    with LabBook(book_path) as book:
        assert book.doubt == ""
        assert not any(name.startswith("sum") for name in book.facts())


def test_a_file_copied_without_its_log_says_that_rows_may_be_missing(book_path, quick_folder):
    alone, both = quick_folder / "alone.db", quick_folder / "both.db"
    with LabBook(book_path) as book:
        start_tasting(book)
        score_all(book)
        shutil.copy(book_path, alone)
        shutil.copy(book_path, both)
        shutil.copy(f"{book_path}-wal", f"{both}-wal")
        backup = book.back_up(quick_folder / "backup.db")
        n_scores = len(book.scores.history(SESSION))
    for path in (both, backup, book_path):
        with LabBook(path) as whole:
            assert len(whole.scores.history(SESSION)) == n_scores
            assert whole.doubt == ""
    for _ in range(2):  # it stays said
        with LabBook(alone) as partial:
            assert "may be missing" in partial.doubt
    closed = shutil.copy(book_path, quick_folder / "closed.db")
    with LabBook(closed) as whole:
        assert whole.doubt == ""


def test_a_notebook_that_never_closes_its_book_leaves_it_whole(book_path):
    book = LabBook(book_path)
    other = LabBook(book_path)
    start_tasting(book)
    del book  # as at the end of a kernel
    assert [one.name for one in other.sessions.all()] == [SESSION]
    del other
    with closing(sqlite3.connect(book_path)) as db:
        assert db.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert db.execute("PRAGMA user_version").fetchone() == (0,)
