"""A pandas table within a form, so that it changes with what is chosen there."""

from __future__ import annotations

import pandas as pd

from labkit.water.markup import figure


def frame_html(frame: pd.DataFrame) -> str:
    """All rows and columns of a table, which scrolls by itself where it is too wide."""
    figures = frame.to_html(
        index=False, na_rep="", border=0, float_format=lambda value: figure(float(value), 4)
    )
    return f'<div style="overflow-x:auto">{figures}</div>'
