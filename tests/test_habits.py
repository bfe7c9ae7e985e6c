"""The habits that DEVELOPERS.md asks for, checked by the tools that know them."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

from tests.project import PROJECT

README = (PROJECT / "README.md").read_text(encoding="utf-8")


def run(*command):
    """Run a program on the project; return its code and what it said."""
    done = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


RULES = [("ruff", "check", "--no-cache"), ("ruff", "format", "--check", "--no-cache")]
if os.environ.get("LABKIT_CI") == "1":  # half a minute, which tells nobody of their own machine
    RULES.append(("mypy",))


@pytest.mark.slow
@pytest.mark.parametrize("command", RULES, ids=" ".join)
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


NOT_OURS = {
    "_repr_html_": "what IPython asks of any object",
    "_replace": "of named tuples",
    "_exit": "os._exit, to end like a power cut",
    "_handle_msg": "of ipywidgets: a message as a browser sends it",
    "_esm": "of anywidget: the script of a widget",
    "_dom_classes": "of ipywidgets: how a part looks just now",
    "_unscaled_dash_pattern": "of Matplotlib, which tells no line's dashes otherwise",
}
"""Private names of others that tests use, and why."""


def private_names(text):
    """Private attributes of anything but a test's own object, and private names imported."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Attribute):
            is_own = isinstance(node.value, ast.Name) and node.value.id in ("self", "cls")
            names = [] if is_own else [node.attr]
        else:
            names = [one.name for one in node.names] if isinstance(node, ast.ImportFrom) else []
        yield from (name for name in names if re.match("_(?!_)", name))


def test_tests_use_what_is_public():
    """Or a change inside breaks a test that should not know of it."""
    used = {
        name: set(private_names(text))
        for name, text in tracked_files()
        if re.match(r"tests/.*\.py$", name)
    }

    inside = {name: names - NOT_OURS.keys() for name, names in used.items()}
    assert {name: names for name, names in inside.items() if names} == {}
    assert NOT_OURS.keys() <= set().union(*used.values())


def test_a_private_name_is_found():
    text = "from jugs import _pour, mix\nself._own = jug._volume\njug.__init__()\n"

    assert sorted(private_names(text)) == ["_pour", "_volume"]


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


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """A fresh environment that pip put the wheel into, without a network, and what is in it.

    What labkit needs is borrowed from the environment of the tests.
    """
    folder = tmp_path_factory.mktemp("wheel")
    code, said = run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder))
    assert code == 0, said
    (packed,) = folder.glob("*.whl")
    venv.create(folder / "fresh", symlinks=os.name != "nt")
    python = folder / "fresh" / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    pip = [sys.executable, "-m", "pip", "--python", str(python), "install", "-q", "--no-deps"]
    code, said = run(*pip, "--no-index", "--no-compile", "--disable-pip-version-check", str(packed))
    assert code == 0, said
    where = {"base": str(folder / "fresh"), "platbase": str(folder / "fresh")}
    installed = Path(sysconfig.get_path("purelib", vars=where))
    (installed / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n")
    with zipfile.ZipFile(packed) as archive:
        return python, installed, set(archive.namelist())


def outside(wheel, *arguments):
    """Run Python away from the checkout, with the wheel's labkit and not the checkout's."""
    python, *_ = wheel
    return subprocess.run(
        [python, "-P", *arguments],
        cwd=python.parents[1],
        env={name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_wheel_holds_all_of_labkit(wheel):
    """Tables, pages and scripts as well as code."""
    *_, packed = wheel
    tracked = {name for name, _ in tracked_files() if name.startswith("labkit/")}

    assert tracked - packed == set()


SCORED = """
frame = pd.read_csv("scores.csv")
frame["overall"] = [4 + row % 5 for row in range(len(frame))]
frame.to_csv("scores.csv", index=False)
"""

USES_ITS_FILES = """
from labkit.bench.paper.sheet import TEMPLATES
from labkit.widgets.sheet.taster_sheet import script

assert lk.salt("magnesium sulfate heptahydrate").e_number == "INS 518"
assert "export default" in script("sheet.js") and (TEMPLATES / "bench.html").is_file()
assert len(card._repr_html_()) > 1000 and 0 <= reading.water.mg_share <= 1
print(lk.__file__)
"""


def test_outside_the_checkout_a_wheel_does_the_day_in_the_readme(wheel):
    """As a library, without the workbook; with its tables, migrations, pages and scripts."""
    once, day = re.findall(r"```python\n(.*?)```", README.split("## In code\n")[1], re.DOTALL)[:2]
    before, after = day.split("lk.record_scores", 1)
    after = re.sub(r"^flight = .*\n", "", after, flags=re.MULTILINE)  # takes some seconds

    done = outside(wheel, "-c", f"{once}{before}{SCORED}lk.record_scores{after}{USES_ITS_FILES}")

    assert done.returncode == 0, done.stderr
    assert Path(done.stdout.strip()) == wheel[1] / "labkit" / "__init__.py"


def test_outside_the_checkout_a_wheel_answers_for_help(wheel):
    done = outside(wheel, "-m", "labkit", "--help")

    assert done.returncode == 0, done.stderr
    assert all(f"    {command} " in done.stdout for command in ("open", "tasting", "test"))


def test_outside_the_checkout_a_wheel_says_that_the_workbook_needs_a_clone(wheel):
    done = outside(wheel, "-m", "labkit", "open", "--no-browser")

    assert done.returncode == 1
    assert "run this from a full clone of the project" in done.stderr
    assert {path.suffix for path in wheel[1].iterdir()} == {"", ".dist-info", ".pth"}
    assert not (wheel[1] / ".venv").exists()
