"""What stands where: jugs of every flight and each taster's order, by number and not by name.

A layout is secret as soon as its numbers are waters; it lives only while a plan is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from labkit.tasting.blocks import Blocks, efficiency_factor, incomplete_blocks, is_balanced
from labkit.tasting.orders import (
    Orders,
    balanced_orders,
    even_orders,
    follow_counts,
    position_counts,
)
from labkit.tasting.sizes import Sizes

BlocksBy = Literal["flight", "taster"]
"""All tasters share the waters of a flight, or each has a choice of their own."""


class Draw:
    """Independent random streams: what is seen of one tells nothing of another."""

    def __init__(self, seed: int | np.random.Generator | None) -> None:
        self._rng = None if seed is None else np.random.default_rng(seed)

    def fresh(self) -> np.random.Generator:
        """A stream of its own, from the operating system's entropy outside tests."""
        return np.random.default_rng() if self._rng is None else self._rng.spawn(1)[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Jug:
    """One jug mixed and brewed for one flight."""

    water: int
    """Number of the water; the control is the last one."""

    is_duplicate: bool
    """True for a jug that repeats a water of its flight."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ServingLayout:
    """Jugs and orders of all flights."""

    sizes: Sizes
    """Flights, repeats and cups."""

    jugs: tuple[tuple[Jug, ...], ...]
    """The jugs of each flight, in random order."""

    orders: tuple[Orders, ...]
    """For each flight the jugs as each taster meets them, shape (n_tasters, n_cups)."""

    blocks: Blocks
    """The waters that stand together, without the control and duplicates."""

    @property
    def n_waters(self) -> int:
        """Waters in all, the control among them."""
        return self.sizes.n_waters + self.sizes.has_control

    @property
    def efficiency(self) -> float:
        """Information on differences between waters left, the control helping to link flights."""
        n = self.sizes.n_waters
        if n < 2:
            return 1.0
        blocks = [(*block, n) for block in self.blocks] if self.sizes.has_control else self.blocks
        return efficiency_factor(blocks, self.n_waters, among=range(n))

    @property
    def kind(self) -> str:
        """Complete blocks, or how even the incomplete ones are."""
        if self.sizes.complete:
            return "complete blocks"
        if is_balanced(self.blocks, self.sizes.n_waters):
            return "balanced incomplete blocks"
        return "near-balanced incomplete blocks"

    def count_positions_of_jugs(self) -> list[NDArray[np.int_]]:
        """How often each jug stands at each position, flight by flight."""
        return [
            position_counts(orders, len(jugs))
            for jugs, orders in zip(self.jugs, self.orders, strict=True)
        ]

    def count_follows_of_jugs(self) -> list[NDArray[np.int_]]:
        """How often each jug is tasted directly before each other, flight by flight."""
        return [
            follow_counts(orders, len(jugs))[~np.eye(len(jugs), dtype=bool)]
            for jugs, orders in zip(self.jugs, self.orders, strict=True)
        ]

    def count_positions(self) -> NDArray[np.int_]:
        """How often each water stands at each position, shape (n_waters, n_cups)."""
        counts = np.zeros((self.n_waters, self.sizes.cups), dtype=int)
        for jugs, orders in zip(self.jugs, self.orders, strict=True):
            for order in orders.tolist():
                for position, jug in enumerate(order):
                    counts[jugs[jug].water, position] += 1
        return counts

    def count_follows(self) -> NDArray[np.int_]:
        """How often each water (row) is tasted directly before each other (column)."""
        counts = np.zeros((self.n_waters, self.n_waters), dtype=int)
        for jugs, orders in zip(self.jugs, self.orders, strict=True):
            for order in orders.tolist():
                for before, after in pairwise(order):
                    counts[jugs[before].water, jugs[after].water] += 1
        return counts

    def count_meetings(self) -> NDArray[np.int_]:
        """In how many flights before a taster each pair meets; the diagonal counts servings."""
        counts = np.zeros((self.n_waters, self.n_waters), dtype=int)
        for jugs, orders in zip(self.jugs, self.orders, strict=True):
            for order in orders.tolist():
                here = sorted({jugs[j].water for j in order})
                counts[np.ix_(here, here)] += 1
        return counts


def lay_out(sizes: Sizes, n_tasters: int, blocks_by: BlocksBy, draw: Draw) -> ServingLayout:
    """Draw the jugs of every flight and the order in which each taster meets them.

    Every flight has a draw of its own, so that an opened one tells nothing of the next but what
    the design says of all: which waters have had their turn.
    """
    rng = draw.fresh()
    share, more = divmod(sizes.duplicates, sizes.flights)
    extra = rng.permutation([share + (i < more) for i in range(sizes.flights)]).tolist()
    seats = [sizes.cups - sizes.has_control - n for n in extra]
    groups = n_tasters if blocks_by == "taster" else 1
    dealt = incomplete_blocks(
        sizes.n_waters,
        seats * groups,
        groups=[g for g in range(groups) for _ in seats],
        seed=draw.fresh(),
    )
    blocks = _renumbered(dealt, rng.permutation(sizes.n_waters).tolist())
    jugs, orders = [], []
    for flight, n_duplicates in enumerate(extra):
        own = blocks[flight :: sizes.flights]
        table, sets = _set_table(own, n_duplicates, sizes, draw.fresh())
        jugs.append(table)
        if blocks_by == "flight":
            orders.append(balanced_orders(sizes.cups, n_tasters, rng=draw.fresh()))
        else:
            orders.append(even_orders(sets, len(table), seed=draw.fresh()))
    return ServingLayout(sizes=sizes, jugs=tuple(jugs), orders=tuple(orders), blocks=blocks)


def lay_out_listed(
    waters: Sequence[int], sizes: Sizes, n_tasters: int, draw: Draw
) -> ServingLayout:
    """One flight whose cups are given by their waters' numbers: each has a jug of its own."""
    jugs = [Jug(water=w, is_duplicate=w in waters[:at]) for at, w in enumerate(waters)]
    table = tuple(jugs[at] for at in draw.fresh().permutation(len(jugs)))
    return ServingLayout(
        sizes=sizes,
        jugs=(table,),
        orders=(balanced_orders(sizes.cups, n_tasters, rng=draw.fresh()),),
        blocks=(tuple(range(sizes.n_waters)),),
    )


def _renumbered(blocks: Blocks, names: list[int]) -> Blocks:
    """The same blocks under other numbers, so that a search's habits mean nothing."""
    return tuple(tuple(sorted(names[water] for water in block)) for block in blocks)


def _set_table(
    blocks: Blocks, n_duplicates: int, sizes: Sizes, rng: np.random.Generator
) -> tuple[tuple[Jug, ...], list[list[int]]]:
    """The jugs of one flight, and which of them each block of waters takes."""
    control = [sizes.n_waters] * sizes.has_control
    repeated: list[set[int]] = [set() for _ in blocks]
    # Few waters are repeated, each for as many tasters as have it: a jug more is work more. The
    # control is repeated by every flight already, so that others come first.
    wanted = [*rng.permutation(sizes.n_waters).tolist(), *control]
    reach = {w: sum(w in block for block in blocks) for w in range(sizes.n_waters)}
    wanted.sort(key=lambda w: -reach.get(w, 0))
    for water in wanted:
        for block, again in zip(blocks, repeated, strict=True):
            if len(again) < n_duplicates and water in (*block, *control):
                again.add(water)
    once = sorted({water for block in blocks for water in block}) + control
    twice = sorted(set().union(*repeated))
    table = [Jug(water=w, is_duplicate=False) for w in once]
    table += [Jug(water=w, is_duplicate=True) for w in twice]
    table = [table[i] for i in rng.permutation(len(table))]
    place = {jug: i for i, jug in enumerate(table)}
    sets = [
        [place[Jug(water=w, is_duplicate=False)] for w in (*block, *control)]
        + [place[Jug(water=w, is_duplicate=True)] for w in sorted(again)]
        for block, again in zip(blocks, repeated, strict=True)
    ]
    return tuple(table), sets
