"""Serving orders balanced for position and for the cup tasted just before."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from labkit.errors import PlanError

Orders = NDArray[np.int_]

_DRAWS = 60  # more draws of leftover rows gain nothing that shows in the balance


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
        If `n_cups` is below 2.

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
    if n_cups < 2:
        raise PlanError(
            f"n_cups must be at least 2, got {n_cups}. An order needs two cups to compare."
        )
    zigzag = [(step + 1) // 2 if step % 2 else -(step // 2) for step in range(n_cups)]
    square = (np.arange(n_cups)[:, None] + np.array(zigzag)[None, :]) % n_cups
    if n_cups % 2 == 0:
        return np.asarray(square, dtype=int)
    return np.asarray(np.vstack([square, square[:, ::-1]]), dtype=int)


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


def follow_counts(orders: Orders, n_cups: int) -> Orders:
    """How often each cup (row) is tasted directly before each other (column).

    Parameters and shape of `orders` as in :func:`position_counts`.

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


def _unevenness(orders: Orders, n_cups: int) -> tuple[int, int]:
    """Sums of squares of position and follow counts: smaller is more even."""
    return (
        int((position_counts(orders, n_cups) ** 2).sum()),
        int((follow_counts(orders, n_cups) ** 2).sum()),
    )


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
    if n_cups == 1:
        return np.zeros((n_tasters, 1), dtype=int)
    rows = williams_orders(n_cups)
    whole, left = divmod(n_tasters, len(rows))
    chosen = [rows] * whole
    if left:
        draws = [rows[rng.permutation(len(rows))[:left]] for _ in range(_DRAWS)]
        chosen.append(min(draws, key=lambda draw: _unevenness(draw, n_cups)))
    orders = np.vstack(chosen)[rng.permutation(n_tasters)]
    return np.asarray(rng.permutation(n_cups)[orders], dtype=int)
