"""Incomplete blocks against published parameters and designs found elsewhere (shared/designs).

That ours are as good as those is held by tests/test_references.py.
"""

import csv
from collections import defaultdict
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pytest

from labkit.errors import PlanError
from labkit.tasting.blocks import efficiency_factor, incomplete_blocks, is_balanced, pair_counts
from labkit.tasting.orders import even_orders, follow_counts, position_counts, williams_orders

DESIGNS = Path(__file__).parents[2] / "shared" / "designs"


def _read(name):
    with (DESIGNS / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _listed():
    designs = defaultdict(list)
    for row in _read("balanced_blocks.csv"):
        order = [int(water) - 1 for water in row["served_order"].split()]
        designs[int(row["waters"]), int(row["cups"])].append(order)
    return designs


LISTED = _listed()
BALANCED = [
    pytest.param(row, id=f"{row['waters']} waters, {row['cups']} cups, {row['blocks']} blocks")
    for row in _read("balanced_parameters.csv")
]


def _off_diagonal(counts):
    return counts[~np.eye(len(counts), dtype=bool)]


@pytest.mark.parametrize("row", BALANCED)
def test_listed_designs_are_counted_as_published(row):
    n = int(row["waters"])
    blocks = LISTED[n, int(row["cups"])]
    counts = pair_counts(blocks, n)

    assert len(blocks) == int(row["blocks"])
    assert set(np.diag(counts)) == {int(row["servings"])}
    assert set(_off_diagonal(counts)) == {int(row["meetings"])}
    assert efficiency_factor(blocks, n) == pytest.approx(float(row["efficiency"]), abs=6e-5)


@pytest.mark.parametrize("row", BALANCED)
def test_positions_are_as_even_as_theory_allows(row, rng):
    """Equal where servings divide by cups, else one apart (König's edge colouring)."""
    n = int(row["waters"])
    blocks = LISTED[n, int(row["cups"])]

    orders = even_orders(blocks, n, seed=rng)
    counts = position_counts(orders, n)

    assert [sorted(order) for order in orders.tolist()] == [sorted(block) for block in blocks]
    assert np.ptp(counts) == (0 if row["even_positions_possible"] == "True" else 1)
    assert follow_counts(orders, n).max() <= int(row["most_followed"]) + 1


@pytest.mark.parametrize(("n", "cups"), [(5, 3), (6, 3), (7, 4)])
def test_no_exchange_of_two_cups_makes_orders_more_even(n, cups, rng):
    """Unevenness: squares of positions first, then of who follows whom."""
    sets = [sorted(rng.permutation(n)[:cups].tolist()) for _ in range(9)]
    orders = even_orders(sets, n, seed=rng)

    def unevenness():
        counts = position_counts(orders, n), follow_counts(orders, n)
        return tuple(int((one**2).sum()) for one in counts)

    least = unevenness()
    for row, (a, b) in product(range(len(orders)), combinations(range(cups), 2)):
        orders[row, [a, b]] = orders[row, [b, a]]
        assert unevenness() >= least
        orders[row, [a, b]] = orders[row, [b, a]]


@pytest.mark.parametrize(
    ("n_waters", "n_cups", "n_tasters"),
    [(4, 2, 3), (6, 2, 5), (8, 2, 7), (8, 4, 7), (9, 3, 4), (16, 4, 5)],
)
def test_resolvable_designs_are_found(n_waters, n_cups, n_tasters, rng):
    """Affine planes and round robins (Bose 1942, from memory): a taster's flights hold all once."""
    flights = n_waters // n_cups
    groups = [taster for taster in range(n_tasters) for _ in range(flights)]

    blocks = incomplete_blocks(n_waters, [n_cups] * len(groups), groups=groups, seed=rng)

    assert is_balanced(blocks, n_waters)
    for taster in range(n_tasters):
        own = blocks[taster * flights : (taster + 1) * flights]
        assert sorted(w for block in own for w in block) == list(range(n_waters))


@pytest.mark.parametrize(
    ("n_waters", "sizes"),
    [(7, [4, 3, 4, 3]), (5, [3, 4, 3]), (9, [2, 4, 3]), (8, [3] * 8), (16, [4] * 12)],
)
def test_blocks_that_cannot_be_balanced_still_serve_waters_evenly(n_waters, sizes, rng):
    blocks = incomplete_blocks(n_waters, sizes, seed=rng)

    assert sorted(map(len, blocks)) == sorted(sizes)
    assert np.ptp(np.diag(pair_counts(blocks, n_waters))) <= 1


def test_waters_that_never_meet_have_no_efficiency():
    assert efficiency_factor([(0, 1), (2, 3)], 4) == 0
    assert efficiency_factor([(0, 1)], 3) == 0


def test_complete_blocks_lose_nothing():
    assert efficiency_factor([(0, 1, 2)] * 2, 3) == pytest.approx(1)


def test_a_control_in_every_block_links_what_never_meets():
    """By hand: two blocks (0, 1, c), (2, 3, c). Differences within a block have variance 2.

    Those across go through the control: 1.5 + 1.5 = 3 (a water less its control, adjusted, is
    variance 1.5 by least squares). So 2 pairs of 2 and 4 of 3 against 6 of 2.
    """
    blocks = [(0, 1, 4), (2, 3, 4)]
    design = np.zeros((6, 7))
    for i, (block, water) in enumerate((b, w) for b, waters in enumerate(blocks) for w in waters):
        design[i, [block, 2 + water]] = 1
    inverse = np.linalg.pinv(design.T @ design)[2:, 2:]
    variances = [
        inverse[a, a] + inverse[b, b] - 2 * inverse[a, b] for a in range(4) for b in range(a)
    ]

    assert efficiency_factor(blocks, 5, among=range(4)) == pytest.approx(12 / sum(variances))


def test_more_cups_than_waters_are_refused(rng):
    with pytest.raises(PlanError, match="cups in a flight must be at most the number of waters, 3"):
        incomplete_blocks(3, [4], seed=rng)


def test_williams_orders_are_as_balanced_as_those_made_elsewhere():
    """Same sizes as the table's; both have each pair in a row equally often."""
    table = defaultdict(list)
    for row in _read("williams_orders.csv"):
        table[int(row["cups"])].append([int(cup) - 1 for cup in row["order"].split()])

    for n_cups, orders in table.items():
        ours, theirs = williams_orders(n_cups), np.array(orders)
        assert len(ours) == len(theirs)
        for made in (ours, theirs):
            assert len(set(_off_diagonal(follow_counts(made, n_cups)))) == 1
            assert len(set(position_counts(made, n_cups).ravel())) == 1
