"""JupyterLab as ``open`` runs it: apart from the user's own, and never gone without a word."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from labkit.errors import SetUpError
from labkit.setup import environment, opening
from labkit.setup.layout import RUN_LOCK, Layout
from labkit.setup.opening import check_writable, report_end
from tests.project import PROJECT, free_port


@pytest.fixture
def clone(tmp_path):
    """A clone under version control, set up with this environment."""
    root = tmp_path / "clone"
    layout = Layout(root=root, windows=False, python_version=sys.version_info[:2])
    layout.venv.mkdir(parents=True)
    for part in Path(sys.prefix).iterdir():
        if part.name in ("bin", "lib", "lib64", "pyvenv.cfg", "share", "etc"):
            (layout.venv / part.name).symlink_to(part)
    for part in ("labkit", "workbook", "data/demo"):
        ignored = shutil.ignore_patterns("__pycache__", ".ipynb_checkpoints")
        shutil.copytree(PROJECT / part, root / part, ignore=ignored)
    for file in (".gitignore", RUN_LOCK):
        shutil.copy(PROJECT / file, root)
    environment.write_state(
        layout, {RUN_LOCK: environment.fingerprint(root / RUN_LOCK)}, finished=True
    )
    for command in (["init", "-q"], ["add", "-A"]):
        subprocess.run(["git", *command], cwd=root, check=True)
    return layout


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="links and signals as on POSIX")
def test_open_serves_copies_whatever_the_users_own_jupyter_says_and_tells_its_end(clone, tmp_path):
    own = tmp_path / "own"
    own.mkdir()
    (own / "jupyter_server_config.py").write_text("c.ServerApp.base_url = '/mine/'\n")
    (own / "numpy.py").write_text("raise ImportError('a numpy of somebody else')\n")
    process = subprocess.Popen(
        [clone.python, "-m", "labkit", "open", "--no-browser", "--port", str(free_port())],
        cwd=clone.root,
        env={
            **os.environ,
            "JUPYTER_CONFIG_DIR": str(own),
            "PYTHONPATH": str(own),
            "LABKIT_DATA": str(clone.root / "data"),
        },
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        said = "".join(process.stdout.readline() for _ in range(3))
        url = re.search(r"http://\S+", said)[0]
        assert status(url) == 200
        assert "/voila/render/0-today.ipynb" in url
        assert status(re.sub(r"/voila.*", "/api/contents/0-today.ipynb", url)) == 403
        assert (clone.copies / "1-concentrates.ipynb").is_file()
        (server,) = children(process.pid)
        kernels_get = Path(f"/proc/{server}/environ").read_bytes().split(b"\0")
        assert f"PYTHONPATH={clone.root}".encode() in kernels_get
        os.kill(server, signal.SIGKILL)
        _, wrong = process.communicate(timeout=60)
    finally:
        process.kill()
    assert process.returncode == 1
    assert wrong.startswith("labkit: the workbook ended by itself (signal 9): what you kept")
    listed = subprocess.run(
        ["git", "status", "--porcelain"], cwd=clone.root, capture_output=True, text=True, check=True
    ).stdout
    assert [line for line in listed.splitlines() if not line.startswith("A  ")] == []


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="links and signals as on POSIX")
def test_open_ends_well_when_it_is_stopped(clone):
    process = subprocess.Popen(
        [clone.python, "-m", "labkit", "open", "--no-browser", "--port", str(free_port())],
        cwd=clone.root,
        env={**os.environ, "LABKIT_DATA": str(clone.root / "data")},
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        for _ in range(3):
            process.stdout.readline()
    finally:
        process.terminate()
        rest, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    assert "stopping the workbook" in rest


def children(pid):
    listed = Path(f"/proc/{pid}/task/{pid}/children")
    if not listed.exists():
        pytest.skip("needs /proc")
    return [int(child) for child in listed.read_text().split()]


def status(url):
    """HTTP status of an address on this machine."""
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with direct.open(url, timeout=30) as answer:
            return answer.status
    except urllib.error.HTTPError as error:
        with error:
            return error.code


@pytest.mark.parametrize("name", ["", ".venv"])
def test_a_project_that_may_only_be_read_is_told_before_anything_is_started(
    tmp_path, monkeypatch, name
):
    """As when one account has set it up and another opens it; root may write anywhere."""
    layout = Layout(root=tmp_path, windows=False, python_version=(3, 12))
    monkeypatch.setattr(opening.os, "access", lambda path, mode: path != tmp_path / name)

    with pytest.raises(SetUpError, match="copy the project to a folder of your own") as told:
        check_writable(layout)

    assert str(told.value).startswith(f"{tmp_path / name} cannot be written")


def test_a_shut_down_from_the_page_is_said_and_is_no_failure(capsys):
    layout = Layout(root=Path("/home/kit"), windows=False, python_version=(3, 12))

    report_end(0, layout, out=sys.stdout)

    assert "was shut down from its page" in capsys.readouterr().out
    with pytest.raises(SetUpError, match=r"ended by itself \(exit code 3\).*jupyter\.log"):
        report_end(3, layout, out=sys.stdout)
