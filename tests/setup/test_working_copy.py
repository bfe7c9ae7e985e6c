"""The copies of the notebooks that one works in, and the tracked ones that nobody touches."""

from __future__ import annotations

import io
import json

import pytest

from labkit.errors import SetUpError
from labkit.setup.working_copy import renew_copies


def write(path, *cells, outputs=()):
    made = [{"cell_type": "code", "source": [cell], "outputs": list(outputs)} for cell in cells]
    path.write_text(json.dumps({"cells": made}))


def cells_of(path):
    return ["".join(cell["source"]) for cell in json.loads(path.read_text())["cells"]]


class Workbook:
    """A folder of two notebooks and the folder of their copies."""

    def __init__(self, folder):
        self.tracked, self.copies = folder / "workbook", folder / "my-workbook"
        (self.tracked / "tasters").mkdir(parents=True)
        write(self.tracked / "1-a.ipynb", "one")
        write(self.tracked / "2-b.ipynb", "two")
        self.renew()

    def renew(self):
        """Open the workbook; what was said."""
        said = io.StringIO()
        renew_copies(self.tracked, self.copies, out=said)
        return said.getvalue()

    @property
    def names(self):
        return sorted(path.name for path in self.copies.glob("*.ipynb"))


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path)


def test_the_notebooks_are_copied_once(workbook):
    assert workbook.names == ["1-a.ipynb", "2-b.ipynb"]
    assert cells_of(workbook.copies / "1-a.ipynb") == ["one"]


def test_what_a_copy_shows_and_what_was_typed_into_it_stays(workbook):
    mine = workbook.copies / "1-a.ipynb"
    write(mine, "one", "my own cell", outputs=["a picture"])
    before = mine.read_text()

    assert workbook.renew() == ""
    assert mine.read_text() == before


def test_a_newer_notebook_takes_the_place_of_a_copy_that_was_only_run(workbook):
    mine = workbook.copies / "1-a.ipynb"
    write(mine, "one", outputs=["a picture"])
    write(workbook.tracked / "1-a.ipynb", "one, mended")

    assert workbook.renew() == ""
    assert cells_of(mine) == ["one, mended"]
    assert workbook.names == ["1-a.ipynb", "2-b.ipynb"]


@pytest.mark.parametrize("state", ["there", "lost"])
def test_a_copy_that_was_edited_is_set_aside_and_said(workbook, state):
    write(workbook.copies / "1-a.ipynb", "one", "my own cell")
    write(workbook.tracked / "1-a.ipynb", "one, mended")
    if state == "lost":
        (workbook.copies / ".copied-from.json").unlink()

    said = workbook.renew()

    (aside,) = set(workbook.names) - {"1-a.ipynb", "2-b.ipynb"}
    assert aside.startswith("1-a-until-")
    assert aside in said
    assert cells_of(workbook.copies / aside) == ["one", "my own cell"]
    assert cells_of(workbook.copies / "1-a.ipynb") == ["one, mended"]
    assert workbook.renew() == ""  # once


def test_a_copy_that_cannot_be_read_is_set_aside_too(workbook):
    (workbook.copies / "1-a.ipynb").write_text("half a noteb")
    write(workbook.tracked / "1-a.ipynb", "one, mended")

    assert "1-a-until-" in workbook.renew()


def test_a_notebook_that_left_the_workbook_leaves_the_copies_unless_it_was_edited(workbook):
    for name in ("1-a.ipynb", "2-b.ipynb"):
        (workbook.tracked / name).unlink()
    write(workbook.copies / "2-b.ipynb", "two", "my own cell")

    workbook.renew()

    assert workbook.names == ["2-b.ipynb"]


def test_a_copy_that_was_deleted_comes_back(workbook):
    (workbook.copies / "1-a.ipynb").unlink()

    workbook.renew()

    assert workbook.names == ["1-a.ipynb", "2-b.ipynb"]


def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / "my-workbook").write_text("a file in the way")
    (tmp_path / "workbook").mkdir()

    with pytest.raises(SetUpError, match=r"cannot be copied to .*my-workbook .*make that folder"):
        renew_copies(tmp_path / "workbook", tmp_path / "my-workbook", out=io.StringIO())
