"""The environment: made once, recognised after that, made anew when in doubt.

These make real environments with the real pip, from a package of two lines and no network.
"""

from __future__ import annotations

import base64
import errno
import hashlib
import importlib.util
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import zipfile

import pytest

from labkit.errors import SetUpError
from labkit.setup import environment
from labkit.setup.environment import ensure_environment, installed_locks
from labkit.setup.layout import Layout


def write_wheel(folder, name):
    """Write the smallest wheel there is (binary distribution format, PEP 427); return its hash."""
    info = f"{name}-1.0.dist-info"
    files = {
        f"{name}.py": f"'''{name}'''\n",
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\n"
        "Tag: py3-none-any\n",
    }
    record = [
        f"{path},sha256={base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).decode().rstrip('=')},{len(text)}"
        for path, text in files.items()
    ]
    files[f"{info}/RECORD"] = "\n".join([*record, f"{info}/RECORD,,"]) + "\n"
    wheel = folder / f"{name}-1.0-py3-none-any.whl"
    with zipfile.ZipFile(wheel, "w") as archive:
        for path, text in files.items():
            archive.writestr(path, text)
    return hashlib.sha256(wheel.read_bytes()).hexdigest()


def write_lock(root, lock, name, sha256):
    """Write a lock of one package."""
    (root / lock).write_text(f"{name}==1.0 \\\n    --hash=sha256:{sha256}\n")


@pytest.fixture(scope="module")
def made_once(tmp_path_factory):
    """A project whose environment was made from run.lock, and what was said meanwhile."""
    root = tmp_path_factory.mktemp("project") / "with a space"
    wheels = root / "wheels"
    wheels.mkdir(parents=True)
    write_lock(root, "run.lock", "beaker", write_wheel(wheels, "beaker"))
    write_lock(root, "test.lock", "litmus", write_wheel(wheels, "litmus"))
    layout = Layout(root=root, windows=False, python_version=sys.version_info[:2])
    out = io.StringIO()
    with pytest.MonkeyPatch.context() as patch:
        offline(patch, wheels)
        ensure_environment(layout, ["run.lock"], out=out)
    return layout, out.getvalue()


def offline(patch, wheels):
    """Point pip at these wheels, and at nothing else."""
    patch.setenv("PIP_CONFIG_FILE", "/dev/null")
    patch.setenv("PIP_NO_INDEX", "1")
    patch.setenv("PIP_FIND_LINKS", wheels.as_uri())


@pytest.fixture
def project(made_once, tmp_path, monkeypatch):
    """A project of the test's own with that environment in it."""
    root = tmp_path / "project"
    shutil.copytree(made_once[0].root, root, symlinks=True)
    layout = Layout(root=root, windows=False, python_version=sys.version_info[:2])
    state = json.loads(layout.state_file.read_text())
    layout.state_file.write_text(json.dumps(state | {"project": str(root)}))
    offline(monkeypatch, root / "wheels")
    return layout


def importable(layout, name):
    """Whether the environment's Python finds the module."""
    code = f"import importlib.util; print(importlib.util.find_spec({name!r}) is not None)"
    done = subprocess.run(
        [layout.python, "-E", "-c", code], cwd="/", capture_output=True, text=True, check=True
    )
    return done.stdout == "True\n"


def paths_of(layout):
    """Where the environment's Python looks for packages."""
    code = "import sys; print(*sys.path, sep='\\n')"
    done = subprocess.run(
        [layout.python, "-E", "-c", code], cwd="/", capture_output=True, text=True, check=True
    )
    return done.stdout.splitlines()


def test_a_fresh_clone_gets_its_environment_and_sees_how_far_it_is(made_once):
    layout, said = made_once

    assert importable(layout, "beaker")
    assert paths_of(layout)[-1] == str(layout.root)
    assert "setting up" in said
    assert "of 1 packages" in said
    assert "set up in" in said


def test_the_second_start_asks_nothing_of_pip(project, monkeypatch):
    monkeypatch.setattr(environment, "subprocess", None)
    started = time.process_time()  # others may use the machine too
    out = io.StringIO()

    ensure_environment(project, ["run.lock"], out=out)

    assert out.getvalue() == ""
    assert time.process_time() - started < 1


def test_the_tests_packages_are_added_to_the_environment_that_is_there(project):
    mark = project.venv / "mark"
    mark.touch()
    out = io.StringIO()

    ensure_environment(project, ["run.lock", "test.lock"], out=out)

    assert importable(project, "litmus")
    assert mark.exists()
    assert installed_locks(project).keys() == {"run.lock", "test.lock"}
    assert "adding the packages that the tests need" in out.getvalue()


@pytest.mark.parametrize(
    "damage",
    [
        {"finished": False},
        {"python": "3.9"},
        {"platform": "another machine's"},
        {"locks": {"run.lock": "another lock's hash"}},
    ],
    ids=["interrupted", "a Python that left", "another machine", "another lock"],
)
def test_an_environment_in_doubt_is_made_anew(project, damage):
    state = json.loads(project.state_file.read_text())
    project.state_file.write_text(json.dumps(state | damage))
    leftover = project.venv / "leftover"
    leftover.touch()
    if damage != {"finished": False}:  # one real remake shows it; they share the way there
        wanted = environment.fingerprint(project.root / "run.lock")
        assert installed_locks(project).get("run.lock") != wanted
        return

    ensure_environment(project, ["run.lock"], out=io.StringIO())

    assert not leftover.exists()
    assert importable(project, "beaker")


def test_an_environment_survives_a_move_without_a_network(made_once, tmp_path, monkeypatch):
    """No package is touched, and what a developer types runs as well."""
    root = tmp_path / "Bücher & Tassen's 水"
    shutil.copytree(made_once[0].root, root, symlinks=True)
    layout = Layout(root=root, windows=False, python_version=(3, 99))  # another python3 than then
    monkeypatch.setattr(environment, "subprocess", None)
    out = io.StringIO()

    ensure_environment(layout, ["run.lock"], out=out)
    ensure_environment(layout, ["run.lock"], out=out)

    assert out.getvalue() == f"labkit: {layout.venv} was moved, and is at home here\n"
    assert importable(layout, "beaker")
    assert paths_of(layout)[-1] == str(root)
    here = {**os.environ, "PATH": f"{layout.venv / 'bin'}:{os.environ['PATH']}"}
    said = subprocess.check_output(["pip", "--version"], env=here, cwd="/", text=True)
    assert str(layout.site_packages.parents[2] / "lib") in said
    assert str(made_once[0].root) not in (layout.venv / "bin" / "activate").read_text()


def test_an_environment_is_not_made_anew_by_its_own_python(project, monkeypatch):
    """It would take away the files that it runs from."""
    monkeypatch.setattr(sys, "prefix", str(project.venv))
    write_lock(project.root, "run.lock", "beaker", "0" * 64)

    with pytest.raises(SetUpError, match=r"has to be made anew.*another one.*deactivate"):
        ensure_environment(project, ["run.lock"], out=io.StringIO())

    assert importable(project, "beaker")


@pytest.mark.parametrize("text", ["", "{", "[]", "{}"])
def test_a_state_that_cannot_be_read_counts_as_none(project, text):
    project.state_file.write_text(text)

    assert installed_locks(project) == {}


def test_an_interrupted_installation_is_not_taken_for_a_finished_one(project, monkeypatch):
    def interrupt(*args, **options):
        raise KeyboardInterrupt

    monkeypatch.setattr(environment, "_install", interrupt)

    with pytest.raises(KeyboardInterrupt):
        ensure_environment(project, ["run.lock", "test.lock"], out=io.StringIO())

    assert installed_locks(project) == {}


def test_a_package_that_is_not_the_locks_is_refused(project):
    write_lock(project.root, "test.lock", "litmus", "0" * 64)

    with pytest.raises(SetUpError, match=r"not the one the lock names.*\.set-up\.log"):
        ensure_environment(project, ["run.lock", "test.lock"], out=io.StringIO())

    assert not importable(project, "litmus")


def test_without_a_network_it_says_so(project, monkeypatch):
    monkeypatch.delenv("PIP_NO_INDEX")
    monkeypatch.delenv("PIP_FIND_LINKS")
    monkeypatch.setenv("PIP_INDEX_URL", "http://127.0.0.1:9/simple")  # nobody listens there

    with pytest.raises(SetUpError, match="check that this machine is online"):
        ensure_environment(project, ["run.lock", "test.lock"], out=io.StringIO())


@pytest.mark.parametrize("module", ["venv", "ensurepip"])
def test_a_python_without_its_venv_module_is_told_what_to_install(tmp_path, monkeypatch, module):
    """Debian ships both in python3.X-venv, apart from python3."""
    find = importlib.util.find_spec
    monkeypatch.setattr(
        environment.importlib.util, "find_spec", lambda n: None if n == module else find(n)
    )
    (tmp_path / "run.lock").touch()
    layout = Layout(root=tmp_path, windows=False, python_version=(3, 11))

    with pytest.raises(SetUpError, match=f"lacks its {module} module.*apt install python3.11-venv"):
        ensure_environment(layout, ["run.lock"], out=io.StringIO())


def test_somebody_elses_environment_is_left_alone(tmp_path):
    layout = Layout(root=tmp_path, windows=False, python_version=(3, 11))
    (tmp_path / "run.lock").touch()
    layout.venv.mkdir()
    (layout.venv / "pyvenv.cfg").touch()

    with pytest.raises(SetUpError, match="labkit did not make it: move it away or delete it"):
        ensure_environment(layout, ["run.lock"], out=io.StringIO())

    assert (layout.venv / "pyvenv.cfg").exists()


def test_a_full_disk_is_told_before_anything_is_fetched(tmp_path, monkeypatch):
    usage = shutil.disk_usage(tmp_path)._replace(free=200_000_000)
    monkeypatch.setattr(environment.shutil, "disk_usage", lambda path: usage)
    (tmp_path / "run.lock").touch()
    layout = Layout(root=tmp_path, windows=False, python_version=(3, 11))

    with pytest.raises(SetUpError, match=r"has 0\.2 GB free and the set-up needs 1\.5 GB"):
        ensure_environment(layout, ["run.lock"], out=io.StringIO())


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT])
def test_a_disk_that_fills_up_on_the_way_is_told(tmp_path, monkeypatch, code):
    def fill_up(layout):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(environment, "_start_anew", fill_up)
    (tmp_path / "run.lock").touch()
    layout = Layout(root=tmp_path, windows=False, python_version=(3, 11))

    with pytest.raises(SetUpError, match="the disk is full: make room"):
        ensure_environment(layout, ["run.lock"], out=io.StringIO())


@pytest.mark.skipif(os.name == "nt", reason="there the sign that parts paths is another")
def test_a_folder_in_which_python_makes_no_environment_is_told(tmp_path):
    layout = Layout(root=tmp_path / "a:b", windows=False, python_version=(3, 11))
    layout.root.mkdir()
    (layout.root / "run.lock").touch()

    with pytest.raises(SetUpError, match="whose name has a ':' in it: rename it"):
        ensure_environment(layout, ["run.lock"], out=io.StringIO())


def test_a_folder_that_cannot_be_written_is_told(tmp_path):
    layout = Layout(root=tmp_path, windows=False, python_version=(3, 11))
    (tmp_path / "run.lock").touch()
    layout.set_up_guard.mkdir()  # stands for a folder without permission, which root would have

    with pytest.raises(SetUpError, match=r"cannot be written.*make .* writable"):
        ensure_environment(layout, ["run.lock"], out=io.StringIO())


def test_an_incomplete_clone_is_told(tmp_path):
    layout = Layout(root=tmp_path, windows=False, python_version=(3, 11))

    with pytest.raises(SetUpError, match=r"run\.lock is missing: run this from a full clone"):
        ensure_environment(layout, ["run.lock"], out=io.StringIO())


@pytest.mark.skipif(os.name == "nt", reason="a killed process's pip goes on on POSIX")
def test_a_set_up_waits_for_the_pip_of_one_that_was_killed(project, monkeypatch):
    """Or both would write into the same folder; and then it goes on."""
    python = project.python.readlink()
    project.python.unlink()
    project.python.write_text(f'#!/bin/sh\nsleep 3\nexec {python} "$@"\n')
    project.python.chmod(0o755)
    monkeypatch.setattr(environment, "_start_anew", lambda layout: None)
    child = os.fork()
    if not child:
        monkeypatch.setattr(
            environment, "_next_line", lambda _lines: os.kill(os.getpid(), signal.SIGKILL)
        )
        ensure_environment(project, ["run.lock", "test.lock"], out=io.StringIO())
        os._exit(1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL

    with pytest.raises(SetUpError, match="of one that was killed"):
        ensure_environment(project, ["run.lock", "test.lock"], out=io.StringIO())
    assert installed_locks(project) == {}


def test_a_second_set_up_waits_for_the_first(project):
    with environment.one_at_a_time(project), pytest.raises(SetUpError, match="wait for it to end"):
        ensure_environment(project, ["run.lock", "test.lock"], out=io.StringIO())
