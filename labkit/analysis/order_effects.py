"""Does the place of a cup in the flight, or the cup before it, change its score."""

from __future__ import annotations

import numpy as np
import pandas as pd
import statsmodels.api as sm

from labkit.analysis.coding import Floats
from labkit.analysis.model import centred_contrasts
from labkit.analysis.scores import Scores

COLUMNS = ["effect", "estimate", "se", "p"]


def order_effects(scores: Scores) -> pd.DataFrame:
    """Effects of the serving order, beside tasters, waters and flights.

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
    if known.sum() < 6 or np.ptp(position[known]) == 0:
        return pd.DataFrame(columns=COLUMNS)
    frame, position = frame[known], position[known]
    base = [np.ones((len(frame), 1))]
    base += [
        centred_contrasts(list(frame[name].astype(str))) for name in ("taster", "recipe", "block")
    ]
    design, names = _independent(np.column_stack(base)), list[str]()
    for name, column in (
        ("first cup", (position == 1).astype(np.float64)),
        ("each later place", position - position.mean()),
        ("cup before", _cup_before(frame, position)),
    ):
        wider = _independent(np.column_stack([design, column]))
        if wider.shape[1] > design.shape[1] and len(wider) > wider.shape[1] + 2:
            design, names = wider, [*names, name]
    if not names:
        return pd.DataFrame(columns=COLUMNS)
    fit = sm.OLS(frame["score"].to_numpy(dtype=np.float64), design).fit()
    if fit.scale <= 0:
        return pd.DataFrame(columns=COLUMNS)
    k = len(names)
    return pd.DataFrame(
        {"effect": names, "estimate": fit.params[-k:], "se": fit.bse[-k:], "p": fit.pvalues[-k:]}
    )


def _independent(matrix: Floats) -> Floats:
    """The columns that add something to those before them."""
    size = np.maximum(np.linalg.norm(matrix, axis=0), 1.0)
    rest = np.abs(np.diag(np.linalg.qr(matrix, mode="r")))
    kept: Floats = matrix[:, : len(rest)][:, rest > 1e-8 * size[: len(rest)]]
    return kept


def _cup_before(frame: pd.DataFrame, position: Floats) -> Floats:
    """The panel's mean for the water tasted just before, centred; 0 for a first cup."""
    ordered = frame.assign(place=position, mean=frame.groupby("recipe")["score"].transform("mean"))
    ordered = ordered.sort_values("place", kind="stable")
    before = ordered.groupby(["block", "taster"])["mean"].shift(1)
    before = before.reindex(frame.index)
    return np.asarray((before - before.mean()).fillna(0.0), dtype=np.float64)
