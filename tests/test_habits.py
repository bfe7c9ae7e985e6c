"""The habits that DEVELOPERS.md asks for, checked by the tools that know them."""

from __future__ import annotations

import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from tests.project import PROJECT


def run(*command):
    """Run a program on the project; return its code and what it said."""
    done = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


@pytest.mark.parametrize(
    "command",
    [
        ("ruff", "check", "--no-cache"),
        ("ruff", "format", "--check", "--no-cache"),
        ("mypy",),
    ],
    ids=["ruff check", "ruff format", "mypy"],
)
def test_the_code_keeps_the_rules_in_pyproject(command):
    code, said = run(sys.executable, "-m", *command)

    assert code == 0, said


def test_imports_keep_the_layers_and_the_doors():
    code, said = run(Path(sys.executable).with_name("lint-imports"))

    assert code == 0, said


def tracked_files():
    """Text of each file under version control."""
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=PROJECT, capture_output=True, text=True, check=True
    )
    for name in filter(None, listed.stdout.split("\0")):
        path = PROJECT / name
        if path.is_file():
            yield name, path.read_bytes().decode(errors="replace")


def test_no_file_names_the_host_of_a_package_registry():
    """Brackets keep these patterns from matching this file."""
    hosts = re.compile(r"pyp[i]\.org|pythonhoste[d]|npmj[s]\.|debia[n]\.org|ubunt[u]\.com")

    named = [name for name, text in tracked_files() if hosts.search(text)]

    assert named == []


def test_no_file_is_somebodys_lab_book_or_key():
    private = re.compile(r"^data/(lab_book|.*\.(db|sqlite))|^\.venv/|\.pem$")

    assert [name for name, _ in tracked_files() if private.search(name)] == []


def test_the_licence_is_there():
    licence = (PROJECT / "LICENSE").read_text()

    assert licence.startswith("MIT License")
    assert "the labkit contributors" in licence


def test_a_wheel_holds_all_of_labkit(tmp_path):
    """Tables, pages and scripts as well as code; built without a network."""
    code, said = run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path))
    assert code == 0, said

    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        packed = set(archive.namelist())
    tracked = {name for name, _ in tracked_files() if name.startswith("labkit/")}
    assert tracked - packed == set()
