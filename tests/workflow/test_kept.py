"""What was read of a coffee is kept: the same values, and read anew as soon as anything changed."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from labkit.analysis import VerdictKind
from labkit.book import Attribute, LabBook
from labkit.errors import BookAwayError
from labkit.present import to_html
from labkit.workflow import (
    ask_earlier_coffees,
    best_levels,
    kept,
    one_water,
    panel_history,
    read_all,
)
from tests.benchmarks.big_book import build
from tests.tasted import at_shares, begin, copy_book, lock_and_open, score

NEW = {"coffee": "coffee 1", "client": "client 1"}


def fill(book):
    build(book, n_coffees=3)


@pytest.fixture
def book(tmp_path):
    with LabBook(copy_book(tmp_path / "book.db", fill)) as opened:
        yield opened


@pytest.fixture
def read(monkeypatch):
    """Coffees whose scores were read, in turn."""
    counted = []

    def across(frame):
        counted.extend(frame["coffee"].unique())
        return real_across(frame)

    def earlier(frame, client, coffee, **more):
        counted.append(coffee)
        return real_earlier(frame, client, coffee, **more)

    real_across, real_earlier = kept.read_across, kept.earlier_coffee
    monkeypatch.setattr(kept, "read_across", across)
    monkeypatch.setattr(kept, "earlier_coffee", earlier)
    return counted


def values(across):
    return [replace(one, best=None, read_whole=None) for one in across.readings]


def bests(across):
    return [replace(one.best, stationary=None) for one in across.readings]


def test_what_is_kept_says_what_was_read(book, read):
    first, again = read_all(book), read_all(book)

    assert read == ["coffee 0", "coffee 1", "coffee 2"]
    assert values(again) == values(first)
    assert bests(again) == bests(first)
    for one, two in zip(again.readings, first.readings, strict=True):
        assert one.best.stationary.coordinates.tolist() == pytest.approx(
            two.best.stationary.coordinates.tolist(), nan_ok=True
        )
    pd.testing.assert_frame_equal(again.table, first.table)


def test_one_water_is_the_same_from_what_is_kept(book):
    first, again = (one_water(book, read_all(book).readings) for _ in range(2))

    assert again.target == first.target
    pd.testing.assert_frame_equal(again.losses, first.losses)


def test_earlier_coffees_are_summarised_once(book, read):
    first, again = (ask_earlier_coffees(book, **NEW) for _ in range(2))

    assert read == ["coffee 0", "coffee 2"]
    assert again.lenders == first.lenders
    assert (again.odds == first.odds).all()


def test_a_head_start_is_kept_whole_until_another_coffee_changes(book, read, monkeypatch):
    made = []

    def from_others(others, key, about):
        made.append(key)
        return real(others, key, about)

    real = kept.head_start_from
    monkeypatch.setattr(kept, "head_start_from", from_others)
    first, again = (ask_earlier_coffees(book, **NEW) for _ in range(2))
    assert made == [("client 1", "coffee 1")]
    assert replace(again, odds=None) == replace(first, odds=None)
    del read[:]
    leave_out(book)  # of the coffee itself: nothing to do with what others lend
    ask_earlier_coffees(book, **NEW)
    assert (len(made), read) == (1, [])
    book.sessions.leave_out(
        "coffee 2",
        client="client 2",
        tasters=book.sessions.all(coffee="coffee 2", client="client 2")[0].tasters[:1],
        seen="",
        reason="ill",
    )
    ask_earlier_coffees(book, **NEW)
    assert (len(made), read) == (2, ["coffee 2"])


def rename(book):
    """Another order of tasters is another order of rows."""
    book.people.rename_taster("Ana", "Zoe")


def leave_out(book):
    tasters = book.sessions.session("session 3").tasters[:1]
    book.sessions.leave_out("coffee 1", client="client 1", tasters=tasters, seen="", reason="ill")


def withdraw(book):
    leave_out(book)
    read_all(book)
    book.sessions.leave_out("coffee 1", client="client 1", seen="", reason="well again")


@pytest.mark.parametrize("change", [leave_out, withdraw])
def test_only_a_coffee_of_which_something_else_is_decided_is_read_again(book, read, change):
    before = read_all(book).table
    read.clear()

    change(book)
    after = read_all(book).table

    assert set(read) == {"coffee 1"}
    changed = before.compare(after).index if change is leave_out else []
    assert set(before.loc[changed, "coffee"]) == ({"coffee 1"} if change is leave_out else set())
    del read[:]
    read_all(book)
    assert read == []


def test_another_order_of_names_is_read_again(book, read):
    read_all(book)
    read.clear()
    rename(book)
    read_all(book)

    seated = {one.coffee for one in book.sessions.all() if "Zoe" in one.tasters}
    assert set(read) == seated


def test_another_version_of_the_analysis_reads_anew(book, read, monkeypatch):
    read_all(book)
    read.clear()
    monkeypatch.setattr(kept, "analysis_version", lambda: "another")
    read_all(book)
    assert len(read) == 3


def test_a_score_more_is_another_mark(book):
    """By hand, as a flight that is open takes none."""
    before = book.readings.marks()
    with book.store.write_engine.begin() as connection:
        connection.exec_driver_sql(
            "INSERT INTO scores (entry_id, serving_id, attribute_id, stage, value, words, "
            "is_cleared, given_at, received_at, source, device, entered_by) SELECT 'more', "
            "serving_id, attribute_id, stage, value, words, is_cleared, given_at, received_at, "
            "source, device, entered_by FROM scores WHERE id = 1"
        )
    after = book.readings.marks()
    assert [key for key in before if after[key] != before[key]] == [("client 0", "coffee 0")]


def test_questions_do_not_grow_with_the_book(book, tmp_path):
    """Counted: what was kept of two coffees and of four takes as many statements."""
    from sqlalchemy import event

    asked = []
    for path, n_coffees in ((tmp_path / "two.db", 2), (tmp_path / "four.db", 4)):
        with LabBook(path) as other:
            build(other, n_coffees=n_coffees)
            read_all(other)
            statements = []
            event.listen(
                other.store.engine,
                "before_cursor_execute",
                lambda *call, into=statements: into.append(call[2]),
            )
            read_all(other)
            asked.append(len(statements))
    assert asked[0] == asked[1]


def test_a_book_that_cannot_be_written_is_read_all_the_same(book, monkeypatch):
    def refuse(*_arguments, **_more):
        raise BookAwayError("the disk is full")

    monkeypatch.setattr(book.readings, "keep", refuse)
    assert len(read_all(book).readings) == 3


def test_nothing_that_is_kept_is_exported_or_survives_its_coffee(book, tmp_path):
    read_all(book)
    assert not (book.export_folder(tmp_path / "out") / "kept_readings.csv").exists()
    book.people.add_coffee("twin", client="client 1")
    book.people.merge_coffees("coffee 1", "twin", client="client 1")
    assert len(read_all(book, client="client 1").readings) == 1


def test_the_best_levels_of_a_coffee_are_read_once_also_for_all_coffees(book, read):
    first = best_levels(book, "coffee 1", client="client 1")
    again = best_levels(book, "coffee 1", client="client 1")
    read_all(book)

    assert again == first
    assert read == ["coffee 1", "coffee 0", "coffee 2"]
    assert best_levels(book, "coffee 1", client="client 1") == first


def test_a_measured_cup_is_another_mark(book):
    before = book.readings.marks()
    with book.store.write_engine.begin() as connection:
        connection.exec_driver_sql(
            "INSERT INTO cup_measurements (cup_id, quantity, value, measured_by, entered_at, "
            "is_key_open) SELECT max(id), 'strength_percent', 1.3, '', '2026-01-01', 1 FROM cups"
        )
    after = book.readings.marks()

    assert [key for key in before if after[key] != before[key]] == [("client 2", "coffee 2")]


def test_a_coffee_of_which_only_words_were_given_has_nothing_to_read(tmp_path):
    words = [Attribute(name="words", kind="descriptors", choices=("floral", "papery"))]
    with LabBook(tmp_path / "words.db") as book:
        planned = begin(
            book,
            "day",
            client="Fennmark",
            coffee="Ostrel",
            targets=at_shares(0, 1),
            tasters=["Ana"],
            attributes=words,
        )
        score(book, planned, lambda _cup, _water: {"words": ("floral",)})
        lock_and_open(book, planned)

        (reading,) = read_all(book).readings

    assert reading.verdict.kind is VerdictKind.UNKNOWN
    assert not reading.has_surface
    assert reading.scores is None


def test_what_a_coffee_says_of_its_panel_is_summed_once_and_a_client_sees_only_their_own(
    book, monkeypatch
):
    summed = []
    real = kept.coffee_sums
    monkeypatch.setattr(
        kept, "coffee_sums", lambda frame, *key: summed.append(key) or real(frame, *key)
    )

    first, again = panel_history(book), panel_history(book)
    own = panel_history(book, client="client 1")

    assert summed == [(f"client {n}", f"coffee {n}") for n in range(3)]
    pd.testing.assert_frame_equal(again.to_frame(), first.to_frame())
    assert (first.n_coffees, own.n_coffees) == (3, 1)
    assert first._repr_html_() == to_html(first)
