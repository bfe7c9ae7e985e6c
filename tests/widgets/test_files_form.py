"""Paper sheets and files on their way into the lab book by the form, and scores out of it."""

from __future__ import annotations

import csv
import html
import io
import re
from datetime import UTC, datetime
from zipfile import ZipFile

import pandas as pd
import pytest

from labkit.book import LabBook
from labkit.widgets import ScoringDesk
from labkit.widgets.steps.taste.files_form import FilesForm
from tests.widgets.tables import PASSPHRASE, SESSION, lay_table

HEADER = "flight,taster,blind_code,attribute,score"


@pytest.fixture
def book(tmp_path):
    lay_table(tmp_path / "book.db")
    with LabBook(tmp_path / "book.db") as book:
        yield book


@pytest.fixture
def form(book, monkeypatch):
    """The form, and what it handed to the browser."""
    form = FilesForm(book, session=SESSION)
    form.form.fields["entered_by"].value = "Dora"
    form.handed = {}
    monkeypatch.setattr(
        form.hands, "hand", lambda content, *, name, **_: form.handed.update({name: content})
    )
    return form


@pytest.fixture
def code(book):
    return book.sessions.served_cups(SESSION, 1, "Ines")[0].blind_code


def upload(form, *lines, name="paper.csv"):
    choose(form, "\n".join([HEADER, *lines]).encode(), name)


def choose(form, content, name):
    """Choose a file, as the browser tells of it."""
    file = {"name": name, "type": "", "size": len(content), "content": content}
    form.upload.value = (file | {"last_modified": datetime(2026, 11, 21, tzinfo=UTC)},)


def press(form, label):
    (button,) = [b for b in buttons(form) if b.description == label]
    assert not button.disabled
    button.click()


def buttons(widget):
    found = [widget] if hasattr(widget, "on_click") else []
    return found + [b for child in getattr(widget, "children", ()) for b in buttons(child)]


def said(form):
    text = [form.shown.value, form.form.message.value, form.away.message.value]
    return html.unescape(re.sub(r"<[^>]*>", " ", " ".join(text)))


def values(book):
    return [entry.value for entry in book.scores.history(SESSION)]


def test_every_refused_row_is_named_with_its_line_and_why_before_anything_is_taken(
    book, form, code
):
    upload(form, f"1,Ines,{code},acidity,6.5", f"1,Ines,{code},liking,12", "1,Ines,000,liking,3")

    shown = said(form)
    assert "1 new, 0 corrections, 0 already there, 2 refused. Nothing is taken yet." in shown
    assert re.search(r"\b3\s+1, Ines, \d{3}, liking, 12\s+score must be between 1 and 9", shown)
    assert re.search(r"\b4\s+1, Ines, 000, liking, 3\s+.*code of Ines's cups", shown)
    assert values(book) == []
    assert form.take_all.disabled, "all or none would be none"


def test_the_good_rows_are_taken_once_if_asked(book, form, code):
    upload(form, f"1,Ines,{code},acidity,6.5", f"1,Ines,{code},liking,12")

    press(form, "Take the good rows")

    assert values(book) == [6.5]
    assert "Taken into the lab book: 1. Refused and left out: 1." in said(form)
    assert form.take_good.disabled, "a second press has nothing to take"


def test_all_or_none_takes_all_and_says_who_typed_it(book, form, code):
    form.form.fields["entered_by"].value = " "
    upload(form, f"1,Ines,{code},acidity,6.5", f"1,Ines,{code},liking,8")
    press(form, "Take all or none")
    assert "Who typed it must have a name" in form.form.notes["entered_by"].value
    assert values(book) == []
    form.form.fields["entered_by"].value = "Dora"

    press(form, "Take all or none")

    kept = [(e.value, e.source, e.device, e.entered_by) for e in book.scores.history(SESSION)]
    assert kept == [(6.5, "paper", "paper.csv", "Dora"), (8, "paper", "paper.csv", "Dora")]


def test_what_is_there_is_corrected_only_when_asked(book, form, code):
    book.scores.record_score(SESSION, 1, "Ines", "acidity", 2, blind_code=code)
    upload(form, f"1,Ines,{code},acidity,6.5")
    assert "the lab book has 2.0 (sheet" in said(form)

    form.form.fields["with_corrections"].value = True
    assert "0 new, 1 corrections" in said(form)
    press(form, "Take all or none")

    assert values(book) == [2, 6.5]


def test_a_file_that_is_no_table_is_a_sentence(book, form):
    upload(form, name="paper.xlsx")

    assert "paper.xlsx cannot be read as a spreadsheet" in said(form)
    assert form.take_all.disabled
    assert form.take_good.disabled


def test_a_file_name_leads_nowhere(book, form, code, tmp_path):
    upload(form, f"1,Ines,{code},acidity,6.5", name="../../../evil.csv")
    upload(form, f"1,Ines,{code},acidity,6.5", name="..\\..\\evil.csv")

    assert "evil.csv: 1 new" in said(form)
    assert list(tmp_path.rglob("evil*")) == []


def test_what_a_file_says_is_shown_as_text(form, code):
    upload(form, f"1,<img src=x onerror=alert(1)>,{code},acidity,6.5")

    assert "<img" not in form.shown.value
    assert "&lt;img" in form.shown.value


def test_the_empty_table_is_handed_over_filled_in_and_taken(book, form):
    press(form, "Empty table for paper sheets")
    (content,) = form.handed.values()
    table = pd.read_excel(io.BytesIO(content)).assign(liking=5)
    filled = io.BytesIO()
    table.to_excel(filled, index=False)
    choose(form, filled.getvalue(), "paper.xlsx")

    press(form, "Take all or none")

    assert values(book) == [5] * 32


def test_files_to_take_away_hold_scores_and_no_water_before_the_key_is_open(book, form, code):
    book.scores.record_score(SESSION, 1, "Ines", "liking", 4, blind_code=code)
    book.scores.record_score(SESSION, 1, "Ines", "liking", 5, blind_code=code)
    book.scores.record_score(SESSION, 1, "Ines", "note", '=HYPERLINK("x")', blind_code=code)
    for label in ("One row a score", "One row a cup", "Every change"):
        press(form, label)
    press(form, "Empty table for paper sheets")

    tables = {name: content for name, content in form.handed.items() if name.endswith("csv")}
    rows = {
        name.rpartition("-")[2]: list(csv.DictReader(io.StringIO(content.decode())))
        for name, content in tables.items()
    }
    assert [row["score"] for row in rows["tidy.csv"] if row["attribute"] == "liking"] == ["5.0"]
    assert [row["liking"] for row in rows["wide.csv"]] == ["5.0"]
    assert [row["value"] for row in rows["history.csv"]] == ["4.0", "5.0", '\'=HYPERLINK("x")']
    empty = next(content for name, content in form.handed.items() if name.endswith("xlsx"))
    inside = ZipFile(io.BytesIO(empty))
    told = [*tables.values(), *(inside.read(part) for part in inside.namelist())]
    for secret in (b"J1.1", b"B1.1", PASSPHRASE.encode(), b"W1"):
        assert not any(secret in content for content in told)
    assert {row["water"] for row in rows["tidy.csv"]} == {""}


def test_the_desk_of_a_tasting_offers_the_files(book):
    desk = ScoringDesk(book)

    assert desk.place.children[0].titles[-1] == "Paper and files"


def test_a_lock_by_mistake_is_undone_on_the_desk_when_all_flights_are_locked(book):
    for flight in book.sessions.flights(SESSION):
        book.sessions.lock_flights(SESSION, [flight.number])
    desk = ScoringDesk(book)
    assert "No session takes scores now" in desk.place.children[0].value

    desk.chooser.value = SESSION
    lead = desk.place.children[0].children[1]
    lead.reason.value = "locked by mistake"
    lead.unlock.click()

    assert book.sessions.flight(SESSION, 1).state == "being tasted"
    assert ScoringDesk(book).chooser.value == SESSION
