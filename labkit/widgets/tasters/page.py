"""Serving the tasters' page on the local network: the server, personal links, cards."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import webbrowser
from pathlib import Path
from typing import TextIO

from labkit.book import LabBook, data_folder
from labkit.errors import BookError, SetUpError
from labkit.language import ENGLISH, LANGUAGES
from labkit.widgets.tasters.certificates import Certificate, read_certificate
from labkit.widgets.tasters.links import LISTENERS, SECURE, cards, give_links, own_address

BOOK_VARIABLE = "LABKIT_TASTERS_BOOK"
"""Environment variable that names the lab book to the server: a URL may hold a password."""

NAMES_VARIABLE = "LABKIT_TASTERS_NAMES"
"""Environment variable with more names by which phones may reach the server, comma between."""

DEFAULT_PORT = 8866
PATIENCE_S = 60.0
"""How long the server may take to answer; a second or two as a rule."""


def serve(
    where: str | os.PathLike[str],
    *,
    session: str | None = None,
    port: int = DEFAULT_PORT,
    address: str | None = None,
    certificate: Path | None = None,
    key: Path | None = None,
    keep_in: Path | None = None,
    renew_links: bool = False,
    browser: bool = True,
    out: TextIO = sys.stdout,
) -> int:
    """Serve the score sheets of one session until it is stopped.

    Parameters
    ----------
    where : str or path
        The lab book: a path or an SQLAlchemy URL.
    session : str, optional
        Which session; the newest one with an open flight if not given.
    port : int
        Port on this machine; the same one after a restart, so that open pages find it again.
    address : str, optional
        This machine's name or address as phones reach it; found out if not given.
    certificate, key : path, optional
        The machine's certificate and its key (PEM), for https; plain http without them.
    keep_in : path, optional
        Folder for the links, the cards and the log; the lab books' own if not given.
    renew_links : bool
        Whether everybody gets a new link and old ones stop working.
    browser : bool
        Whether to open the cards for the lead.
    out : file object
        Where it says what it does.

    Returns
    -------
    code : int
        0 when it was stopped on purpose.

    Raises
    ------
    BookError
        If the lab book does not open, or no session has an open flight.
    SetUpError
        If the port is taken, or the certificate will not do.
    """
    https = _https(certificate, key)
    folder = data_folder() if keep_in is None else keep_in
    _check_port(port)
    # Migrated here, before anybody waits for it; one that is not there holds no session.
    with LabBook(where, must_exist=True) as book:
        name = _choose_session(book, session)
        host = _host(address, https)
        base = f"{'https' if https else 'http'}://{host}:{port}/"
        links = give_links(
            book, name, base, keep_in=folder / "lab_book.links.json", renew=renew_links
        )
        page = folder / "lab_book.links.html"
        language = LANGUAGES.get(book.sessions.sheet(name).language, ENGLISH)
        _write_private(page, cards(name, links, base, language))
        print(f"labkit: score sheets of {name!r} for phones in this network at {base}", file=out)
        for link in links:
            print(f"  {link.taster}: {link.address}  (or type {link.typed})", file=out)
        print(
            f"labkit: QR codes to hand out are in {page}\n"
            f"labkit: {SECURE if https else LISTENERS}\n"
            "labkit: stop with Ctrl-C",
            file=out,
            flush=True,
        )
        if browser:
            webbrowser.open(page.as_uri())
        book_url = book.url
    command = server_command(port, https)
    return _run(command, book_url, port=port, name=host, log=folder / "lab_book.tasters.log")


def server_command(port: int, https: Certificate | None = None) -> list[str]:
    """Call of the server; what it must keep to itself comes through its environment."""
    files = [str(https.file), str(https.key)] if https else []
    return [sys.executable, "-m", "labkit.widgets.tasters.server", str(port), *files]


def server_environment(book_url: str, name: str = "") -> dict[str, str]:
    """Environment of the server, where it finds this labkit wherever it is started.

    `name` is what phones call this machine, beside its own name and addresses.
    """
    known = [str(Path(__file__).resolve().parents[3]), os.environ.get("PYTHONPATH", "")]
    return {
        **os.environ,
        BOOK_VARIABLE: book_url,
        NAMES_VARIABLE: name,
        "PYTHONPATH": os.pathsep.join(filter(None, known)),
    }


def wait_until_it_answers(server: subprocess.Popen[bytes], port: int, log: Path) -> None:
    """Return once the server answers.

    Raises
    ------
    SetUpError
        If it stops or stays silent.
    """
    deadline = time.monotonic() + PATIENCE_S
    while server.poll() is None and time.monotonic() < deadline:
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=5):
                return
        except OSError:
            time.sleep(0.1)
    raise SetUpError(f"the tasters' page did not start: read why in {log}, and start again")


def _run(command: list[str], book_url: str, *, port: int, name: str, log: Path) -> int:
    """Run the server until it ends or is stopped."""
    with log.open("ab") as said:
        server = subprocess.Popen(
            command,
            env=server_environment(book_url, name),
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
        )
        try:
            wait_until_it_answers(server, port, log)
            return server.wait()
        except KeyboardInterrupt:
            return 0
        finally:
            server.terminate()
            try:
                server.wait(timeout=15)
            except subprocess.TimeoutExpired:
                server.kill()


def _https(certificate: Path | None, key: Path | None) -> Certificate | None:
    """The certificate that is to be used, looked at; None for plain http."""
    if certificate is None and key is None:
        return None
    if certificate is None or key is None:
        missing, given = ("key", "certificate") if key is None else ("certificate", "key")
        raise SetUpError(
            f"{missing} must be given with a {given}, and is not: https needs both files",
            field=missing,
        )
    return read_certificate(certificate, key)


def _host(address: str | None, https: Certificate | None) -> str:
    """What phones call this machine, so that they take it for the one of its certificate."""
    if https is None:
        return address or own_address()
    if address is None:
        return https.host(own_address())
    if not https.covers(address):
        raise SetUpError(
            f"address must be one that the certificate is for ({', '.join(https.names)}), got "
            f"{address}: phones would warn of it",
            field="address",
        )
    return address


def _choose_session(book: LabBook, name: str | None) -> str:
    """The named session, or the newest one in which something is still to be scored."""
    if name is not None:
        return book.sessions.session(name).name
    for session, flights in reversed(book.sessions.flights_by_session(under_way=True).items()):
        if any(flight.state in ("planned", "being tasted") for flight in flights):
            return session
    raise BookError(
        f"session must have a flight that is not locked, and {book.name} has no such session; "
        "plan a tasting, or unlock a flight.",
        field="session",
    )


def _check_port(port: int) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        if os.name != "nt":  # there, the option would let two programs share the port
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("", port))
        except OSError as error:
            raise SetUpError(
                f"port {port} is in use, perhaps by a tasters' page that is open already: use that "
                "one, stop it, or choose another port with --port",
                field="port",
            ) from error


def _write_private(file: Path, text: str) -> None:
    with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as out:
        out.write(text)
