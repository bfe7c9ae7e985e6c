"""A lab book of a small roastery, empty or in the middle of a tasting, on each database."""

from __future__ import annotations

import tempfile
import uuid
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from labkit.book import LabBook
from labkit.book.store.schema import Base
from labkit.book.store.sums import PREFIX
from tests.book.samples import start_tasting
from tests.tasted import copy_book, nothing


@pytest.fixture(scope="session")
def new_book_file(tmp_path_factory):
    """An empty lab book, made once, because making one takes a third of a second."""
    return copy_book(tmp_path_factory.mktemp("new") / "new.db", nothing)


@pytest.fixture
def book_path(new_book_file, quick_folder):
    """The path of an empty lab book."""
    path = quick_folder / "book.db"
    path.write_bytes(new_book_file.read_bytes())
    return path


@pytest.fixture
def quick_folder(tmp_path):
    """A folder in memory where there is one: what is tested there is not the disk."""
    with a_quick_folder(tmp_path) as folder:
        yield folder


@contextmanager
def a_quick_folder(otherwise):
    """Make a folder in memory where there is one, else give the other."""
    memory = Path("/dev/shm")
    if not memory.is_dir():
        yield otherwise
        return
    with tempfile.TemporaryDirectory(prefix="labkit-", dir=memory) as folder:
        yield Path(folder)


@pytest.fixture
def postgres_schema_url(postgres_url):
    """A URL that leads into an empty schema of its own."""
    with a_schema(postgres_url) as url:
        yield url


@pytest.fixture(scope="session")
def kept_postgres_book(postgres_url):
    """A lab book on PostgreSQL, made once; tests ask for ``book``."""
    with a_schema(postgres_url) as url, LabBook(url) as book:
        yield book


@pytest.fixture(scope="session")
def kept_sqlite_book(new_book_file, tmp_path_factory):
    """A lab book in a file, opened once; tests ask for ``sqlite_book``.

    Opening it anew for every test would compile every statement anew, a third of a second.
    """
    with a_quick_folder(tmp_path_factory.mktemp("kept")) as folder:
        path = folder / "book.db"
        path.write_bytes(new_book_file.read_bytes())
        with LabBook(path) as book:
            yield book


@contextmanager
def a_schema(postgres_url):
    """Make an empty schema, give the URL that leads into it, and drop it."""
    name = f"labkit_{uuid.uuid4().hex}"
    engine = create_engine(postgres_url)
    with engine.begin() as connection:
        connection.execute(text(f"CREATE SCHEMA {name}"))
    url = engine.url.update_query_dict({"options": f"-csearch_path={name}"})
    yield url.render_as_string(hide_password=False)
    with engine.begin() as connection:
        connection.execute(text(f"DROP SCHEMA {name} CASCADE"))
    engine.dispose()


def empty(url):
    """Empty every table of a lab book on PostgreSQL."""
    engine = create_engine(url)
    tables = ", ".join(t for t in Base.metadata.tables if t != "lab_book")
    with engine.begin() as connection:
        # The book itself refuses to empty its scores.
        connection.execute(text("ALTER TABLE scores DISABLE TRIGGER scores_refuse_truncate"))
        connection.execute(text(f"TRUNCATE {tables} RESTART IDENTITY CASCADE"))
        connection.execute(text("ALTER TABLE scores ENABLE TRIGGER scores_refuse_truncate"))
        # What a test has told the book of the lab, as how long bicarbonate keeps.
        told = "name NOT IN ('format', 'made_at', 'made_with') AND NOT starts_with(name, :prefix)"
        connection.execute(text(f"DELETE FROM lab_book WHERE {told}"), {"prefix": PREFIX})
    engine.dispose()


@pytest.fixture
def sqlite_book(kept_sqlite_book, new_book_file):
    """An empty lab book in a file."""
    path = Path(kept_sqlite_book.name)
    kept_sqlite_book.close()
    for ending in ("-wal", "-shm"):
        Path(f"{path}{ending}").unlink(missing_ok=True)
    path.write_bytes(new_book_file.read_bytes())
    return kept_sqlite_book


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def book(request):
    """An empty lab book on each database."""
    if request.param == "sqlite":
        yield request.getfixturevalue("sqlite_book")
        return
    book = request.getfixturevalue("kept_postgres_book")
    yield book
    empty(book.url)


@pytest.fixture
def tasting(book):
    """A lab book with a planned session, and its plan."""
    return book, start_tasting(book)
