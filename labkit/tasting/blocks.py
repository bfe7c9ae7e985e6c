"""Which waters share a flight when not all of them fit into one: incomplete blocks."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from labkit.errors import PlanError

Blocks = tuple[tuple[int, ...], ...]
"""Waters (from 0) of each block, ascending."""

_RESTARTS = 12


def pair_counts(blocks: Sequence[Sequence[int]], n_waters: int) -> NDArray[np.int_]:
    """How often each pair of waters meets in a block, shape (n_waters, n_waters).

    The diagonal counts how often each water is served at all.
    """
    counts = np.zeros((n_waters, n_waters), dtype=int)
    for block in blocks:
        for water in block:
            counts[water, water] += 1
        for one, other in combinations(block, 2):
            counts[one, other] += 1
            counts[other, one] += 1
    return counts


def efficiency_factor(blocks: Sequence[Sequence[int]], n_waters: int) -> float:
    """Share of the information on differences between waters that the blocks leave.

    The harmonic mean of the canonical efficiency factors [1]_: 1 for complete blocks, and
    ``n_waters * (k - 1) / ((n_waters - 1) * k)`` for balanced blocks of `k` cups. It is 0 where
    some waters can never be compared within a block.

    Parameters
    ----------
    blocks : sequence of sequences of int
        Waters of each block, from 0; blocks may differ in size.
    n_waters : int
        Waters in all, at least 2.

    References
    ----------
    .. [1] John, J. A. & Williams, E. R. (1995). Cyclic and Computer Generated Designs, 2nd ed.
       Chapman & Hall, ch. 2 (from memory).
    """
    incidence = np.zeros((n_waters, len(blocks)))
    for column, block in enumerate(blocks):
        incidence[list(block), column] = 1
    served = incidence.sum(axis=1)
    if (served == 0).any():
        return 0.0
    information = np.diag(served) - (incidence / incidence.sum(axis=0)) @ incidence.T
    scale = 1 / np.sqrt(served)
    factors = np.sort(np.linalg.eigvalsh(scale[:, None] * information * scale[None, :]))[1:]
    if factors[0] < 1e-9:
        return 0.0
    return float(1 / np.mean(1 / factors))


def incomplete_blocks(n_waters: int, sizes: Sequence[int], *, rng: np.random.Generator) -> Blocks:
    """Blocks of the given sizes in which waters and pairs appear as equally often as was found.

    Waters are dealt so that each appears equally often (give or take one), then exchanged
    between blocks while that makes pairs meet more evenly; of several starts the one with the
    highest efficiency factor is kept. Waters carry random numbers.

    Raises
    ------
    PlanError
        If a block is to hold more waters than there are.
    """
    if max(sizes) > n_waters:
        raise PlanError(
            f"cups in a flight must be at most the number of waters, {n_waters}, "
            f"got {max(sizes)}. Serve fewer cups or repeat waters as duplicates."
        )
    best: Blocks = ()
    best_value = -1.0
    for _ in range(_RESTARTS):
        blocks = _exchange(_deal(n_waters, sizes, rng), n_waters, rng)
        value = efficiency_factor(blocks, n_waters)
        if value > best_value + 1e-12:
            best, best_value = blocks, value
    return best


def _deal(n_waters: int, sizes: Sequence[int], rng: np.random.Generator) -> list[set[int]]:
    """Fill each block with the waters served least so far."""
    served = np.zeros(n_waters)
    blocks = []
    for size in sizes:
        block = np.argsort(served + 0.5 * rng.random(n_waters))[:size]
        served[block] += 1
        blocks.append({int(w) for w in block})
    return blocks


def _exchange(blocks: list[set[int]], n_waters: int, rng: np.random.Generator) -> Blocks:
    """Swap waters between two blocks while the squared pair counts fall."""
    counts = pair_counts([sorted(b) for b in blocks], n_waters)
    improved = True
    while improved:
        improved = False
        pairs = list(combinations(range(len(blocks)), 2))
        for i in rng.permutation(len(pairs)):
            one, other = blocks[pairs[i][0]], blocks[pairs[i][1]]
            for out in sorted(one - other):
                back = sorted(other - one)
                gains = [_gain(counts, one, other, out, into) for into in back]
                if gains and max(gains) > 0:
                    into = back[int(np.argmax(gains))]
                    one.remove(out)
                    one.add(into)
                    other.remove(into)
                    other.add(out)
                    counts = pair_counts([sorted(b) for b in blocks], n_waters)
                    improved = True
    return tuple(tuple(sorted(block)) for block in blocks)


def _gain(counts: NDArray[np.int_], one: set[int], other: set[int], out: int, into: int) -> int:
    """Fall of the sum of squared pair counts when `out` and `into` change places."""
    left = [w for w in one if w != out]
    right = [w for w in other if w != into]
    change = np.zeros(len(counts), dtype=int)
    change[left] -= 1
    change[right] += 1
    row_out, row_into = counts[out].copy(), counts[into].copy()
    before = (row_out**2).sum() + (row_into**2).sum()
    row_out += change
    row_into -= change
    return int(before - (row_out**2).sum() - (row_into**2).sum())
