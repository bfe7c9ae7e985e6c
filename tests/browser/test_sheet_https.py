"""The tasters' page by https: with a lab's own authority, in a browser, and what will not do."""

from __future__ import annotations

import signal
import ssl
import subprocess
import sys
import urllib.request
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from labkit.errors import SetUpError
from labkit.widgets.tasters.certificates import read_certificate
from labkit.widgets.tasters.links import SECURE
from labkit.widgets.tasters.page import serve, wait_until_it_answers
from tests.project import free_port
from tests.widgets.serving import choose, kept, open_sheet, serving, wait_saved
from tests.widgets.tables import SESSION, lay_table

TODAY = datetime.now(UTC)
DAY = timedelta(days=1)


@dataclass(frozen=True)
class Asked:
    """What a certificate is asked to say."""

    names: tuple[str, ...] = ("127.0.0.1", "tasting.example")
    begins: datetime = TODAY - DAY
    ends: datetime = TODAY + 30 * DAY
    passphrase: bytes | None = None


class Authority:
    """A small authority of a lab, as one makes it with openssl."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.key = ec.generate_private_key(ec.SECP256R1())
        self.name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "the lab")])
        rules = x509.BasicConstraints(ca=True, path_length=0)
        own = self._of(self.name, self.key, Asked()).add_extension(rules, critical=True)
        self.file = self._write("lab.pem", own.sign(self.key, hashes.SHA256()))

    def give(self, asked: Asked | None = None, to: str = "server") -> tuple[Path, Path]:
        """A certificate and its key, as files."""
        asked = asked or Asked()
        key = ec.generate_private_key(ec.SECP256R1())
        name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, to)])
        made = self._of(name, key, asked)
        if asked.names:
            made = made.add_extension(_also(asked.names), critical=False)
        lock = serialization.NoEncryption()
        if asked.passphrase:
            lock = serialization.BestAvailableEncryption(asked.passphrase)
        kept_key = key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, lock
        )
        key_file = self.folder / f"{to}.key"
        key_file.write_bytes(kept_key)
        return self._write(f"{to}.pem", made.sign(self.key, hashes.SHA256())), key_file

    def _of(self, name, key, asked):
        made = x509.CertificateBuilder().subject_name(name).issuer_name(self.name)
        made = made.public_key(key.public_key()).serial_number(x509.random_serial_number())
        return made.not_valid_before(asked.begins).not_valid_after(asked.ends)

    def _write(self, name, certificate):
        file = self.folder / name
        file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        return file


def _also(names):
    return x509.SubjectAlternativeName(
        [
            x509.IPAddress(ip_address(name)) if name[0].isdigit() else x509.DNSName(name)
            for name in names
        ]
    )


@pytest.fixture(scope="module")
def authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(scope="module")
def place(authority, tmp_path_factory):
    """A tasters' page by https."""
    folder = tmp_path_factory.mktemp("tasting")
    lay_table(folder / "book.db")
    with serving(
        folder / "book.db", SESSION, folder, https=read_certificate(*authority.give())
    ) as running:
        yield running


@pytest.mark.browser
def test_a_sheet_by_https_keeps_its_scores_over_a_line_of_its_own(place, new_page):
    page = new_page(width=390, ignore_https_errors=True)
    lines = []
    page.on("websocket", lambda line: lines.append(line.url))
    open_sheet(page, place.links()["Ines"].address)
    choose(page, "acidity", "3")
    wait_saved(page)

    assert page.url.startswith(f"https://127.0.0.1:{place.port}/")
    assert [line.partition(":")[0] for line in lines] == ["wss"]
    assert page.evaluate("window.isSecureContext")
    assert kept(place.book_path, SESSION) == [("Ines", 1, "acidity", 3.0)]


def test_whoever_trusts_the_labs_authority_and_nobody_else_takes_the_page_for_the_labs(
    place, authority
):
    address = place.links()["Jonas"].address

    def ask(context):
        https = urllib.request.HTTPSHandler(context=context)
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}), https)
        return opener.open(address, timeout=30)

    with ask(ssl.create_default_context(cafile=authority.file)) as answer:
        assert f"wss://127.0.0.1:{place.port};" in answer.headers["Content-Security-Policy"]
        assert "Jonas" in answer.read().decode()
    with pytest.raises(OSError, match="CERTIFICATE_VERIFY_FAILED"):
        ask(ssl.create_default_context())


START = """
import signal, sys
from pathlib import Path
from labkit.widgets.tasters.page import serve
signal.signal(signal.SIGTERM, signal.default_int_handler)
book, port, folder, certificate, key = sys.argv[1:]
https = {"certificate": Path(certificate), "key": Path(key)}
sys.exit(serve(book, port=int(port), keep_in=Path(folder), browser=False, **https))
"""


def test_links_and_the_lead_say_https_and_call_the_machine_as_its_certificate_does(
    authority, tmp_path
):
    lay_table(tmp_path / "book.db")
    port = free_port()
    told = [tmp_path / "book.db", port, tmp_path, *authority.give()]
    with subprocess.Popen(
        [sys.executable, "-c", START, *map(str, told)], stdout=subprocess.PIPE, text=True
    ) as process:
        said = ""
        for line in process.stdout:
            said += line
            if "Ctrl-C" in line:
                break
        # One that is stopped while it starts its server would leave that behind.
        wait_until_it_answers(process, port, tmp_path / "lab_book.tasters.log")
        process.send_signal(signal.SIGTERM)
        process.stdout.read()

    assert f"https://tasting.example:{port}/?code=" in said
    assert SECURE in said
    assert f"https://tasting.example:{port}/" in (tmp_path / "lab_book.links.html").read_text()


def test_an_address_that_the_certificate_is_not_for_is_one_sentence(authority, tmp_path):
    certificate, key = authority.give()
    lay_table(tmp_path / "book.db")
    with pytest.raises(SetUpError, match="address must be one that the certificate is for"):
        serve(
            tmp_path / "book.db",
            address="192.0.2.7",
            certificate=certificate,
            key=key,
            port=free_port(),
            keep_in=tmp_path,
        )


def test_a_good_certificate_tells_what_machine_it_is_for(authority):
    asked = Asked(names=("127.0.0.1", "tasting.example", "*.lab.example"))
    found = read_certificate(*authority.give(asked, "names"))

    assert found.covers("Tasting.example.")
    assert found.covers("a.lab.example")
    assert not found.covers("b.a.lab.example")
    assert not found.covers("192.0.2.7")
    assert found.host("127.0.0.1") == "127.0.0.1"
    assert found.host("192.0.2.7") == "tasting.example", "phones take it for that"


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (Asked(ends=TODAY - DAY / 2), "ended on"),
        (Asked(begins=TODAY + DAY), "begins on"),
        (Asked(passphrase=b"secret"), "must be without a passphrase"),
        (Asked(names=()), "subject alternative name"),
    ],
)
def test_a_certificate_that_will_not_do_is_one_sentence(authority, asked, says):
    with pytest.raises(SetUpError, match=says):
        read_certificate(*authority.give(asked, "bad"))


def test_files_that_are_no_certificate_and_no_key_of_it_are_one_sentence(authority, tmp_path):
    certificate, key = authority.give()
    _, another = authority.give(to="another")
    garbage = tmp_path / "garbage.pem"
    garbage.write_text("-----BEGIN CERTIFICATE-----\nAAAA\n")

    for told, says in (
        ((certificate, another), "must be the one that certificate .* was made with"),
        ((certificate, garbage), "cannot be used with certificate"),
        ((certificate, certificate), "cannot be used with certificate"),
        ((garbage, key), "must be in PEM form"),
        ((key, certificate), "must be in PEM form"),
        ((tmp_path / "none.pem", key), "certificate .*none.pem cannot be read"),
        ((certificate, tmp_path / "none.key"), "key .*none.key cannot be read"),
    ):
        with pytest.raises(SetUpError, match=says):
            read_certificate(*told)
