"""Does the place of a cup in the flight, or the cup before it, change its score."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from scipy import sparse, stats

from labkit.analysis.coding import Floats
from labkit.analysis.scores import Scores

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
    frame = scores.frame
    position = pd.to_numeric(frame["position"], errors="coerce").to_numpy(dtype=np.float64)
    known = np.isfinite(position)
    nothing = pd.DataFrame(columns=COLUMNS)
    if known.sum() < 6 or np.ptp(position[known]) == 0:
        return nothing
    frame, position = frame[known], position[known]
    groups = [frame[name].factorize()[0] for name in ("taster", "recipe", "block")]
    beside, rank = _indicators(groups)
    score = _rest(frame["score"].to_numpy(dtype=np.float64), beside)
    names, columns = list[str](), np.empty((len(frame), 0))
    for name, column in (
        ("first cup", (position == 1).astype(np.float64)),
        ("each later place", position - position.mean()),
        ("cup before", _cup_before(frame, position)),
    ):
        rest = _rest(column, beside)
        left = rest - columns @ np.linalg.lstsq(columns, rest, rcond=None)[0]
        if np.linalg.norm(left) > ALIKE * np.linalg.norm(column):
            names, columns = [*names, name], np.column_stack([columns, rest])
    df = len(frame) - rank - len(names)
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


def _indicators(groups: list[Floats]) -> tuple[sparse.csr_array, int]:
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


def _cup_before(frame: pd.DataFrame, position: Floats) -> Floats:
    """The panel's mean for the water tasted just before, centred; 0 for a first cup."""
    recipe = frame["recipe"].factorize()[0]
    score = frame["score"].to_numpy(dtype=np.float64)
    mean = (np.bincount(recipe, score) / np.bincount(recipe))[recipe]
    sitting = (frame["block"] + "|" + frame["taster"]).factorize()[0]
    order = np.lexsort((position, sitting))
    before = np.full(len(frame), np.nan)
    follows = sitting[order][1:] == sitting[order][:-1]
    before[order[1:][follows]] = mean[order[:-1][follows]]
    centred = before - np.nanmean(before) if np.isfinite(before).any() else before
    return np.asarray(np.nan_to_num(centred), dtype=np.float64)
