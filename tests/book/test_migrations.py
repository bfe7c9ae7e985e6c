"""Old lab books, one per version of the tables, open and lose nothing."""

from __future__ import annotations

import csv
import shutil
import sqlite3
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

import labkit.book.migrations as migrations
from labkit.book import LabBook
from labkit.book.files.folders import import_folder
from labkit.book.store.opening import SCHEMA_VERSION, create_book, read_url, upgrade
from labkit.book.store.schema import Base
from labkit.book.store.sums import write_sums
from labkit.errors import BookError
from labkit.present import say
from labkit.tasting import PlanNote
from tests.book.samples import CLIENT, COFFEE, PASSPHRASE, SESSION

BOOKS = Path(__file__).parent / "books"
STEPS = Path(migrations.__file__).parent / "versions"
VERSIONS = sorted(int(step.name[1:5]) for step in STEPS.glob("v[0-9]*.py"))


@pytest.mark.parametrize("version", VERSIONS)
def test_there_is_an_old_book_of_each_version(version):
    address = f"{(BOOKS / f'version-{version}.db').as_uri()}?mode=ro&immutable=1"
    with closing(sqlite3.connect(address, uri=True)) as old:
        (found,) = old.execute("SELECT version_num FROM alembic_version").fetchone()
    assert int(found) == version


def test_the_newest_step_makes_the_version_of_the_code():
    assert VERSIONS[-1] == SCHEMA_VERSION


def assert_nothing_is_lost(book, version):
    """What every old book holds, whatever its version; see `fill` in test_folders.py."""
    assert [client.name for client in book.people.clients()] == [
        "'=Second & Sons",
        "Quorrin & Velt",
    ]
    history = book.scores.history(SESSION)
    assert len(history) == 16
    assert [entry.value for entry in history if entry.source == "lead"] == [9]
    assert len(book.scores.opened_scores()) == 11
    assert book.stock.bottle("KHCO3 a").left_ml == 968.5
    bottle = book.stock.bottle("KHCO3 a")
    assert bottle.concentrate_as_measured is not None
    assert bottle.balance_g == 0.01
    answered = bottle.measurements[-1].answers
    assert [a.counts for a in answered] == (["measured"] if version > 2 else [])
    assert [use.flight for use in bottle.uses] == [1 if version > 2 else None]
    assert book.stock.bicarbonate_keeps_days() == (3 if version > 2 else 4)
    book.scores.record_score(SESSION, 2, "Ada", "overall", 7, position=1)
    book.sessions.lock_flights(SESSION, [2])
    assert book.sessions.open_flights(SESSION, [2], PASSPHRASE)[0].state == "opened"
    book.sessions.lock_flights("Ridge 1", [1])
    # With the doses that are sealed to its key.
    book.sessions.open_flights("Ridge 1", [1], PASSPHRASE)
    assert book.stock.bottle("KHCO3 a").left_ml == (948.5 if version > 3 else 968.5)
    assert [water.name for water in book.stock.base_waters()] == (["-tap"] if version > 1 else [])
    (ridge,) = book.sessions.decisions("+Ridge")[1:] or (None,)
    assert (ridge and ridge.session) == ("Ridge 1" if version > 5 else None)
    assert book.sessions.left_out(COFFEE, client=CLIENT).tasters == (
        ("Ada", "Chen") if version > 5 else ()
    )
    notes = book.sessions.plan("Ridge 1").notes
    assert notes[0].kind in {PlanNote.AS_WRITTEN, PlanNote.CONTROL}  # a sentence, in older ones
    assert say(notes[0]).startswith("Hidden control: the same water in every flight links")
    measured = [(one.flight, one.measured_by) for one in book.scores.measured_cups(SESSION)]
    assert measured == ([(1, "+Prep")] if version > 7 else [])


@pytest.mark.parametrize("version", VERSIONS)
def test_an_old_book_opens_and_loses_nothing(version, quick_folder):
    path = Path(shutil.copy(BOOKS / f"version-{version}.db", quick_folder / "book.db"))
    with LabBook(path) as book:
        assert_nothing_is_lost(book, version)
    copies = sorted(p.name for p in quick_folder.glob("*before*"))
    kept = [] if version == SCHEMA_VERSION else [f"book-before-version-{version + 1}.db"]
    assert copies == kept
    if copies:
        # The copy is the old book, untouched.
        with closing(sqlite3.connect(quick_folder / copies[0])) as copy:
            (found,) = copy.execute("SELECT version_num FROM alembic_version").fetchone()
            assert int(found) == version
            assert copy.execute("SELECT count(*) FROM scores").fetchone() == (17,)


@pytest.mark.parametrize("version", VERSIONS)
def test_the_sums_of_an_old_book_follow_its_tables_to_the_new_version(version, quick_folder):
    path = Path(shutil.copy(BOOKS / f"version-{version}.db", quick_folder / "book.db"))
    with closing(sqlite3.connect(path)) as old:
        write_sums(old)
        old.commit()
    with LabBook(path) as book:
        book.people.add_client("Thessaloup")
    with LabBook(path) as book:  # counted again: a sum of the old tables would not agree
        assert "Thessaloup" in [client.name for client in book.people.clients()]


@pytest.mark.parametrize("version", VERSIONS)
def test_an_old_folder_becomes_a_book_of_today(version, quick_folder):
    import_folder(BOOKS / f"version-{version}", quick_folder / "book.db")
    with LabBook(quick_folder / "book.db") as book:
        assert_nothing_is_lost(book, version)


@pytest.mark.postgres
@pytest.mark.parametrize("version", VERSIONS)
def test_an_old_folder_becomes_a_postgresql_book_of_today(version, postgres_schema_url):
    import_folder(BOOKS / f"version-{version}", postgres_schema_url)
    with LabBook(postgres_schema_url) as book:
        assert_nothing_is_lost(book, version)


@pytest.mark.postgres
def test_an_old_postgresql_book_opens(postgres_schema_url):
    create_book(read_url(postgres_schema_url), lambda connection: upgrade(connection, "0001"))
    with LabBook(postgres_schema_url) as book:
        book.people.add_client("Thessaloup")
        assert book.stock.base_waters() == ()


REMARKS = (  # of the lab's coffee, in version-5; Béla was Bea until the third
    ("remark", "Left out of the reading: Ada, Bea (overall). a cold (again). Or hay fever", ""),
    ("remark", "Left out of the reading: nobody (acidity). they were well", ""),
    ("renamed", 'taster "Bea" is now "Béla"', "lead"),
    ("remark", f"Left out of the reading: {SESSION}, Béla ((all, side by side)). new mill", ""),
    # What nobody decided, since labkit did not write it: no reason, a stranger, nothing seen, a
    # name beside it, other words.
    ("remark", "Left out of the reading: Ada (overall).", ""),
    ("remark", "Left out of the reading: Flo (overall). late", ""),
    ("remark", "Left out of the reading: Ada had a cold, and so she was.", ""),
    ("remark", "Left out of the reading: Ada (mood). bad", ""),
    ("remark", "Left out of the reading: Ada (overall). as I would do", "Chen"),
    ("remark", "left out of the reading: Ada (overall). late", ""),
)


@pytest.mark.parametrize(
    "kind", ["file", "folder", pytest.param("postgresql", marks=pytest.mark.postgres)]
)
def test_what_was_decided_in_remarks_becomes_rows_and_the_remarks_stay(kind, quick_folder, request):
    where = quick_folder / "book.db"
    moments = [f"2026-11-27 10:00:{second:02d}.000000" for second in range(len(REMARKS))]
    if kind == "file":
        shutil.copy(BOOKS / "version-5.db", where)
        with closing(sqlite3.connect(where)) as old:
            columns = "session_id, kind, reason, done_by, happened_at"
            (of,) = old.execute("SELECT id FROM sessions WHERE name = ?", (SESSION,)).fetchone()
            old.executemany(
                f"INSERT INTO events ({columns}) VALUES (?, ?, ?, ?, ?)",
                [(of, *event, at) for event, at in zip(REMARKS, moments, strict=True)],
            )
            write_sums(old)
            old.commit()
    else:
        folder = shutil.copytree(BOOKS / "version-5", quick_folder / "old")
        with open(folder / "events.csv", "a", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream)
            for number, (event, at) in enumerate(zip(REMARKS, moments, strict=True), start=100):
                writer.writerow([number, 1, "", *event, f"{at}+00:00"])
        where = request.getfixturevalue("postgres_schema_url") if kind == "postgresql" else where
        import_folder(folder, where)

    with LabBook(where) as book:
        decided = [
            (d.taster or d.session, d.attribute, d.reason, d.decided_at.second, d.withdrawn_because)
            for d in book.sessions.decisions(COFFEE)
        ]
        cold = ("overall", "a cold (again). Or hay fever", 0, "they were well")
        mill = ("(all, side by side)", "new mill", 3, "")
        assert decided == [("Ada", *cold), ("Béla", *cold), (SESSION, *mill), ("Béla", *mill)]
        assert [
            d.withdrawn_at and d.withdrawn_at.second for d in book.sessions.decisions(COFFEE)
        ] == [
            1,
            1,
            None,
            None,
        ]
        choice = book.sessions.left_out(COFFEE, client=CLIENT)
        assert (choice.tasters, choice.sessions) == (("Béla",), (SESSION,))
        told = [(e.kind, e.reason, e.done_by) for e in book.sessions.events(SESSION)]
        assert tuple(told[-len(REMARKS) :]) == REMARKS
        assert book.sessions.decisions("+Ridge") == ()


def test_one_decision_in_the_remarks_of_two_sessions_is_one(quick_folder):
    """As version 5 wrote it: the same words into each session that it named."""
    where = quick_folder / "book.db"
    shutil.copy(BOOKS / "version-5.db", where)
    with closing(sqlite3.connect(where)) as old:
        (first,) = old.execute("SELECT id FROM sessions WHERE name = ?", (SESSION,)).fetchone()
        old.execute(
            "UPDATE sessions SET coffee_id = (SELECT coffee_id FROM sessions WHERE id = ?)",
            (first,),
        )
        text = f"Left out of the reading: {SESSION}, Ridge 1 (overall). new mill"
        for second, session in enumerate((first, 3 - first, first)):
            old.execute(
                "INSERT INTO events (session_id, kind, reason, done_by, happened_at) "
                "VALUES (?, 'remark', ?, '', ?)",
                (session, text, f"2026-11-27 10:00:{second:02d}.000000"),
            )
        write_sums(old)
        old.commit()
    with LabBook(where) as book:
        assert [(d.session, d.holds) for d in book.sessions.decisions(COFFEE)] == [
            (SESSION, False),
            ("Ridge 1", False),
            (SESSION, True),  # recorded once more, later
            ("Ridge 1", True),
        ]


def test_of_many_who_open_an_old_book_at_once_one_migrates_it(quick_folder, monkeypatch):
    path = Path(shutil.copy(BOOKS / "version-1.db", quick_folder / "book.db"))
    begun, migrated = threading.Barrier(5), []

    def slowly(connection):
        migrated.append(1)
        time.sleep(1)
        upgrade(connection)

    def open_it(_):
        begun.wait()
        with LabBook(path) as book:
            return len(book.people.clients())

    monkeypatch.setattr("labkit.book.store.opening.upgrade", slowly)
    monkeypatch.setattr("labkit.book.store.engines.BUSY_TIMEOUT_S", 0.5)
    with ThreadPoolExecutor(5) as pool:
        assert list(pool.map(open_it, range(5))) == [2] * 5
    assert migrated == [1]
    with closing(sqlite3.connect(quick_folder / "book-before-version-2.db")) as copy:
        assert copy.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)


def test_a_step_that_fails_leaves_the_old_book_as_it_was(quick_folder, monkeypatch):
    path = Path(shutil.copy(BOOKS / "version-1.db", quick_folder / "book.db"))
    with closing(sqlite3.connect(path)) as old:
        old.execute("CREATE TABLE base_waters (in_the_way INTEGER)")
        old.commit()
    with pytest.raises(BookError, match="base_waters already exists"):
        LabBook(path)
    with closing(sqlite3.connect(path)) as old:
        assert old.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
        columns = [row[1] for row in old.execute("PRAGMA table_info(bottle_measurements)")]
        assert "uncertainty_percent" not in columns


def test_the_steps_lead_to_the_tables_of_the_code(book):
    with book.store.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
