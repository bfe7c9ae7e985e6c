"""How it is said what many coffees tell side by side."""

from __future__ import annotations

import pandas as pd

from labkit.analysis import Across
from labkit.present.asked import say


def table_in_words(across: Across) -> pd.DataFrame:
    """The table of many coffees with what each says and cannot tell: ``says, cannot_tell``.

    Parameters
    ----------
    across : Across
        The coffees side by side.
    """
    return across.table.assign(
        says=[say(one) for one in across.readings],
        cannot_tell=[
            " ".join(map(say, one.facts.cannot_tell)) if one.facts else ""
            for one in across.readings
        ],
    )
