"""A lab book of a small roastery, empty or in the middle of a tasting, on each database."""

from __future__ import annotations

import uuid

import pytest
from sqlalchemy import create_engine, text

from labkit.book import LabBook
from tests.book.samples import start_tasting


@pytest.fixture(scope="session")
def new_book_file(tmp_path_factory):
    """An empty lab book, made once, because making one takes a third of a second."""
    path = tmp_path_factory.mktemp("new") / "new.db"
    LabBook(path).close()
    return path


@pytest.fixture
def book_path(new_book_file, tmp_path):
    """The path of an empty lab book."""
    path = tmp_path / "book.db"
    path.write_bytes(new_book_file.read_bytes())
    return path


@pytest.fixture
def postgres_schema_url(postgres_url):
    """A URL that leads into an empty schema of its own."""
    name = f"labkit_{uuid.uuid4().hex}"
    engine = create_engine(postgres_url)
    with engine.begin() as connection:
        connection.execute(text(f"CREATE SCHEMA {name}"))
    yield engine.url.update_query_dict({"options": f"-csearch_path={name}"}).render_as_string(
        hide_password=False
    )
    with engine.begin() as connection:
        connection.execute(text(f"DROP SCHEMA {name} CASCADE"))
    engine.dispose()


@pytest.fixture
def sqlite_book(book_path):
    """An empty lab book in a file."""
    with LabBook(book_path) as book:
        yield book


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def book(request):
    """An empty lab book on each database."""
    if request.param == "sqlite":
        yield request.getfixturevalue("sqlite_book")
        return
    with LabBook(request.getfixturevalue("postgres_schema_url")) as book:
        yield book


@pytest.fixture
def tasting(book):
    """A lab book with a planned session, and its plan."""
    return book, start_tasting(book)
