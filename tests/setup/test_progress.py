"""What pip prints, as pip 23.2 to 25 print it, turned into one line."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from labkit.setup.progress import PipProgress, ProgressLine, packages_in
from labkit.setup.trouble import pip_trouble

LOCK = """\
alembic==1.20.1 \\
    --hash=sha256:00
anyio==4.16.0 \\
    --hash=sha256:00
appnope==1.0.0 ; sys_platform == 'darwin' \\
    --hash=sha256:00
fonts_of-x==2.0
"""


def test_before_the_first_package_none_is_named():
    assert PipProgress(wanted={"anyio"}).text(0) == "fetching 0 of 1 packages"


def test_packages_meant_for_other_systems_do_not_count():
    progress = PipProgress(wanted=packages_in(LOCK))
    progress.read("Ignoring appnope: markers 'sys_platform == \"darwin\"' don't match your env\n")
    progress.read("Collecting alembic==1.20.1 (from -r /p/requirements.lock (line 1))\n")
    progress.read("  Downloading alembic-1.20.1-py3-none-any.whl (261 kB)\n")
    progress.read("Requirement already satisfied: anyio==4.16.0 in ./lib (from -r requirements)\n")

    assert progress.text(0) == "fetching 2 of 3 packages (now anyio)"


def test_what_another_lock_installed_does_not_count():
    progress = PipProgress(wanted=packages_in(LOCK))
    progress.read("Collecting Fonts.of_X==2.0 (from -r /p/requirements.lock (line 7))\n")
    progress.read("Requirement already satisfied: attrs>=22 in ./lib (from fonts-of-x)\n")

    assert progress.text(0) == "fetching 1 of 4 packages (now Fonts.of_X)"


def test_installing_counts_what_lies_in_the_environment():
    progress = PipProgress(wanted={"anyio", "alembic"})
    progress.read("Installing collected packages: anyio, alembic\n")

    assert progress.text(1) == "installing 1 of 2 packages"
    assert progress.text(7) == "installing 2 of 2 packages"


class Terminal(io.StringIO):
    """Remembers, and says that a person reads it."""

    def isatty(self):
        return True


def test_a_terminal_shows_one_line_that_is_gone_at_the_end():
    out = Terminal()
    line = ProgressLine(out)

    line.show("fetching 1 of 3")
    line.show("fetching 2 of 3")
    line.clear()

    assert "\n" not in out.getvalue()
    assert out.getvalue().split("\r")[-1] == ""


def test_a_log_gets_a_line_now_and_then():
    out = io.StringIO()
    line = ProgressLine(out, every=2)

    for text in ["a", "b", "b", "c", "d"]:
        line.show(text)

    assert out.getvalue() == "  a\n  c\n"


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (
            "WARNING: Retrying (Retry(total=1)) after connection broken by "
            "'NewConnectionError': Failed to establish a new connection: [Errno 101]",
            "check that this machine is online",
        ),
        (
            "WARNING: Retrying after connection broken by 'ProxyError('Cannot connect to proxy.'",
            "HTTPS_PROXY",
        ),
        (
            "ERROR: THESE PACKAGES DO NOT MATCH THE HASHES FROM THE REQUIREMENTS FILE.",
            "not the one the lock names",
        ),
        ("ERROR: Could not install packages: [Errno 28] No space left on device", "disk is full"),
        ("ERROR: No matching distribution found for scipy==1.17.1", "Python 3.11, 3.12 or 3.13"),
        ("ERROR: an odd thing\n", "its last word was 'an odd thing'"),
        ("", "read /p/.set-up.log, fix that and start again"),
    ],
)
def test_each_trouble_of_pip_has_its_sentence(said, told):
    sentence = pip_trouble(said, log=Path("/p/.set-up.log"))

    assert told in sentence
    assert "/p/.set-up.log" in sentence
    assert "\n" not in sentence
