"""What stands in a column of answers: blanks, yes and no, waters that can be.

Frames come from lab books, files and by hand: there a blank is NaN, None or spaces, and 'no' may
be the text 'False'. Nothing here is left to how pandas takes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from labkit.analysis.model.coding import Bools, Floats
from labkit.errors import ReadingError
from labkit.water import COORDINATE

YES: Final = frozenset({"true", "yes", "1", "1.0"})
NO: Final = frozenset({"false", "no", "0", "0.0"})

WATER_RULE: Final = ", ".join(
    f"{one.words} 0 to {one.highest:g} {one.unit}".rstrip() for one in COORDINATE.values()
)
"""What a water must be, for a sentence."""

MARGIN: Final = 1e-9
"""What rounding may put a number beyond an end."""


def blanks(column: pd.Series[Any]) -> Bools:
    """Where nothing is given, shape (n,): missing, or text without a letter."""
    missing = column.isna().to_numpy(dtype=bool, copy=True)
    if not pd.api.types.is_numeric_dtype(column.dtype):
        place, texts = pd.factorize(column.astype(str))  # of many rows few differ
        empty = np.array([not str(text).strip() for text in texts], dtype=bool)
        given = ~missing
        missing[given] = empty[place[given]]
    return missing


def name_blanks(column: pd.Series[Any], otherwise: object = "") -> pd.Series[Any]:
    """The same column with one name for every blank, so that grouping keeps its rows."""
    empty = blanks(column)
    return column.astype(object).where(~empty, otherwise) if empty.any() else column


def yes_or_no(column: pd.Series[Any]) -> pd.Series[Any]:
    """A column of yes and no as True, False and, where it is blank, NaN.

    Raises
    ------
    ReadingError
        If something else stands in it.
    """
    if column.dtype == bool:
        return column
    text = column.astype(str).str.strip().str.lower()
    empty = blanks(column)
    yes = text.isin(YES)
    odd = ~(yes | text.isin(NO) | empty)
    if odd.any():
        raise ReadingError(
            f"{column.name} must be true or false, got '{column[odd].iloc[0]}'. Correct it, or "
            "leave the field empty where there was no answer."
        )
    return yes.astype(object).where(~empty)


def numbers(column: pd.Series[Any]) -> Floats:
    """A column as numbers, shape (n,); NaN for what is none."""
    found = np.asarray(pd.to_numeric(column, errors="coerce"), dtype=np.float64)
    return np.where(np.isfinite(found), found, np.nan)


def impossible_waters(waters: Floats) -> Bools:
    """Which waters of shape (n, 3) no target can be, shape (n,)."""
    highest = np.array([one.highest for one in COORDINATE.values()])
    return np.asarray(((waters < -MARGIN) | (waters > highest + MARGIN)).any(axis=1))


def must_be_filled(frame: pd.DataFrame, columns: Sequence[str], what: str) -> None:
    """Refuse blanks in columns that nothing can be read without.

    Raises
    ------
    ReadingError
        Naming the first such column, and in how many rows it is blank.
    """
    for name in columns:
        empty = int(blanks(frame[name]).sum())
        if empty:
            raise ReadingError(
                f"{name} must be filled in for every {what}, got {empty} of {len(frame)} rows "
                "without it. Fill it in, or leave those rows out."
            )
