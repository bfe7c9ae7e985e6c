"""Serving orders against Williams's property and its smallest published squares."""

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from labkit.errors import PlanError
from labkit.tasting.orders import balanced_orders, follow_counts, position_counts, williams_orders


@pytest.mark.parametrize("n_cups", [2, 3, 4, 5, 6, 7, 8, 9])
def test_each_cup_follows_every_other_equally_often(n_cups):
    """The carry-over balance of Williams (1949)."""
    orders = williams_orders(n_cups).tolist()

    followed = Counter(pair for order in orders for pair in pairwise(order))

    assert len(followed) == n_cups * (n_cups - 1)
    assert set(followed.values()) == {1 if n_cups % 2 == 0 else 2}


@pytest.mark.parametrize("n_cups", [2, 3, 4, 5, 6, 7, 8, 9])
def test_each_cup_stands_equally_often_at_each_position(n_cups):
    """Williams designs are Latin squares, or two of them (Williams 1949)."""
    orders = williams_orders(n_cups)

    assert len(orders) == (n_cups if n_cups % 2 == 0 else 2 * n_cups)
    assert set(position_counts(orders, n_cups).ravel()) == {1 if n_cups % 2 == 0 else 2}


def test_one_cup_has_no_order():
    for n_cups in (1e30, 2.5, float("nan"), "4"):
        with pytest.raises(PlanError, match=r"n_cups must be (at most 564|a whole number), got"):
            williams_orders(n_cups)
    with pytest.raises(PlanError, match="n_cups must be at least 2, got 1"):
        williams_orders(1)


@pytest.mark.parametrize("n_cups", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("n_tasters", range(1, 13))
def test_any_number_of_tasters_is_balanced_as_far_as_it_goes(n_cups, n_tasters, rng):
    """Latin rows: positions differ by one at most, over any set of rows of one square."""
    orders = balanced_orders(n_cups, n_tasters, rng=rng)

    positions = position_counts(orders, n_cups)
    follows = follow_counts(orders, n_cups)[~np.eye(n_cups, dtype=bool)]

    assert (np.sort(orders, axis=1) == np.arange(n_cups)).all()
    assert positions.max() - positions.min() <= (1 if n_cups % 2 == 0 else 2)
    if n_tasters % len(williams_orders(n_cups)) == 0:
        assert len(set(positions.ravel())) == 1
        assert len(set(follows)) == 1
