"""The PostgreSQL server that a run of the tests starts for itself."""

from __future__ import annotations

import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psycopg
import pytest

from tests import postgresql
from tests.postgresql import RUN_VARIABLE, stop_server_of_this_run, url_for_this_run


@pytest.fixture
def run(monkeypatch):
    """The folder of another run; its parents must be open to the user that runs the server."""
    with tempfile.TemporaryDirectory(prefix="labkit-") as folder:
        monkeypatch.setenv(RUN_VARIABLE, folder)
        yield Path(folder)


@pytest.mark.postgres
def test_all_processes_of_a_run_get_one_server_which_ends_with_it(run, postgres_url):
    with ThreadPoolExecutor(3) as pool:
        (url,) = set(pool.map(lambda _: url_for_this_run(), range(3)))

    with psycopg.connect(url) as connection:
        assert connection.execute("select current_user").fetchone() == ("labkit",)
    stop_server_of_this_run(run)
    with pytest.raises(psycopg.OperationalError):
        psycopg.connect(url, connect_timeout=5)


def test_without_a_server_every_process_skips_and_says_why(run, monkeypatch):
    monkeypatch.setenv("PATH", str(run))
    monkeypatch.setattr(postgresql, "glob", lambda pattern: [])

    for _ in range(2):
        with pytest.raises(pytest.skip.Exception, match="no PostgreSQL server on this machine"):
            url_for_this_run()
    stop_server_of_this_run(run)  # nothing to stop


def test_the_newest_server_is_taken(monkeypatch):
    monkeypatch.setenv("PATH", "")
    found = ["/usr/lib/postgresql/9/bin/initdb", "/usr/lib/postgresql/15/bin/initdb"]
    monkeypatch.setattr(postgresql, "glob", lambda pattern: found)

    assert postgresql.server_program("initdb") == found[1]
