"""Starting the tasters' page from a terminal."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request

import pytest

from labkit.book import LabBook
from labkit.errors import BookError, SetUpError
from labkit.widgets.tasters.page import serve
from tests.project import free_port
from tests.widgets.tables import SESSION, TASTERS, lay_table

START = """
import signal, sys
from pathlib import Path
from labkit.widgets.tasters.page import serve
signal.signal(signal.SIGTERM, signal.default_int_handler)
sys.exit(serve(sys.argv[1], port=int(sys.argv[2]), keep_in=Path(sys.argv[3]), browser=False))
"""


def alive(port):
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with direct.open(f"http://127.0.0.1:{port}/alive", timeout=2) as answer:
            return answer.read() == b"yes"
    except OSError:
        return False


def test_no_lab_book_is_made_to_serve(tmp_path):
    with pytest.raises(BookError, match="no lab book at"):
        serve(tmp_path / "book.db", port=free_port(), keep_in=tmp_path)
    assert not (tmp_path / "book.db").exists()


@pytest.mark.slow
def test_it_shows_everybodys_link_serves_and_stops(tmp_path):
    lay_table(tmp_path / "book.db")
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-c", START, str(tmp_path / "book.db"), str(port), str(tmp_path)],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        deadline = time.monotonic() + 60
        while not alive(port) and time.monotonic() < deadline:
            time.sleep(0.2)
        assert alive(port)
        process.send_signal(signal.SIGTERM)
        said, _ = process.communicate(timeout=30)
    finally:
        process.kill()

    assert process.returncode == 0
    assert not alive(port), "the server has gone with it"
    for taster in TASTERS:
        link = rf"{taster}: http://[\d.]+:{port}/\?code=(\w{{10}})  \(or type \w{{5}}-\w{{5}}\)"
        assert re.search(link, said)
    assert "plain http" in said
    assert (tmp_path / "lab_book.links.html").read_text().count("<svg") == len(TASTERS)


def test_a_busy_port_is_one_sentence(tmp_path):
    with socket.socket() as other:
        other.bind(("", 0))
        other.listen()
        with pytest.raises(SetUpError, match=r"port \d+ is in use"):
            serve(tmp_path / "book.db", port=other.getsockname()[1], keep_in=tmp_path)


@pytest.mark.parametrize("given", ["certificate", "key"])
def test_half_of_what_https_needs_is_one_sentence(tmp_path, given):
    with pytest.raises(SetUpError, match="must be given with a"):
        serve(tmp_path / "book.db", keep_in=tmp_path, **{given: tmp_path / "some.pem"})


def test_a_book_without_an_open_flight_is_one_sentence(tmp_path):
    lay_table(tmp_path / "book.db")
    with LabBook(tmp_path / "book.db") as book:
        for flight in book.sessions.flights(SESSION):
            book.sessions.lock_flights(SESSION, [flight.number])

    with pytest.raises(BookError, match="session must have a flight that is not locked"):
        serve(tmp_path / "book.db", port=free_port(), keep_in=tmp_path)


def test_the_server_loads_neither_statistics_nor_plots_nor_widgets(tmp_path):
    """It is one process among many on a laptop, and starts while everybody waits."""
    heavy = ("pandas", "numpy", "scipy", "statsmodels", "matplotlib", "cryptography", "babel")
    heavy += ("voila", "ipywidgets", "IPython", "jupyter_server", "traitlets", "jinja2")
    lay_table(tmp_path / "book.db")
    with LabBook(tmp_path / "book.db") as book:
        code = book.sessions.issue_link(SESSION, "Ines", secret="K7M2QX9PWD")
    run = (
        "import sys; from labkit.widgets.tasters import pages, server;"
        "seats = server.Seats(sys.argv[1]); sheet = seats.sheet(sys.argv[2]);"
        "pages.sheet_page(sheet.plan); seats.close(); print(sheet.plan['taster']);"
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", run, str(tmp_path / "book.db"), code],
        capture_output=True,
        text=True,
        check=True,
    )

    assert done.stdout.split("\n")[:2] == ["Ines", "[]"]
