"""JupyterLab as ``open`` runs it: apart from the user's own, and never gone without a word."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from labkit.errors import SetUpError
from labkit.setup.layout import Layout
from labkit.setup.opening import _report_end
from tests.project import PROJECT, free_port
from tests.setup.test_cli import status

OPENS = """
import sys
from pathlib import Path

from labkit.errors import LabkitError
from labkit.setup.layout import Layout
from labkit.setup.opening import serve_workbook

layout = Layout(root=Path(sys.argv[1]), windows=False, python_version=sys.version_info[:2])
try:
    sys.exit(serve_workbook(layout, port=int(sys.argv[2]), browser=False, out=sys.stdout))
except LabkitError as error:
    sys.exit(f"labkit: {error}")
"""


@pytest.fixture
def clone(tmp_path):
    """A clone under version control, with this environment in it."""
    root = tmp_path / "clone"
    (root / ".venv").mkdir(parents=True)
    for part in Path(sys.prefix).iterdir():
        if part.name in ("bin", "lib", "lib64", "pyvenv.cfg", "share", "etc"):
            (root / ".venv" / part.name).symlink_to(part)
    shutil.copytree(PROJECT / "workbook", root / "workbook")
    shutil.copy(PROJECT / ".gitignore", root)
    for command in (["init", "-q"], ["add", "-A"]):
        subprocess.run(["git", *command], cwd=root, check=True)
    return root


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="links and signals as on POSIX")
def test_a_jupyter_of_the_users_own_is_not_in_the_way_and_a_death_is_said(clone, tmp_path):
    own = tmp_path / "own"
    own.mkdir()
    (own / "jupyter_server_config.py").write_text("c.ServerApp.base_url = '/mine/'\n")
    code = tmp_path / "opens.py"
    code.write_text(OPENS)
    process = subprocess.Popen(
        [sys.executable, str(code), str(clone), str(free_port())],
        env={**os.environ, "JUPYTER_CONFIG_DIR": str(own), "PYTHONPATH": str(PROJECT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        said = "".join(process.stdout.readline() for _ in range(3))
        assert status(re.search(r"http://\S+", said)[0]) == 200
        assert (clone / "my-workbook" / "1-concentrates.ipynb").is_file()
        (server,) = children(process.pid)
        os.kill(server, signal.SIGKILL)
        _, wrong = process.communicate(timeout=60)
    finally:
        process.kill()
    assert process.returncode == 1
    assert wrong.startswith("labkit: the workbook ended by itself (signal 9): what you kept")
    untracked = subprocess.run(
        ["git", "status", "--porcelain"], cwd=clone, capture_output=True, text=True, check=True
    ).stdout
    assert "my-workbook" not in untracked
    assert not re.search(r"^.M|^\?\?", untracked, re.MULTILINE), untracked


def children(pid):
    listed = Path(f"/proc/{pid}/task/{pid}/children")
    if not listed.exists():
        pytest.skip("needs /proc")
    return [int(child) for child in listed.read_text().split()]


def test_a_shut_down_from_the_page_is_said_and_is_no_failure(capsys):
    layout = Layout(root=Path("/home/kit"), windows=False, python_version=(3, 12))

    _report_end(0, layout, out=sys.stdout)

    assert "was shut down from its page" in capsys.readouterr().out
    with pytest.raises(SetUpError, match=r"ended by itself \(exit code 3\).*jupyter\.log"):
        _report_end(3, layout, out=sys.stdout)
