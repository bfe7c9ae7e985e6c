"""Paths and commands, for each system, from wherever the tests run."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path, PurePath, PurePosixPath, PureWindowsPath
from types import SimpleNamespace

import pytest

from labkit.setup import cli
from labkit.setup.cli import again_inside, pytest_command
from labkit.setup.environment import pip_command
from labkit.setup.layout import RUN_LOCK, TEST_LOCK, Layout, this_project
from labkit.setup.opening import jupyter_command, jupyter_environment, page
from tests.project import PROJECT

LINUX = Layout(root=PurePosixPath("/home/kit"), windows=False, python_version=(3, 12))
MAC = Layout(root=PurePosixPath("/Users/Kit Lee/labkit"), windows=False, python_version=(3, 13))
WINDOWS = Layout(
    root=PureWindowsPath(r"C:\Users\Kit Lee\labkit"), windows=True, python_version=(3, 11)
)


@pytest.mark.parametrize(
    ("layout", "python", "site_packages"),
    [
        (
            LINUX,
            "/home/kit/.venv/bin/python",
            "/home/kit/.venv/lib/python3.12/site-packages",
        ),
        (
            MAC,
            "/Users/Kit Lee/labkit/.venv/bin/python",
            "/Users/Kit Lee/labkit/.venv/lib/python3.13/site-packages",
        ),
        (
            WINDOWS,
            r"C:\Users\Kit Lee\labkit\.venv\Scripts\python.exe",
            r"C:\Users\Kit Lee\labkit\.venv\Lib\site-packages",
        ),
    ],
    ids=["Linux", "macOS", "Windows"],
)
def test_the_environment_lies_where_the_venv_module_puts_it(layout, python, site_packages):
    """Python's library reference, venv: bin or Scripts, lib/pythonX.Y or Lib."""
    assert str(layout.python) == python
    assert str(layout.site_packages) == site_packages


def test_this_project_is_the_clone_that_labkit_was_imported_from():
    layout = this_project()

    assert (layout.root / "pyproject.toml").is_file()
    assert layout.root == Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("layout", [LINUX, MAC, WINDOWS], ids=["Linux", "macOS", "Windows"])
def test_every_command_runs_the_environments_python_and_keeps_paths_in_one_piece(layout):
    commands = [
        pip_command(layout, [RUN_LOCK]),
        pytest_command(layout, ["-k", "salt or water"]),
        again_inside(layout, ["open", "--port", "9000"]),
        jupyter_command(layout.python, layout.workbook, port=9000, notebook="01-a.ipynb"),
    ]

    assert {command[0] for command in commands} == {str(layout.python)}
    assert [command[2] for command in commands] == [
        "pip",
        "pytest",
        "labkit",
        "labkit.setup.lab_server",
    ]
    assert commands[0][-1] == str(layout.root / RUN_LOCK)
    assert commands[1][-2:] == ["-k", "salt or water"]  # after ours, so that theirs win
    assert commands[2][3:] == ["open", "--port", "9000"]
    assert f"--ServerApp.root_dir={layout.workbook}" in commands[3]


def test_pip_takes_ready_made_packages_with_known_hashes_only():
    command = pip_command(LINUX, [RUN_LOCK, TEST_LOCK])

    assert "--require-hashes" in command
    assert command[command.index("--only-binary") + 1] == ":all:"
    assert command[-4:] == ["-r", f"/home/kit/{RUN_LOCK}", "-r", f"/home/kit/{TEST_LOCK}"]


def test_the_tests_run_on_all_cores_with_each_notebook_in_one_process():
    command = pytest_command(LINUX, [])

    assert command[command.index("-n") + 1] == "auto"
    assert command[command.index("--dist") + 1] == "loadfile"


def test_windows_waits_for_the_second_program_and_hands_its_code_on(monkeypatch, tmp_path):
    """Exec there would start a second process and return to the prompt."""
    calls = []

    def run(command, **options):
        calls.append((command, options))
        return SimpleNamespace(returncode=5)

    monkeypatch.setattr(cli, "os", SimpleNamespace(name="nt"))
    monkeypatch.setattr(cli.subprocess, "run", run)

    assert cli.become(["python.exe", "-m", "pytest"], folder=tmp_path) == 5
    assert calls == [(["python.exe", "-m", "pytest"], {"cwd": tmp_path, "check": False})]


def test_elsewhere_the_second_program_takes_the_place_of_the_first(monkeypatch, tmp_path):
    seen = []

    def execv(program, command):
        seen.append((program, command))
        raise SystemExit

    monkeypatch.setattr(cli.os, "execv", execv)
    monkeypatch.chdir(Path(__file__).parent)

    with pytest.raises(SystemExit):
        cli.become(["/x/python", "-m", "pytest"], folder=tmp_path)

    assert seen == [("/x/python", ["/x/python", "-m", "pytest"])]
    assert Path.cwd() == tmp_path


def test_jupyterlab_serves_this_machine_only_and_no_notebook_to_tasters():
    command = jupyter_command(LINUX.python, LINUX.workbook, port=9000)

    assert "--ServerApp.ip=127.0.0.1" in command
    assert "--ServerApp.port_retries=0" in command
    (extensions,) = (word for word in command if "jpserver_extensions" in word)
    assert "'voila.server_extension': False" in extensions  # it would list and run every notebook
    assert "'labkit.setup.page_server': True" in extensions
    assert "'jupyter_lsp': False" in extensions  # it would ask npm and R first
    assert "--VoilaConfiguration.file_allowlist=[]" in command
    assert "--LabApp.extension_manager=readonly" in command
    assert "--VoilaExecutor.startup_timeout=300" in command  # a kernel on a busy slow machine


def environment(**base):
    return jupyter_environment(base, token="secret", project=LINUX.root, home=LINUX.jupyter_home)


def test_the_token_goes_by_the_environment_where_no_process_list_shows_it():
    made = environment(PATH="/bin")

    assert made["JUPYTER_TOKEN"] == "secret"
    assert made["PATH"] == "/bin"
    assert not any(
        "secret" in word for word in jupyter_command(PurePath("p"), PurePath("w"), port=9)
    )


def test_a_users_own_python_and_jupyter_stay_outside():
    """A foreign package would reach the kernels; a base_url of theirs would hide our page."""
    names = "JUPYTER_CONFIG_DIR JUPYTER_CONFIG_PATH JUPYTER_DATA_DIR JUPYTER_NO_CONFIG JUPYTER_PATH"
    names += " JUPYTERLAB_SETTINGS_DIR IPYTHONDIR PYTHONHOME PYTHONPATH PYTHONSTARTUP"
    names = "JUPYTER_CONFIG_DIR JUPYTER_CONFIG_PATH JUPYTER_DATA_DIR JUPYTER_NO_CONFIG JUPYTER_PATH"
    names += " JUPYTERLAB_SETTINGS_DIR IPYTHONDIR PYTHONHOME PYTHONPATH PYTHONSTARTUP"
    theirs = dict.fromkeys(names.split(), "/home/kit/own")

    made = environment(**theirs)

    assert "/home/kit/own" not in made.values()
    assert made["PYTHONPATH"] == str(LINUX.root)
    assert (Path(made["JUPYTER_CONFIG_PATH"]) / "labconfig" / "page_config.json").is_file()
    assert (Path(made["JUPYTER_PATH"]) / "voila" / "templates" / "today").is_dir()
    kernel = Path(made["JUPYTER_PATH"]) / "kernels" / "python3" / "kernel.json"
    assert "--HistoryManager.enabled=False" in json.loads(kernel.read_text())["argv"]
    for name in ("IPYTHONDIR", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR"):
        assert made[name].startswith(str(LINUX.venv))
    assert "--ServerApp.base_url=/" in jupyter_command(LINUX.python, LINUX.copies, port=9)


def test_the_first_page_is_the_first_notebook():
    assert page("01-concentrates.ipynb") == "/lab/tree/01-concentrates.ipynb"
    assert page(None) == "/lab"


def test_jupyterlabs_program_makes_no_parser_for_addresses_that_no_file_has():
    """It took longer than all other imports together."""
    command = jupyter_command(Path(sys.executable), LINUX.workbook, port=9000)
    python = [command[0], "-X", "importtime", *command[1:3], "--version"]

    done = subprocess.run(python, cwd=PROJECT, capture_output=True, text=True, check=True)

    assert "jsonschema" in done.stderr
    assert " lark\n" not in done.stderr  # which makes it
    assert version("jupyterlab") == done.stdout.strip()
