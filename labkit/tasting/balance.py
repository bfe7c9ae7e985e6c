"""How evenly cups are served, counted name by name in a trial draw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from string import ascii_uppercase

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.shown import Shown
from labkit.tasting.layout import BlocksBy, Draw, lay_out
from labkit.tasting.plan import Design
from labkit.tasting.planning import describe
from labkit.tasting.sizes import COMFORTABLE_CUPS, check_whole, size_flights


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceTables(Shown):
    """Three small tables of what could not be made even."""

    positions: pd.DataFrame
    """How often each water stands at each position."""

    follows: pd.DataFrame
    """How often each water (row) is tasted directly before each other (column)."""

    meetings: pd.DataFrame
    """In how many flights before a taster each pair meets; the diagonal counts flights served."""


@checked(PlanError, own_numbers=True)
def preview_balance(
    n_waters: int,
    n_tasters: int,
    *,
    has_control: bool = True,
    duplicates: int = 1,
    cups_per_flight: int = COMFORTABLE_CUPS,
    flights: int | None = None,
    repeats: int | None = None,
    blocks_by: BlocksBy = "flight",
    insist: bool = False,
    seed: int | np.random.Generator | None = None,
) -> tuple[Design, BalanceTables]:
    """What a plan of this size will look like, from a draw of its own with letters for waters.

    Parameters
    ----------
    n_waters : int
        Waters apart from the control, which is the last letter.
    n_tasters : int
        People who taste.
    has_control : bool
        Whether one cup of every flight holds the control.
    duplicates, cups_per_flight : int
        Hidden duplicates in the session at least, and cups in a flight at most.
    flights, repeats : int, optional
        Flights in all, and flights that each water is in; chosen if not given.
    blocks_by : {"flight", "taster"}
        As in :func:`labkit.tasting.plan_tasting`.
    insist : bool
        Allow more than six cups in a flight.
    seed : int or numpy.random.Generator, optional
        For tests.

    Returns
    -------
    design : Design
        What was laid out.
    tables : BalanceTables
        Counts by letter.

    Raises
    ------
    PlanError
        If the plan does not fit or a number is out of range.
    """
    check_whole("n_tasters", n_tasters)
    sizes = size_flights(
        n_waters,
        has_control=has_control,
        duplicates=duplicates,
        cups_per_flight=cups_per_flight,
        flights=flights,
        repeats=repeats,
        in_part=blocks_by == "taster",
        insist=insist,
    )
    layout = lay_out(sizes, n_tasters, blocks_by, Draw(seed))
    names = [
        ascii_uppercase[i % 26] + ascii_uppercase[i // 26 - 1] * (i > 25) for i in range(n_waters)
    ]
    names += ["control"] * has_control
    return describe(layout), _tables(
        names, layout.count_positions(), layout.count_follows(), layout.count_meetings()
    )


def _tables(
    names: Sequence[str],
    positions: NDArray[np.int_],
    follows: NDArray[np.int_],
    meetings: NDArray[np.int_],
) -> BalanceTables:
    columns = pd.RangeIndex(1, positions.shape[1] + 1, name="position")
    water = pd.Index(names, name="water")
    return BalanceTables(
        positions=pd.DataFrame(positions, index=water, columns=columns),
        follows=pd.DataFrame(follows, index=water, columns=pd.Index(names, name="next")),
        meetings=pd.DataFrame(meetings, index=water, columns=pd.Index(names, name="other")),
    )
