"""An invented tasting laid out for the score sheet's tests, and a lead's notebook that shows it."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import nbformat

from labkit.book import Attribute, LabBook
from labkit.tasting import SCALES, Scale
from tests.tasted import PASSPHRASE as PASSPHRASE
from tests.tasted import at_shares, begin, copy_book

SESSION = "2026-11-21 Fennmark"
TASTERS = ("Ines", "Jonas", "Mirela", "Tamsin")
TARGETS = at_shares(0, 0.5, 1)
QUALITY = Scale(
    name="quality 6-10",
    lowest=6,
    highest=10,
    step=0.25,
    words=((6, "plain"), (7, "good"), (8, "very good"), (9, "outstanding"), (10, "flawless")),
)
"""Words of the tests' own: they must not follow what labkit's scale says."""

ATTRIBUTES = (
    Attribute(name="overall quality", scale=QUALITY),
    Attribute(name="liking", scale=SCALES["liking 1-9"]),
    Attribute(name="acidity", scale=SCALES["intensity 0-15"]),
    Attribute(name="acidity for you", scale=SCALES["just about right"]),
    Attribute(name="words", kind="descriptors", choices=("floral", "nutty", "cocoa", "papery")),
    Attribute(name="note", kind="note"),
)


def lay_table(
    where,
    *,
    session=SESSION,
    tasters=TASTERS,
    attributes=ATTRIBUTES,
    stages=(),
    alone=False,
    held=None,
):
    """Make a lab book with one session, two flights planned; it is closed again."""
    told = (session, tuple(tasters), tuple(attributes), tuple(stages), alone, held)
    if isinstance(where, Path) and not where.exists():
        copy_book(where, _lay, *told)
        return
    with LabBook(where) as book:
        _lay(book, *told)


def _lay(book, session, tasters, attributes, stages, alone, held):
    begin(
        book,
        session,
        client="Quillmoor Roastery",
        coffee="Fennmark",
        targets=TARGETS,
        tasters=tasters,
        planning={"repeats": 2, "alone": alone},
        attributes=attributes,
        stages=stages,
        held=held,
        tasted_on=date(2026, 11, 21),
    )


def write_notebook(path, *cells):
    """Write a notebook of code cells."""
    notebook = nbformat.v4.new_notebook()
    notebook.cells = [nbformat.v4.new_code_cell(cell) for cell in cells]
    notebook.metadata["kernelspec"] = {
        "name": "python3",
        "display_name": "Python 3",
        "language": "python",
    }
    nbformat.write(notebook, path)
