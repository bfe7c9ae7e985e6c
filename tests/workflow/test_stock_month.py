"""A café's month: bottles made and emptied, the shelf counting itself, nothing told of a draw."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import date, timedelta

import numpy as np
import pytest
from sqlalchemy import event, text

from labkit.book import LabBook, flights_left, session_needs, shortages
from labkit.errors import StockError
from labkit.tasting import bench_plan, ratio_sweep
from labkit.water import mix
from labkit.workflow import (
    lock_flights,
    mark_mixed,
    open_flights,
    plan_pair_test,
    plan_session,
    prepare_flights,
    record_doses,
)
from tests.book.faults import failing_to_store
from tests.tasted import copy_book
from tests.widgets.plans.helpers import fill

PASSPHRASE = "only the preparer"
SWEEP = ratio_sweep((0, 0.25, 0.5, 1), hardness_mg_l_caco3=90, alkalinity_mg_l_caco3=40)
TASTERS = ["Ada", "Bo"]
SALTS = {
    "calcium": ("CaCl2·2H2O", 1.47),
    "magnesium": ("MgCl2·6H2O", 2.03),
    "bicarbonate": ("KHCO3", 2.0),
}


@pytest.fixture
def book(tmp_path):
    """A lab book with a coffee, tasters and three bottles of a litre."""
    with LabBook(copy_book(tmp_path / "book.db", fill)) as book:
        yield book


def plan(book, n=0, **more):
    return plan_session(
        book,
        "Coffee A",
        SWEEP,
        tasters=TASTERS,
        passphrase=PASSPHRASE,
        name=f"day {n}",
        seed=np.random.default_rng(n),
        **more,
    )


def score(book, planned, flights=None):
    for cup in planned.plan.cups:
        if flights is None or cup.flight in flights:
            book.scores.record_score(
                planned.session.name, cup.flight, cup.taster, "overall", 6, position=cup.position
            )


def left(book):
    return {bottle.name: bottle.left_ml for bottle in book.stock.bottles()}


def reserved(book):
    return {bottle.name: bottle.reserved_ml for bottle in book.stock.bottles()}


def really(planned):
    """What the bench sheet takes of each bottle (mL)."""
    totals = planned.preparation.jugs.totals().set_index("what")["volume_ml"]
    return {name: float(totals[name]) for name in SALTS}


def finish(book, planned):
    flights = list(planned.plan.flights)
    lock_flights(book, planned.session.name, flights)
    open_flights(book, planned.session.name, PASSPHRASE, flights)


def attempt(book, ask):
    """What was planned, or why not."""
    try:
        return plan_session(book, **ask), ""
    except StockError as short:
        return None, str(short)


def test_thirty_sessions_of_two_clients_are_counted_by_the_shelf_alone(book):
    """No dose is typed. What is on the shelf by the book is what a bottle really holds, when keys
    are open, within half a step of the pipette a dose; before, never more than it holds."""
    book.people.add_client("Client B")
    book.people.add_coffee("Coffee B", client="Client B")
    truth = dict.fromkeys(SALTS, 1000.0)
    names = {salt: salt for salt in SALTS}
    announced, poured, doses = 0, 0.0, 0
    for n in range(30):
        client = "AB"[n % 2]
        about = {"client": f"Client {client}", "flights": 1 + n % 2}
        about["serving"] = "a cup each" if n % 3 == 0 else "shared bowls"
        day = date(2026, 11, 1) + timedelta(days=n)
        ask = {"coffee": f"Coffee {client}", "waters": SWEEP, "tasters": TASTERS} | about
        ask |= {"passphrase": PASSPHRASE, "name": f"day {n}", "tasted_on": day}
        ask |= {"seed": np.random.default_rng(n)}
        planned, refused = attempt(book, ask)
        if planned is None:
            announced += 1
            assert not [one for one in book.sessions.all() if one.name == f"day {n}"]
            for salt, (formula, grams) in SALTS.items():
                if f"'{names[salt]}' is short" in refused:
                    assert f"Weigh {grams:.2f} g of {formula}" in refused
                    book.stock.empty_bottle(names[salt])
                    names[salt] = f"{salt} {n}"
                    truth[salt] = 1000.0
                    book.stock.add_bottle(
                        names[salt], salt=formula, weighed_g=grams, volume_ml=1000, made_on=day
                    )
            planned, refused = attempt(book, ask)
            assert planned, refused
        before = left(book)
        sheet = planned.preparation.jugs
        for jug in sheet.jugs:
            for dose in jug.mixing.doses:
                salt = next(one for one, name in names.items() if name == dose.concentrate.name)
                truth[salt] -= dose.exact_ml
                poured += dose.volume_ml
                doses += 1
        assert min(truth.values()) >= 0  # never short without a word
        score(book, planned)
        now = left(book)
        for salt, name in names.items():
            assert 0 <= now[name] <= min(before[name], truth[salt] + 0.05 * doses)
        assert not any(reserved(book).values())
        finish(book, planned)
        for salt, name in names.items():
            assert left(book)[name] == pytest.approx(truth[salt], abs=0.05 * doses)
    assert announced >= 2
    assert poured > 3000


def test_sealing_reserves_and_a_score_or_a_word_takes(book):
    planned = plan(book, flights=2)
    assert left(book) == dict.fromkeys(SALTS, 1000.0)
    (need,) = session_needs(book)
    most = need.most_ml
    assert reserved(book) == pytest.approx(most)
    assert all(most[name] >= amount for name, amount in really(planned).items())

    score(book, planned, flights={1})
    assert 0 < left(book)["calcium"] < 1000
    assert mark_mixed(book, planned) == (2,)
    assert mark_mixed(book, planned) == ()
    assert left(book) == pytest.approx({name: 1000 - most[name] for name in SALTS})
    assert session_needs(book) == ()

    finish(book, planned)
    assert left(book) == pytest.approx(
        {name: 1000 - amount for name, amount in really(planned).items()}
    )


def test_a_flight_locked_untasted_gives_back_what_was_reserved_unless_it_was_mixed(book):
    first, second = plan(book, 1), plan(book, 2)
    mark_mixed(book, second)
    for planned in (first, second):
        lock_flights(book, planned.session.name, [1])
    taken = {name: 1000 - ml for name, ml in left(book).items()}
    assert not any(reserved(book).values())
    for planned in (first, second):
        open_flights(book, planned.session.name, PASSPHRASE, [1])
    assert left(book) == pytest.approx({name: 1000 - ml for name, ml in really(second).items()})
    assert all(taken[name] >= amount for name, amount in really(second).items())


def test_a_flight_locked_by_mistake_and_scored_after_is_taken(book):
    planned = plan(book)
    lock_flights(book, planned.session.name, [1])
    book.sessions.unlock_flight(planned.session.name, 1, reason="locked the wrong one")
    score(book, planned)
    finish(book, planned)
    assert left(book) == pytest.approx({name: 1000 - ml for name, ml in really(planned).items()})


def test_what_is_typed_stands_in_the_place_of_the_sheet_and_more_is_added(book):
    planned = plan(book)
    record_doses(book, {"calcium": 33.5, "magnesium": 12}, session=planned, flight=1)
    record_doses(book, {"calcium": 4}, session=planned, flight=1)
    score(book, planned)
    finish(book, planned)
    assert left(book) == {"calcium": 962.5, "magnesium": 988.0, "bicarbonate": 1000.0}


def test_a_bottle_made_since_is_reserved_once_the_sheet_is_printed_again(book):
    planned = plan(book)
    book.stock.add_bottle("calcium, fresh", salt="CaCl2·2H2O", weighed_g=2.94, volume_ml=1000)
    book.stock.empty_bottle("calcium")
    again = prepare_flights(book, planned, PASSPHRASE, preparer="Odile")
    assert reserved(book)["calcium, fresh"] > 0
    score(book, planned)
    finish(book, planned)
    used = again.jugs.doses_of(1)
    assert left(book) == pytest.approx({name: 1000 - ml for name, ml in used.items()})


def test_what_is_short_is_refused_with_the_grams_and_sealed_only_when_asked_to(book):
    book.stock.use_bottles({"magnesium": 980}, note="spilt")
    with pytest.raises(StockError, match=r"'magnesium' is short: .* 20 mL are free") as short:
        plan(book)
    assert "Weigh 2.03 g of MgCl2·6H2O, make it up to 1000 mL" in str(short.value)
    assert book.sessions.all() == ()
    with pytest.raises(StockError):
        plan_pair_test(book, "Coffee A", *SWEEP.targets[2:], tasters=TASTERS, passphrase=PASSPHRASE)
    plan(book, even_if_short=True)
    needed = session_needs(book)[0].most_ml
    (found,) = shortages(book, needed, apart_from={("day 0", 1)})
    assert (found.bottle, found.free_ml) == ("magnesium", pytest.approx(20))


def test_a_disk_that_fails_reserves_nothing(book):
    for table in ("bottle_uses", "sealed_doses"):
        with failing_to_store(book, table), pytest.raises(Exception, match="disk I/O"):
            plan(book)
        assert book.sessions.all() == ()
        assert not any(reserved(book).values())


def test_the_shelf_lasts_as_many_flights_as_can_be_sealed(book):
    """Sealing until it is refused, against the number that the shelf says after the first."""
    plan(book, 0)
    lasts = min(flights_left(book).values())
    assert lasts > 0
    for n in range(lasts):
        plan(book, 1 + n)
    with pytest.raises(StockError):
        plan(book, 1 + lasts)


def test_nothing_that_is_stored_or_shown_before_the_key_opens_depends_on_the_draw(tmp_path):
    """Same plan, twelve draws that hold other duplicates: rows, sizes, and the shelf are equal."""
    seen, drawn = set(), set()
    for n in range(12):
        with LabBook(copy_book(tmp_path / f"{n}.db", fill)) as book:
            planned = plan_session(
                book,
                "Coffee A",
                ratio_sweep(
                    (0, 0.2, 0.4, 0.6, 0.8, 1), hardness_mg_l_caco3=90, alkalinity_mg_l_caco3=40
                ),
                tasters=TASTERS,
                passphrase=PASSPHRASE,
                name="day",
                flights=2,
                cups_per_flight=5,
                seed=np.random.default_rng(n),
            )
            (opened, _) = planned.preparation.opened
            drawn.add(str(sorted(row.water for row in opened.rows)))
            states = []
            for step in ("sealed", "mixed", "scored"):
                if step == "mixed":
                    mark_mixed(book, planned, [1])
                if step == "scored":
                    score(book, planned, {2})
                states.append((left(book), reserved(book), session_needs(book), flights_left(book)))
            with closing(sqlite3.connect(tmp_path / f"{n}.db")) as db:
                uses = db.execute(
                    "SELECT bottle_id, flight, volume_ml, note, is_bound FROM bottle_uses "
                    "ORDER BY id"
                ).fetchall()
                sizes = db.execute("SELECT flight_id, length(token) FROM sealed_doses").fetchall()
            seen.add(str((states, uses, sizes)))
            # The attack: with exact sums the flight would be told; the bound fits every choice.
            exact = planned.preparation.jugs.doses_of(1)
            counted = {
                b.name: sum(u.volume_ml for u in b.uses if u.flight == 1)
                for b in book.stock.bottles()
            }
            assert all(counted[name] >= exact[name] for name in exact)
            assert counted != exact
    assert len(drawn) > 3
    assert len(seen) == 1


def test_the_five_hundredth_flight_costs_as_many_statements_as_the_first(book):
    """Counted in statements, not in seconds; the flights that are over are not read one by one."""
    first = plan(book)
    score(book, first)
    finish(book, first)

    def statements():
        seen = []

        def hear(*args):
            seen.append(args[2])

        event.listen(book.store.engine, "before_cursor_execute", hear)
        book.stock.bottles()
        session_needs(book)
        flights_left(book)
        event.remove(book.store.engine, "before_cursor_execute", hear)
        return len(seen)

    few = statements()
    row = "INSERT INTO flights (session_id, number, state, is_unblinded) VALUES (1, :n, :open, 0)"
    with book.store.write_engine.begin() as db:
        db.execute(text(row), [{"n": n, "open": "opened"} for n in range(100, 600)])
    assert statements() == few


def test_a_jug_holds_what_is_poured_from_it_and_little_more(book):
    """12 jugs of a litre for 2.4 L were mixed before; now a rinse and the meter's sample more."""
    planned = plan(book, vessel_ml=200)
    sheet = planned.preparation.jugs
    assert sheet.jug_volume_ml == 280
    each = plan(book, 1, vessel_ml=200, serving="a cup each").preparation.jugs
    assert each.jug_volume_ml == 480
    again = prepare_flights(book, "day 1", PASSPHRASE, preparer="Odile")
    assert again.jugs.jug_volume_ml == 480
    mixed = bench_plan(planned.preparation.opened, planned.preparation.bottles, jug_volume_ml=280)
    assert mixed.jugs == sheet.jugs
    (first, *_) = sheet.jugs
    assert first.mixing == mix(first.mixing.target, planned.preparation.bottles, volume_ml=280)
