"""What a form asks the lab book: as little in a book of many sessions as in one of few."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import event

from labkit import bench
from labkit.book import LabBook
from labkit.tasting import ratio_sweep
from labkit.widgets import OpenForm, PaperForm, ReadingView, ReplanForm, ScoringDesk, SweepForm
from labkit.widgets.parts.coffees import coffee_choices, levels_by_coffee
from labkit.workflow import plan_session, where_it_stands
from labkit.workflow.usual import usual_name
from tests.benchmarks.big_book import build
from tests.tasted import copy_book

KEY = ("client 0", "coffee 0")


def fill(book, n_coffees):
    """Coffees that were tasted, and a session that is under way."""
    build(book, n_coffees=n_coffees)
    waters = ratio_sweep((0, 0.5, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    plan_session(
        book, KEY[1], waters, client=KEY[0], tasters=["Ana", "Bo"], passphrase="a long one"
    )


@pytest.fixture(scope="module")
def books(tmp_path_factory):
    folder = tmp_path_factory.mktemp("books")
    few, many = (LabBook(copy_book(folder / f"{n}.db", fill, n)) for n in (2, 5))
    with few, many:
        yield few, many


def papers(book):
    made = {
        name: getattr(bench, name)
        for name in ("score_sheets", "cup_labels", "tray_map", "bench_sheet")
    }
    return PaperForm(book, **made, papers=bench.LABEL_PAPERS)


def sweep(book):
    best = levels_by_coffee(book)
    return SweepForm(coffee_choices(book), lambda _sweep: "", best, book=book, coffee=KEY)


def stand(book):
    return where_it_stands(book, KEY[1], client=KEY[0])


ASKING = {
    "open": OpenForm,
    "score": ScoringDesk,
    "paper": papers,
    "late": lambda book: ReplanForm(book, bench.bench_sheet),
    "waters": sweep,
    "verdict": lambda book: ReadingView(book, lambda *_one, **_more: "", coffee=KEY),
    "where it stands": stand,
    "name of the next session": lambda book: usual_name(book, "coffee 0", date(2026, 1, 1)),
}


@pytest.mark.parametrize("name", ASKING)
def test_a_form_asks_no_more_of_a_larger_book(books, name):
    counts = []
    for book in books:
        ASKING[name](book)  # what is kept is kept from now on
        seen = []

        def hear(*call, into=seen):
            into.append(call[2])

        event.listen(book.store.engine, "before_cursor_execute", hear)
        ASKING[name](book)
        event.remove(book.store.engine, "before_cursor_execute", hear)
        counts.append(len(seen))

    assert counts[0] == counts[1]
    assert counts[0] > 0
