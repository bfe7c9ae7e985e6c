"""A lab book of ten years: how long each step takes in it, and how much memory, against the demo.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.big_book build /tmp/big.db
    OMP_NUM_THREADS=1 python -m tests.benchmarks.big_book time /tmp/big.db

The first makes it (351 coffees, 507 sessions, some 122,000 scores; ``--coffees`` for fewer), rows
put in through the store, as sealing two thousand keys would take an hour. The second times each
step in turn, first as it is met for the first time and then once more.
"""

from __future__ import annotations

import argparse
import datetime as dt
import resource
import secrets
import sys
import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from labkit.analysis import PlantedPeak, SimulatedPanel
from labkit.book import LabBook
from labkit.book.store.schema import (
    OPENED,
    AttributeRow,
    CoffeeRow,
    CupRow,
    FlightRow,
    OpenedCupRow,
    ScoreRow,
    SealedKeyRow,
    SeatRow,
    ServingRow,
    SessionRow,
    TasterRow,
    WaterRow,
)
from labkit.tasting import SCALES, Design

COFFEES, FLIGHTS, CUPS, PANEL = 351, 4, 6, 5
TASTERS = ("Ana", "Bo", "Cy", "Di", "Efe", "Fia", "Gus", "Hal")
ORIGINS, PROCESSES = ("hill", "coast", "island", "valley"), ("washed", "natural", "honey")
ROASTS = ("light", "medium", "dark")
CONTROL = (0.3, 90.0, 40.0)
DESIGN = Design(
    kind="incomplete blocks",
    n_waters=2 * CUPS - 1,
    flights=FLIGHTS,
    repeats=FLIGHTS / 2,
    cups_per_flight=CUPS,
    control_cups=FLIGHTS,
    duplicate_cups=0,
    jugs=FLIGHTS * CUPS,
    efficiency=0.8,
    spreads=(),
)
LEVELS = [(m, h, a) for m in (0.1, 0.5, 0.9) for h in (60.0, 110.0, 160.0) for a in (15.0, 35.0)]


def build(book: LabBook, *, n_coffees: int = COFFEES, seed: int = 1) -> None:
    """Fill a book; 4 sessions on 9 coffees, every flight scored and open.

    Parameters
    ----------
    book : LabBook
        A new one.
    n_coffees : int
        Coffees; of every nine four have a second session.
    seed : int
        Of waters and scores.
    """
    rng = np.random.default_rng(seed)
    for client in range(12):
        book.people.add_client(f"client {client}")
    book.people.add_tasters(TASTERS)
    for salt, name in (("CaCl2·2H2O", "calcium"), ("MgCl2·6H2O", "magnesium"), ("KHCO3", "buffer")):
        book.stock.add_bottle(name, salt=salt, weighed_g=5.0, volume_ml=1000.0)
    for number in range(n_coffees):
        book.people.add_coffee(
            f"coffee {number}",
            client=f"client {number % 12}",
            origin=ORIGINS[number % 4],
            process=PROCESSES[number % 3],
            roast_level=ROASTS[number // 3 % 3],
        )
    book.store.write(lambda db: _fill(db, n_coffees, rng))


def _fill(db: Session, n_coffees: int, rng: np.random.Generator) -> None:
    coffees = list(db.scalars(select(CoffeeRow.id).order_by(CoffeeRow.id)))
    people = dict(db.execute(select(TasterRow.name, TasterRow.id)).all())
    rows: dict[Any, list[dict[str, Any]]] = {}
    session = 0
    first = dt.datetime(2016, 1, 4, 9, tzinfo=dt.UTC)
    for place, coffee in enumerate(coffees):
        centre = np.array(CONTROL) + rng.normal(0, (0.2, 25, 10))
        best = tuple(np.clip(centre, (0.05, 50, 5), (0.95, 165, 60)))
        panel = SimulatedPanel.draw(TASTERS, PlantedPeak(best=best), seed=rng)
        for _ in range(2 if place % 9 < 4 else 1):
            session += 1
            when = first + dt.timedelta(days=7 * session)
            _session(rows, session, coffee, when, people, panel, rng)
    for table, values in rows.items():
        for start in range(0, len(values), 20_000):
            db.execute(insert(table), values[start : start + 20_000])


def _session(
    rows: dict[Any, list[dict[str, Any]]],
    number: int,
    coffee: int,
    when: dt.datetime,
    people: dict[str, int],
    panel: SimulatedPanel,
    rng: np.random.Generator,
) -> None:
    """One session of four flights, as the tables have it."""

    def add(table: Any, **values: Any) -> int:
        of_table = rows.setdefault(table, [])
        of_table.append(values)
        return len(of_table)

    tasters = [str(one) for one in rng.choice(TASTERS, PANEL, replace=False)]
    scale = SCALES["liking 1-9"]
    add(
        SessionRow,
        id=number,
        coffee_id=coffee,
        name=f"session {number}",
        tasted_on=when.date(),
        serving="shared bowls",
        brew_method="cupping",
        stages=[],
        held={},
        design=asdict(DESIGN),
        plan_notes=[],
        note="",
        created_at=when,
    )
    scored = [
        add(
            AttributeRow,
            id=2 * (number - 1) + at,
            session_id=number,
            position=at,
            name=name,
            kind="number",
            scale=scale.name,
            lowest=scale.lowest,
            highest=scale.highest,
            step=scale.step,
            words=[],
            is_middle_best=False,
            choices=[],
        )
        for at, name in ((1, "overall"), (2, "body"))
    ]
    waters = [CONTROL, *(LEVELS[at] for at in rng.permutation(len(LEVELS))[: 2 * (CUPS - 1)])]
    columns = ("mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3")
    for at, water in enumerate(waters):
        levels = dict(zip(columns, water, strict=True))
        label = f"W{at + 1}"
        add(WaterRow, session_id=number, position=at, label=label, is_control=not at, **levels)
    for name in tasters:
        secret = secrets.token_hex(32)
        add(
            SeatRow,
            session_id=number,
            taster_id=people[name],
            link_sha256=secret,
            seen_at=None,
        )
    for flight in range(1, FLIGHTS + 1):
        flight_id = add(
            FlightRow,
            id=FLIGHTS * (number - 1) + flight,
            session_id=number,
            number=flight,
            state=OPENED,
            is_unblinded=False,
        )
        key = {"sealed_for": f"session {number}", "token": b"opened", "dose_lock": None}
        add(SealedKeyRow, flight_id=flight_id, **key)
        poured = [
            0,
            *(1 + (at + (flight - 1) * (CUPS - 1)) % (len(waters) - 1) for at in range(CUPS - 1)),
        ]
        cups = []
        for at, water in enumerate(poured):
            code = f"{100 + (37 * at + 11 * flight + number) % 900}"
            cup = add(
                CupRow, id=len(rows.get(CupRow, [])) + 1, flight_id=flight_id, blind_code=code
            )
            levels = dict(zip(columns, waters[water], strict=True))
            known = {"jug": f"J{at + 1}", "bowl": f"B{at + 1}", "water": f"W{water + 1}"}
            control = {"is_control": not water, "is_duplicate": False}
            add(OpenedCupRow, cup_id=cup, **known, **levels, **control)
            about = {"jug": known["jug"], "water": known["water"], "is_control": not water}
            cups.append({"blind_code": str(cup), **about, **levels})
        served = pd.DataFrame(
            [
                {"flight": flight, "taster": name, "position": position + 1, **cups[at]}
                for name in tasters
                for position, at in enumerate(rng.permutation(CUPS))
            ]
        )
        given = panel.taste(served, seed=rng)
        for row in given.to_dict("records"):
            serving = add(
                ServingRow,
                id=len(rows.get(ServingRow, [])) + 1,
                flight_id=flight_id,
                taster_id=people[row["taster"]],
                position=row["position"],
                cup_id=int(row["blind_code"]),
            )
            for attribute in scored:
                add(
                    ScoreRow,
                    entry_id=f"{serving}-{attribute}",
                    serving_id=serving,
                    attribute_id=attribute,
                    stage="",
                    value=float(row["score"]),
                    words="",
                    is_cleared=False,
                    given_at=when,
                    received_at=when,
                    source="sheet",
                    device="",
                    entered_by="",
                )


def clock(book: LabBook) -> None:
    """Each step as it is met first, and once more."""
    from labkit import bench
    from labkit.analysis import trade_sayings
    from labkit.widgets import (
        AcrossForm,
        BalanceForm,
        NextFlightView,
        OneWaterForm,
        ReadingView,
        Today,
        WordsForm,
    )
    from labkit.workflow import next_flight, read, read_all, where_it_stands

    def lap(name: str, work: Callable[[], Any]) -> Any:
        for turn in ("first", "again"):
            before, own = time.perf_counter(), time.process_time()
            made = work()
            spent, own = time.perf_counter() - before, time.process_time() - own
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            timed = f"{spent:7.2f} s ({own:6.2f} of processor)"
            sys.stdout.write(f"{name:28s} {turn}  {timed}  {peak:5.0f} MB\n")
            sys.stdout.flush()
        return made

    coffees = book.people.coffees()
    last = {"client": coffees[-1].client}
    sys.stdout.write(f"{len(coffees)} coffees, {sum(1 for _ in book.sessions.all())} sessions\n")
    lap("where it stands", lambda: where_it_stands(book, coffees[-1].name, **last))
    lap("one coffee read", lambda: read(book, coffees[-1].name, **last))
    lap("next flight, alone", lambda: next_flight(book, coffees[-1].name, earlier=None, **last))
    lap("next flight", lambda: next_flight(book, coffees[-1].name, **last))
    other = coffees[len(coffees) // 2]
    lap("next flight, another", lambda: next_flight(book, other.name, client=other.client))
    lap("every coffee", lambda: read_all(book))
    lap("page Today", lambda: Today(book, lambda _name: book, bench))
    view = lap("view of a coffee", lambda: ReadingView(book, bench.reading_pictures))
    lap("view of the next flight", lambda: NextFlightView(book, view, bench.next_picture))
    across = lap("form across coffees", lambda: AcrossForm(book, bench.across_picture))
    sayings = trade_sayings()
    lap("form of words", lambda: WordsForm(book, across, sayings, bench.words_picture))
    lap("form of acidity", lambda: BalanceForm(book, across, bench.balance_picture))
    lap("form of one water", lambda: OneWaterForm(book, across, bench.losses_picture))


def main() -> None:
    """Build a book, or time the steps in it."""
    asked = argparse.ArgumentParser()
    asked.add_argument("do", choices=["build", "time"])
    asked.add_argument("path", type=Path)
    asked.add_argument("--coffees", type=int, default=COFFEES)
    given = asked.parse_args()
    with LabBook(given.path) as book:
        if given.do == "build":
            build(book, n_coffees=given.coffees)
        else:
            clock(book)


if __name__ == "__main__":
    main()
