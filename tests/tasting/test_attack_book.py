"""Attacks on the lab book's file: before a key is opened, it pairs no code with a water.

The list of a session's waters lies open in it, and so do the codes. Whoever reads the SQLite file,
its journals and its tables row by row guesses which is which no better than by chance. Guesses
over many sessions of four waters hit one on average, with variance one; bounds are 4.5 standard
errors.
"""

import re
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np
import pytest

from labkit.book import Attribute, LabBook, take_as_it_is
from labkit.book.stock.needs import JUG_ML, take_doses
from labkit.errors import BookError, LockError, SealError
from labkit.tasting import SCALES, plan_tasting, ratio_sweep, session_waters
from labkit.tasting.preparation import bench_plan
from labkit.tasting.seal import OpenedFlight
from labkit.water import Target
from labkit.water.dosing.mixing import mix

PASSPHRASE = "copper kettle, seven spoons"
TASTERS = ("Ada", "Bo", "Cy", "Dee")
TARGETS = ratio_sweep(
    (0.07, 0.33, 0.61, 0.93), hardness_mg_l_caco3=81.5, alkalinity_mg_l_caco3=31.5
).targets
N_SESSIONS = 40


def _store(book: LabBook, name: str) -> None:
    waters = session_waters(TARGETS, control="none")
    book.sessions.start_session(
        name,
        coffee="Ysmeral",
        client="Quorrin & Velt",
        attributes=[Attribute(name="overall", scale=SCALES["liking 1-9"])],
        tasters=TASTERS,
        waters=waters,
        tasted_on=date(2026, 11, 20),
        serving="shared bowls",
        brew_method="cupping",
    )
    plan = plan_tasting(
        TARGETS,
        TASTERS,
        session=name,
        passphrase=PASSPHRASE,
        control="none",
        duplicates=0,
        flights=2,
        recent_codes=None,
    )
    book.sessions.store_plan(plan, waters=waters)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """A lab book with many sessions planned and sealed, one opened flight, left open on disk."""
    return tmp_path_factory.mktemp("attacked")


@pytest.fixture(scope="module")
def book(folder) -> Iterator[LabBook]:
    with LabBook(folder / "book.db") as book:
        book.people.add_client("Quorrin & Velt")
        book.people.add_coffee("Ysmeral", client="Quorrin & Velt")
        for i in range(N_SESSIONS):
            _store(book, f"session {i:03d}")
        yield book


@pytest.fixture(scope="module")
def truth(book) -> dict[tuple[str, int], dict[str, int]]:
    """Water number of each code by session and flight, opened apart from the book."""
    found = {}
    for i in range(N_SESSIONS):
        plan = book.sessions.plan(f"session {i:03d}")
        for key in plan.keys:
            rows = key.open(PASSPHRASE).rows
            found[plan.session, key.flight] = {
                row.blind_code: int(row.water[1:]) - 1 for row in rows
            }
    return found


@pytest.fixture(scope="module")
def tables(book, folder) -> dict[str, list[dict[str, object]]]:
    """Every row of every table, in the order of the file."""
    with closing(sqlite3.connect(folder / "book.db")) as db:
        db.row_factory = sqlite3.Row
        names = [r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: [dict(r) for r in db.execute(f"SELECT * FROM {name}")] for name in names}


def _cups(tables) -> dict[tuple[str, int], list[str]]:
    """Codes by session and flight, in the order of their rows."""
    sessions = {row["id"]: row["name"] for row in tables["sessions"]}
    flights = {row["id"]: (sessions[row["session_id"]], row["number"]) for row in tables["flights"]}
    codes: dict[tuple[str, int], list[str]] = {}
    for row in tables["cups"]:
        codes.setdefault(flights[row["flight_id"]], []).append(row["blind_code"])
    return codes


def _by_first_serving(tables) -> dict[tuple[str, int], list[str]]:
    """Codes in the order in which servings were written."""
    code = {row["id"]: row["blind_code"] for row in tables["cups"]}
    place = {}
    for row in sorted(tables["servings"], key=lambda row: row["id"]):
        place.setdefault(code[row["cup_id"]], {}).setdefault(row["flight_id"], row["id"])
    flights = {row["id"]: row for row in tables["flights"]}
    sessions = {row["id"]: row["name"] for row in tables["sessions"]}
    ordered: dict[tuple[str, int], list[tuple[int, str]]] = {}
    for row in tables["cups"]:
        flight = flights[row["flight_id"]]
        key = (sessions[flight["session_id"]], flight["number"])
        first = place[row["blind_code"]][row["flight_id"]]
        ordered.setdefault(key, []).append((first, row["blind_code"]))
    return {key: [code for _, code in sorted(cups)] for key, cups in ordered.items()}


def _hits(ordered, truth):
    return [sum(truth[key][code] == i for i, code in enumerate(ordered[key])) for key in truth]


@pytest.mark.parametrize("order", [_cups, _by_first_serving])
def test_the_order_of_rows_tells_no_water(order, tables, truth):
    hits = _hits(order(tables), truth)

    assert len(hits) == 2 * N_SESSIONS
    assert np.mean(hits) == pytest.approx(1, abs=4.5 / len(hits) ** 0.5)


@pytest.mark.parametrize("backwards", [False, True])
def test_the_order_of_bytes_in_the_file_tells_no_water(backwards, tables, truth, folder):
    """Codes as text in the raw file, in the order they first (or last) occur."""
    raw = b"".join(path.read_bytes() for path in sorted(folder.iterdir()))
    ordered = {
        key: sorted(codes, key=lambda c: (raw.rfind if backwards else raw.find)(c.encode()))
        for key, codes in _cups(tables).items()
    }

    hits = _hits(ordered, truth)
    # A code of one session is found in the bytes of another, so that this is a weak attack.
    assert np.mean(hits) == pytest.approx(1, abs=4.5 / len(hits) ** 0.5)


def test_no_row_of_any_table_holds_a_code_and_a_water(tables):
    shares = {f"{target.mg_share:g}" for target in TARGETS}
    codes = {row["blind_code"] for row in tables["cups"]}

    for name, rows in tables.items():
        for row in rows:
            words = {str(v) for column, v in row.items() if not re.search("(^|_)id$", column)}
            assert not (words & codes and words & (shares | {"W1", "W2", "W3", "W4"})), name
    assert tables["opened_cups"] == []


def test_tables_of_codes_do_not_lead_to_the_table_of_waters(book, folder):
    """No foreign key from cups, servings or keys to waters, nor back."""
    with closing(sqlite3.connect(folder / "book.db")) as db:
        leads = {
            name: {row[2] for row in db.execute(f"PRAGMA foreign_key_list({name})")}
            for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        }

    for name in ("cups", "servings", "sealed_keys"):
        assert "session_waters" not in leads[name]
    assert leads["session_waters"] == {"sessions"}


def test_no_file_holds_a_jug_a_bowl_or_the_passphrase(book, folder):
    """Jug and bowl are named inside the sealed keys only.

    Four such bytes stand in a megabyte of ciphertext by chance once in 250 books; a leak would
    name every jug of every session.
    """
    for path in folder.iterdir():
        raw = path.read_bytes()
        assert PASSPHRASE.encode() not in raw
        assert len(re.findall(rb"[JB][12]\.[1-4]", raw)) < 2, path.name


def test_file_names_and_events_name_no_water(book, folder):
    events = [e for i in range(N_SESSIONS) for e in book.sessions.events(f"session {i:03d}")]
    said = [path.name for path in folder.iterdir()] + [repr(event) for event in events]

    assert not any(re.search(r"W\d|J\d|mg_share|0\.33", text) for text in said)


def test_keys_are_all_of_one_length_and_share_nothing(tables):
    tokens = [row["token"] for row in tables["sealed_keys"]]
    bodies = [np.frombuffer(token[44:], np.uint8) for token in tokens]

    assert len({len(token) for token in tokens}) == 1
    same = [np.mean(one == other) for one, other in pairwise(bodies)]
    # 1/256 by chance over some thousand bytes a pair.
    assert np.mean(same) == pytest.approx(1 / 256, abs=0.001)


def test_neither_lock_nor_passphrase_can_be_passed_by(book):
    with pytest.raises(LockError, match="must be locked before its key opens"):
        book.sessions.open_flights("session 000", [1], PASSPHRASE)
    with pytest.raises(SealError, match="passphrase must be the one"):
        book.sessions.open_flights("session 000", [1], "another one", early_because="curious")
    assert not book.sessions.flight("session 000", 1).is_unblinded


def test_opening_early_is_recorded_and_marks_the_flight(tmp_path):
    with LabBook(tmp_path / "early.db") as book:
        book.people.add_client("Quorrin & Velt")
        book.people.add_coffee("Ysmeral", client="Quorrin & Velt")
        _store(book, "spring")

        book.sessions.open_flights(
            "spring", [1], PASSPHRASE, early_because="a jug broke", done_by="Odile"
        )

        assert book.sessions.flight("spring", 1).is_unblinded
        assert not book.sessions.flight("spring", 2).is_unblinded
        assert any("a jug broke" in event.reason for event in book.sessions.events("spring"))


def test_opening_one_flight_writes_nothing_of_the_next(tmp_path):
    """After flight 1 is locked and opened, no byte outside the seal names flight 2's jugs."""
    path = tmp_path / "two.db"
    with LabBook(path) as book:
        book.people.add_client("Quorrin & Velt")
        book.people.add_coffee("Ysmeral", client="Quorrin & Velt")
        _store(book, "spring")
        for cup in book.sessions.served_cups("spring", 1, "Ada"):
            book.scores.record_score("spring", 1, "Ada", "overall", 5, blind_code=cup.blind_code)
        book.sessions.lock_flights("spring", [1])
        book.sessions.open_flights("spring", [1], PASSPHRASE)

        raw = b"".join(p.read_bytes() for p in tmp_path.glob("two.db*"))
        with closing(sqlite3.connect(path)) as db:
            opened = db.execute(
                "SELECT DISTINCT f.number FROM opened_cups o JOIN cups c ON c.id = o.cup_id"
                " JOIN flights f ON f.id = c.flight_id"
            ).fetchall()

    assert opened == [(1,)]
    assert b"J1.1" in raw
    assert not re.search(rb"[JB]2\.[1-4]", raw)


def test_the_bench_sheet_leaves_no_pairing_behind(tmp_path):
    """The preparer opens for the sheet; the file is as blind as before."""
    with LabBook(tmp_path / "bench.db") as book:
        book.people.add_client("Quorrin & Velt")
        book.people.add_coffee("Ysmeral", client="Quorrin & Velt")
        _store(book, "spring")

        (opened,) = book.sessions.open_for_bench_sheets("spring", [1], PASSPHRASE, done_by="Odile")

        assert len(opened.rows) == 4
        assert not book.sessions.flight("spring", 1).is_unblinded
    with closing(sqlite3.connect(tmp_path / "bench.db")) as db:
        assert db.execute("SELECT COUNT(*) FROM opened_cups").fetchone() == (0,)
    for path in tmp_path.glob("bench.db*"):
        assert not re.search(rb"[JB]1\.[1-4]", path.read_bytes())


def test_a_key_swapped_between_flights_in_the_file_is_noticed(tmp_path):
    path = tmp_path / "swap.db"
    with LabBook(path) as book:
        book.people.add_client("Quorrin & Velt")
        book.people.add_coffee("Ysmeral", client="Quorrin & Velt")
        _store(book, "spring")
    with closing(sqlite3.connect(path)) as db, db:  # the second commits
        (one, a), (two, b) = db.execute("SELECT flight_id, token FROM sealed_keys").fetchall()
        db.execute("UPDATE sealed_keys SET token = ? WHERE flight_id = ?", (b, one))
        db.execute("UPDATE sealed_keys SET token = ? WHERE flight_id = ?", (a, two))
    with pytest.raises(BookError, match="not as labkit wrote it: sealed_keys"):
        LabBook(path)
    take_as_it_is(path, reason="the attacker corrected the sums as well")
    with LabBook(path) as book:
        book.sessions.lock_flights("spring", [1])
        with pytest.raises(SealError, match="was changed after it was sealed, or belongs to"):
            book.sessions.open_flights("spring", [1], PASSPHRASE)


# ------------------------------------------------------------------ doses that were written down

UNEQUAL = tuple(
    Target(mg_share=share, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=alkalinity)
    for share, hardness, alkalinity in (
        (0.07, 61, 22),
        (0.33, 83, 31),
        (0.61, 104, 47),
        (0.93, 122, 35),
        (0.48, 148, 53),
        (0.20, 171, 41),
    )
)
"""Six waters, no two of which share a dose."""

N_DRAWS = 12


@pytest.fixture(scope="module")
def dosed(tmp_path_factory) -> Iterator[tuple[LabBook, Path, dict[tuple[str, int], OpenedFlight]]]:
    """Sessions alike but for their draw, of three waters a flight, with all doses written down."""
    path = tmp_path_factory.mktemp("dosed") / "book.db"
    with LabBook(path) as book:
        book.people.add_client("Quorrin & Velt")
        book.people.add_coffee("Ysmeral", client="Quorrin & Velt")
        for name, salt, grams in (
            ("calcium", "CaCl2·2H2O", 1.469),
            ("magnesium", "MgCl2·6H2O", 2.031),
            ("bicarbonate", "KHCO3", 2.001),
        ):
            book.stock.add_bottle(name, salt=salt, weighed_g=20 * grams, volume_ml=20_000)
        opened = {}
        for i in range(N_DRAWS):
            name = f"draw {i:02d}"
            plan = plan_tasting(
                UNEQUAL,
                TASTERS,
                session=name,
                passphrase=PASSPHRASE,
                control="none",
                duplicates=0,
                flights=2,
                cups_per_flight=3,
                recent_codes=None,
            )
            book.sessions.start_session(
                name,
                coffee="Ysmeral",
                attributes=[Attribute(name="overall", scale=SCALES["liking 1-9"])],
                tasters=TASTERS,
                waters=session_waters(UNEQUAL, control="none"),
                plan=plan,
            )
            for key in plan.keys:
                opened[name, key.flight] = key.open(PASSPHRASE)
                take_doses(book, name, key.flight, _doses(book, opened[name, key.flight]))
        yield book, path, opened


def _doses(book: LabBook, flight: OpenedFlight) -> dict[str, float]:
    """The sums of the bench sheet's last row, as the preparer types them."""
    totals = bench_plan([flight], book.stock.concentrates(), jug_volume_ml=JUG_ML).totals()
    sums = totals.set_index("what")["volume_ml"]
    return {bottle.name: float(sums[bottle.name]) for bottle in book.stock.bottles()}


def _each(book: LabBook) -> list[dict[str, float]]:
    """Doses of a jug of each water, as anyone works them out from what lies open."""
    bottles = book.stock.concentrates()
    mixings = [mix(target, bottles, volume_ml=JUG_ML) for target in UNEQUAL]
    return [{d.concentrate.name: d.volume_ml for d in mixing.doses} for mixing in mixings]


def _consistent(
    each: list[dict[str, float]], seen: dict[str, float], *, is_bound: bool
) -> list[tuple[int, ...]]:
    """Which choices of three waters a flight may hold, as far as amounts seen of it can tell."""
    left = []
    for choice in combinations(range(len(UNEQUAL)), 3):
        sums = {name: sum(each[i].get(name, 0.0) for i in choice) for name in seen}
        # Pipetting rounds each of three doses to .1 mL at worst.
        fits = all(
            sums[name] <= seen[name] + 0.15 if is_bound else abs(sums[name] - seen[name]) < 0.15
            for name in seen
        )
        left += [choice] if fits else []
    return left


def _seen(path: Path) -> dict[tuple[str, int], dict[str, float]]:
    """All amounts that stand readable in the file, by session and flight."""
    query = """
        SELECT s.name, u.flight, b.name, SUM(u.volume_ml) FROM bottle_uses u
        JOIN bottles b ON b.id = u.bottle_id JOIN sessions s ON s.id = u.session_id
        GROUP BY s.name, u.flight, b.name
    """
    seen: dict[tuple[str, int], dict[str, float]] = {}
    with closing(sqlite3.connect(path)) as db:
        for session, flight, bottle, volume_ml in db.execute(query):
            seen.setdefault((session, flight), {})[bottle] = volume_ml
    return seen


def test_sums_of_doses_would_solve_a_flight_and_what_stands_in_the_file_does_not(dosed):
    """The attack bites: with the sums typed it finds the one choice of twenty, every time."""
    book, path, opened = dosed
    seen, each = _seen(path), _each(book)
    assert set(seen) == set(opened)
    for key, flight in opened.items():
        truth = tuple(sorted(UNEQUAL.index(row.target) for row in flight.rows))
        assert _consistent(each, _doses(book, flight), is_bound=False) == [truth]
        assert len(_consistent(each, seen[key], is_bound=True)) == 20
        assert truth not in _consistent(each, seen[key], is_bound=False)


def test_what_stands_of_doses_is_the_same_whatever_the_draw(dosed):
    """Rows, their order and number, and the length of what is sealed, session by session."""
    _, path, opened = dosed
    assert len({str(sorted(r.water for r in flight.rows)) for flight in opened.values()}) > 4
    with closing(sqlite3.connect(path)) as db:
        uses = db.execute(
            "SELECT session_id, bottle_id, flight, volume_ml, note, is_bound FROM bottle_uses "
            "ORDER BY id"
        ).fetchall()
        sealed = db.execute("SELECT length(token) FROM sealed_doses").fetchall()
    by_session: dict[int, list[tuple[object, ...]]] = {}
    for session, *rest in uses:
        by_session.setdefault(session, []).append(tuple(rest))
    assert len(by_session) == N_DRAWS
    assert len({tuple(rows) for rows in by_session.values()}) == 1
    assert len(sealed) == 2 * N_DRAWS
    assert len(set(sealed)) == 1


def test_no_dose_typed_is_readable_in_the_file_or_its_journal(dosed):
    """Neither as SQLite stores a number (big-endian double, unless it is whole) nor as text."""
    book, path, opened = dosed
    raw = b"".join(part.read_bytes() for part in path.parent.iterdir())
    counted = {volume_ml for amounts in _seen(path).values() for volume_ml in amounts.values()}
    parted = [volume_ml for volume_ml in counted if not volume_ml.is_integer()]
    assert parted
    assert all(struct.pack(">d", volume_ml) in raw for volume_ml in parted)  # the search works
    typed = {dose for flight in opened.values() for dose in _doses(book, flight).values()}
    assert not [d for d in typed - counted if struct.pack(">d", d) in raw]
    assert not [d for d in typed - counted if f"{d!r}".encode() in raw]


def test_opening_one_flight_unseals_its_doses_and_not_the_next_ones(dosed, tmp_path):
    book, _, opened = dosed
    copy = book.back_up(tmp_path / "copy.db")
    with LabBook(copy) as again:
        bounds = _seen(copy)
        again.sessions.lock_flights("draw 00", [1])
        again.sessions.open_flights("draw 00", [1], PASSPHRASE)
        doses = _doses(again, opened["draw 00", 1])
    seen = _seen(copy)
    assert seen["draw 00", 1] == pytest.approx(doses)
    assert seen["draw 00", 2] == bounds["draw 00", 2]
