"""Which commit a folder's code is of: from the clone, from an archive of it, or not known."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import sys
import tarfile
import zipfile

import pytest

from labkit import __version__
from labkit.release import ROOT, commit_of, made_with
from tests.project import PROJECT

WRITER = ("-c", "user.name=a", "-c", "user.email=a@example.org", "-c", "commit.gpgsign=false")


def git(folder, *arguments):
    """Run git there, as nobody in particular and without anybody's settings."""
    done = subprocess.run(
        ["git", "-C", str(folder), *WRITER, *arguments], check=True, capture_output=True
    )
    return done.stdout


@pytest.fixture
def clone(tmp_path):
    """A repository of one commit, with the file that an archive fills in."""
    folder = tmp_path / "clone"
    (folder / "labkit").mkdir(parents=True)
    for name in ("labkit/commit.txt", ".gitattributes"):
        shutil.copy(PROJECT / name, folder / name)
    git(folder, "init", "-q")
    git(folder, "add", ".")
    git(folder, "commit", "-q", "-m", "first")
    return folder


def test_a_clone_names_its_commit_and_says_when_code_was_changed_since(clone):
    head = git(clone, "rev-parse", "HEAD").decode().strip()
    assert commit_of(clone) == f"commit {head[:10]}"
    (clone / "notes.txt").write_text("not code")
    assert commit_of(clone) == f"commit {head[:10]}"
    (clone / "labkit" / "commit.txt").write_text("other")
    assert commit_of(clone) == f"commit {head[:10]}, changed since"


def test_another_repository_named_by_a_hook_is_not_taken_for_it(clone, tmp_path, monkeypatch):
    before = commit_of(clone)
    monkeypatch.setenv("GIT_DIR", str(tmp_path / "elsewhere"))
    assert commit_of(clone) == before


def test_an_archive_of_a_commit_names_it(clone, tmp_path):
    head = git(clone, "rev-parse", "HEAD").decode().strip()
    with tarfile.open(fileobj=io.BytesIO(git(clone, "archive", "HEAD"))) as archive:
        archive.extractall(tmp_path / "unpacked", filter="data")
    assert commit_of(tmp_path / "unpacked") == f"commit {head[:10]}"


def test_a_wheel_of_a_clone_names_its_commit_and_one_of_changed_code_none(tmp_path):
    """Built as an installer builds it, by the project's own backend (PEP 517)."""
    if not (PROJECT / ".git").exists():
        pytest.skip("not a clone")
    folder = tmp_path / "clone"
    git(tmp_path, "clone", "-q", "--shared", str(PROJECT), str(folder))
    shutil.copy(PROJECT / "hatch_build.py", folder)
    shutil.copy(PROJECT / "pyproject.toml", folder)
    head = git(folder, "rev-parse", "HEAD").decode().strip()

    def built():
        build = (
            "import sys; from hatchling.build import build_wheel; print(build_wheel(sys.argv[1]))"
        )
        command = [sys.executable, "-c", build, str(tmp_path / "dist")]
        subprocess.run(command, check=True, capture_output=True, cwd=folder)
        (wheel,) = (tmp_path / "dist").glob("*.whl")
        with zipfile.ZipFile(wheel) as packed:
            assert packed.namelist().count("labkit/commit.txt") == 1
            return packed.read("labkit/commit.txt").decode().strip()

    assert built() == head
    (folder / "labkit" / "steps.py").write_text("changed = True\n")
    assert built() == "$Format:%H$"
    assert git(folder, "status", "--porcelain", "labkit/commit.txt") == b""


def test_what_cannot_be_told_is_not_made_up(tmp_path, clone, monkeypatch):
    assert commit_of(tmp_path) == ""
    (tmp_path / "labkit").mkdir()
    shutil.copy(PROJECT / "labkit" / "commit.txt", tmp_path / "labkit")  # never filled in
    assert commit_of(tmp_path) == ""
    monkeypatch.setenv("PATH", "")
    assert commit_of(clone) == ""


def test_paper_names_version_and_commit():
    found = commit_of(ROOT)
    assert made_with() == f"labkit {__version__}" + f" ({found})" * bool(found)


def test_changelog_and_citation_speak_of_this_version():
    """Keep a Changelog 1.1.0: unreleased first, then versions, newest first, with ISO dates."""
    text = (PROJECT / "CHANGELOG.md").read_text(encoding="utf-8")
    heads = re.findall(r"^## (.*)$", text, re.M)
    assert heads[0] == "[Unreleased]"
    released = [re.fullmatch(r"\[(\d+\.\d+\.\d+)\] - (\d{4}-\d\d-\d\d)", one) for one in heads[1:]]
    assert all(released)
    assert released[0][1] == __version__
    order = [tuple(map(int, one[1].split("."))) for one in released]
    assert order == sorted(order, reverse=True)
    kinds = {"Added", "Changed", "Deprecated", "Removed", "Fixed", "Security"}
    assert set(re.findall(r"^### (.*)$", text, re.M)) <= kinds
    cited = (PROJECT / "CITATION.cff").read_text(encoding="utf-8")
    assert f"\nversion: {__version__}\n" in cited
    assert f'\ndate-released: "{released[0][2]}"\n' in cited


def test_type_information_is_there_for_those_who_call_labkit():
    """PEP 561: the marker stands in the package itself."""
    assert (ROOT / "labkit" / "py.typed").is_file()
