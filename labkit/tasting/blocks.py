"""Which waters share a flight when not all of them fit into one: incomplete blocks."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.tasting.sizes import check_whole

Blocks = tuple[tuple[int, ...], ...]
"""Waters (from 0) of each block, ascending."""

# Cooling from 1.5 to 0.15 pair counts found every balanced design of up to 16 waters that was
# tried, in at most two long runs; slower cooling between narrower limits found fewer.
_HOT, _COLD = 1.5, 0.15
_SHORT, _LONG = 150, 3_000  # exchanges tried for each cup of the design
_RUNS = 6


@checked(PlanError)
def pair_counts(blocks: Sequence[Sequence[int]], n_waters: int) -> NDArray[np.int_]:
    """How often each pair of waters meets in a block.

    Parameters
    ----------
    blocks : sequence of sequence of int
        Waters of each block, counted from 0.
    n_waters : int
        How many waters there are.

    Returns
    -------
    ndarray of int, shape (n_waters, n_waters)
        Symmetric; the diagonal counts how often each water is served at all.
    """
    counts = np.zeros((n_waters, n_waters), dtype=int)
    for block in blocks:
        for water in block:
            counts[water, water] += 1
        for one, other in combinations(block, 2):
            counts[one, other] += 1
            counts[other, one] += 1
    return counts


def is_balanced(blocks: Sequence[Sequence[int]], n_waters: int) -> bool:
    """Whether all waters are served equally often and all pairs meet equally often."""
    counts = pair_counts(blocks, n_waters)
    off_diagonal = counts[~np.eye(n_waters, dtype=bool)]
    return bool(np.ptp(np.diag(counts)) == 0 and (n_waters < 2 or np.ptp(off_diagonal) == 0))


@checked(PlanError)
def efficiency_factor(
    blocks: Sequence[Sequence[int]], n_waters: int, *, among: Sequence[int] | None = None
) -> float:
    """Share of the information on differences between waters that the blocks leave.

    The variance of a difference of two waters, averaged over all pairs, in complete blocks with
    the same number of servings, divided by that in these blocks [1]_. It is 1 for complete blocks,
    ``n_waters * (k - 1) / ((n_waters - 1) * k)`` for balanced blocks of `k` cups, and 0 where some
    waters can never be compared, not even through others.

    Parameters
    ----------
    blocks : sequence of sequences of int
        Waters of each block, from 0; blocks may differ in size.
    n_waters : int
        Waters in all; one alone has nothing to lose.
    among : sequence of int, optional
        The waters whose differences count, all if not given. Others, such as a control in every
        block, still help to compare them.

    References
    ----------
    .. [1] John, J. A. & Williams, E. R. (1995). Cyclic and Computer Generated Designs, 2nd ed.
       Chapman & Hall, ch. 2 (from memory).
    """
    if n_waters < 2:
        return 1.0
    incidence = np.zeros((n_waters, len(blocks)))
    for column, block in enumerate(blocks):
        incidence[list(block), column] = 1
    served = incidence.sum(axis=1)
    if (served == 0).any():
        return 0.0
    information = np.diag(served) - (incidence / incidence.sum(axis=0)) @ incidence.T
    if np.sort(np.linalg.eigvalsh(information))[1] < 1e-9:
        return 0.0
    inverse = np.linalg.pinv(information, hermitian=True)
    pairs = np.array(list(combinations(range(n_waters) if among is None else among, 2)))
    if len(pairs) == 0:
        return 1.0
    one, other = pairs.T
    variance = inverse[one, one] + inverse[other, other] - 2 * inverse[one, other]
    return float((1 / served[one] + 1 / served[other]).sum() / variance.sum())


@checked(PlanError)
def incomplete_blocks(
    n_waters: int,
    sizes: Sequence[int],
    *,
    groups: Sequence[int] | None = None,
    seed: int | np.random.Generator,
) -> Blocks:
    """Blocks of the given sizes in which waters and pairs appear as equally often as was found.

    Waters are dealt so that each appears equally often, give or take one. Then two waters of two
    blocks change places if that makes the sum of squared pair counts smaller, or by chance if it
    does not, the chance falling (simulated annealing). The search ends where pair counts cannot
    be more even; of several runs the one with the highest efficiency factor is kept, and where
    a balanced design may exist but was not found, longer runs follow.

    Parameters
    ----------
    n_waters : int
        Waters to deal.
    sizes : sequence of int
        Waters in each block.
    groups : sequence of int, optional
        The group of each block, such as all flights of one taster. Within a group each water
        appears equally often, give or take one: a group that holds every water once is a
        replicate, and the design is resolvable. One group of all blocks if not given.
    seed : int or numpy.random.Generator
        The draw; waters carry random numbers.

    Returns
    -------
    blocks : tuple of tuples of int

    Raises
    ------
    PlanError
        If a block is to hold more waters than there are.
    """
    rng = np.random.default_rng(seed)
    check_whole("n_waters", n_waters)
    for size in sizes:
        check_whole("cups in a flight", size)
    if not len(sizes):
        raise PlanError(
            "sizes must hold at least one flight, got none. Say how many cups it has.",
            field="sizes",
        )
    if max(sizes) > n_waters:
        raise PlanError(
            f"cups in a flight must be at most the number of waters, {n_waters}, "
            f"got {max(sizes)}. Serve fewer cups or repeat waters as duplicates.",
            field="cups",
        )
    kin = [0] * len(sizes) if groups is None else list(groups)
    pairs = n_waters * (n_waters - 1) // 2
    meetings = sum(size * (size - 1) // 2 for size in sizes)
    even = len(set(sizes)) == 1 and sum(sizes) % n_waters == 0 and meetings % max(pairs, 1) == 0
    best: Blocks = ()
    best_value = -1.0
    seats = sum(sizes)
    for steps in [_SHORT * seats] * _RUNS + [_LONG * seats] * (2 if even else 0):
        blocks = _Exchange(n_waters, sizes, kin, rng).anneal(steps)
        value = efficiency_factor(blocks, n_waters)
        if value > best_value + 1e-12:
            best, best_value = blocks, value
        if even and is_balanced(best, n_waters):
            break
    return best


class _Exchange:
    """A deal of waters to blocks that changes by exchanging two waters at a time."""

    def __init__(
        self, n_waters: int, sizes: Sequence[int], kin: Sequence[int], rng: np.random.Generator
    ) -> None:
        # Python's own generator is several times faster one number at a time.
        self._random = random.Random(int(rng.integers(2**63)))
        self._n = n_waters
        self._kin = list(kin)
        self._blocks = self._deal(sizes)
        self._in_group = {g: [0] * n_waters for g in set(kin)}
        for group, block in zip(kin, self._blocks, strict=True):
            for water in block:
                self._in_group[group][water] += 1
        self._counts: list[list[int]] = pair_counts(
            [sorted(block) for block in self._blocks], n_waters
        ).tolist()
        # Where every group holds all waters equally often, no exchange between groups is fair.
        closed = all(len(set(held)) == 1 for held in self._in_group.values())
        self._partners = [
            [j for j, g in enumerate(kin) if j != i and (g == kin[i] or not closed)]
            for i in range(len(sizes))
        ]

    def _deal(self, sizes: Sequence[int]) -> list[set[int]]:
        """Fill group by group, each block with the waters its group still owes most of."""
        served = [0] * self._n
        blocks: list[set[int]] = [set() for _ in sizes]
        for group in dict.fromkeys(self._kin):
            own = [i for i, g in enumerate(self._kin) if g == group]
            each, more = divmod(sum(sizes[i] for i in own), self._n)
            owed = [each] * self._n
            by_need = sorted(range(self._n), key=lambda w: (served[w], self._random.random()))
            for water in by_need[:more]:
                owed[water] += 1
            for i in own:
                order = sorted(range(self._n), key=lambda w: (-owed[w], self._random.random()))
                for water in order[: sizes[i]]:
                    owed[water] -= 1
                    served[water] += 1
                    blocks[i].add(water)
        return blocks

    def anneal(self, steps: int) -> Blocks:
        """Exchange while cooling and return the most even deal met on the way."""
        draw, n_blocks = self._random.random, len(self._blocks)
        listed = [sorted(block) for block in self._blocks]
        kept = [tuple(block) for block in listed]
        upper = [self._counts[a][b] for a, b in combinations(range(self._n), 2)]
        excess = sum(count * count for count in upper) - _least_squares(sum(upper), len(upper))
        least = excess
        for step in range(steps if self._partners[0] else 0):
            if least == 0:
                break
            i = int(draw() * n_blocks)
            j = self._partners[i][int(draw() * len(self._partners[i]))]
            out, into = (listed[b][int(draw() * len(listed[b]))] for b in (i, j))
            if out in self._blocks[j] or into in self._blocks[i] or not self._fair(i, j, out, into):
                continue
            gain = self._gain(i, j, out, into)
            heat = _HOT * (_COLD / _HOT) ** (step / steps)
            if gain >= 0 or draw() < math.exp(gain / (2 * heat)):
                self._swap(i, j, out, into)
                listed[i], listed[j] = sorted(self._blocks[i]), sorted(self._blocks[j])
                excess -= gain
                if excess < least:
                    least, kept = excess, [tuple(block) for block in listed]
        return tuple(kept)

    def _fair(self, i: int, j: int, out: int, into: int) -> bool:
        """Whether both groups keep their waters as even as they are."""
        if self._kin[i] == self._kin[j]:
            return True
        one, other = self._in_group[self._kin[i]], self._in_group[self._kin[j]]
        return one[out] > one[into] and other[into] > other[out]

    def _gain(self, i: int, j: int, out: int, into: int) -> int:
        """Fall of the sum of squared pair counts if `out` of `i` and `into` of `j` swap."""
        one, other = self._blocks[i], self._blocks[j]
        of_out, of_into = self._counts[out], self._counts[into]
        gain = 0
        for water in one - other:
            if water != out:
                gain += of_out[water] - of_into[water] - 1
        for water in other - one:
            if water != into:
                gain += of_into[water] - of_out[water] - 1
        return 2 * gain

    def _swap(self, i: int, j: int, out: int, into: int) -> None:
        one, other = self._blocks[i], self._blocks[j]
        for waters, sign in ((one - other - {out}, -1), (other - one - {into}, 1)):
            for water in waters:
                for moved, change in ((out, sign), (into, -sign)):
                    self._counts[moved][water] += change
                    self._counts[water][moved] += change
        for block, group, leaves, comes in (
            (one, self._kin[i], out, into),
            (other, self._kin[j], into, out),
        ):
            block.remove(leaves)
            block.add(comes)
            self._in_group[group][leaves] -= 1
            self._in_group[group][comes] += 1


def _least_squares(total: int, n_counts: int) -> int:
    """Smallest sum of squares of `n_counts` whole numbers that add up to `total`."""
    if n_counts == 0:
        return 0
    each, more = divmod(total, n_counts)
    return (n_counts - more) * each * each + more * (each + 1) ** 2
