"""Planning a tasting: from waters, tasters and flights to coded cups and a sealed key."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np

from labkit.errors import PlanError
from labkit.tasting.blocks import efficiency_factor, incomplete_blocks, pair_counts
from labkit.tasting.codes import CodeDraw, draw_codes, is_monotone
from labkit.tasting.orders import Orders, balanced_orders, follow_counts, position_counts
from labkit.tasting.plan import CupPlan, Design, Serving, Vessels
from labkit.tasting.seal import KeyRow, Sealer
from labkit.tasting.sizes import Sizes, size_flights
from labkit.tasting.waters import Control, SessionWater, coordinates, session_waters
from labkit.water.target import Target

Jugs = list[tuple[SessionWater, bool]]
"""The jugs of a flight: water, and whether it is a duplicate."""


class Draw:
    """Independent random streams: what is seen of one tells nothing of another."""

    def __init__(self, rng: np.random.Generator | None) -> None:
        self._rng = rng

    def fresh(self) -> np.random.Generator:
        """A stream of its own, from the operating system's entropy outside tests."""
        return np.random.default_rng() if self._rng is None else self._rng.spawn(1)[0]


def plan_tasting(
    targets: Sequence[Target],
    tasters: Sequence[str],
    *,
    session: str,
    passphrase: str,
    cups_per_flight: int = 5,
    flights: int | None = None,
    repeats: int | None = None,
    control: Control = "middle",
    duplicates: int = 1,
    serving: Vessels = "shared bowls",
    known: Sequence[SessionWater] = (),
    after: CupPlan | None = None,
    recent_codes: Mapping[str, date] | None = None,
    served_on: date | None = None,
    insist: bool = False,
    rng: np.random.Generator | None = None,
) -> CupPlan:
    """Draw codes, flights and serving orders, and seal which code is which water.

    Parameters
    ----------
    targets : sequence of Target
        The waters to taste, no two alike.
    tasters : sequence of str
        Who tastes, at least one, each name once.
    session : str
        Name of the session in the lab book; the keys are bound to it.
    passphrase : str
        The preparer's; needed again for the bench sheet and after the lock. Nobody can recover
        it: the printed bench sheet is the way back.
    cups_per_flight, flights, repeats, duplicates, insist
        As in :func:`labkit.tasting.sizes.size_flights`.
    control : Target or "middle" or "none"
        As in :func:`labkit.tasting.waters.session_waters`.
    serving : {"shared bowls", "a cup each"}
        Shared: a bowl a jug, the same code for all. Each: a cup and a code for every taster.
    known : sequence of SessionWater
        The session's waters so far, when flights are added to it.
    after : CupPlan, optional
        The session's plan so far: flight numbers go on from it and its codes are not used again.
    recent_codes : mapping of str to date, optional
        When codes were last served; they rest for a fortnight while the pool allows.
    served_on : date, optional
        Day of the session; today if not given.
    rng : numpy.random.Generator, optional
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
        If the passphrase is too short.
    """
    names = _checked_names(tasters, session)
    if serving not in ("shared bowls", "a cup each"):
        raise PlanError(
            f"serving must be 'shared bowls' or 'a cup each', got {serving!r}. Choose one of them."
        )
    waters = session_waters(targets, control=control, known=known)
    asked = {coordinates(target) for target in targets}
    here = [w for w in waters if w.is_control or coordinates(w.target) in asked]
    others = [w for w in here if not w.is_control]
    sizes = size_flights(
        len(others),
        has_control=len(others) < len(here),
        duplicates=duplicates,
        cups_per_flight=cups_per_flight,
        flights=flights,
        repeats=repeats,
        insist=insist,
    )
    draw = Draw(rng)
    tables = _deal_jugs(here, sizes, draw)
    orders = [balanced_orders(sizes.cups, len(names), rng=draw.fresh()) for _ in tables]
    first = 1 if after is None else max(after.flights) + 1
    taken = set() if after is None else {cup.blind_code for cup in after.cups}
    each = serving == "a cup each"
    codes = draw_codes(
        [sizes.cups] * (len(tables) * (len(names) if each else 1)),
        taken=taken,
        recent=recent_codes,
        on=served_on,
        rng=draw.fresh(),
    )
    sealer = Sealer(session, passphrase)
    cups: list[Serving] = []
    keys = []
    for i, (jugs, order) in enumerate(zip(tables, orders, strict=True)):
        flight = first + i
        labels = _label_cups(codes, i, order, each, draw.fresh())
        for taster, row, coded in zip(names, order.tolist(), labels, strict=True):
            for position, jug in enumerate(row, start=1):
                cups.append(
                    Serving(flight=flight, taster=taster, position=position, blind_code=coded[jug])
                )
        rows = _key_rows(flight, jugs, labels if each else labels[:1], each, draw.fresh())
        keys.append(sealer.seal(flight, rows))
    return CupPlan(
        session=session,
        tasters=names,
        serving=serving,
        cups=tuple(cups),
        keys=tuple(keys),
        design=_design(sizes, here, tables, orders),
        notes=codes.notes,
    )


def _checked_names(tasters: Sequence[str], session: str) -> tuple[str, ...]:
    """The tasters' names, each once."""
    names = tuple(name.strip() for name in tasters)
    if not names or not all(names):
        raise PlanError(
            f"tasters must be one name or more, none empty, got {list(tasters)}. Say who tastes."
        )
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise PlanError(f"tasters must have different names, got {twice!r} twice. Add an initial.")
    if not session.strip() or len(session) > 200:
        raise PlanError(
            f"session must be a name of 1 to 200 characters, got {len(session)}. "
            "Call the session something short."
        )
    return names


def _deal_jugs(here: Sequence[SessionWater], sizes: Sizes, draw: Draw) -> list[Jugs]:
    """The jugs of each flight in random order, control and duplicates among them."""
    rng = draw.fresh()
    others = [w for w in here if not w.is_control]
    control = [w for w in here if w.is_control]
    share, more = divmod(sizes.duplicates, sizes.flights)
    extra = rng.permutation([share + (i < more) for i in range(sizes.flights)]).tolist()
    blocks = incomplete_blocks(
        len(others), [sizes.cups - len(control) - d for d in extra], rng=draw.fresh()
    )
    names = rng.permutation(len(others))
    tables: list[Jugs] = []
    for block, n_duplicates in zip(blocks, extra, strict=True):
        own = draw.fresh()
        waters = [others[int(names[w])] for w in block]
        # The control is repeated by every flight already, so that others come first.
        again = [waters[i] for i in own.permutation(len(waters))[:n_duplicates]]
        again += control[: n_duplicates - len(again)]
        jugs = [(w, False) for w in [*control, *waters]] + [(w, True) for w in again]
        tables.append([jugs[i] for i in own.permutation(len(jugs))])
    return tables


def _label_cups(
    codes: CodeDraw, flight: int, order: Orders, each: bool, rng: np.random.Generator
) -> list[dict[int, str]]:
    """For every taster the code on the cup from each jug, avoiding codes served in a run."""
    n_tasters = len(order)
    if not each:
        group = codes.groups[flight]
        draws = []
        for _ in range(20):
            coded = dict(enumerate(str(c) for c in rng.permutation(group)))
            draws.append((sum(is_monotone([coded[j] for j in row]) for row in order), coded))
        best = min(draws, key=lambda pair: pair[0])[1]
        return [best] * n_tasters
    labels = []
    for taster, row in enumerate(order):
        group = codes.groups[flight * n_tasters + taster]
        for _ in range(20):
            coded = dict(enumerate(str(c) for c in rng.permutation(group)))
            if not is_monotone([coded[j] for j in row]):
                break
        labels.append(coded)
    return labels


def _key_rows(
    flight: int,
    jugs: Jugs,
    labels: Sequence[dict[int, str]],
    each: bool,
    rng: np.random.Generator,
) -> tuple[KeyRow, ...]:
    """The rows to seal: one a jug with shared bowls, one a cup otherwise."""
    coded = [(jug, code) for own in labels for jug, code in own.items()]
    bowls = rng.permutation(len(coded)) if each else [jug for jug, _ in coded]
    return tuple(
        KeyRow(
            blind_code=code,
            jug=f"J{flight}.{jug + 1}",
            bowl=f"B{flight}.{bowl + 1}",
            water=jugs[jug][0].label,
            target=jugs[jug][0].target,
            is_control=jugs[jug][0].is_control,
            is_duplicate=jugs[jug][1],
        )
        for (jug, code), bowl in zip(coded, bowls, strict=True)
    )


def _design(
    sizes: Sizes, here: Sequence[SessionWater], tables: Sequence[Jugs], orders: Sequence[Orders]
) -> Design:
    """Counts of the plan, without names."""
    number = {water.label: i for i, water in enumerate(here)}
    blocks = [sorted({number[water.label] for water, _ in jugs}) for jugs in tables]
    n = len(here)
    positions = [position_counts(order, sizes.cups) for order in orders]
    follows = [follow_counts(order, sizes.cups) for order in orders]
    spreads = [("times a cup stands at a position, in a flight", np.stack(positions))]
    off_diagonal = ~np.eye(sizes.cups, dtype=bool)
    if sizes.cups > 1:
        spreads.append(
            ("times a cup follows another, in a flight", np.stack(follows)[:, off_diagonal])
        )
    if n > 1:
        pairs = pair_counts(blocks, n)[~np.eye(n, dtype=bool)]
        spreads.append(("flights in which two waters meet", pairs))
    return Design(
        kind="complete blocks" if sizes.complete else "incomplete blocks",
        n_waters=n,
        repeats=sizes.repeats,
        cups_per_flight=sizes.cups,
        control_cups=sizes.flights * sizes.has_control,
        duplicate_cups=sizes.duplicates,
        efficiency=efficiency_factor(blocks, n) if n > 1 else 1.0,
        spreads=tuple((name, int(c.min()), int(c.max())) for name, c in spreads),
    )
