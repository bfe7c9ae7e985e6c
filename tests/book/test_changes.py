"""Who hears that the lab book changed: here at once, of other processes by looking, never twice."""

from __future__ import annotations

import gc
import json
import logging
import os
import subprocess
import sys
import threading

import pytest

from labkit.book import AbsentBook, LabBook, Topic
from labkit.book.store import transactions
from labkit.book.store.changes import TOPICS
from labkit.book.store.schema import Base
from labkit.errors import BookAwayError, BookError
from tests.book.samples import (
    CLIENT,
    COFFEE,
    OVERALL,
    SESSION,
    add_all_bottles,
    score_all,
    start_tasting,
)
from tests.postgresql import a_postgresql_server

ANOTHER = """
import json, sys
from labkit.book import LabBook
from tests.book.samples import SESSION, score_all
for line in sys.stdin:
    url, act = json.loads(line)
    with LabBook(url) as book:
        exec(act)
    print("done", flush=True)
"""


@pytest.fixture
def heard(book):
    """Every telling from now on, as sets of topics."""
    told = []
    stop = book.changes.listen(lambda topics: told.append(set(topics)))
    yield told
    stop()


@pytest.fixture(scope="module")
def another_process():
    """Lets another process, which is started once, open the same book, act on it and close it."""
    command = [sys.executable, "-c", ANOTHER]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    with subprocess.Popen(command, **pipes) as process:

        def act_on(book, act):
            print(json.dumps([book.url, act]), file=process.stdin, flush=True)
            assert process.stdout.readline() == "done\n"

        yield act_on
        process.stdin.close()


def test_every_table_is_about_something():
    assert set(TOPICS) == set(Base.metadata.tables)
    assert set(TOPICS.values()) - {None} == set(Topic)


def test_what_is_written_here_is_told_at_once(book, heard):
    start_tasting(book)
    assert set().union(*heard) >= {Topic.PEOPLE, Topic.SESSIONS}
    del heard[:]
    score_all(book)
    assert set().union(*heard) == {Topic.SCORES, Topic.SESSIONS}  # and its flight is being tasted
    del heard[:]
    add_all_bottles(book)
    assert heard == [{Topic.STOCK}] * 3
    del heard[:]
    book.sessions.choose_scale(
        COFFEE,
        attribute="overall",
        scale=OVERALL.scale.name,
        client=CLIENT,
        reason="the only one",
        done_by="the lead",
    )
    assert Topic.DECISIONS in set().union(*heard)


def test_a_sheets_sign_of_life_wakes_nobody_but_who_watches_the_scores(book, heard):
    """It comes every few seconds from every phone: who plans must not start anew each time."""
    start_tasting(book)
    del heard[:]
    book.sessions.mark_seen(SESSION, "Ada")
    assert heard == [{Topic.SCORES}]


def test_nothing_is_told_of_what_was_rolled_back_or_changed_nothing(book, heard):
    book.people.add_client(CLIENT)
    del heard[:]
    with pytest.raises(BookError):
        book.people.add_client(CLIENT)
    with pytest.raises(BookError):
        book.people.add_coffee(COFFEE, client="nobody's")
    book.people.clients()  # reading tells nothing either
    assert heard == []
    assert book.changes.look() == set()


def test_a_listener_hears_after_the_commit_and_only_its_topics(book):
    """Another connection must see the row already."""
    seen = []
    with LabBook(book.url) as other:
        stop = book.changes.listen(lambda _t: seen.append(other.people.clients()), Topic.PEOPLE)
        book.people.add_client(CLIENT)
        add_all_bottles(book)
        stop()
        stop()
        book.people.add_client("another")
    assert [[client.name for client in clients] for clients in seen] == [[CLIENT]]
    assert not book.changes.has_listeners


def test_what_another_process_wrote_is_found_by_looking(book, heard, another_process):
    start_tasting(book)
    del heard[:]
    assert book.changes.look() == set()

    another_process(book, "score_all(book)")

    assert book.changes.look() == {Topic.SCORES, Topic.SESSIONS}
    assert heard == [{Topic.SCORES, Topic.SESSIONS}]
    assert book.changes.look() == set()

    another_process(book, "book.people.add_tasters(['Dov'])")
    assert book.changes.look() == {Topic.PEOPLE}
    another_process(book, "book.people.tasters()")
    assert book.changes.look() == set()


def test_what_was_told_at_once_is_not_found_again_by_looking(book, heard):
    book.people.add_client(CLIENT)
    assert book.changes.look() == set()
    assert heard == [{Topic.PEOPLE}]


def test_a_write_here_tells_what_another_process_wrote_before(book, heard, another_process):
    another_process(book, "book.people.add_tasters(['Dov'])")
    add_all_bottles(book)
    assert heard == [{Topic.PEOPLE, Topic.STOCK}, {Topic.STOCK}, {Topic.STOCK}]


def test_a_listener_that_fails_is_logged_and_stops_nobody(book, caplog):
    told = []

    def fail(_topics):
        msg = "a form that broke"
        raise RuntimeError(msg)

    stops = [book.changes.listen(fail), book.changes.listen(told.append)]
    with caplog.at_level(logging.ERROR):
        book.people.add_client(CLIENT)
    for stop in stops:
        stop()

    assert [client.name for client in book.people.clients()] == [CLIENT]
    assert told == [{Topic.PEOPLE}]
    assert "a form that broke" in caplog.text


def test_listeners_that_write_in_answer_to_each_other_come_to_an_end(book):
    told = []

    def answer(topics):
        told.append(topics)
        book.people.add_tasters([f"taster {len(told)}"])
        assert len(told) < 50

    stop = book.changes.listen(answer)
    book.people.add_client(CLIENT)
    n_told = len(told)
    assert len(book.people.tasters()) == n_told
    assert book.changes.look() == {Topic.PEOPLE}  # what was left over
    stop()
    assert n_told < len(told) < 20


def test_a_listener_whose_form_has_gone_is_forgotten(book):
    class Form:
        told = 0

        def follow(self, _topics):
            Form.told += 1

    form = Form()
    book.changes.listen(form.follow)
    book.people.add_client(CLIENT)
    assert (Form.told, book.changes.has_listeners) == (1, True)
    del form
    gc.collect()
    book.people.add_client("another")
    assert (Form.told, book.changes.has_listeners) == (1, False)


def test_many_threads_may_write_look_and_listen_at_once(book):
    told, failed = [], []
    stop = book.changes.listen(told.append)

    def work(number):
        try:
            for turn in range(5):
                end = book.changes.listen(told.append)
                book.people.add_tasters([f"taster {number}-{turn}"])
                book.changes.look()
                end()
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    book.changes.look()
    stop()
    assert failed == []
    assert len(book.people.tasters()) == 20
    assert set().union(*told) == {Topic.PEOPLE}


def test_a_book_that_was_away_is_caught_up_with(sqlite_book):
    """The file is moved away and comes back with more in it: whoever read meanwhile reads again."""
    told, seen = [], []
    stop = sqlite_book.changes.listen(told.append)
    end = sqlite_book.changes.watch(seen.append)
    path = sqlite_book.name
    away = f"{path}.away"
    with LabBook(path) as other:
        other.people.add_client(CLIENT)
    for ending in ("", "-wal", "-shm"):
        if os.path.exists(path + ending):
            os.rename(path + ending, away + ending)
    for _look in range(2):
        with pytest.raises(BookAwayError):
            sqlite_book.changes.look()
    assert sqlite_book.changes.away == seen[0]
    assert "is not there" in seen[0]
    for ending in ("", "-wal", "-shm"):
        if os.path.exists(away + ending):
            os.rename(away + ending, path + ending)
    assert sqlite_book.changes.look() == set(Topic)
    assert told == [set(Topic)]
    assert (sqlite_book.changes.look(), sqlite_book.changes.away) == (set(), "")
    assert seen[1:] == [""]  # once each way
    stop()
    end()
    assert not sqlite_book.changes.has_listeners


@pytest.mark.postgres
def test_a_server_that_was_stopped_is_seen_to_go_and_to_come_back(monkeypatch):
    def never(_seconds):
        raise AssertionError("nobody is to wait for it")

    with a_postgresql_server() as server, LabBook(server.url) as book:
        seen, told = [], []
        book.changes.watch(seen.append)
        book.changes.listen(told.append, Topic.PEOPLE)
        server.stop()
        with pytest.raises(BookAwayError):
            book.changes.look()
        with monkeypatch.context() as patch:
            patch.setattr(transactions.time, "sleep", never)  # it is known to be away
            with pytest.raises(BookAwayError):
                book.people.add_client(CLIENT)
        server.start()
        assert book.changes.look() == set(Topic)

        assert [bool(why) for why in seen] == [True, False]
        assert "\n" not in seen[0]
        assert told == [{Topic.PEOPLE}]


def test_a_book_listened_to_is_left_as_a_file_of_its_own(book_path):
    """What looks must not keep the log in being."""
    with LabBook(book_path) as book:
        book.changes.listen(print)
        book.people.add_client(CLIENT)
        book.changes.look()
    assert not book.changes.has_listeners
    assert sorted(p.name for p in book_path.parent.iterdir()) == [book_path.name]


def test_no_book_changes_never():
    absent = AbsentBook("gone")
    stop = absent.changes.listen(print, Topic.SCORES)
    assert absent.changes.look() == set()
    stop()
