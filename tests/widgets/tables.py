"""An invented tasting laid out for the score sheet's tests, and a lead's notebook that shows it."""

from __future__ import annotations

from datetime import date
from functools import cache

import nbformat
import numpy as np

from labkit.book import Attribute, LabBook
from labkit.tasting import SCALES, Scale, plan_tasting, session_waters
from labkit.water import Target

PASSPHRASE = "seven small spoons"
SESSION = "2026-11-21 Fennmark"
TASTERS = ("Ines", "Jonas", "Mirela", "Tamsin")
TARGETS = tuple(
    Target(mg_share=share, hardness_mg_l_caco3=90, alkalinity_mg_l_caco3=30)
    for share in (0, 0.5, 1)
)
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


@cache
def _plan(session, tasters, alone):
    """Sealing takes a while, so each plan is made once."""
    return plan_tasting(
        TARGETS,
        tasters,
        session=session,
        passphrase=PASSPHRASE,
        repeats=2,
        alone=alone,
        rng=np.random.default_rng(11),
    )


def lay_table(
    where,
    *,
    session=SESSION,
    tasters=TASTERS,
    attributes=ATTRIBUTES,
    stages=(),
    alone=False,
):
    """Make a lab book with one session, two flights planned; it is closed again."""
    with LabBook(where) as book:
        if not book.clients():
            book.add_client("Quillmoor Roastery")
            book.add_coffee("Fennmark", client="Quillmoor Roastery")
        book.start_session(
            session,
            coffee="Fennmark",
            attributes=attributes,
            tasters=tasters,
            waters=session_waters(TARGETS),
            stages=stages,
            tasted_on=date(2026, 11, 21),
        )
        book.store_plan(_plan(session, tuple(tasters), alone))


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
