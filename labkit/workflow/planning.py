"""Planning a session: waters, people and a passphrase become sealed cups in the lab book."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Literal, Protocol, TypeAlias

import numpy as np
import pandas as pd

from labkit.book import JUG_ML, BrewMethod, Held, LabBook, Stage, TastingSession
from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.tasting import (
    MOST_TIMES,
    CupPlan,
    SessionWater,
    Vessels,
    check_minutes,
    listed_waters,
    open_keys,
    plan_tasting,
    session_waters,
)
from labkit.water import COORDINATES, SALT_SHARES, StartWater, Target, find_water, water_numbers
from labkit.workflow.names import Asked, attributes_of, people_of
from labkit.workflow.preparation import Preparation
from labkit.workflow.reserving import jug_of, reservations
from labkit.workflow.usual import resting_codes, stored_plan, usual_name, usual_of


class _HasTargets(Protocol):
    @property
    def targets(self) -> tuple[Target, ...]:
        """The waters to taste."""


Waters: TypeAlias = _HasTargets | Sequence[Target] | pd.DataFrame
"""A sweep, the next flight that is suggested, targets, or a table of their coordinates."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSession:
    """Flights that are sealed and in the lab book."""

    session: TastingSession
    """The session as it is in the lab book, its waters among it."""

    plan: CupPlan
    """Codes in each taster's order, and the sealed keys, of the flights planned now."""

    preparation: Preparation | None
    """What the preparer needs; None where the bench sheet printed before still holds."""

    @property
    def servings(self) -> pd.DataFrame:
        """One row a cup (flight, taster, position, blind_code): add scores and record them."""
        return self.plan.servings

    def _repr_html_(self) -> str:
        """The plan, in which no water stands."""
        return self.plan._repr_html_()


@checked(PlanError, but=("attributes",))
def plan_session(
    book: LabBook,
    coffee: str,
    waters: Waters,
    *,
    tasters: Sequence[str],
    passphrase: str,
    client: str | None = None,
    new_tasters: Sequence[str] = (),
    name: str = "",
    add_to: str | None = None,
    attributes: Asked | None = None,
    stages: Sequence[Stage] = (),
    control: Target | Literal["middle", "none"] | None = None,
    duplicates: int | None = None,
    flights: int | None = None,
    repeats: int | None = None,
    cups_per_flight: int | None = None,
    minutes: float | None = None,
    serving: Vessels | None = None,
    alone: bool = False,
    brew_method: BrewMethod | None = None,
    held: Held | None = None,
    start: StartWater | str | None = None,
    jug_volume_ml: float | None = None,
    vessel_ml: float | None = None,
    even_if_short: bool = False,
    as_listed: bool | None = None,
    tasted_on: date | None = None,
    recent_codes: Mapping[str, date] | None = None,
    seed: int | np.random.Generator | None = None,
) -> PlannedSession:
    """Plan a tasting of a coffee and seal it: all of it is in the lab book, or nothing.

    What is not said is as in the coffee's last session; before the first one, as is usual. The next
    flight of a search is served as it is, control and repeats among its cups, unless `control`,
    `duplicates`, `flights` or `repeats` are asked for, or it has more cups than stand side by side.

    Parameters
    ----------
    book : LabBook
        Where it goes. Bottles in it must be able to make the waters.
    coffee, client : str
        Which coffee; ``client`` is needed where two have one of that name.
    waters : Sweep, suggestion, sequence of Target or DataFrame
        What to taste; a DataFrame has the columns ``mg_share`` (0 to 1),
        ``hardness_mg_l_caco3`` and ``alkalinity_mg_l_caco3`` (mg/L as CaCO3), and may have
        ``sulfate_share`` and ``potassium_share`` (0 to 1, blank for what the bottles give).
    tasters : sequence of str
        Who tastes, by the names in the lab book.
    passphrase : str
        The preparer's; it opens the bench sheet, and the key after the lock. In a notebook let
        ``getpass.getpass()`` ask for it: what stands in a cell is saved.
    new_tasters : sequence of str
        Who tastes and is not in the lab book yet.
    name : str
        Of the session; coffee and day if not given. Tasters see it.
    add_to : str, optional
        A session of this coffee to add flights to, instead of a new one. What is asked, held and
        served is then that session's.
    attributes : mapping or sequence of Attribute, optional
        What is scored: name -> name of a scale (``labkit.tasting.SCALES``), a Scale, or a list of
        words to check.
    stages : sequence of {"hot", "warm", "cool"}
        Stages of cooling to score apart.
    control : Target, "middle" or "none", optional
        The water in every flight; the coffee's own so far, before that the middle water.
    duplicates, flights, repeats : int, optional
        As in :func:`labkit.tasting.plan_tasting`, one duplicate if not given.
    cups_per_flight : int, optional
        Most cups side by side; as last time, before that as many as are comfortable.
    minutes : float, optional
        Time there is at the table, for the next proposal to start from.
    serving, alone : str and bool
        As in :func:`labkit.tasting.plan_tasting`.
    brew_method : {"cupping", "filter", "espresso"}, optional
        How it is brewed.
    held : Held, optional
        What is held constant.
    start : StartWater or str, optional
        What the doses go into, or the name of a base water of the lab book.
    jug_volume_ml : float, optional
        Finished volume of each jug (mL); if not given, what its vessels take, a rinse and the
        meter's sample.
    vessel_ml : float, optional
        Water that a bowl or a cup takes (mL); by dose and brew ratio, or 200 mL, if not given.
    even_if_short : bool
        Seal it though a bottle may not suffice.
    as_listed : bool, optional
        Whether the waters are the cups of one flight as they are, as in
        :func:`labkit.tasting.plan_tasting`; what a search placed is, unless given.
    tasted_on : date, optional
        The day; today if not given.
    recent_codes : mapping of str to date, optional
        Codes that rest; those served lately by the lab book if not given.
    seed : int or numpy.random.Generator, optional
        For tests only. A seed that is kept would give the key away.

    Returns
    -------
    PlannedSession
        It holds the opened key for the preparer: that it was read is on record.

    Raises
    ------
    BookError
        If the coffee or a session is unknown, or the lab book cannot be written to.
    PlanError, SealError, ScaleError
        If it cannot be planned as asked; names that are missed are listed.
    DosingError
        If a water cannot be made from the bottles.
    StockError
        If a bottle may not suffice, with the grams to weigh.
    """
    if minutes is not None:
        check_minutes(minutes)
    targets = targets_of(waters)
    usual = usual_of(book, coffee, client)
    day = tasted_on or date.today()
    people = people_of(book, tasters, new_tasters)
    session = None if add_to is None else _session_of(book, add_to, coffee, client)
    after = None if session is None else stored_plan(book, session)
    asked = usual.attributes if attributes is None else attributes_of(attributes)
    chosen = control or usual.control_for(targets) or "middle"
    keeps = held_with(book, held or usual.held, start) if session is None else session.held
    begin = book.stock.start_water(keeps)
    if session is not None and start is not None:
        _check_start(book, begin, start)
    title = session.name if session else name.strip() or usual_name(book, coffee, day)
    known = session.waters if session else ()
    vessels: Vessels = session.serving if session else serving or usual.serving
    most = usual.cups_per_flight if cups_per_flight is None else cups_per_flight
    if as_listed is None:
        placed = served_as_placed(waters, most)
        as_listed = bool(placed) and (control, duplicates, flights, repeats) == (None,) * 4
        if not as_listed and hasattr(waters, "served"):  # a plan lays its own repeats
            targets = tuple(dict.fromkeys(targets))
    listed = (listed_waters if as_listed else session_waters)(targets, control=chosen, known=known)
    plan = plan_tasting(
        targets,
        people,
        session=title,
        passphrase=passphrase,
        cups_per_flight=most,
        flights=flights,
        repeats=repeats,
        control=chosen,
        duplicates=1 if duplicates is None else duplicates,
        as_listed=as_listed,
        serving=vessels,
        alone=after.alone if after else alone,
        known=known,
        after=after,
        recent_codes=resting_codes(book, day) if recent_codes is None else recent_codes,
        served_on=day,
        seed=seed,
    )
    plan = with_jugs(plan, jug_of(plan, keeps, vessel_ml, jug_volume_ml))
    plan = replace(plan, design=replace(plan.design, minutes=minutes))
    prepared = prepare(book, plan, passphrase, begin)
    poured = [one.target for one in listed if _is_served(one, targets, as_listed=as_listed)]
    reserved = reservations(book, plan, prepared, poured, even_if_short=even_if_short)
    # Session, cups and the record of the sheet together: a disk that fails leaves none of them.
    if session is None:
        kept = book.sessions.start_session(
            title,
            coffee=coffee,
            client=client,
            attributes=asked,
            tasters=people,
            waters=listed,
            plan=plan,
            sheet_read_by=keeps.preparer,
            reserved=reserved,
            tasted_on=day,
            serving=vessels,
            brew_method=brew_method or usual.brew_method,
            stages=stages,
            held=keeps,
        )
    else:
        book.sessions.store_plan(
            plan, waters=listed, sheet_read_by=keeps.preparer, reserved=reserved
        )
        kept = book.sessions.session(session.name)
    return PlannedSession(session=kept, plan=plan, preparation=prepared)


@checked(PlanError)
def served_as_placed(waters: object, most: int) -> tuple[Target, ...]:
    """What each cup of a flight holds that a search placed; empty if it must be laid out.

    Parameters
    ----------
    waters : Sweep, suggestion, sequence of Target or DataFrame
        What to taste.
    most : int
        Cups side by side at most: a longer flight is laid out as several.

    Notes
    -----
    Where so few waters may be proposed that one fills most of the cups, it is laid out too.
    """
    served: tuple[Target, ...] = getattr(waters, "served", ())
    times = Counter(water_numbers(served)) if served else Counter()
    can_be_served = len(served) <= most and max(times.values(), default=0) <= MOST_TIMES
    return served if len(times) > 1 and can_be_served else ()


def _is_served(water: SessionWater, targets: Sequence[Target], *, as_listed: bool) -> bool:
    is_added = water.is_control and not as_listed
    return is_added or find_water(water.target, targets) is not None


def with_jugs(plan: CupPlan, jug_volume_ml: float) -> CupPlan:
    """The plan with the volume of its jugs, for the bench sheet when it is asked for again."""
    return replace(plan, design=replace(plan.design, jug_ml=jug_volume_ml))


def prepare(book: LabBook, plan: CupPlan, passphrase: str, start: StartWater) -> Preparation:
    """What the preparer needs for a plan that is not stored yet and says how large its jugs are.

    Raises
    ------
    DosingError
        If a water cannot be made from the bottles on the shelf.
    """
    prepared = Preparation(
        opened=tuple(open_keys(plan.keys, passphrase)),
        bottles=book.stock.concentrates(),
        start=start,
        jug_volume_ml=plan.design.jug_ml or JUG_ML,
        lab_book=book.name,
    )
    _ = prepared.jugs  # a plan that nobody can mix is not stored
    return prepared


def held_with(book: LabBook, held: Held, start: StartWater | str | None) -> Held:
    """What is held, with the water that the doses go into where one is given."""
    if start is None:
        return held
    if isinstance(start, str):
        start = book.stock.start_water(Held(base_water=start))
    return replace(held, base_water=start.name, base_share_percent=start.share_percent)


def targets_of(waters: Waters) -> tuple[Target, ...]:
    """The waters to taste.

    Raises
    ------
    PlanError
        If a table has not the three coordinates, or something given is no water.
    """
    if isinstance(waters, pd.DataFrame):
        lacks = [name for name in COORDINATES if name not in waters.columns]
        if lacks:
            raise PlanError(
                f"waters must have the columns {', '.join(COORDINATES)}, but {', '.join(lacks)} "
                f"is missing; it has {', '.join(map(str, waters.columns))}.",
                field="waters",
            )
        shares = [name for name in SALT_SHARES if name in waters.columns]
        rows = waters[[*COORDINATES, *shares]].to_dict("records")
        return tuple(
            Target(
                **{
                    str(name): float(level)
                    for name, level in row.items()
                    if name not in shares or pd.notna(level)
                }
            )
            for row in rows
        )
    given: Any = getattr(waters, "targets", waters)
    targets = tuple(one for one in given if isinstance(one, Target))
    if len(targets) < len(given):
        odd = next(one for one in given if not isinstance(one, Target))
        raise PlanError(
            f"waters must be a sweep, a suggestion, targets or a table of them, got {odd!r}. "
            "Make a Target of each water.",
            field="waters",
        )
    return targets


def _session_of(book: LabBook, name: str, coffee: str, client: str | None) -> TastingSession:
    """A session to add flights to; one of another coffee is refused."""
    session = book.sessions.session(name)
    about = book.people.coffee(coffee, client=client)
    if (session.client, session.coffee) != (about.client, about.name):
        raise PlanError(
            f"add_to must be a session of {about.name} ({about.client}), but {session.name!r} is "
            f"one of {session.coffee} ({session.client}). Choose another, or a new session.",
            field="add_to",
        )
    return session


def _check_start(book: LabBook, recorded: StartWater, start: StartWater | str) -> None:
    """Refuse to go on with a session from another water than it was mixed from."""
    wanted = book.stock.start_water(Held(base_water=start)) if isinstance(start, str) else start
    if recorded.text != wanted.text:
        raise PlanError(
            f"add_to must be a session that starts from {wanted.text}, but this one was mixed "
            f"from {recorded.text}. Choose that water above, or a new session.",
            field="add_to",
        )
