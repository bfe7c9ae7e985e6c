"""The single slips in making a jug or a tank, as the amounts that were then poured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from labkit.water.jugs.doses import Doses
from labkit.water.markup import figure
from labkit.water.waters.water import Water

AS_MEANT: Final = "as the recipe says"

_TRIFLE: Final = 0.02
"""Doses that differ by less than this share may be exchanged: no reading and no tongue tells."""

_WRONG_VOLUME: Final = {
    "all doses doubled, as for twice the volume": 2.0,
    "all doses halved, as for half the volume": 0.5,
}
"""What comes of a jug of another size, and how many times the doses are then poured."""


def ways(
    doses: Doses, other_bases: Mapping[str, Water], other_volumes_l: Sequence[float]
) -> tuple[list[str], NDArray[np.float64], list[Water]]:
    """Every way in which the doses may have been poured.

    Parameters
    ----------
    doses : Doses
        As the recipe says, with the bottles beside it.
    other_bases : mapping of str to Water
        Waters that may have been filled up with, by name.
    other_volumes_l : sequence of float
        Volumes (L) whose doses stand on the same card.

    Returns
    -------
    names : list of str
        Each way in words, the right one first.
    poured : ndarray, shape (n_ways, n)
        Amounts taken of each source.
    bases : list of Water
        What each was filled up with.
    """
    sources, amounts = doses.sources, doses.amounts
    used = [int(n) for n in np.flatnonzero(amounts > 0)]
    names, rows, bases = [AS_MEANT], [amounts], [doses.base]

    def add(what: str, row: NDArray[np.float64], base: Water = doses.base) -> None:
        names.append(what)
        rows.append(row)
        bases.append(base)

    for one in used:
        amount = f"{figure(amounts[one], 4)} {doses.unit}"
        add(f"{amount} of {sources[one]} doubled", _with(amounts, {one: 2 * amounts[one]}))
        add(f"{amount} of {sources[one]} skipped", _with(amounts, {one: 0.0}))
        for other in range(len(sources)):
            if other != one:
                add(
                    f"{amount} taken from {sources[other]} instead of {sources[one]}",
                    _with(amounts, {one: 0.0, other: amounts[other] + amounts[one]}),
                )
    for n, one in enumerate(used):
        for other in used[n + 1 :]:
            if abs(amounts[one] - amounts[other]) > _TRIFLE * max(amounts[one], amounts[other]):
                add(
                    f"the doses of {sources[one]} and {sources[other]} exchanged",
                    _with(amounts, {one: amounts[other], other: amounts[one]}),
                )
    own_l = doses.finished / (1000 if doses.displaces else 1)
    columns = {f"the doses for {litres:g} L taken": litres / own_l for litres in other_volumes_l}
    known = {1.0, *_WRONG_VOLUME.values()}
    columns = {what: times for what, times in columns.items() if times not in known}
    for what, times in (_WRONG_VOLUME | columns).items() if used else ():
        if not doses.displaces or times * amounts.sum() < doses.finished:
            add(what, times * amounts)
    for name, base in other_bases.items():
        if base != doses.base:
            add(f"filled up with {name}", amounts, base)
    return names, np.array(rows), bases


def _with(amounts: NDArray[np.float64], changed: Mapping[int, float]) -> NDArray[np.float64]:
    row = amounts.copy()
    for place, amount in changed.items():
        row[place] = amount
    return row
