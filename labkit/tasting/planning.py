"""Planning a tasting: from waters, tasters and flights to coded cups and sealed keys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.tasting.coding import Coded, code_flights, key_rows, servings
from labkit.tasting.layout import BlocksBy, Draw, ServingLayout, lay_out, lay_out_listed
from labkit.tasting.methods import METHODS
from labkit.tasting.notes import plan_notes
from labkit.tasting.plan import CupPlan, Design, checked_names
from labkit.tasting.seal import Sealer
from labkit.tasting.sizes import COMFORTABLE_CUPS, size_flights, size_listed
from labkit.tasting.vessels import Vessels
from labkit.tasting.waters import Control, SessionWater, listed_waters, session_waters
from labkit.water import Target, find_water


@checked(PlanError, own_numbers=True)
def plan_tasting(
    targets: Sequence[Target],
    tasters: Sequence[str],
    *,
    session: str,
    passphrase: str,
    cups_per_flight: int = COMFORTABLE_CUPS,
    flights: int | None = None,
    repeats: int | None = None,
    control: Control = "middle",
    duplicates: int = 1,
    serving: Vessels = "shared bowls",
    blocks_by: BlocksBy = "flight",
    alone: bool = False,
    known: Sequence[SessionWater] = (),
    after: CupPlan | None = None,
    recent_codes: Mapping[str, date] | None = None,
    served_on: date | None = None,
    insist: bool = False,
    as_listed: bool = False,
    seed: int | np.random.Generator | None = None,
) -> CupPlan:
    """Draw codes, flights and serving orders, and seal which code is which water.

    Parameters
    ----------
    targets : sequence of Target
        The waters to taste, no two alike but `as_listed`.
    tasters : sequence of str
        Who tastes, at least one, each name once.
    session : str
        Name of the session in the lab book; the keys are bound to it.
    passphrase : str
        The preparer's; needed for the bench sheet and after the lock. Nobody can recover it: a
        printed bench sheet is the way back.
    cups_per_flight : int
        Most cups in a flight.
    flights, repeats : int, optional
        Flights in all, and flights that each water is in. With neither, all waters go into one
        flight if they fit; else into the fewest flights that show each water once beside the
        control, or twice where no control links the flights.
    control : Target or "middle" or "none"
        The control. The middle one of the targets costs no cup where all waters fit a flight.
    duplicates : int
        Hidden duplicates wanted in the session, at least.
    serving : {"shared bowls", "a cup each"}
        Shared: a bowl a jug, the same code for all. Each: a cup and a code for every taster.
    blocks_by : {"flight", "taster"}
        Where not all waters fit a flight: all tasters have the same ones ("flight", few jugs), or
        each has a choice of their own ("taster", all jugs in every flight, waters compared
        better). The latter needs a cup each: a code on everybody's sheet would be the control.
    alone : bool
        One person plans, brews and tastes: codes go under the cups.
    known : sequence of SessionWater
        The session's waters so far, when flights are added to it.
    after : CupPlan, optional
        The session's plan so far: flight numbers go on from it and its codes are not used again.
    recent_codes : mapping of str to date, optional
        When codes were last served; they rest for a fortnight while the pool allows.
    served_on : date, optional
        Day of the session; today if not given.
    insist : bool
        Allow more than six cups in a flight.
    as_listed : bool
        The targets are the cups of one flight as they are: a water listed twice is poured from two
        jugs, and the control only where it is listed. `flights`, `repeats`, `duplicates` and
        `blocks_by` then say nothing.
    seed : int or numpy.random.Generator, optional
        For tests only. A seed that is kept would give the key away.

    Returns
    -------
    CupPlan
        It holds no water: which code is which lies in the sealed keys alone.

    Raises
    ------
    PlanError
        If the request cannot be planned.
    SealError
        If the passphrase is too short or too easily guessed.
    """
    names = checked_names(tasters, session)
    each = _checked_serving(serving, blocks_by, alone, len(names))
    if after is not None and after.design.kind in METHODS:
        raise PlanError(
            f"after must be a session of flights to score, got '{after.session}', which is a test "
            f"of two waters ({after.design.kind}) with a question of its own. Start a new session.",
            field="after",
        )
    listed = (
        listed_waters(targets, control=control, known=known)
        if as_listed
        else session_waters(targets, control=control, known=known)
    )
    others = [w for w in listed if not w.is_control and find_water(w.target, targets) is not None]
    controls = [w for w in listed if w.is_control]
    if as_listed:
        controls = [w for w in controls if find_water(w.target, targets) is not None]
    if len(others) + len(controls) < 2:
        raise PlanError(
            f"targets must hold two waters to compare, the control among them, got {len(targets)}. "
            "Add a water, or a control of its own.",
            field="targets",
        )
    draw = Draw(seed)
    if as_listed:
        poured = [w.target for w in (*others, *controls)]
        cups = [find_water(target, poured) or 0 for target in targets]
        sizes = size_listed(
            cups,
            n_waters=len(others),
            has_control=bool(controls),
            cups_per_flight=cups_per_flight,
            insist=insist,
        )
        layout = lay_out_listed(cups, sizes, len(names), draw)
    else:
        sizes = size_flights(
            len(others),
            has_control=bool(controls),
            duplicates=duplicates,
            cups_per_flight=cups_per_flight,
            flights=flights,
            repeats=repeats,
            in_part=blocks_by == "taster",
            insist=insist,
        )
        layout = lay_out(sizes, len(names), blocks_by, draw)
    first = 1 if after is None else max(after.flights) + 1
    coded, code_notes = code_flights(
        layout,
        each=each,
        taken=set() if after is None else after.all_codes,
        recent=recent_codes,
        on=served_on,
        draw=draw,
    )
    sealer = Sealer(session, passphrase)
    numbers = range(first, first + sizes.flights)
    keys = tuple(
        sealer.seal(flight, key_rows(flight, jugs, cups, [*others, *controls], draw.fresh()))
        for flight, jugs, cups in zip(numbers, layout.jugs, coded, strict=True)
    )
    design = replace(describe(layout), most_cups=cups_per_flight)
    free_control = any(find_water(w.target, targets) is not None for w in controls)
    return CupPlan(
        session=session,
        tasters=names,
        serving=serving,
        cups=tuple(
            serving_
            for flight, orders, cups in zip(numbers, layout.orders, coded, strict=True)
            for serving_ in servings(flight, names, orders, cups, hidden=alone)
        ),
        keys=keys,
        design=design,
        notes=(*plan_notes(design, serving, alone=alone, free_control=free_control), *code_notes),
        under_cups=_under_cups(numbers, coded) if alone else (),
    )


def _checked_serving(serving: Vessels, blocks_by: BlocksBy, alone: bool, n_tasters: int) -> bool:
    """Whether each taster has a cup of their own."""
    if serving not in ("shared bowls", "a cup each"):
        raise PlanError(
            f"serving must be 'shared bowls' or 'a cup each', got {serving!r}. Choose one of them.",
            field="serving",
        )
    if blocks_by not in ("flight", "taster"):
        raise PlanError(
            f"blocks_by must be 'flight' or 'taster', got {blocks_by!r}. Choose one of them.",
            field="blocks_by",
        )
    if blocks_by == "taster" and serving == "shared bowls":
        raise PlanError(
            "serving must be 'a cup each' where tasters have different waters, got 'shared "
            "bowls': the code on everybody's sheet would be the control. Serve a cup each, or "
            "plan blocks by flight.",
            field="serving",
        )
    if alone and n_tasters != 1:
        raise PlanError(
            f"tasters must be one name when tasting alone, got {n_tasters}. Leave the "
            "others out, or plan for a panel.",
            field="tasters",
        )
    return serving == "a cup each"


def describe(layout: ServingLayout) -> Design:
    """How even a layout is, in counts without names.

    Positions and carry-over are counted cup by cup within a flight. Counted water by water they
    would tell twins from strangers: only some pairs of codes add up to the counts.
    """
    sizes = layout.sizes
    spreads = [_spread("times a cup stands at a position", layout.count_positions_of_jugs())]
    if sizes.cups > 1 and layout.n_waters > 1:
        meetings = layout.count_meetings()[~np.eye(layout.n_waters, dtype=bool)]
        spreads += [
            _spread("times a cup is tasted directly after another", layout.count_follows_of_jugs()),
            _spread("flights of a taster in which two waters meet", [meetings]),
        ]
    return Design(
        kind=layout.kind,
        n_waters=layout.n_waters,
        flights=sizes.flights,
        repeats=sizes.repeats,
        cups_per_flight=sizes.cups,
        control_cups=sizes.flights * sizes.has_control,
        duplicate_cups=sizes.duplicates,
        jugs=sum(map(len, layout.jugs)),
        efficiency=layout.efficiency,
        spreads=tuple(spreads),
    )


def _spread(name: str, counts: Sequence[NDArray[np.int_]]) -> tuple[str, int, int]:
    """What is counted, the fewest and the most."""
    return name, min(int(count.min()) for count in counts), max(int(c.max()) for c in counts)


def _under_cups(numbers: Sequence[int], coded: Sequence[Coded]) -> tuple[tuple[int, str], ...]:
    """Flight and code of every label to stick under a cup, by code."""
    return tuple(
        (flight, code)
        for flight, cups in zip(numbers, coded, strict=True)
        for code in sorted(cups.codes)
    )
