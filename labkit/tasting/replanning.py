"""Planning anew what has not been served: a taster comes late, another stays away."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date
from itertools import permutations

import numpy as np

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.noted import Noted, noted
from labkit.tasting.codes import draw_codes
from labkit.tasting.coding import put_codes
from labkit.tasting.layout import Draw
from labkit.tasting.orders import Orders, follow_counts, position_counts
from labkit.tasting.plan import CupPlan, PlanNote, Serving, checked_names
from labkit.tasting.seal import KeyRow, OpenedFlight, SealedKey, Sealer, open_keys

_TRIES = 2000


@checked(PlanError)
def replan(
    plan: CupPlan,
    *,
    served: Collection[int],
    absent: Sequence[str] = (),
    late: Sequence[str] = (),
    passphrase: str | None = None,
    recent_codes: Mapping[str, date] | None = None,
    served_on: date | None = None,
    seed: int | np.random.Generator | None = None,
) -> CupPlan:
    """Plan the flights that have not been served for the tasters who are there.

    Nobody else's order changes, so that sheets already printed stay good. A late taster gets an
    order that evens positions, then carry-over, as far as one order can.

    Parameters
    ----------
    plan : CupPlan
        The session's plan.
    served : collection of int
        Flights that have been served or begun.
    absent, late : sequence of str
        Who stays away from now on, and who comes in.
    passphrase : str, optional
        The preparer's; needed with a cup each, where cups come or go and the key with them.
        Shared bowls keep their codes and their key.
    recent_codes : mapping of str to date, optional
        When codes were last served; they rest for a fortnight while the pool allows.
    served_on : date, optional
        Day of the session; today if not given.
    seed : int or numpy.random.Generator, optional
        For tests only. A seed that is kept would give the key away.

    Returns
    -------
    CupPlan
        The flights not yet served only.

    Raises
    ------
    PlanError
        If nothing is left to serve, a name does not fit, or nobody would taste.
    SealError
        If the passphrase is not the one that sealed the flights.
    """
    flights = [flight for flight in plan.flights if flight not in set(served)]
    late = [name.strip() for name in late]
    names = _checked(plan, flights, absent, late)
    each = plan.serving == "a cup each"
    if each and passphrase is None:
        raise PlanError(
            "passphrase must be given to change a plan with a cup each, as its key changes too. "
            "Ask the preparer.",
            field="passphrase",
        )
    opened: dict[int, OpenedFlight] = {}
    if each and passphrase is not None:
        found = open_keys([plan.sealed[flight] for flight in flights], passphrase)
        opened = {one.flight: one for one in found}
    draw = Draw(seed)
    kept = [cup for cup in plan.cups if cup.flight in flights and cup.taster not in set(absent)]
    donors = _donors(plan, late, draw)
    cups: list[Serving] = []
    keys: list[SealedKey] = []
    sealer: Sealer | None = None
    taken = set(plan.all_codes)
    notes: tuple[Noted[PlanNote], ...] = ()
    for flight in flights:
        here = [cup for cup in kept if cup.flight == flight]
        before = [cup for cup in plan.cups if cup.flight == flight]
        key = plan.sealed[flight]
        rows: Mapping[str, KeyRow] = {}
        jugs = {cup.blind_code: cup.blind_code for cup in before}
        if opened:
            rows = {row.blind_code: row for row in opened[flight].rows}
            jugs = {code: row.jug for code, row in rows.items()}
        added: list[Serving] = []
        new_rows = [rows[cup.blind_code] for cup in here] if each else []
        for taster in late:
            own = [jugs[cup.blind_code] for cup in before if cup.taster == donors[taster]]
            order = _evening_order(own, [*here, *added], jugs, draw.fresh())
            codes = {jug: jug for jug in own}
            if each:
                dealt = draw_codes(
                    [len(own)], taken=taken, recent=recent_codes, on=served_on, rng=draw.fresh()
                )
                notes += dealt.notes
                taken.update(dealt.groups[0])
                codes = _coded(dealt.groups[0], order, draw.fresh())
                new_rows += _new_rows(codes, rows, flight, len(rows) + len(new_rows))
                jugs |= {code: jug for jug, code in codes.items()}
            added += [
                Serving(flight=flight, taster=taster, position=i, blind_code=codes[jug])
                for i, jug in enumerate(order, start=1)
            ]
        if each and passphrase is not None:
            sealer = sealer or Sealer(plan.session, passphrase, has_sealed=True)
            key = sealer.seal(flight, tuple(new_rows))
        cups += [*here, *added]
        keys.append(key)
    anew = noted(PlanNote.PLANNED_ANEW, flight=flights[0], absent=tuple(absent), late=tuple(late))
    notes = (*plan.notes, anew, *dict.fromkeys(notes))
    return replace(plan, tasters=names, cups=tuple(cups), keys=tuple(keys), notes=notes)


def _checked(
    plan: CupPlan, flights: Sequence[int], absent: Sequence[str], late: Sequence[str]
) -> tuple[str, ...]:
    """Who tastes from now on."""
    if plan.alone:
        raise PlanError(
            "plan must be of a panel to be changed, but one taster is alone in session "
            f"'{plan.session}'. Add flights to the session instead.",
            field="plan",
        )
    if not flights:
        raise PlanError(
            f"served must leave a flight to plan, got all of {list(plan.flights)}. "
            "Add flights to the session instead.",
            field="served",
        )
    for name in absent:
        if name not in plan.tasters:
            raise PlanError(
                f"absent must be among the tasters, {', '.join(plan.tasters)}, got {name!r}. "
                "Check the name.",
                field="absent",
            )
    staying = [name for name in plan.tasters if name not in set(absent)]
    return checked_names([*staying, *late], plan.session)


def _donors(plan: CupPlan, late: Sequence[str], draw: Draw) -> dict[str, str]:
    """Whose choice of waters each late taster takes over; all choices are the same by flight."""
    order = draw.fresh().permutation(len(plan.tasters)).tolist()
    return {name: plan.tasters[order[i % len(order)]] for i, name in enumerate(late)}


def _evening_order(
    own: Sequence[str],
    cups: Sequence[Serving],
    jugs: Mapping[str, str],
    rng: np.random.Generator,
) -> list[str]:
    """The order of `own` jugs that leaves positions, then carry-over, most even."""
    named = sorted({*own, *(jugs[cup.blind_code] for cup in cups)})
    number = {jug: i for i, jug in enumerate(named)}
    orders: dict[str, list[int]] = {}
    for cup in sorted(cups, key=lambda cup: cup.position):
        orders.setdefault(cup.taster, []).append(number[jugs[cup.blind_code]])
    so_far: Orders = np.array(list(orders.values()), dtype=int).reshape(len(orders), len(own))
    mine = np.array([number[jug] for jug in own])
    if len(mine) <= 6:
        tries = np.array(list(permutations(mine.tolist())))
    else:
        tries = np.array([rng.permutation(mine) for _ in range(_TRIES)])
    at = position_counts(so_far, len(named))[tries, np.arange(len(mine))].sum(axis=1)
    after = follow_counts(so_far, len(named))[tries[:, :-1], tries[:, 1:]].sum(axis=1)
    best = np.lexsort((rng.random(len(tries)), after, at))[0]
    return [named[i] for i in tries[best]]


def _coded(codes: Sequence[str], order: Sequence[str], rng: np.random.Generator) -> dict[str, str]:
    """A code for each jug of one taster's order."""
    by_number = put_codes(codes, np.arange(len(order))[None, :], rng)
    return {jug: by_number[i] for i, jug in enumerate(order)}


def _new_rows(
    codes: Mapping[str, str], rows: Mapping[str, KeyRow], flight: int, n_bowls: int
) -> list[KeyRow]:
    """Key rows of a late taster's cups, each like another cup from the same jug."""
    like = {row.jug: row for row in rows.values()}
    return [
        replace(like[jug], blind_code=code, bowl=f"B{flight}.{n_bowls + i}")
        for i, (jug, code) in enumerate(codes.items(), start=1)
    ]
