"""A lab book that cannot be reached, on the page and in notebooks; backup, files, and copies."""

from __future__ import annotations

import asyncio
import csv
import io
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from zipfile import ZipFile

import openpyxl
import pytest

from labkit import bench, choose_book
from labkit.book import LabBook, find_book, found_books, make_backup
from labkit.widgets import BookChoice, Today
from labkit.widgets.parts import book_files, listening
from labkit.widgets.parts.book_files import BookFiles
from labkit.widgets.today import today as today_module
from labkit.widgets.today.today import DRAFTS
from labkit.workflow import NextThing, Step
from tests.book.samples import CLIENT, COFFEE, SESSION, score_all, start_tasting
from tests.postgresql import a_postgresql_server
from tests.project import copy_data
from tests.tasted import copy_book
from tests.widgets.conftest import stock_a_shelf


@pytest.fixture
def data(tmp_path, monkeypatch):
    """A data folder with the demo's files."""
    monkeypatch.setenv("LABKIT_DATA", str(copy_data(tmp_path)))
    monkeypatch.setattr(listening, "LOOK_EVERY_S", 0.05)
    monkeypatch.setattr(today_module, "RETRY_S", 0.05)
    return tmp_path / "data"


@pytest.fixture
def own(data):
    """An own lab book, chosen, with a coffee and bottles."""
    path = copy_book(data / "own.db", stock_a_shelf)
    choose_book(path).close()
    return path


async def until(true):
    """Wait for something, ten seconds at most."""
    for _turn in range(200):
        if true():
            return
        await asyncio.sleep(0.05)
    raise AssertionError("it did not come")


@asynccontextmanager
async def a_page(step=Step.BOTTLES):
    """The page on the book that is chosen, in a running loop as a kernel has it."""
    today = Today(find_book(), choose_book, bench)
    today.go(step)
    yield today
    book = today.desk.book
    today.close()
    if isinstance(book, LabBook):
        book.close()


def options(choice):
    return [one.name for _, one in choice.found.fields["found"].options]


def pick(choice, name):
    """Choose a found book and press."""
    field = choice.found.fields["found"]
    field.value = next(one for _, one in field.options if one.name == name)
    press(choice.found, "Use this one")


def press(form, label):
    found = [one for row in form.children for one in getattr(row, "children", ())]
    next(one for one in found if getattr(one, "description", "") == label).click()


# ------------------------------------------------------------------------- cannot be reached


def test_a_page_without_its_book_offers_what_there_is_and_a_copy_is_taken_up(own, data):
    with LabBook(own) as book:
        copy = make_backup(book)
    LabBook(data / "other.db").close()
    make_backup(LabBook(data / "other.db"))
    own.unlink()
    today = Today(find_book(), choose_book, bench)

    assert today.standing.next is NextThing.CHOOSE_BOOK
    assert "own.db was chosen but is not there" in today.change_book.said.value
    assert today.change_book.change.is_open
    names = options(today.change_book)
    assert names[:2] == ["other.db", f"backups/{copy.name}"]
    pick(today.change_book, f"backups/{copy.name}")

    assert today.coffee.value == ("Client A", "Coffee A")
    assert today.coffee.layout.display == ""
    assert "-from-copy-" in today.desk.book.name
    with find_book() as chosen:
        assert chosen.name == today.desk.book.name
    assert today.change_book.again.layout.display == "none"


def test_trying_again_says_so_beside_the_button_until_it_is_back(own):
    aside = own.rename(own.with_suffix(".aside"))
    today = Today(find_book(), choose_book, bench)
    choice = today.change_book
    choice.again.click()
    assert today.change_book is choice
    assert "is not there" in choice.trying.message.value

    aside.rename(own)
    choice.again.click()

    assert today.desk.book.name == str(own)
    assert today.coffee.value == ("Client A", "Coffee A")


def test_a_page_opened_without_its_book_goes_on_by_itself_once_it_is_back(own):
    async def play():
        aside = own.rename(own.with_suffix(".aside"))
        async with a_page() as today:
            await asyncio.sleep(0.2)
            assert today.standing.next is NextThing.CHOOSE_BOOK
            aside.rename(own)
            await until(lambda: isinstance(today.desk.book, LabBook))
            assert "weigh" in today.parts(Step.BOTTLES)

    asyncio.run(play())


def test_a_book_that_goes_away_while_the_page_is_made_is_waited_for(own):
    async def play():
        book = find_book()
        aside = own.rename(own.with_suffix(".aside"))
        today = Today(book, choose_book, bench)
        today.go(Step.BOTTLES)
        assert today.standing.next is NextThing.CHOOSE_BOOK
        assert "No lab book is open" in today.change_book.said.value
        aside.rename(own)
        await until(lambda: "weigh" in today.parts(Step.BOTTLES))
        today.desk.book.close()
        today.close()
        book.close()

    asyncio.run(play())


def test_a_damaged_book_is_not_tried_again_unasked(own, monkeypatch):
    own.write_bytes(own.read_bytes()[:20_000])
    tried = []
    monkeypatch.setattr(today_module, "open_book", lambda: tried.append(own))

    async def play():
        async with a_page() as today:
            await asyncio.sleep(0.3)
            assert tried == []
            assert "damaged" in today.change_book.said.value

    asyncio.run(play())


@pytest.mark.parametrize("name", ["new", "new.db"])
def test_a_name_that_is_new_makes_an_empty_book(own, data, name):
    own.unlink()
    today = Today(find_book(), choose_book, bench)
    today.change_book.use(name)

    assert today.desk.book.name == str(data / "new.db")
    assert today.standing.next is NextThing.ADD_COFFEE


def test_no_name_is_said_at_its_field(own):
    with LabBook(own) as book:
        choice = BookChoice(book, choose_book)
        choice.use("")

        assert choice.own.notes["name"].value
        assert options(choice) == []  # the one in use is not offered


def test_a_lab_book_comes_in_as_a_file_by_its_name_alone(own, data):
    content = own.read_bytes()
    with LabBook(own) as book:
        choice = BookChoice(book, choose_book)
        for name, given in [("../../friend's.db", content), ("letter.db", b"a letter")]:
            file = {"name": name, "type": "", "size": len(given), "content": given}
            choice.upload.value = (file | {"last_modified": datetime(2026, 11, 21, tzinfo=UTC)},)

    assert "From now on" in choice.said.value
    assert "letter" in choice.own.message.value
    with find_book() as chosen:
        assert chosen.name.startswith(str(data / "friend's-from-copy-"))
        assert [one.name for one in chosen.people.coffees()] == ["Coffee A"]
    assert not list(data.parent.glob("*.db"))


# ------------------------------------------------------------------- goes away while in use


def test_a_book_that_goes_away_is_said_once_and_everything_typed_stays(own):
    async def play():
        async with a_page() as today:
            weigh = today.parts(Step.BOTTLES)["weigh"]
            weigh.fields["volume_ml"].value = 750
            aside = own.rename(own.with_suffix(".aside"))
            said = today.change_book.said
            await until(lambda: "cannot be reached" in said.value)
            assert said.value.count("role=") == 1
            assert today.change_book.again.layout.display == ""
            stands = today.says.value
            today.go(Step.PLAN)  # cannot be made now
            today.change_book.again.click()
            assert "is not there" in today.change_book.trying.message.value
            assert today.says.value == stands

            aside.rename(own)
            await until(lambda: "cannot be reached" not in said.value)
            await until(lambda: "waters" in today.parts(Step.PLAN))
            assert weigh.fields["volume_ml"].value == 750
            assert today.parts(Step.BOTTLES)["weigh"] is weigh
            assert today.change_book.again.layout.display == "none"

    asyncio.run(play())


def test_a_coffee_chosen_while_the_book_is_away_is_followed_once_it_is_back(own):
    async def play():
        async with a_page(Step.PLAN) as today:
            today.desk.book.people.add_coffee("Coffee B", client="Client A")
            await until(lambda: len(today.coffee.options) == 2)
            aside = own.rename(own.with_suffix(".aside"))
            await until(lambda: today.desk.book.changes.away)
            today.coffee.value = ("Client A", "Coffee B")
            aside.rename(own)
            await until(lambda: not today.desk.book.changes.away)
            sweep = today.parts(Step.PLAN)["waters"]
            await until(lambda: sweep.coffee == ("Client A", "Coffee B"))

    asyncio.run(play())


@pytest.mark.postgres
def test_a_server_that_stops_is_said_and_the_page_goes_on_when_it_is_back(data):
    async def play(server):
        async with a_page() as today:
            said = today.change_book.said
            server.stop()
            await until(lambda: "cannot be reached" in said.value)
            server.start()
            await until(lambda: "cannot be reached" not in said.value)
            today.desk.book.people.add_coffee("Coffee C", client="Client A")
            await until(lambda: len(today.coffee.options) == 2)

    with a_postgresql_server() as server:
        with choose_book(server.url) as book:
            stock_a_shelf(book)
        asyncio.run(play(server))


def test_a_server_that_does_not_answer_is_said_to_be_away(own, monkeypatch):
    monkeypatch.setattr(listening, "AWAY_AFTER_S", 0.05)

    async def play():
        async with a_page() as today:
            book, said = today.desk.book, today.change_book.said
            look, hangs = book.changes.look, asyncio.Event()
            loop = asyncio.get_running_loop()

            def slow():
                asyncio.run_coroutine_threadsafe(hangs.wait(), loop).result()
                return look()

            monkeypatch.setattr(book.changes, "look", slow)
            await until(lambda: "does not answer" in said.value)
            hangs.set()
            await until(lambda: "does not answer" not in said.value)

    asyncio.run(play())


def test_a_notebook_says_it_in_its_first_cell(own):
    async def play():
        with LabBook(own) as book:
            choice = BookChoice(book, choose_book)
            own.rename(own.with_suffix(".aside"))
            await until(lambda: "cannot be reached" in choice.said.value)
            own.with_suffix(".aside").rename(own)
            await until(lambda: "Lab book:" in choice.said.value)
            choice.close()

    asyncio.run(play())


def test_the_forms_of_a_former_book_hear_and_hold_nothing_more(own):
    today = Today(find_book(), choose_book, bench)
    today.go(Step.BOTTLES)
    former, weigh = today.desk.book, today.parts(Step.BOTTLES)["weigh"]
    today.change_book.use(None)

    assert not former.changes.has_listeners
    assert weigh.comm is None
    assert today.parts(Step.BOTTLES)["weigh"].comm is not None


def test_drafts_are_kept_only_in_parts_that_there_are(own):
    today = Today(find_book(), choose_book, bench)
    steps = {step: set(today.parts(step)) for step in Step}

    assert today.steps.book == str(own)
    assert {step.value.replace(" ", "-") for step in DRAFTS} == set(today.steps.keeps)
    assert all(set(parts) <= steps[step] for step, parts in DRAFTS.items())
    assert Step.TASTE not in DRAFTS
    assert "open" not in DRAFTS[Step.VERDICT]


# ---------------------------------------------------------------------------------- as files


@pytest.fixture
def tasted(data):
    """A lab book of two clients, one with scores."""
    with LabBook(data / "own.db") as book:
        start_tasting(book)
        score_all(book)
        book.people.add_client("Somebody else")
        book.people.add_coffee("Their secret", client="Somebody else")
        yield book


@pytest.fixture
def files(tasted, monkeypatch):
    """The form, and what it handed to the browser."""
    form = BookFiles(tasted, lambda: None)
    form.handed = {}
    monkeypatch.setattr(
        form.hands, "hand", lambda content, *, name, **_: form.handed.update({name: content})
    )
    return form


def test_a_backup_is_one_press_a_whole_book_and_is_listed(files, tasted, data):
    assert "no backup yet" in files.backing.message.value
    press(files.backing, "Back up now")

    (copy,) = (data / "backups").iterdir()
    assert str(copy) in files.backing.message.value
    with LabBook(copy) as kept:
        assert kept.scores.history(SESSION) == tasted.scores.history(SESSION)
    assert copy in [one.path for one in found_books() if one.is_copy]
    assert "last backup is of" in BookFiles(tasted, print).backing.message.value


def test_a_backup_that_cannot_be_written_is_said_beside_its_button(files, data):
    (data / "backups").write_text("a file where the folder would be")
    press(files.backing, "Back up now")

    assert "cannot be made" in files.backing.message.value


@pytest.mark.parametrize("client", ["", CLIENT, "Somebody else"])
def test_what_is_taken_away_is_of_one_client_or_of_all(files, client):
    files.away.fields["client"].value = client
    for row in files.away.children:
        for button in getattr(row, "children", ()):
            if hasattr(button, "click"):
                button.click()

    assert files.away.message.value == ""
    tidy, wide, sheet, tables = files.handed.values()
    rows = list(csv.DictReader(io.StringIO(tidy.decode())))
    cells = list(openpyxl.load_workbook(io.BytesIO(sheet)).active.iter_rows(values_only=True))
    assert len(cells) == len(wide.decode().splitlines())
    assert {row["coffee"] for row in rows} == (set() if client == "Somebody else" else {COFFEE})
    archive = ZipFile(io.BytesIO(tables))
    people = archive.read("coffees.csv").decode() + archive.read("clients.csv").decode()
    assert ("Somebody else" in people) == (client != CLIENT)
    assert (CLIENT in people) == (client != "Somebody else")


def test_a_spreadsheet_of_scores_holds_what_the_table_does_and_comes_back(tasted, tmp_path):
    path = tasted.scores.export_scores(tmp_path / "scores.xlsx", session=SESSION)
    preview = tasted.scores.preview_import(
        path, SESSION, source="import", with_corrections=False, entered_by="Dora"
    )

    frame = tasted.scores.tidy_scores(session=SESSION)
    _, *rows = openpyxl.load_workbook(path).active.iter_rows(values_only=True)
    at = list(frame.columns).index("score")
    assert [row[at] for row in rows] == [None if s != s else s for s in frame["score"]]
    assert preview.count("already there") == len(preview.rows) == len(frame)


def test_what_is_too_large_for_a_download_is_written_and_said(files, data, monkeypatch):
    monkeypatch.setattr(book_files, "MOST_HANDED", 10)
    press(files.away, "Every table (zip of CSV)")

    (kept,) = (data / "exports").iterdir()
    assert files.handed == {}
    assert str(kept) in files.away.message.value
    assert "scores.csv" in ZipFile(kept).namelist()


def test_scores_are_brought_in_where_they_are_taken(own):
    today = Today(find_book(), choose_book, bench)
    press(today.files, "Scores from paper or a file")

    assert today.steps.chosen == "taste"
