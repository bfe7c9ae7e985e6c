"""labkit's serving designs beside published ones and ones found elsewhere (``shared/designs``)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final, SupportsFloat

import numpy as np

from labkit.checks.references import Comparison, Rule, read_references
from labkit.tasting import (
    Blocks,
    efficiency_factor,
    even_orders,
    follow_counts,
    incomplete_blocks,
    pair_counts,
    position_counts,
    williams_orders,
)

WILLIAMS: Final = "construction of Williams (1949), carried out in R 4.2"
COCHRAN_COX: Final = "Cochran & Cox (1957), ch. 11 (from memory); listed design found in R 4.2"
SEARCH: Final = "long computer search in R 4.2"
_DRAW: Final = 20_261_125
"""Any would do: designs are searched for by chance, and all must come out as good."""


def compare_all(folder: Path) -> list[Comparison]:
    """Every reference value of ``folder`` (``shared/designs`` in a clone) beside ours.

    Raises
    ------
    ImportFileError
        If a reference file is missing.
    """
    return [*serving_orders(folder), *balanced_designs(folder), *near_balanced_designs(folder)]


def serving_orders(folder: Path) -> Iterator[Comparison]:
    """Orders for 3 to 8 cups, of ``williams_orders.csv``."""
    listed: dict[int, list[list[int]]] = {}
    for row in read_references(folder, "williams_orders.csv"):
        order = [int(cup) - 1 for cup in row["order"].split()]
        listed.setdefault(int(row["cups"]), []).append(order)
    for n_cups, orders in listed.items():
        theirs, ours = np.array(orders), williams_orders(n_cups)
        apart = ~np.eye(n_cups, dtype=bool)
        label = f"{n_cups} cups"
        for words, our_value, value in (
            ("orders", len(ours), len(theirs)),
            (
                "fewest times that one cup follows another",
                follow_counts(ours, n_cups)[apart].min(),
                follow_counts(theirs, n_cups)[apart].min(),
            ),
            (
                "most times that one cup follows another",
                follow_counts(ours, n_cups)[apart].max(),
                follow_counts(theirs, n_cups)[apart].max(),
            ),
            (
                "most times at one position",
                position_counts(ours, n_cups).max(),
                position_counts(theirs, n_cups).max(),
            ),
        ):
            yield _count("serving orders", f"{label}: {words}", our_value, value, WILLIAMS)


def balanced_designs(folder: Path) -> Iterator[Comparison]:
    """Parameters of ``balanced_parameters.csv``, of the listed designs and of ours."""
    listed: dict[tuple[int, int], list[tuple[int, ...]]] = {}
    for row in read_references(folder, "balanced_blocks.csv"):
        block = tuple(int(water) - 1 for water in row["served_order"].split())
        listed.setdefault((int(row["waters"]), int(row["cups"])), []).append(block)
    for row in read_references(folder, "balanced_parameters.csv"):
        n, k, n_blocks = int(row["waters"]), int(row["cups"]), int(row["blocks"])
        blocks = tuple(listed[n, k])
        label = f"{n} waters, {k} cups"
        group = "listed designs, counted"
        yield _count(group, f"{label}: blocks", len(blocks), n_blocks, COCHRAN_COX)
        yield from _parameters(group, label, blocks, row)
        rng = np.random.default_rng(_DRAW)
        ours = incomplete_blocks(n, [k] * n_blocks, seed=rng)
        yield from _parameters("designs of our own", label, ours, row)
        orders = even_orders(blocks, n, seed=rng)
        uneven = 0 if row["even_positions_possible"] == "True" else 1
        for words, value, reference in (
            ("positions apart by", np.ptp(position_counts(orders, n)), uneven),
            (
                "most times that one follows another",
                follow_counts(orders, n).max(),
                int(row["most_followed"]) + 1,
            ),
        ):
            group = "listed designs, put in our order"
            quantity = f"{label}: {words}"
            yield _count(group, quantity, value, reference, SEARCH, rule="at most")


def _parameters(
    group: str, label: str, blocks: Blocks, row: dict[str, str]
) -> Iterator[Comparison]:
    n = int(row["waters"])
    counts = pair_counts(blocks, n)
    met = counts[~np.eye(n, dtype=bool)]
    for words, values, column in (
        ("servings of each water", np.diag(counts), "servings"),
        ("meetings of each pair", met, "meetings"),
    ):
        # The one that is furthest off stands for all.
        furthest = float(values[np.argmax(np.abs(values - int(row[column])))])
        yield _count(group, f"{label}: {words}", furthest, int(row[column]), COCHRAN_COX)
    yield Comparison(
        group=group,
        quantity=f"{label}: efficiency factor",
        ours=efficiency_factor(blocks, n),
        reference=float(row["efficiency"]),
        tolerance=6e-5,  # printed to four decimals
        source="closed form waters x (cups - 1) / (cups x (waters - 1))",
    )


def near_balanced_designs(folder: Path) -> Iterator[Comparison]:
    """Sizes without a balanced design, of ``near_balanced.csv``."""
    for row in read_references(folder, "near_balanced.csv"):
        n, k, n_blocks = int(row["waters"]), int(row["cups"]), int(row["blocks"])
        blocks = incomplete_blocks(n, [k] * n_blocks, seed=np.random.default_rng(_DRAW))
        efficiency = efficiency_factor(blocks, n)
        label = f"{n} waters, {k} cups, {n_blocks} blocks: efficiency factor"
        limits: tuple[tuple[str, str, Rule, float, str], ...] = (
            ("efficiency_found", "at least the one found", "at least", 0.001, SEARCH),
            ("efficiency_bound", "at most the bound", "at most", 6e-5, "bound in closed form"),
        )
        for column, words, rule, tolerance, source in limits:
            yield Comparison(
                group="near-balanced designs",
                quantity=f"{label}, {words}",
                ours=efficiency,
                reference=float(row[column]),
                tolerance=tolerance,
                source=source,
                rule=rule,
            )


def _count(
    group: str,
    quantity: str,
    ours: SupportsFloat,
    reference: SupportsFloat,
    source: str,
    *,
    rule: Rule = "equal",
) -> Comparison:
    return Comparison(
        group=group,
        quantity=quantity,
        ours=float(ours),
        reference=float(reference),
        tolerance=0.0,
        source=source,
        rule=rule,
    )
