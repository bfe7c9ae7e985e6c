"""Lab books and copies that lie on this machine: found, made, taken up again; the choice of one."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing

import pytest

from labkit.book import (
    AbsentBook,
    LabBook,
    chosen_url,
    find_book,
    found_books,
    make_backup,
    open_book,
    open_copy,
)
from labkit.book.current import CHOICE_FILE, choose_book
from labkit.errors import BookAwayError, BookError
from tests.book.samples import CLIENT
from tests.postgresql import a_postgresql_server


@pytest.fixture
def data(tmp_path, monkeypatch):
    """A data folder, in a project that can be moved."""
    folder = tmp_path / "project" / "data"
    folder.mkdir(parents=True)
    monkeypatch.setenv("LABKIT_DATA", str(folder))
    return folder


@pytest.fixture
def own(data):
    """An own lab book, chosen, with a client in it."""
    with choose_book(data / "own.db") as book:
        book.people.add_client(CLIENT)
    return data / "own.db"


def clients(where):
    with LabBook(where, must_exist=True) as book:
        return [client.name for client in book.people.clients()]


def test_a_project_that_was_moved_finds_its_book(own, data, monkeypatch):
    assert (data / CHOICE_FILE).read_text() == "own.db\n"
    moved = data.parent.rename(data.parent.with_name("moved"))
    monkeypatch.setenv("LABKIT_DATA", str(moved / "data"))

    assert chosen_url() == str(moved / "data" / "own.db")
    with open_book() as book:
        assert [client.name for client in book.people.clients()] == [CLIENT]


@pytest.mark.parametrize("place", ["a folder in it", "elsewhere", "a link out of it"])
def test_a_book_is_found_again_wherever_it_lies(place, data, tmp_path):
    where = data / "lab" / "own.db" if place == "a folder in it" else tmp_path / "own.db"
    where.parent.mkdir(exist_ok=True)
    if place == "a link out of it":
        LabBook(where).close()
        (data / "link.db").symlink_to(where)
    choose_book(data / "link.db" if place == "a link out of it" else where).close()

    remembered = (data / CHOICE_FILE).read_text().strip()
    assert remembered == ("lab/own.db" if place == "a folder in it" else f"sqlite:///{where}")
    with open_book() as book:
        assert book.name == str(where)


def test_a_choice_as_it_used_to_be_remembered_still_counts(own, data):
    (data / CHOICE_FILE).write_text(f"sqlite:///{own}\n")

    with open_book() as book:
        assert book.name == str(own)


def test_only_what_may_come_back_by_itself_is_away(own):
    aside = own.rename(own.with_suffix(".aside"))
    with pytest.raises(BookAwayError):
        open_book()
    gone = find_book()
    aside.rename(own)
    own.write_bytes(own.read_bytes()[:5000])
    damaged = find_book()

    assert isinstance(gone, AbsentBook)
    assert gone.is_away
    assert isinstance(damaged, AbsentBook)
    assert not damaged.is_away


def test_whatever_is_wrong_with_a_book_is_one_sentence(own, monkeypatch, caplog):
    def fails(*_arguments, **_named):
        raise ZeroDivisionError("nobody foresaw this\nat all")

    monkeypatch.setattr("labkit.book.current.LabBook", fails)
    book = find_book()

    assert isinstance(book, AbsentBook)
    assert "nobody foresaw this" in book.why
    assert "\n" not in book.why
    assert "at all" in caplog.text


def test_books_and_copies_are_found_and_nothing_else(own, data, tmp_path):
    (data / "lab").mkdir()
    LabBook(data / "lab" / "other.db").close()
    with LabBook(own) as book:
        copy = make_backup(book)
        in_use = [one.path for one in found_books()]
        assert own in in_use
    shutil.copy(own, data / "own-before-version-3.db")
    (data / "letter.db").write_text("a letter")
    (data / "empty.db").touch()
    (data / ".hidden.db").write_bytes(own.read_bytes())
    with closing(sqlite3.connect(data / "addresses.db")) as foreign:
        foreign.execute("CREATE TABLE t (x)")
    (data / "backups" / "photos.zip").write_bytes(b"PK")

    found = found_books()
    assert {one.name: one.is_copy for one in found} == {
        "own.db": False,
        "lab/other.db": False,
        f"backups/{copy.name}": True,
        "own-before-version-3.db": True,
    }
    assert [one.is_copy for one in found] == [False, False, True, True]


def test_what_lies_beside_a_book_elsewhere_is_found_too(data, tmp_path):
    (tmp_path / "elsewhere" / "backups").mkdir(parents=True)
    LabBook(tmp_path / "elsewhere" / "backups" / "own.db").close()

    assert found_books() == ()
    (found,) = found_books(tmp_path / "elsewhere" / "own.db")
    assert found.is_copy
    assert found.name == str(found.path)


def test_a_copy_is_taken_up_as_a_new_book_and_stays_as_it_is(own, data):
    with LabBook(own) as book:
        copy = make_backup(book)
    content = copy.read_bytes()
    own.unlink()
    new = open_copy(copy)

    assert new.parent == data
    assert clients(new) == [CLIENT]
    with LabBook(new) as book:
        book.people.add_client("later")
    assert copy.read_bytes() == content
    assert not {one.path: one.is_copy for one in found_books()}[new]


@pytest.mark.parametrize("ending", [".db", ".zip"])
def test_a_copy_that_is_damaged_is_refused_and_leaves_nothing(own, data, ending):
    copy = data / f"broken{ending}"
    copy.write_bytes(own.read_bytes()[:5000] if ending == ".db" else b"PK and no more")
    before = sorted(data.iterdir())

    with pytest.raises(BookError):
        open_copy(copy)
    assert sorted(data.iterdir()) == before


def test_a_backup_of_a_book_that_is_gone_makes_no_empty_file_in_its_place(own, data):
    with LabBook(own) as book:
        own.rename(own.with_suffix(".aside"))
        with pytest.raises(BookAwayError, match="is not there"):
            make_backup(book)
        assert not own.exists()
        own.with_suffix(".aside").rename(own)
    assert list((data / "backups").iterdir()) == []


@pytest.mark.postgres
def test_a_book_on_a_server_is_backed_up_and_its_copy_goes_on_without_the_server(data):
    with a_postgresql_server() as server:
        with LabBook(server.url) as book:
            book.people.add_client(CLIENT)
            copy = make_backup(book)
        choose_book(server.url).close()
        server.stop()
        absent = find_book()
        server.start()
    (found,) = found_books()

    assert isinstance(absent, AbsentBook)
    assert absent.is_away
    assert (found.path, found.is_copy) == (copy, True)
    assert clients(open_copy(copy)) == [CLIENT]
