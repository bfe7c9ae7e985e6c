"""Does the place of a cup in the flight, or the cup before it, change its score."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse, stats

from labkit.analysis.model.coding import Bools, Floats
from labkit.analysis.model.scores import Scores

COLUMNS: Final = ["effect", "estimate", "se", "p"]

ALIKE: Final = 1e-3
"""An order effect with less than this share of its length left cannot be told from the rest."""


def order_effects(scores: Scores) -> pd.DataFrame:
    """Effects of the serving order, beside tasters, waters and flights (least squares).

    Returns
    -------
    DataFrame
        ``effect`` (``'first cup'``: points more than a later one; ``'each later place'``: points
        per place; ``'cup before'``: points per point of the panel's mean for the water before),
        ``estimate, se, p``. Effects that the orders cannot tell apart are left out.
    """
    nothing = pd.DataFrame(columns=COLUMNS)
    orders = scores.once("orders", lambda: _Orders.of(scores))
    if orders is None:
        return nothing
    given = scores.score[orders.known]
    score = _rest(given, orders.beside)
    names, columns = list[str](), np.empty((len(given), 0))
    before = orders.cup_before(given)
    for name, column, rest in (
        *orders.places,
        ("cup before", before, _rest(before, orders.beside)),
    ):
        left = rest - columns @ np.linalg.lstsq(columns, rest, rcond=None)[0]
        if np.linalg.norm(left) > ALIKE * np.linalg.norm(column):
            names, columns = [*names, name], np.column_stack([columns, rest])
    df = len(given) - orders.rank - len(names)
    if not names or df < 1:
        return nothing
    inverse = np.linalg.inv(columns.T @ columns)
    estimate = inverse @ columns.T @ score
    variance = float(((score - columns @ estimate) ** 2).sum()) / df
    if variance < 1e-12:
        return nothing
    se = np.sqrt(variance * np.diag(inverse))
    p = 2 * stats.t.sf(np.abs(estimate) / se, df)
    return pd.DataFrame({"effect": names, "estimate": estimate, "se": se, "p": p})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Orders:
    """The serving orders of some cups, known before any score."""

    known: Bools
    """Which scores have a place in a flight, shape (n,)."""

    beside: sparse.csr_array
    """Indicators of tasters, waters and flights."""

    rank: int
    """Of ``beside``."""

    places: tuple[tuple[str, Floats, Floats], ...]
    """Effects of the place: name, column, and what ``beside`` leaves of it."""

    recipe: NDArray[np.intp]
    """Which water each score is for."""

    before: NDArray[np.intp]
    """Which score was given just before, by the same taster in the same flight; -1 for none."""

    @classmethod
    def of(cls, scores: Scores) -> _Orders | None:
        """None if the places are not known or do not vary."""
        frame = scores.frame
        position = pd.to_numeric(frame["position"], errors="coerce").to_numpy(dtype=np.float64)
        known = np.isfinite(position)
        if known.sum() < 6 or np.ptp(position[known]) == 0:
            return None
        frame, position = frame[known], position[known]
        # Not pandas' factorize: its -1 for a blank would be a column before the first.
        taster, recipe, block = [
            np.unique(frame[name].to_numpy(dtype=str), return_inverse=True)[1]
            for name in ("taster", "recipe", "block")
        ]
        beside, rank = _indicators([taster, recipe, block])
        columns = {
            "first cup": (position == 1).astype(np.float64),
            "each later place": position - position.mean(),
        }
        sitting = block * (taster.max() + 1) + taster
        order = np.lexsort((position, sitting))
        follows = sitting[order][1:] == sitting[order][:-1]
        before = np.full(len(frame), -1)
        before[order[1:][follows]] = order[:-1][follows]
        return cls(
            known=known,
            beside=beside,
            rank=rank,
            places=tuple((name, one, _rest(one, beside)) for name, one in columns.items()),
            recipe=recipe,
            before=before,
        )

    def cup_before(self, score: Floats) -> Floats:
        """The panel's mean for the water tasted just before, centred; 0 for a first cup."""
        mean = (np.bincount(self.recipe, score) / np.bincount(self.recipe))[self.recipe]
        later = self.before >= 0
        found = np.zeros(len(score))
        if later.any():
            told = mean[self.before[later]]
            found[later] = told - told.mean()
        return found


def _indicators(groups: list[NDArray[np.intp]]) -> tuple[sparse.csr_array, int]:
    """Indicator columns of several groupings, and their rank if they hang together."""
    n = len(groups[0])
    blocks = [
        sparse.csr_array((np.ones(n), group, np.arange(n + 1)), shape=(n, int(group.max()) + 1))
        for group in groups
    ]
    columns = sparse.csr_array(sparse.hstack(blocks))
    return columns, columns.shape[1] - len(groups) + 1


def _rest(column: Floats, beside: sparse.csr_array) -> Floats:
    """What is left of a column when the indicators have explained what they can."""
    found = sparse.linalg.lsqr(beside, column, atol=1e-12, btol=1e-12, iter_lim=500)[0]
    return np.asarray(column - beside @ found)
