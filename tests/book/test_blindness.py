"""Nothing in a lab book joins a code to a water before its flight is opened; opening is told."""

from __future__ import annotations

import subprocess
import sys
from itertools import permutations

import numpy as np
import pytest
from sqlalchemy import text

from labkit.book import LabBook
from labkit.book.store.schema import Base
from labkit.errors import BookError, LockError, SealError
from labkit.tasting import plan_tasting
from tests.book.samples import (
    CLIENT,
    COFFEE,
    OVERALL,
    PASSPHRASE,
    SESSION,
    TARGETS,
    score_all,
    start_tasting,
)


def every_row(book):
    """Every row of every table, as text."""
    with book.store.engine.connect() as connection:
        return {
            table: [
                tuple(map(str, row)) for row in connection.execute(text(f"SELECT * FROM {table}"))
            ]
            for table in Base.metadata.tables
        }


def test_no_row_holds_a_code_and_a_water_before_the_opening(tasting):
    book, plan = tasting
    score_all(book)
    book.sessions.open_for_bench_sheets(SESSION, [1], PASSPHRASE)
    book.sessions.lock_flights(SESSION, [1])
    rows = every_row(book)

    assert rows["opened_cups"] == []
    holders = {table for table, found in rows.items() for row in found if set(row) & plan.all_codes}
    assert holders == {"cups"}
    assert {len(row) for row in rows["cups"]} == {3}  # number, flight, code
    labels = {table for table, found in rows.items() for row in found if "W1" in row}
    assert labels == {"session_waters"}


def test_opening_one_flight_tells_nothing_of_the_next(tasting):
    book, plan = tasting
    for flight in (1, 2):
        score_all(book, flight=flight)
    book.sessions.lock_flights(SESSION, [1])
    book.sessions.open_flights(SESSION, [1], PASSPHRASE)
    frame = book.scores.tidy_scores()
    assert frame.loc[frame["flight"] == 1, "water"].notna().all()
    assert frame.loc[frame["flight"] == 2, "water"].isna().all()
    assert len(every_row(book)["opened_cups"]) == len(plan.codes(1))


def test_the_passphrase_and_the_key_are_not_in_the_file_or_its_journal(book_path):
    with LabBook(book_path) as book:
        plan = start_tasting(book)
        book.sessions.open_for_bench_sheets(SESSION, [1], PASSPHRASE)
        score_all(book)
        book.sessions.lock_flights(SESSION, [1])
        book.sessions.open_flights(SESSION, [1], PASSPHRASE)
        content = b"".join(file.read_bytes() for file in book_path.parent.iterdir())
    assert PASSPHRASE.encode() not in content
    # Flight 1 is open; of flight 2 no jug is named anywhere.
    jugs = {row.jug.encode() for row in plan.keys[1].open(PASSPHRASE).rows}
    assert jugs
    assert not [jug for jug in jugs if jug in content]


def test_rows_stand_in_the_order_of_codes_whatever_the_draw(sqlite_book):
    """Who reads the file guesses waters from the order of rows: no better than chance.

    The guess: rows hold the waters from the least magnesium up. Over the draws its hits stay within
    three standard deviations of blind guessing.
    """
    hits = cups = 0
    for draw in range(25):
        name = f"draw {draw}"
        start_tasting(sqlite_book, name=name)
        plan = plan_tasting(
            TARGETS,
            ["Ada", "Béla", "Chen"],
            session=name,
            passphrase=PASSPHRASE,
            seed=np.random.default_rng(draw),
        )
        sqlite_book.sessions.store_plan(plan)
        with sqlite_book.store.engine.connect() as connection:
            stored = (
                connection.execute(
                    text(
                        "SELECT blind_code FROM cups JOIN flights ON flights.id = flight_id JOIN "
                        "sessions ON sessions.id = session_id WHERE sessions.name = :name AND "
                        "number = 1 ORDER BY cups.id"
                    ),
                    {"name": name},
                )
                .scalars()
                .all()
            )
        assert stored == sorted(stored)
        key = {row.blind_code: row.target.mg_share for row in plan.keys[0].open(PASSPHRASE).rows}
        guesses = sorted(key.values())
        hits += sum(key[code] == guess for code, guess in zip(stored, guesses, strict=True))
        cups += len(stored)
        chance = np.mean(
            [
                np.mean([a == b for a, b in zip(order, guesses, strict=True)])
                for order in permutations(guesses)
            ]
        )
    spread = np.sqrt(chance * (1 - chance) / cups)
    assert abs(hits / cups - chance) < 3 * spread


def test_a_taster_is_given_codes_and_places_only(tasting):
    book, _ = tasting
    cups = book.sessions.served_cups(SESSION, 1, "Ada")
    assert {tuple(cup.__slots__) for cup in cups} == {("position", "blind_code")}
    sheet = book.sessions.sheet(SESSION)
    assert set(sheet.__slots__) == {"name", "tasters", "attributes", "stages", "language"}
    session = book.sessions.session(SESSION)
    assert (sheet.attributes, sheet.tasters) == (session.attributes, session.tasters)


LIGHT = """
import sys
from labkit.book import LabBook
book = LabBook(sys.argv[1])
book.sessions.sheet(sys.argv[2])
book.sessions.served_cups(sys.argv[2], 1, "Ada")
book.scores.record_score(sys.argv[2], 1, "Ada", "overall", 7, position=1)
book.scores.current_scores(sys.argv[2], 1, "Ada")
heavy = {"pandas", "numpy", "alembic", "cryptography", "openpyxl", "matplotlib", "statsmodels"}
print(sorted(heavy & set(sys.modules)))
"""


def test_a_tasters_page_loads_no_heavy_library(book_path):
    """Twelve kernels run at once on one laptop; 51 MB each so, 104 with pandas and matplotlib."""
    with LabBook(book_path) as book:
        start_tasting(book)
    command = [sys.executable, "-W", "ignore", "-c", LIGHT, str(book_path), SESSION]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("include_unblinded", [False, True])
def test_a_flight_opened_early_is_read_only_once_locked(tasting, include_unblinded):
    book, _ = tasting
    score_all(book)
    book.sessions.open_flights(SESSION, [1], PASSPHRASE, early_because="spilt")
    assert book.scores.opened_scores(include_unblinded=include_unblinded).empty
    book.sessions.lock_flights(SESSION, [1])
    assert book.scores.opened_scores(include_unblinded=include_unblinded).empty != include_unblinded


def test_the_bench_sheet_is_read_on_record_and_blindness_stays(tasting):
    book, plan = tasting
    (opened,) = book.sessions.open_for_bench_sheets(SESSION, [1], PASSPHRASE, done_by="Dora")
    assert {row.blind_code for row in opened.rows} == set(plan.codes(1))
    assert not book.sessions.flight(SESSION, 1).is_unblinded
    event = book.sessions.events(SESSION)[-1]
    assert (event.kind, event.done_by) == ("opened for the bench sheet", "Dora")
    with pytest.raises(SealError):
        book.sessions.open_for_bench_sheets(SESSION, [1], "another phrase")
    score_all(book)
    assert book.scores.tidy_scores()["water"].isna().all()


def test_a_lost_passphrase_is_helped_by_the_printed_sheet(tasting):
    book, plan = tasting
    rows = plan.keys[0].open(PASSPHRASE).rows
    score_all(book)
    with pytest.raises(LockError, match="must be locked"):
        book.sessions.open_flight_from_sheet(SESSION, 1, rows, reason="passphrase lost")
    book.sessions.lock_flights(SESSION, [1])
    with pytest.raises(SealError, match="must name the codes of the flight"):
        book.sessions.open_flight_from_sheet(SESSION, 1, rows[:-1], reason="passphrase lost")
    book.sessions.open_flight_from_sheet(SESSION, 1, rows, reason="passphrase lost")
    assert len(book.scores.opened_scores()) == len(rows) * 3
    assert book.sessions.events(SESSION)[-1].reason == "passphrase lost"


def test_a_key_of_another_flight_does_not_open(tasting):
    book, _ = tasting
    with book.store.write_engine.begin() as connection:
        tokens = connection.execute(text("SELECT flight_id, token FROM sealed_keys")).all()
        for (flight_id, _), (_, other) in zip(tokens, reversed(tokens), strict=True):
            connection.execute(
                text("UPDATE sealed_keys SET token = :token WHERE flight_id = :flight"),
                {"token": other, "flight": flight_id},
            )
    book.sessions.lock_flights(SESSION, [1])
    with pytest.raises(SealError, match="belongs to another flight"):
        book.sessions.open_flights(SESSION, [1], PASSPHRASE)


@pytest.fixture
def alone(book):
    """One who tasted alone, scored and locked; the labels under the cups, by position."""
    book.people.add_client(CLIENT)
    book.people.add_coffee(COFFEE, client=CLIENT)
    book.sessions.start_session("alone", coffee=COFFEE, attributes=[OVERALL], tasters=["Ada"])
    plan = plan_tasting(
        TARGETS, ["Ada"], session="alone", passphrase=PASSPHRASE, flights=1, alone=True
    )
    book.sessions.store_plan(plan)
    for cup in book.sessions.served_cups("alone", 1, "Ada"):
        book.scores.record_score("alone", 1, "Ada", "overall", 7, position=cup.position)
    book.sessions.lock_flights("alone", [1])
    return book, dict(enumerate(plan.codes(1), start=1))


def test_scores_given_after_the_codes_were_read_are_not_blind(alone):
    """Who is alone mixed the cups: with the code in sight the water is known."""
    book, codes = alone
    assert not book.sessions.unlock_flight("alone", 1, reason="mistyped").is_unblinded
    book.sessions.lock_flights("alone", [1])
    book.sessions.enter_found_codes("alone", 1, "Ada", codes)
    assert not book.sessions.flight("alone", 1).is_unblinded

    assert book.sessions.unlock_flight("alone", 1, reason="another look").is_unblinded
    book.scores.record_score("alone", 1, "Ada", "overall", 9, position=1)
    book.sessions.lock_flights("alone", [1])
    assert book.sessions.open_flights("alone", [1], PASSPHRASE)[0].is_unblinded

    assert book.scores.opened_scores().empty
    assert len(book.scores.opened_scores(include_unblinded=True)) == len(codes)


def test_codes_typed_in_swapped_are_corrected_while_the_key_is_closed(alone):
    book, codes = alone
    swapped = codes | {1: codes[2], 2: codes[1]}
    book.sessions.enter_found_codes("alone", 1, "Ada", swapped)
    with pytest.raises(BookError, match="to correct them, say why"):
        book.sessions.enter_found_codes("alone", 1, "Ada", codes)
    with pytest.raises(LockError, match="needs a reason"):
        book.sessions.enter_found_codes("alone", 1, "Ada", codes, correct_because=" ")
    with pytest.raises(BookError, match="exactly like this"):
        book.sessions.enter_found_codes("alone", 1, "Ada", swapped, correct_because="to be sure")

    book.sessions.enter_found_codes("alone", 1, "Ada", codes, correct_because="read upside down")

    served = {cup.position: cup.blind_code for cup in book.sessions.served_cups("alone", 1, "Ada")}
    assert served == codes
    event = book.sessions.events("alone")[-1]
    assert event.kind == "codes corrected"
    for kept in ("read upside down", f"cup 1: {codes[2]}", f"cup 2: {codes[1]}"):
        assert kept in event.reason
    assert not book.sessions.open_flights("alone", [1], PASSPHRASE)[0].is_unblinded
    with pytest.raises(LockError, match="but it is opened"):
        book.sessions.enter_found_codes(
            "alone", 1, "Ada", swapped, correct_because="they please more"
        )
    assert len(book.scores.opened_scores()) == len(codes)


def test_codes_of_cups_that_were_never_hidden_are_not_corrected(tasting):
    book, _ = tasting
    book.sessions.lock_flights(SESSION, [1])
    served = {cup.position: cup.blind_code for cup in book.sessions.served_cups(SESSION, 1, "Ada")}
    swapped = served | {1: served[2], 2: served[1]}
    with pytest.raises(BookError, match="are in the lab book already"):
        book.sessions.enter_found_codes(SESSION, 1, "Ada", swapped, correct_because="a trick")
