"""Planning a test of two waters: which is preferred, or can anyone tell them apart."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np

from labkit.book import Attribute, BrewMethod, Held, LabBook
from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.tasting import CONFIRMING, METHODS, pair_waters, plan_sets
from labkit.water import StartWater, Target
from labkit.workflow.names import people_of
from labkit.workflow.planning import PlannedSession, held_with, prepare, with_jugs
from labkit.workflow.reserving import jug_of, reservations
from labkit.workflow.usual import resting_codes, usual_name, usual_of


@checked(PlanError)
def plan_pair_test(
    book: LabBook,
    coffee: str,
    first: Target,
    second: Target,
    *,
    tasters: Sequence[str],
    passphrase: str,
    method: str = CONFIRMING,
    attribute: str = "",
    sets: int = 1,
    client: str | None = None,
    new_tasters: Sequence[str] = (),
    name: str = "",
    brew_method: BrewMethod | None = None,
    held: Held | None = None,
    start: StartWater | str | None = None,
    jug_volume_ml: float | None = None,
    vessel_ml: float | None = None,
    even_if_short: bool = False,
    tasted_on: date | None = None,
    seed: int | np.random.Generator | None = None,
) -> PlannedSession:
    """Plan a test of two waters and seal it: all of it is in the lab book, or nothing.

    Parameters
    ----------
    book, coffee, client, tasters, passphrase, new_tasters, name : see there
        As in :func:`labkit.workflow.plan_session`.
    first, second : Target
        The two waters; where the method names one beforehand (the one to be preferred, or with
        more of ``attribute``), it is the first.
    method : str
        A key of ``labkit.tasting.METHODS``.
    attribute : str
        What is compared, for 2-AFC and 3-AFC.
    sets : int
        Sets of cups for each taster.
    brew_method, held, start, tasted_on, seed : see there
        As in :func:`labkit.workflow.plan_session`.
    jug_volume_ml, vessel_ml, even_if_short : see there
        As in :func:`labkit.workflow.plan_session`.

    Raises
    ------
    BookError, PlanError, SealError, DosingError, StockError
        As for :func:`labkit.workflow.plan_session`.
    """
    if method not in METHODS:
        raise PlanError(
            f"method must be one of {', '.join(map(repr, METHODS))}, got {method!r}. "
            "Choose one of them.",
            field="method",
        )
    asked, pair = METHODS[method], (first, second)
    question = asked.ask(attribute.strip())
    stronger = first if asked.names_first else None
    usual = usual_of(book, coffee, client)
    day = tasted_on or date.today()
    people = people_of(book, tasters, new_tasters)
    keeps = held_with(book, held or usual.held, start)
    title = name.strip() or usual_name(book, f"{coffee}, {asked.name}", day)
    plan = plan_sets(
        asked.name,
        pair,
        people,
        session=title,
        passphrase=passphrase,
        trials=sets,
        stronger=stronger,
        recent_codes=resting_codes(book, day),
        served_on=day,
        seed=seed,
    )
    plan = with_jugs(plan, jug_of(plan, keeps, vessel_ml, jug_volume_ml))
    prepared = prepare(book, plan, passphrase, book.stock.start_water(keeps))
    reserved = reservations(book, plan, prepared, pair, even_if_short=even_if_short)
    session = book.sessions.start_session(
        title,
        coffee=coffee,
        client=client,
        attributes=[Attribute(name=question, scale=asked.scale)],
        tasters=people,
        waters=pair_waters(asked.name, pair, stronger=stronger),
        plan=plan,
        sheet_read_by=keeps.preparer,
        reserved=reserved,
        tasted_on=day,
        serving="a cup each",
        brew_method=brew_method or usual.brew_method,
        held=keeps,
    )
    return PlannedSession(session=session, plan=plan, preparation=prepared)
