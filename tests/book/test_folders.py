"""A whole lab book as CSV files: nothing is lost on the way out and in."""

from __future__ import annotations

import csv
import os
import re
from pathlib import Path

import pytest

from labkit.book import Held, LabBook
from labkit.book.current import choose_book, open_book
from labkit.book.demo import ensure_demo_book
from labkit.book.files.folders import import_folder
from labkit.book.stock.needs import take_doses
from labkit.book.store.opening import SCHEMA_VERSION
from labkit.errors import BookError, ImportFileError
from tests.book.samples import (
    CLIENT,
    COFFEE,
    OVERALL,
    PASSPHRASE,
    SESSION,
    score_all,
    start_tasting,
)

NASTY = '=HYPERLINK("http://x"); \'DROP TABLE scores\'; ＝1 \u202e\U0001f375 é\n@x, "q"'


def fill(book):
    """Use every table."""
    book.people.add_client("'=Second & Sons")
    book.people.add_coffee("+Ridge", client="'=Second & Sons", note=NASTY)
    start_tasting(book)
    start_tasting(
        book, name="Ridge 1", coffee="+Ridge", tasters=["-Dee", "Ada"], stages=["hot", "cool"]
    )
    book.stock.add_bottle(
        "KHCO3 a", salt="KHCO3", weighed_g=2.001, volume_ml=1000, note="for +Ridge"
    )
    book.stock.measure_bottle("KHCO3 a", method="titration", strength_mg_l_caco3_per_ml=1.02)
    book.stock.answer_strength(
        "KHCO3 a", counts="measured", answered_by="-Dee", reason="for +Ridge"
    )
    book.stock.set_bicarbonate_keeps_days(3)
    take_doses(book, SESSION, 1, {"KHCO3 a": 31.5})
    take_doses(book, "Ridge 1", 1, {"KHCO3 a": 20})
    book.stock.add_base_water("-tap", {"Ca": (60, "mg/L")}, client="'=Second & Sons", fill_gap=True)
    score_all(book)
    book.scores.record_score(
        SESSION, 1, "Ada", "overall", 9, position=1, source="lead", device="-1"
    )
    book.scores.record_score(SESSION, 1, "Ada", "note", NASTY, position=1)
    book.scores.record_score(SESSION, 1, "Ada", "words", ["nutty"], position=2)
    book.scores.record_score(SESSION, 1, "Ada", "overall", None, position=3)
    book.scores.record_score("Ridge 1", 1, "-Dee", "overall", 6.25, position=1, stage="cool")
    measured = {"strength_percent": 1.31, "beverage_g": 350.0, "dose_g": 20.0, "brew_ph": None}
    code = min(book.sessions.plan(SESSION).codes(1))
    book.scores.measure_cups(SESSION, [(1, code, measured)], measured_by="+Prep")
    book.sessions.lock_flights(SESSION, [1])
    book.sessions.open_flights(SESSION, [1], PASSPHRASE)
    book.sessions.issue_link(SESSION, "Ada")
    ridge = {"client": "'=Second & Sons", "done_by": "-Dee"}
    book.sessions.leave_out("+Ridge", **ridge, tasters=["-Dee"], seen="overall", reason=NASTY)
    book.sessions.leave_out(
        "+Ridge", **ridge, sessions=["Ridge 1"], seen="overall", reason="for +Ridge"
    )
    book.sessions.leave_out(
        COFFEE, client=CLIENT, tasters=["Ada", "Chen"], seen="acidity", reason="colds"
    )
    scale = {"attribute": "overall", "scale": OVERALL.scale_name}
    book.sessions.choose_scale(COFFEE, client=CLIENT, **scale)


def files(folder):
    return {path.name: path.read_text(encoding="utf-8") for path in folder.iterdir()}


def test_a_folder_round_trips_on_each_database(book, tmp_path):
    fill(book)
    out = book.export_folder(tmp_path / "out")
    import_folder(out, tmp_path / "again.db")

    with LabBook(tmp_path / "again.db") as again:
        assert files(again.export_folder(tmp_path / "out2")) == files(out)
        assert again.scores.history(SESSION) == book.scores.history(SESSION)
        assert again.scores.opened_scores().equals(book.scores.opened_scores())
        assert again.sessions.decisions(COFFEE) == book.sessions.decisions(COFFEE)
        assert again.scores.measured_cups(SESSION) == book.scores.measured_cups(SESSION) != ()
        # The sealed keys came along, and new rows go on after the old ones.
        again.sessions.lock_flights(SESSION, [2])
        assert again.sessions.open_flights(SESSION, [2], PASSPHRASE)[0].state == "opened"
        again.people.add_client("Third")


@pytest.mark.postgres
def test_a_folder_goes_to_postgresql_and_goes_on_there(sqlite_book, postgres_schema_url, tmp_path):
    fill(sqlite_book)
    out = sqlite_book.export_folder(tmp_path / "out")
    import_folder(out, postgres_schema_url)

    with LabBook(postgres_schema_url) as again:
        assert files(again.export_folder(tmp_path / "out2")) == files(out)
        assert again.scores.record_score(SESSION, 2, "Ada", "overall", 7, position=1).is_new
        again.people.add_client("Third")
    with pytest.raises(BookError, match="must be empty"):
        import_folder(out, postgres_schema_url)


def test_a_clients_folder_shows_nothing_of_another(book, tmp_path):
    fill(book)
    out = book.export_folder(tmp_path / "out", client="'=Second & Sons")
    # A key's ciphertext is noise, in which four letters turn up by chance.
    everything = re.sub(r"[A-Za-z0-9+/=]{200,}", "", "".join(files(out).values()))

    for foreign in (CLIENT, COFFEE, SESSION, "Béla", "Chen", "KHCO3"):
        assert foreign not in everything
    import_folder(out, tmp_path / "theirs.db")
    with LabBook(tmp_path / "theirs.db") as theirs:
        assert [coffee.name for coffee in theirs.people.coffees()] == ["+Ridge"]
        assert [entry.value for entry in theirs.scores.history("Ridge 1")] == [6.25]
        decided = [(d.taster, d.session, d.holds) for d in theirs.sessions.decisions("+Ridge")]
        assert decided == [("-Dee", None, False), (None, "Ridge 1", True)]
    # Numbers start at 1: a gap would tell that there is more.
    with open(out / "sessions.csv", encoding="utf-8", newline="") as stream:
        assert [row["id"] for row in csv.DictReader(stream)] == ["1"]


def test_the_labs_water_that_a_clients_session_started_from_goes_with_it(book, tmp_path):
    """Without it the handed-over book could not say what its waters were made from."""
    tap = {"Ca": (40, "mg/L"), "HCO3": (122, "mg/L")}
    book.stock.add_base_water("lab tap", tap, note="as for Second & Sons")
    book.stock.add_base_water("another tap", tap)
    book.people.add_client("Second & Sons")
    book.stock.add_base_water("their tap", tap, client="Second & Sons")
    start_tasting(book, held=Held(base_water="lab tap"))
    book.stock.add_base_water("own tap", tap, client=CLIENT, note="by the door")
    import_folder(book.export_folder(tmp_path / "out", client=CLIENT), tmp_path / "theirs.db")
    with LabBook(tmp_path / "theirs.db") as theirs:
        held = theirs.sessions.session(SESSION).held
        assert theirs.stock.start_water(held).water == book.stock.start_water(held).water
        notes = {water.name: water.note for water in theirs.stock.base_waters()}
        assert notes == {"lab tap": "", "own tap": "by the door"}


def test_links_do_not_travel(book, tmp_path):
    start_tasting(book)
    secret = book.sessions.issue_link(SESSION, "Ada")
    out = book.export_folder(tmp_path / "out")
    import_folder(out, tmp_path / "again.db")
    with LabBook(tmp_path / "again.db") as again, pytest.raises(BookError, match="link"):
        again.sessions.guest_of_link(secret)


@pytest.mark.parametrize(
    ("file", "change", "words"),
    [
        (
            "scores.csv",
            lambda text: text.replace("entry_id", "id_of_entry", 1),
            "must have the",
        ),
        ("scores.csv", lambda text: text.rsplit(",", 4)[0], "cells, got"),
        ("flights.csv", lambda text: text.replace(",no", ",maybe", 1), "is_unblinded cannot be"),
        ("clients.csv", lambda text: text.partition("\n")[0], "does not fit the other files"),
        (
            "lab_book.csv",
            lambda text: text.replace("tables_version", "x"),
            "tables_version",
        ),
    ],
)
def test_a_folder_that_does_not_fit_makes_no_book(sqlite_book, tmp_path, file, change, words):
    fill(sqlite_book)
    out = sqlite_book.export_folder(tmp_path / "out")
    path = out / file
    path.write_text(change(path.read_text(encoding="utf-8")), encoding="utf-8")
    before = sorted(p.name for p in tmp_path.iterdir())

    with pytest.raises(ImportFileError, match=words):
        import_folder(out, tmp_path / "again.db")
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_a_folder_of_a_newer_labkit_is_refused(sqlite_book, tmp_path):
    out = sqlite_book.export_folder(tmp_path / "out")
    path = out / "lab_book.csv"
    now, later = f"tables_version,{SCHEMA_VERSION}", "tables_version,99"
    path.write_text(path.read_text().replace(now, later))
    with pytest.raises(BookError, match="newer labkit"):
        import_folder(out, tmp_path / "again.db")


def test_nothing_is_overwritten_unless_asked(sqlite_book, tmp_path):
    out = sqlite_book.export_folder(tmp_path / "out")
    with pytest.raises(BookError, match="must be empty"):
        sqlite_book.export_folder(out)
    sqlite_book.export_folder(out, overwrite=True)
    with pytest.raises(BookError, match="must be new"):
        import_folder(out, sqlite_book.name)
    with pytest.raises(ImportFileError, match="no folder"):
        import_folder(tmp_path / "nowhere", tmp_path / "x.db")


@pytest.fixture
def data_dir(sqlite_book, tmp_path, monkeypatch):
    """A data folder with a demo, as the project has one."""
    data = tmp_path / "data"
    data.mkdir()
    start_tasting(sqlite_book)
    sqlite_book.export_folder(data / "demo")
    monkeypatch.setenv("LABKIT_DATA", str(data))
    return data


def test_the_demo_is_built_once_and_again_when_its_files_change(data_dir):
    url = ensure_demo_book(data_dir)
    with LabBook(url) as book:
        book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1)
    assert ensure_demo_book(data_dir) == url
    with LabBook(url) as book:
        assert len(book.scores.history(SESSION)) == 1

    clients = data_dir / "demo" / "clients.csv"
    clients.write_text(clients.read_text().replace(CLIENT, "Thessaloup"))
    ensure_demo_book(data_dir)
    with LabBook(url) as book:
        assert [client.name for client in book.people.clients()] == ["Thessaloup"]
        assert book.scores.history(SESSION) == ()
    (aside,) = data_dir.glob("demo-until-*.db")
    with LabBook(aside) as old:
        assert len(old.scores.history(SESSION)) == 1


def test_a_broken_demo_book_is_set_aside_and_built_anew(data_dir):
    (data_dir / "demo.db").write_bytes(b"no lab book")
    with LabBook(ensure_demo_book(data_dir)) as book:
        assert [client.name for client in book.people.clients()] == [CLIENT]


@pytest.mark.skipif(os.name == "nt", reason="there, what is open elsewhere is refused so too")
@pytest.mark.parametrize(
    ("refused", "told"),
    [(PermissionError(13, "no"), "you may not write in"), (OSError(26, "busy"), "is in use")],
)
def test_a_demo_book_that_cannot_be_renewed_says_which_it_is(data_dir, monkeypatch, refused, told):
    (data_dir / "demo.db").write_bytes(b"no lab book")

    def rename(*_paths):
        raise refused

    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(BookError, match=told):
        ensure_demo_book(data_dir)


def test_the_workbook_uses_the_demo_until_a_book_is_chosen(data_dir, tmp_path):
    with open_book() as book:
        assert book.name == str(data_dir / "demo.db")
    choose_book(tmp_path / "mine.db").close()
    with open_book() as book:
        assert book.name == str(tmp_path / "mine.db")
    assert (data_dir / "lab_book.txt").stat().st_mode & 0o777 == 0o600
    choose_book(None).close()
    with open_book() as book:
        assert book.name == str(data_dir / "demo.db")


def test_a_chosen_book_that_has_gone_is_said_and_not_made_anew(data_dir, tmp_path):
    choose_book(tmp_path / "mine.db").close()
    (tmp_path / "mine.db").rename(tmp_path / "elsewhere.db")
    with pytest.raises(BookError, match=r"was chosen but is not there"):
        open_book()
    assert not (tmp_path / "mine.db").exists()


def test_a_choice_that_does_not_open_changes_nothing(data_dir, tmp_path):
    choose_book(tmp_path / "mine.db").close()
    with pytest.raises(BookError):
        choose_book(tmp_path)
    with open_book() as book:
        assert book.name == str(tmp_path / "mine.db")


def test_a_data_folder_without_a_demo_says_so(tmp_path):
    with pytest.raises(ImportFileError, match="CSV files must be in"):
        ensure_demo_book(tmp_path)
