"""Starting the tasters' page from a terminal."""

from __future__ import annotations

import os
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
from labkit.widgets.tasters.kernel import BOOK_VARIABLE, LANGUAGE_VARIABLE, tasters_sheet
from labkit.widgets.tasters.page import NOTEBOOK, serve, server_environment
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


def test_a_page_without_its_lab_book_tries_again_makes_none_and_names_no_place(
    tmp_path, monkeypatch, caplog
):
    monkeypatch.setenv(BOOK_VARIABLE, str(tmp_path / "book.db"))
    monkeypatch.setenv("QUERY_STRING", "code=K7M2QX9PWD")

    said = tasters_sheet().value

    assert "lk-again" in said
    assert str(tmp_path) not in said
    assert str(tmp_path) in caplog.text
    assert list(tmp_path.iterdir()) == []


def test_a_page_with_a_wrong_code_is_not_tried_again(tmp_path, monkeypatch):
    lay_table(tmp_path / "book.db")
    monkeypatch.setenv(BOOK_VARIABLE, str(tmp_path / "book.db"))
    monkeypatch.setenv("QUERY_STRING", "code=K7M2QX9PWD")

    said = tasters_sheet().value

    assert "This link is not known" in said
    assert "lk-again" not in said
    monkeypatch.setenv(LANGUAGE_VARIABLE, "de-AT,de;q=0.9")
    assert "Diesen Link gibt es nicht" in tasters_sheet().value


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


def test_a_book_without_an_open_flight_is_one_sentence(tmp_path):
    lay_table(tmp_path / "book.db")
    with LabBook(tmp_path / "book.db") as book:
        for flight in book.sessions.flights(SESSION):
            book.sessions.lock_flights(SESSION, [flight.number])

    with pytest.raises(BookError, match="session must have a flight that is not locked"):
        serve(tmp_path / "book.db", port=free_port(), keep_in=tmp_path)


def test_the_pages_read_no_jupyter_settings_of_the_user(tmp_path, monkeypatch):
    monkeypatch.setenv("JUPYTER_CONFIG_DIR", "/home/somebody/.jupyter")
    monkeypatch.setenv("IPYTHONDIR", "/home/somebody/.ipython")

    environment = server_environment("sqlite:///x.db", tmp_path)

    assert "/home/somebody" not in " ".join(environment[n] for n in environment if n[:2] in "JUIP")


def test_the_pages_notebook_loads_neither_statistics_nor_plots_nor_tables(tmp_path):
    """Each of twelve kernels pays for what it imports; the notebook runs as in a kernel."""
    heavy = ("pandas", "numpy", "scipy", "statsmodels", "matplotlib", "cryptography", "voila")
    lay_table(tmp_path / "book.db")
    with LabBook(tmp_path / "book.db") as book:
        code = book.sessions.issue_link(SESSION, "Ines", secret="K7M2QX9PWD")
    run = (
        "import json, sys; cells = json.load(open(sys.argv[1]))['cells']; shown = {};"
        "exec(''.join(''.join(cell['source']) + chr(10) for cell in cells), shown);"
        "sheet = shown['tasters_sheet'](); print(sheet.plan['taster']);"
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    environment = {
        **os.environ,
        BOOK_VARIABLE: str(tmp_path / "book.db"),
        "QUERY_STRING": f"code={code}",
    }
    done = subprocess.run(
        [sys.executable, "-c", run, str(NOTEBOOK)],
        capture_output=True,
        text=True,
        check=True,
        env=environment,
    )

    assert done.stdout.split("\n")[:2] == ["Ines", "[]"]
