"""A pandas table within a form, so that it changes with what is chosen there."""

from __future__ import annotations

import math

import pandas as pd

from labkit.present import table
from labkit.water import figure


def frame_html(caption: str, frame: pd.DataFrame) -> str:
    """All rows and columns of a table, which scrolls by itself where it is too wide."""
    rows = [[_cell(value) for value in row] for row in frame.itertuples(index=False, name=None)]
    shown = table(caption, [str(name) for name in frame.columns], rows)
    return f'<div style="overflow-x:auto">{shown}</div>'


def _cell(value: object) -> str:
    if isinstance(value, float):
        return "" if math.isnan(value) else figure(value, 4)
    return str(value)
