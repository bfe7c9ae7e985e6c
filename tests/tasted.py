"""Lab books that tests begin with: one way to lay out a tasting, and copies of what is built once.

Making a lab book runs every migration, and a tasting is sealed and scored: a test that only needs
such a book gets a copy of one that its process has built before.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from labkit.book import Attribute, LabBook, Score
from labkit.tasting import (
    METHODS,
    CupPlan,
    Serving,
    pair_waters,
    plan_sets,
    plan_tasting,
    session_waters,
)
from labkit.water import Target

PASSPHRASE = "seven small spoons"
"""Seals what is planned here, if nothing else is said."""

Given = Mapping[str, object]
"""Values by attribute."""


@cache
def _built(fill: Callable[..., object], *arguments: Any) -> bytes:
    with tempfile.TemporaryDirectory(prefix="labkit-") as folder:
        path = Path(folder) / "book.db"
        with LabBook(path) as book:
            fill(book, *arguments)
        return path.read_bytes()


def copy_book(where: Path, fill: Callable[..., object], *arguments: Any) -> Path:
    """Lay down a copy of the lab book that ``fill(book, *arguments)`` makes, once a process."""
    where.write_bytes(_built(fill, *arguments))
    return where


def nothing(_book: LabBook) -> None:
    """Leave a new lab book as it is."""


def at_shares(*shares: float, hardness: float = 90, alkalinity: float = 30) -> tuple[Target, ...]:
    """Waters that differ in nothing but their Mg share."""
    return tuple(
        Target(mg_share=share, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=alkalinity)
        for share in shares
    )


def begin(
    book: LabBook,
    session: str,
    *,
    client: str,
    coffee: str,
    targets: Iterable[Target],
    tasters: Iterable[str],
    planning: Mapping[str, Any] = {},
    seed: int = 11,
    about: Mapping[str, Any] = {},
    **of_session: Any,
) -> CupPlan:
    """Put a session and its sealed plan into a lab book.

    Parameters
    ----------
    client, coffee : str
        Added if they are new, the coffee with what is said ``about`` it.
    targets, tasters : iterables of Target and str
        Which waters, and who tastes.
    planning : mapping
        More for ``plan_tasting``; what it says of the control holds for the session's waters too.
    seed : int
        Of the draw.
    of_session
        More for ``start_session``; attributes are needed.
    """
    _add_coffee(book, client, coffee, about)
    targets, tasters = tuple(targets), tuple(tasters)
    control = {name: planning[name] for name in ("control",) if name in planning}
    plan = plan_tasting(
        targets,
        tasters,
        session=session,
        **{"passphrase": PASSPHRASE, "seed": np.random.default_rng(seed), **planning},
    )
    book.sessions.start_session(
        session,
        coffee=coffee,
        client=client,
        tasters=tasters,
        waters=session_waters(targets, **control),
        plan=plan,
        **of_session,
    )
    return plan


def begin_test(
    book: LabBook,
    session: str,
    *,
    client: str,
    coffee: str,
    method: str,
    pair: tuple[Target, Target],
    tasters: Iterable[str],
    stronger: Target | None = None,
    planning: Mapping[str, Any] = {},
    seed: int = 11,
) -> CupPlan:
    """Put a test of two waters and its sealed plan into a lab book.

    Parameters
    ----------
    client, coffee : str
        Added if they are new.
    method : str
        One of ``METHODS`` that names no attribute.
    pair : pair of Target
        Which waters.
    tasters : iterable of str
        Who tastes.
    stronger : Target, optional
        The water named beforehand, where the method names one.
    planning : mapping
        More for ``plan_sets``.
    seed : int
        Of the draw.
    """
    _add_coffee(book, client, coffee, {})
    asked, tasters = METHODS[method], tuple(tasters)
    plan = plan_sets(
        method,
        pair,
        tasters,
        session=session,
        stronger=stronger,
        **{"passphrase": PASSPHRASE, "seed": np.random.default_rng(seed), **planning},
    )
    book.sessions.start_session(
        session,
        coffee=coffee,
        client=client,
        attributes=[Attribute(name=asked.ask(), scale=asked.scale)],
        tasters=tasters,
        waters=pair_waters(method, pair, stronger=stronger),
        plan=plan,
        serving="a cup each",
    )
    return plan


def _add_coffee(book: LabBook, client: str, coffee: str, about: Mapping[str, Any]) -> None:
    if client not in {one.name for one in book.people.clients()}:
        book.people.add_client(client)
    if (client, coffee) not in {(one.client, one.name) for one in book.people.coffees()}:
        book.people.add_coffee(coffee, client=client, **about)


def score(
    book: LabBook,
    plan: CupPlan,
    give: Callable[[Serving, Target], Given],
    passphrase: str = PASSPHRASE,
) -> None:
    """Give every cup what ``give`` says of it and of the water in it."""
    water = {
        (key.flight, row.blind_code): row.target
        for key in plan.keys
        for row in key.open(passphrase).rows
    }
    book.scores.record_scores(
        [
            Score(
                session=plan.session,
                flight=cup.flight,
                taster=cup.taster,
                attribute=attribute,
                value=value,
                blind_code=cup.blind_code,
            )
            for cup in plan.cups
            for attribute, value in give(cup, water[cup.flight, cup.blind_code]).items()
        ]
    )


def lock_and_open(book: LabBook, plan: CupPlan, passphrase: str = PASSPHRASE) -> None:
    """Lock every flight of a session and open its key."""
    book.sessions.lock_flights(plan.session, plan.flights)
    book.sessions.open_flights(plan.session, plan.flights, passphrase)
