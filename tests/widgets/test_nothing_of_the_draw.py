"""Until its key opens, nothing that is kept or shown depends on which code is which water.

The same day is played in two lab books that differ in the draw alone: the same codes in the same
orders, other waters under them. Whatever stands in the one and not in the other (a row, an amount,
an order, a length, a word on the lead's forms) would tell the draw to somebody.
"""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest

import labkit as lk
from labkit.book import LabBook, take_doses
from labkit.tasting import plan_tasting
from labkit.tasting.preparation import bench_plan
from labkit.tasting.seal import Sealer
from labkit.water import Target
from labkit.workflow import mark_mixed, planning, prepare_flights
from tests.tasted import copy_book
from tests.widgets.every_form import at_the_bottles, at_the_plan, at_the_scores
from tests.widgets.plans.helpers import all_widgets, fill

PASSPHRASE, SESSION = "copper kettle, seven spoons", "spring"
TARGETS = tuple(
    Target(mg_share=share, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=alkalinity)
    for share, hardness, alkalinity in (
        (0.07, 61, 22),
        (0.33, 83, 31),
        (0.61, 104, 47),
        (0.93, 122, 35),
        (0.0, 97, 0),  # takes nothing of two bottles
        (0.20, 141, 41),
    )
)

RANDOM = re.compile(
    r"IPY_MODEL_[0-9a-f]+|\b[0-9a-f]{32}\b|\d{4}-\d\d-\d\d[ T]\d\d:\d\d:\d\d[.\d]*(\+00:00)?"
)
"""Names of widgets and of scores, moments: chance and the clock, not the draw."""


def drawn_otherwise(*given, session, passphrase, **options):
    """The plan that is drawn, with every water in other jugs, and jugs under other codes."""
    plan = plan_tasting(*given, session=session, passphrase=passphrase, **options)
    sealer = Sealer(session, passphrase)
    opened = [key.open(passphrase) for key in plan.keys]
    served = {row.water: row.target for one in opened for row in one.rows if not row.is_control}
    waters = sorted(served.items())
    other = dict(zip(sorted(served), [*waters[1:], waters[0]], strict=True))
    keys = []
    for one in opened:
        rows = []
        for row in one.rows:
            label, target = other.get(row.water, (row.water, row.target))
            rows.append(replace(row, water=label, target=target))
        codes = [row.blind_code for row in rows]
        turned = [
            replace(row, blind_code=code)
            for row, code in zip(rows, [*codes[1:], codes[0]], strict=True)
        ]
        keys.append(sealer.seal(one.flight, tuple(turned)))
    return replace(plan, keys=tuple(keys))


def rows_of(path):
    """Every row of every table as it stands; of what is sealed the length, as that is all."""
    with closing(sqlite3.connect(path)) as db:
        names = [r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        found = {name: db.execute(f"SELECT * FROM {name}").fetchall() for name in names}
    sums = [row for row in found["lab_book"] if "sum" not in row[0]]  # of what is sealed, too
    found["lab_book"] = sums
    return {
        name: [
            tuple(
                len(cell) if isinstance(cell, bytes) else RANDOM.sub("", str(cell)) for cell in row
            )
            for row in rows
        ]
        for name, rows in found.items()
    }


def shown(book, folder):
    """The state of every widget of the lead's forms up to the verdict."""
    steps = (at_the_bottles, at_the_plan, at_the_scores)
    forms = [form for step in steps for form in step(book).values()]
    states = [
        {name: value for name, value in one.get_state().items() if not name.startswith("_")}
        for form in forms
        for one in all_widgets(form)
    ]
    return [RANDOM.sub("", repr(state).replace(str(folder), "")) for state in states]


def a_day(path, plan, monkeypatch):
    """Seal, read the sheet, write doses down, taste, lock: what is kept after each, and shown."""
    monkeypatch.setattr(planning, "plan_tasting", plan)
    copy_book(path, fill)
    kept, doses = [], []
    with LabBook(path) as book:
        planned = lk.plan_session(
            book,
            "Coffee A",
            TARGETS,
            tasters=["Ada", "Bo", "Cy", "Di"],
            passphrase=PASSPHRASE,
            name=SESSION,
            flights=3,
            cups_per_flight=5,
            repeats=1,
            seed=np.random.default_rng(5),
            even_if_short=True,
        )
        kept.append(rows_of(path))
        prepared = prepare_flights(book, SESSION, PASSPHRASE, [1, 2], preparer="Odile")
        for flight, opened in zip((1, 2), prepared.opened, strict=True):
            sheet = bench_plan([opened], book.stock.concentrates(), jug_volume_ml=1000.0)
            sums = sheet.totals().set_index("what")["volume_ml"]
            taken = {b.name: float(sums.get(b.name, 0)) for b in book.stock.bottles()}
            doses.append({name: ml for name, ml in taken.items() if ml > 0})
            if flight == 1:
                take_doses(book, SESSION, 1, doses[-1])
        mark_mixed(book, SESSION, [2])
        kept.append(rows_of(path))
        for cup in planned.plan.cups:
            if cup.flight < 3:
                book.scores.record_score(
                    SESSION, cup.flight, cup.taster, "overall", 6, position=cup.position
                )
        book.sessions.lock_flights(SESSION, [1])
        kept.append(rows_of(path))
        seen = shown(book, path.parent)
        opened = [key.open(PASSPHRASE) for key in planned.plan.keys]
        lk.open_flights(book, SESSION, PASSPHRASE, [1])
        kept.append(rows_of(path))
    return kept, seen, doses, opened


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    folder = tmp_path_factory.mktemp("draws")
    days = []
    with pytest.MonkeyPatch.context() as patch:
        for name, plan in (("one", plan_tasting), ("other", drawn_otherwise)):
            (folder / name).mkdir()
            days.append(a_day(folder / name / "book.db", plan, patch))
    return days


def test_the_two_days_differ_in_the_draw(both):
    """Else what follows would compare a thing with itself."""
    (kept, _, doses, opened), (other_kept, _, other_doses, other_opened) = both

    assert doses != other_doses
    for name in ("opened_cups", "bottle_uses"):  # the key of flight 1 tells
        assert kept[-1][name] != other_kept[-1][name]
    for one, other in zip(opened, other_opened, strict=True):
        assert [row.blind_code for row in one.rows] == [row.blind_code for row in other.rows]
        assert all(
            a.water != b.water or a.is_control != b.is_control
            for a, b in zip(one.rows, other.rows, strict=True)
        )


@pytest.mark.parametrize("moment", ["sealed", "mixed", "tasted and locked"])
def test_the_lab_book_holds_the_same_whatever_was_drawn(both, moment):
    one, other = (day[0][["sealed", "mixed", "tasted and locked"].index(moment)] for day in both)

    assert one.keys() == other.keys()
    assert one["sealed_keys"]
    for name in one:
        assert one[name] == other[name], name


def test_the_leads_forms_show_the_same_whatever_was_drawn(both):
    one, other = (day[1] for day in both)

    assert len(one) > 300
    assert [pair for pair in zip(one, other, strict=True) if pair[0] != pair[1]] == []
