"""Somebody's first hour: every notebook on a lab book that is new, or has a bottle and a coffee."""

import json

import pytest

from labkit import choose_book
from tests.project import PROJECT

# The checks of notebook 5 ask nothing of a lab book.
NOTEBOOKS = sorted(path.stem for path in (PROJECT / "workbook").glob("[!5]*.ipynb"))


@pytest.fixture(params=["new", "one bottle, one coffee"])
def own_book(request, tmp_path, monkeypatch):
    """An own lab book, chosen for all notebooks."""
    monkeypatch.setenv("LABKIT_DATA", str(tmp_path))
    monkeypatch.chdir(PROJECT / "workbook")  # as Jupyter does
    with choose_book(tmp_path / "own.db") as book:
        if request.param != "new":
            book.add_client("a client")
            book.add_coffee("a coffee", client="a client")
            book.add_bottle("calcium", salt="CaCl2·2H2O", weighed_g=1.47, volume_ml=1000.0)
        yield book


@pytest.mark.parametrize("notebook", NOTEBOOKS)
def test_every_notebook_runs_before_anything_was_tasted(notebook, own_book):
    cells = json.loads((PROJECT / "workbook" / f"{notebook}.ipynb").read_text("utf-8"))["cells"]
    names: dict[str, object] = {}
    for cell in cells:
        if cell["cell_type"] == "code":
            exec("".join(cell["source"]), names)  # raises what a reader would be shown

    assert names["book"].url == own_book.url
    names["book"].close()


def test_a_form_says_where_the_first_bottle_comes_from(own_book):
    cells = json.loads((PROJECT / "workbook" / "2-cupping-grid.ipynb").read_text("utf-8"))["cells"]
    names: dict[str, object] = {}
    for cell in cells:
        if cell["cell_type"] == "code":
            exec("".join(cell["source"]), names)
    form = names["sweep_form"]
    said = form.message.value + "".join(note.value for note in form._notes.values())
    names["book"].close()

    assert ("notebook 1" in said) == (not own_book.concentrates())
