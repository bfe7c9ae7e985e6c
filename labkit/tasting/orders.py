"""Serving orders balanced for position and for the cup tasted just before."""

from __future__ import annotations

import random
from collections.abc import Sequence
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.tasting.sizes import check_whole

Orders = NDArray[np.int_]

_STARTS = 12
_DRAWS = 60  # more draws of leftover rows gain nothing that shows in the balance


@checked(PlanError)
def williams_orders(n_cups: int) -> Orders:
    """Orders in which each cup follows every other equally often.

    Parameters
    ----------
    n_cups : int
        Cups in a flight, at least 2.

    Returns
    -------
    orders : ndarray of int, shape (n_orders, n_cups)
        One row an order, one column a position; entries index cups from 0.
        ``n_orders`` is ``n_cups`` if even, else ``2 * n_cups``.

    Raises
    ------
    PlanError
        If `n_cups` is below 2, or more than there are codes.

    Notes
    -----
    Balances the cup tasted just before, not the one before that [1]_. The first row zigzags
    0, 1, n-1, 2, n-2, ...; each further row adds 1. An odd number needs the mirrored rows too.

    References
    ----------
    .. [1] Williams, E. J. (1949). Experimental designs balanced for the estimation of residual
       effects of treatments. Aust. J. Sci. Res. A, 2, 149-168.

    Examples
    --------
    >>> williams_orders(4)
    array([[0, 1, 3, 2],
           [1, 2, 0, 3],
           [2, 3, 1, 0],
           [3, 0, 2, 1]])
    """
    check_whole("n_cups", n_cups, least=2)
    zigzag = [(step + 1) // 2 if step % 2 else -(step // 2) for step in range(n_cups)]
    square = (np.arange(n_cups)[:, None] + np.array(zigzag)[None, :]) % n_cups
    if n_cups % 2 == 0:
        return np.asarray(square, dtype=int)
    return np.asarray(np.vstack([square, square[:, ::-1]]), dtype=int)


@checked(PlanError)
def position_counts(orders: Orders, n_cups: int) -> Orders:
    """How often each cup stands at each position.

    Parameters
    ----------
    orders : ndarray of int, shape (n_orders, n_positions)
        Cups by position, one row an order.
    n_cups : int
        How many cups there are to count.

    Returns
    -------
    counts : ndarray of int, shape (n_cups, n_positions)
    """
    counts = np.zeros((n_cups, orders.shape[1]), dtype=int)
    for order in orders:
        counts[order, np.arange(orders.shape[1])] += 1
    return counts


@checked(PlanError)
def follow_counts(orders: Orders, n_cups: int) -> Orders:
    """How often each cup (row) is tasted directly before each other (column).

    Parameters and shape of `orders` as in :func:`position_counts`.

    Parameters
    ----------
    orders : ndarray of int, shape (n_orders, n_positions)
        Cups by position, one row an order.
    n_cups : int
        How many cups there are to count.

    Returns
    -------
    counts : ndarray of int, shape (n_cups, n_cups)
        The diagonal is 0, a cup never follows itself.
    """
    counts = np.zeros((n_cups, n_cups), dtype=int)
    for order in orders.tolist():
        for before, after in pairwise(order):
            counts[before, after] += 1
    return counts


def _unevenness(draws: Orders, n_cups: int) -> list[tuple[int, int]]:
    """Sums of squares of position and follow counts: smaller is more even.

    Of each draw, all of shape (n_draws, n_orders, n_positions) counted at once.
    """
    n_draws, _, n_positions = draws.shape
    own = n_cups * np.arange(n_draws)[:, None, None] + draws
    positions = own * n_positions + np.arange(n_positions)
    follows = own[:, :, :-1] * n_cups + draws[:, :, 1:]
    sums = [
        (np.bincount(counted.ravel(), minlength=n_draws * n_cups * width) ** 2)
        .reshape(n_draws, -1)
        .sum(axis=1)
        .tolist()
        for counted, width in ((positions, n_positions), (follows, n_cups))
    ]
    return list(zip(*sums, strict=True))


def _most_even(draws: Orders, n_cups: int) -> Orders:
    """The first of the most even ones."""
    uneven = _unevenness(draws, n_cups)
    return np.asarray(draws[uneven.index(min(uneven))])


def balanced_orders(n_cups: int, n_tasters: int, *, rng: np.random.Generator) -> Orders:
    """One order a taster, as balanced as `n_tasters` rows allow, cups in random letters.

    Whole Williams sets come first. The rows left over are drawn from one set, the draw with the
    most even positions kept and, among those, the most even carry-over. Which cup carries which
    letter and which taster gets which row are random, so that an order says nothing of a cup.

    Parameters
    ----------
    n_cups, n_tasters : int
        At least 1 each; a single cup has a single order.
    rng : numpy.random.Generator
        The draw.

    Returns
    -------
    orders : ndarray of int, shape (n_tasters, n_cups)
    """
    check_whole("n_tasters", n_tasters)
    if n_cups == 1:
        return np.zeros((n_tasters, 1), dtype=int)
    rows = williams_orders(n_cups)
    whole, left = divmod(n_tasters, len(rows))
    chosen = [rows] * whole
    if left:
        draws = rows[[rng.permutation(len(rows))[:left] for _ in range(_DRAWS)]]
        chosen.append(_most_even(draws, n_cups))
    orders = np.vstack(chosen)[rng.permutation(n_tasters)]
    return np.asarray(rng.permutation(n_cups)[orders], dtype=int)


@checked(PlanError)
def even_orders(
    sets: Sequence[Sequence[int]], n_cups: int, *, seed: int | np.random.Generator
) -> Orders:
    """One order for each set of cups, where tasters do not all have the same cups.

    Positions are as even as they can be: no cup stands at one position twice more often than at
    another. That is a colouring of the edges between sets and cups, which exists for any sets
    (König 1916) and is found by exchanging two positions along a chain. Of several colourings
    the one with the most even carry-over is kept, after exchanges that make it more even.

    Parameters
    ----------
    sets : sequence of sequences of int
        The cups of each order, all of one length.
    n_cups : int
        How many cups there are in all.
    seed : int or numpy.random.Generator
        The draw.

    Returns
    -------
    orders : ndarray of int, shape (n_sets, n_positions)
    """
    rng = np.random.default_rng(seed)
    pick = random.Random(int(rng.integers(2**63)))
    colourings = np.array([_even_positions(sets, pick) for _ in range(_STARTS)])
    orders = _most_even(colourings, n_cups)
    _settle(orders, n_cups, rng)
    return orders


def _even_positions(sets: Sequence[Sequence[int]], pick: random.Random) -> Orders:
    """Give each cup of each set a position, every position as often as any other, give or take 1.

    A cup is split into parts that are in at most as many sets as there are positions; then a part
    takes each position once at most.
    """
    n_positions = len(sets[0])
    n_before: dict[int, int] = {}
    by_set: list[list[tuple[int, int] | None]] = [[None] * n_positions for _ in sets]
    by_part: dict[tuple[int, int], list[int | None]] = {}
    for row in pick.sample(range(len(sets)), len(sets)):
        for cup in pick.sample(list(sets[row]), n_positions):
            part = (cup, n_before.get(cup, 0) // n_positions)
            n_before[cup] = n_before.get(cup, 0) + 1
            here = by_part.setdefault(part, [None] * n_positions)
            own = by_set[row]
            free_row = [p for p in range(n_positions) if own[p] is None]
            free_part = [p for p in range(n_positions) if here[p] is None]
            both = sorted(set(free_row) & set(free_part))
            if both:
                position = pick.choice(both)
            else:
                position, other = pick.choice(free_row), pick.choice(free_part)
                _turn_chain(by_set, by_part, part, position, other)
            own[position], here[position] = part, row
    return np.array([[part[0] for part in own if part is not None] for own in by_set])


def _turn_chain(
    by_set: list[list[tuple[int, int] | None]],
    by_part: dict[tuple[int, int], list[int | None]],
    part: tuple[int, int],
    one: int,
    other: int,
) -> None:
    """Exchange two positions along the chain that starts at `part`, which frees `one` there."""
    chain: list[tuple[int, tuple[int, int], int]] = []
    at: tuple[int, int] | None = part
    position = one
    while at is not None:
        row = by_part[at][position]
        if row is None:
            break
        chain.append((row, at, position))
        position = other if position == one else one
        at = by_set[row][position]
        if at is not None:
            chain.append((row, at, position))
            position = other if position == one else one
    for row, link, place in chain:
        by_set[row][place] = None
        by_part[link][place] = None
    for row, link, place in chain:
        turned = other if place == one else one
        by_set[row][turned] = link
        by_part[link][turned] = row


def _settle(orders: Orders, n_cups: int, rng: np.random.Generator) -> None:
    """Exchange positions of a row, in place, until nothing gets more even."""
    (least,) = _unevenness(orders[None], n_cups)
    swaps = [
        (row, a, b)
        for row in range(len(orders))
        for a, b in combinations(range(orders.shape[1]), 2)
    ]
    improved = True
    while improved:
        improved = False
        for i in rng.permutation(len(swaps)):
            row, a, b = swaps[i]
            orders[row, [a, b]] = orders[row, [b, a]]
            (now,) = _unevenness(orders[None], n_cups)
            if now < least:
                least, improved = now, True
            else:
                orders[row, [a, b]] = orders[row, [b, a]]
