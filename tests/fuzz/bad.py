"""What people pass by mistake: wrong types, text for numbers, NaN, blanks, doubles, odd letters."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd
from hypothesis import strategies as st

from labkit import tasting
from tests.fuzz.place import WATERS

_SWEEP = tasting.ratio_sweep(hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)

NUMBERS = (float("nan"), float("inf"), -float("inf"), -1, 0, -0.5, 1.5, 1e308, 10**30, 10**400,
           2**63, 1e-300, True, False, Decimal("NaN"), 1j, np.float64("nan"), np.int64(-3),
           100_000_000)  # fmt: skip
TEXTS = (
    "",
    " ",
    "2,0",
    "2.0",
    "abc",
    "nan",
    "2026-11-28",
    "28.11.2026",
    "\ud800",
    "a\0b",
    "\u202eright to left",
    "e\u0301",
    "x" * 10_000,
    "a\nb",
    "middle",
    "none",
    b"bytes",
)
THINGS = (None, [], (), {}, set(), object(), print, [None], ["a", "a"], [float("nan")], [""],
          {"a": float("nan")}, {"a": 1}, {1: 2}, [[1, 2], [3]], np.array([1.0, np.nan]),
          np.array([]), np.zeros((2, 2)), dt.date(2026, 11, 28), dt.datetime(2026, 11, 28, 9),
          dt.timedelta(1), pd.NaT, pd.NA, pd.DataFrame(), pd.DataFrame({"a": [1]}),
          pd.DataFrame({"taster": ["Ines"], "score": [float("nan")]}), pd.Series([1, 2]), _SWEEP,
          WATERS[0], [WATERS[0], WATERS[0]], [WATERS[0], None], int, iter(["a", "b"]), range(3),
          "Ines", ["Ines", "Ines"], ["Ines", 3], 7, 0.5)  # fmt: skip

CONSTANTS = (*NUMBERS, *TEXTS, *THINGS)


@st.composite
def instead_of(draw: st.DrawFn, good: Any) -> Any:
    """Something bad in the place of a good value: another thing, or the good one, damaged."""
    ways = [st.sampled_from(CONSTANTS), st.text(max_size=20), st.floats(), st.integers()]
    weights = ["thing"] * 5 + ["text", "float", "int"]
    if isinstance(good, pd.DataFrame) and len(good):
        weights += ["frame"] * 8
    elif isinstance(good, Mapping) and good:
        weights += ["mapping"] * 6
    elif isinstance(good, tuple | list) and good:
        weights += ["sequence"] * 6
    kind = draw(st.sampled_from(weights))
    if kind == "frame":
        return _damaged_frame(draw, good)
    if kind == "mapping":
        key = draw(st.sampled_from(sorted(good, key=repr)))
        bad = draw(st.sampled_from(CONSTANTS))
        if draw(st.booleans()) and bad.__hash__ is not None and _hashable(bad):
            return {bad if one == key else one: it for one, it in good.items()}
        return {**good, key: bad}
    if kind == "sequence":
        place = draw(st.integers(0, len(good) - 1))
        bad = draw(st.one_of(st.sampled_from(CONSTANTS), st.sampled_from(list(good))))
        return type(good)([*good[:place], bad, *good[place + draw(st.integers(0, 1)) :]])
    return draw({"thing": ways[0], "text": ways[1], "float": ways[2], "int": ways[3]}[kind])


def _hashable(it: Any) -> bool:
    try:
        hash(it)
    except TypeError:
        return False
    return True


def _damaged_frame(draw: st.DrawFn, good: pd.DataFrame) -> pd.DataFrame:
    column = draw(st.sampled_from(list(good.columns)))
    row = draw(st.integers(0, len(good) - 1))
    way = draw(st.sampled_from(["drop", "cell", "column", "double", "none", "rename", "index"]))
    if way == "drop":
        return good.drop(columns=column)
    if way == "double":
        return pd.concat([good, good.iloc[[row]]])
    if way == "none":
        return good.iloc[:0]
    if way == "rename":
        return good.rename(columns={column: draw(st.sampled_from(["", "other", 3, None]))})
    if way == "index":
        return good.set_index(column)
    bad = draw(st.sampled_from([*NUMBERS, *TEXTS, None, pd.NaT]))
    cells = good[column].astype(object)
    if way == "column":
        return good.assign(**{column: pd.Series([bad] * len(good), index=good.index, dtype=object)})
    cells = cells.copy()
    cells.iat[row] = bad
    return good.assign(**{column: cells})
