"""What a person at a terminal gets back."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys

import pytest

from labkit.setup import cli
from tests.project import PROJECT, free_port


def run(*arguments, **environment):
    """Run ``python -m labkit`` and wait for it."""
    return subprocess.run(
        [sys.executable, "-m", "labkit", *arguments],
        cwd=PROJECT,
        env={**os.environ, "COLUMNS": "100", **environment},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--help"], "open the workbook"),
        (["open", "--help"], "--no-browser"),
        (["open", "--help"], "--port"),
        (["tasting", "--help"], "--new-links"),
        (["tasting", "--help"], "LABKIT_CERTIFICATE names it as well"),
        (["test", "--help"], "Arguments go on to pytest"),
    ],
)
def test_help_says_what_a_command_does(arguments, told):
    done = run(*arguments)

    assert done.returncode == 0
    assert told in done.stdout


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "open | tasting | test"),
        (["brew"], "invalid choice: 'brew'"),
        (["open", "--port", "80"], "must be a number from 1024 to 65535, got 80"),
        (["open", "--port", "water"], "must be a number from 1024 to 65535, got water"),
        (["open", "now"], "now"),
    ],
)
def test_a_command_that_does_not_exist_is_refused_with_what_does(arguments, told):
    done = run(*arguments)

    assert done.returncode == 2
    assert told in done.stderr
    assert "Traceback" not in done.stderr


def old_python(version, **environment):
    """Run labkit's entry as if this were an older Python."""
    return subprocess.run(
        [
            sys.executable,
            "-c",
            "import runpy, sys; sys.argv = ['labkit', 'open']; "
            f"sys.version_info = {version}; runpy.run_module('labkit', run_name='__main__')",
        ],
        cwd=PROJECT,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=False,
    )


def test_an_old_python_is_told_to_get_a_newer_one(tmp_path):
    done = old_python((3, 8, 18), PATH=str(tmp_path))

    assert done.returncode == 1
    assert done.stderr.strip() == (
        "labkit: Python 3.11 or newer is needed and this is Python 3.8: install a newer one beside "
        "it and run that, for example: python3.13 -m labkit open"
    )


def test_an_old_python_names_the_newest_one_that_runs(tmp_path):
    """A name on the path may stand for a Python that is not installed, or for one without venv."""
    for name, does in (("python3.13", "exit 127"), ("python3.12", f'exec "{sys.executable}" "$@"')):
        (tmp_path / name).write_text(f"#!/bin/sh\n{does}\n")
        (tmp_path / name).chmod(0o755)

    done = old_python((3, 10, 1), PATH=str(tmp_path))

    assert done.stderr.endswith(
        "run it with the newer one that is here, as: python3.12 -m labkit open\n"
    )


def test_what_pythonpath_names_reaches_neither_pip_nor_kernels(monkeypatch):
    """The command runs anew without it, even where it is the environment's own Python."""
    for name in ("PYTHONPATH", "PYTHONHOME"):
        monkeypatch.setenv(name, "/home/kit/other")
    at_work = []

    def ensure(*_arguments, **_options):
        at_work.append({"PYTHONPATH", "PYTHONHOME"} & os.environ.keys())

    def become(command, **_options):
        at_work.append({"PYTHONPATH", "PYTHONHOME"} & os.environ.keys())
        return 7

    monkeypatch.setattr(cli, "ensure_environment", ensure)
    monkeypatch.setattr(cli, "_is_own_python", lambda layout: True)
    monkeypatch.setattr(cli, "become", become)
    monkeypatch.setattr(cli.signal, "signal", lambda *_: None)

    assert cli.main(["open", "--port", str(free_port())]) == 7
    assert at_work == [set(), set()]


def test_a_set_up_alone_starts_nothing_and_says_what_comes_next(monkeypatch, capsys):
    asked = []
    monkeypatch.setattr(cli, "ensure_environment", lambda _at, locks, **_: asked.append(locks))
    monkeypatch.setattr(cli, "become", None)
    monkeypatch.setattr(cli, "check_port", None)  # another workbook may be open
    monkeypatch.setattr(cli.signal, "signal", lambda *_: None)

    assert cli.main(["open", "--set-up-only"]) == 0

    assert asked == [[cli.RUN_LOCK]]
    said = capsys.readouterr().out
    assert str(PROJECT / ".venv") in said
    assert "  python3 -m labkit open\n" in said


def test_a_terminal_without_a_folders_letters_is_no_trouble():
    said = "import sys; from labkit.setup import cli; cli.this_project = lambda: print('水')"
    done = subprocess.run(
        [sys.executable, "-c", f"{said} or sys.exit(7); cli.main(['open'])"],
        cwd=PROJECT,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        capture_output=True,
        text=True,
        check=False,
    )

    assert (done.returncode, done.stdout) == (7, "\\u6c34\n")


@pytest.mark.parametrize("name", ["__init__.py", "__main__.py"])
def test_an_old_python_can_read_as_far_as_that_sentence(name):
    """These two files run before the version is checked; run by hand on 3.6, 3.7, 3.8 and 3.10."""
    tree = ast.parse((PROJECT / "labkit" / name).read_text(), feature_version=(3, 6))

    nodes = list(ast.walk(tree))
    imported = [node.module for node in nodes if isinstance(node, ast.ImportFrom)]
    hints = [node.annotation for node in nodes if isinstance(node, ast.arg | ast.AnnAssign)]
    hints += [node.returns for node in nodes if isinstance(node, ast.FunctionDef)]
    assert "__future__" not in imported  # 3.6 knows no annotations there
    assert all(isinstance(hint, ast.Name | ast.Constant) for hint in hints if hint)


def test_the_package_loads_nothing_but_the_standard_library():
    """Set-up imports labkit before anything is installed, so this runs without site-packages."""
    done = subprocess.run(
        [sys.executable, "-S", "-E", "-c", "import labkit, labkit.setup.cli"],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.stderr == ""


def test_a_busy_port_is_told_with_a_free_one(tmp_path):
    import socket

    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]

        done = run("open", "--no-browser", "--port", str(port))

    assert done.returncode == 1
    assert re.fullmatch(
        rf"labkit: port {port} is in use, perhaps by a workbook that is open already: use that "
        r"one, stop it, or choose another port, for example 'open --port \d+'\n",
        done.stderr,
    )
