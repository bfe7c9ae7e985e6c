"""The lab book as the tasters' server shares it: one writer, and nobody who waits for another."""

from __future__ import annotations

import sqlite3
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing

import pytest

from labkit.book import LabBook, Score
from labkit.errors import BookAwayError, BookError, LockError, ScaleError, UnknownLinkError
from labkit.widgets.tasters.seats import Seats
from labkit.widgets.tasters.writing import Writer
from tests.widgets.tables import SESSION, TASTERS, lay_table

CODE = "K7M2QX9PWD"
PATIENCE_S = 0.4


@pytest.fixture
def path(tmp_path):
    lay_table(tmp_path / "book.db")
    return tmp_path / "book.db"


@pytest.fixture
def book(path):
    with LabBook(path, patience_s=PATIENCE_S) as book:
        yield book


@pytest.fixture
def writer(book):
    writer = Writer(lambda: book)
    yield writer
    writer.close()


def score(number, taster="Ines", **changes):
    told = {"session": SESSION, "flight": 1, "taster": taster, "attribute": "liking", "value": 5}
    return Score(**(told | {"position": 1, "entry_id": f"{number:032d}"} | changes))


def given_together(writer, scores):
    """What became of scores that are given at the same time: when kept, or the error."""

    def give(one):
        try:
            return writer.take(one)
        except Exception as error:
            return error

    with ThreadPoolExecutor(len(scores)) as pool:
        return list(pool.map(give, scores))


def held(path):
    """A connection that holds the write lock until it is closed."""
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    return closing(other)


def test_what_waits_shares_a_commit_and_one_refused_takes_none_with_it(path, book, writer):
    commits = []
    record_each = book.scores.record_each
    book.scores.record_each = lambda scores: commits.append(len(scores)) or record_each(scores)
    scores = [
        *(score(n, taster) for n, taster in enumerate(TASTERS)),
        score(10, value=99),
        score(11, position=77),
        score(0, value=9),  # another score's id
    ]
    with held(path):
        first = threading.Thread(target=lambda: given_together(writer, [score(20, "Jonas")]))
        first.start()
        while not commits:
            time.sleep(0.01)
        rest = threading.Thread(target=lambda: found.extend(given_together(writer, scores)))
        found = []
        rest.start()
        time.sleep(PATIENCE_S / 2)
    first.join()
    rest.join()

    assert commits == [1, len(scores)]
    refused = [type(one) for one in found if isinstance(one, Exception)]
    # Which of the two with one id came first is chance; the other is refused.
    assert sorted(refused, key=str) == sorted([ScaleError, BookError, BookError], key=str)
    rows = book.scores.history(SESSION)
    assert len(rows) == 1 + len(scores) - 3
    assert {row.taster for row in rows} == set(TASTERS)


def test_each_hears_only_once_its_score_is_on_the_disk(path, writer):
    def give(number):
        writer.take(score(number, TASTERS[number % 4]))
        with closing(sqlite3.connect(path)) as other:
            query = "SELECT count(*) FROM scores WHERE entry_id = ?"
            return other.execute(query, [f"{number:032d}"]).fetchone()[0]

    with ThreadPoolExecutor(12) as pool:
        assert list(pool.map(give, range(60))) == [1] * 60


def test_a_refusal_for_good_stays_one_among_many(book, writer):
    writer.take(score(1, "Jonas"))
    book.sessions.lock_flights(SESSION, [1])
    flight_2 = {"flight": 2}

    kept = given_together(writer, [score(n, "Ines", **flight_2) for n in (2, 3)] + [score(4)])

    assert [type(one) for one in kept if isinstance(one, Exception)] == [LockError]


def test_a_book_that_is_held_keeps_a_dozen_waiting_no_longer_than_one(path, book, writer):
    writer.take(score(0))
    tries = []
    record_each = book.scores.record_each
    book.scores.record_each = lambda scores: tries.append(len(scores)) or record_each(scores)
    with held(path):
        kept = given_together(writer, [score(n + 1) for n in range(12)])

    assert [type(one) for one in kept] == [BookAwayError] * 12
    assert len(tries) < 6, "not one after the other"
    assert len(book.scores.history(SESSION)) == 1
    assert writer.take(score(1)) is not None, "and it is tried again"


def test_a_sheet_is_read_and_its_sign_of_life_waits_for_nobody_while_the_book_is_held(path, book):
    book.sessions.issue_link(SESSION, "Ines", secret=CODE)
    seats = Seats(str(path))
    with held(path):
        answer = seats.sheet(CODE).answer({"number": 1, "scores": []})
    seats.close()

    assert (answer["later"], len(answer["look"]["cups"])) == ("", 8)


def test_without_its_lab_book_there_is_no_sheet_and_none_is_made(tmp_path):
    seats = Seats(str(tmp_path / "book.db"))
    for _ in range(2):  # the second time nobody asks the disk
        with pytest.raises(BookAwayError):
            seats.sheet(CODE)
    seats.close()

    assert list(tmp_path.iterdir()) == []


def test_a_code_that_nobody_has_seats_nobody(path):
    seats = Seats(str(path))
    with pytest.raises(UnknownLinkError):
        seats.sheet(CODE)
    seats.close()


def test_what_waits_is_written_before_the_server_ends(path, book):
    writer = Writer(lambda: book)
    with ThreadPoolExecutor(2) as pool:
        with held(path):
            waiting = pool.submit(writer.take, score(1))
            time.sleep(PATIENCE_S / 4)
            closing_it = pool.submit(writer.close)
        closing_it.result()

    assert waiting.result() == book.scores.history(SESSION)[0].received_at
    with pytest.raises(BookAwayError):
        writer.take(score(2))
