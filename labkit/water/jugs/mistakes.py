"""The slips in making a jug or a tank, one or two at once, as the amounts that were then poured."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from labkit.water.jugs.doses import Doses
from labkit.water.start import PURE, StartWater
from labkit.water.waters.water import PURE_WATER, Water

_TRIFLE: Final = 0.02
"""Doses that differ by less than this share may be exchanged: no reading and no tongue tells."""

_SAME_MMOL_L: Final = 1e-6
"""Waters that differ by less (mmol/L of any ion) are the same way of making them."""

_WRONG_VOLUME: Final = (2.0, 0.5)
"""How many times the doses are poured that were meant for a jug of another size."""


class Kind(StrEnum):
    """What may have been done wrong."""

    DOUBLED = "doubled"
    SKIPPED = "skipped"
    OTHER_BOTTLE = "other bottle"
    EXCHANGED = "exchanged"
    OTHER_VOLUME = "other volume"
    OTHER_BASE = "other base"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """One slip at the bench."""

    kind: Kind
    """What was done."""

    source: str = ""
    """Bottle or salt whose dose it is."""

    other: str = ""
    """What it was taken from instead, exchanged with, or filled up with."""

    amount: float = 0.0
    """The dose as the recipe says, in :attr:`unit`."""

    unit: str = ""
    """Unit of the dose."""

    times: float = 1.0
    """How many times all doses were poured."""

    volume_l: float | None = None
    """The volume whose doses were taken (L), where they stand on the same card."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """Ways of pouring, the right one first, then single slips, then two at once."""

    vectors: NDArray[np.float64]
    """The waters they give (mmol/L), shape (n_ways, n_ions)."""

    shifts: NDArray[np.float64]
    """What is in doubt of each, as ``Doses.shifts`` has it."""

    parts: tuple[tuple[Mistake, ...], ...]
    """The slips of each: none, one or two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _One:
    """One slip: doses changed, or all of them multiplied, or another water filled up with."""

    what: Mistake
    change: NDArray[np.float64] | None = None
    touched: frozenset[int] = frozenset()
    times: float = 1.0
    base: Water | None = None

    def goes_with(self, other: _One) -> bool:
        """Whether both can happen in one jug."""
        if self.change is not None and other.change is not None:
            return not self.touched & other.touched
        return (self.change is None or other.change is None) and (
            (self.times == 1 or other.times == 1) and (self.base is None or other.base is None)
        )


def ways(doses: Doses, other_bases: Mapping[str, Water], other_volumes_l: Sequence[float]) -> Ways:
    """Every way in which the doses may have been poured, with at most two slips.

    Parameters
    ----------
    doses : Doses
        As the recipe says, with the bottles beside it.
    other_bases : mapping of str to Water
        Waters that may have been filled up with, by name; pure water always may.
    other_volumes_l : sequence of float
        Volumes (L) whose doses stand on the same card.
    """
    singles = [
        *_dose_slips(doses),
        *_volume_slips(doses, other_volumes_l),
        *_base_slips(doses, other_bases),
    ]
    made: list[tuple[_One, ...]] = [(), *((one,) for one in singles)]
    made += [pair for pair in combinations(singles, 2) if pair[0].goes_with(pair[1])]
    poured = np.array([_poured(doses, slips) for slips in made])
    if doses.displaces:  # doses that would fill the jug to the brim are noticed
        amounts_up = [len(way) == 2 or any(one.times != 1 for one in way) for way in made]
        fits = (poured.sum(axis=1) < doses.finished) | ~np.array(amounts_up)
        made = [way for way, is_room in zip(made, fits, strict=True) if is_room]
        poured = poured[fits]
    bases = [_base_of(doses, slips) for slips in made]
    vectors, volumes = doses.waters(poured, bases)
    shifts = doses.shifts(poured, vectors, volumes)
    # Two slips that make the water of one, or of none, are nothing more to think of.
    simpler = {_key(vector) for vector, way in zip(vectors, made, strict=True) if len(way) < 2}
    kept = [n for n, way in enumerate(made) if len(way) < 2 or _key(vectors[n]) not in simpler]
    return Ways(
        vectors=vectors[kept],
        shifts=shifts[kept],
        parts=tuple(tuple(one.what for one in made[n]) for n in kept),
    )


def _dose_slips(doses: Doses) -> Iterator[_One]:
    sources, amounts = doses.sources, doses.amounts
    used = [int(n) for n in np.flatnonzero(amounts > 0)]

    def slip(what: Mistake, touched: set[int], changes: Mapping[int, float]) -> _One:
        change = np.zeros_like(amounts)
        for place, by in changes.items():
            change[place] = by
        return _One(what=what, change=change, touched=frozenset(touched))

    for one in used:
        own = float(amounts[one])
        doubled = Mistake(kind=Kind.DOUBLED, source=sources[one], amount=own, unit=doses.unit)
        yield slip(doubled, {one}, {one: own})
        yield slip(replace(doubled, kind=Kind.SKIPPED), {one}, {one: -own})
        for other in range(len(sources)):
            if other != one:
                taken = replace(doubled, kind=Kind.OTHER_BOTTLE, other=sources[other])
                yield slip(taken, {one}, {one: -own, other: own})
    for one, other in combinations(used, 2):
        more = float(amounts[other] - amounts[one])
        if abs(more) > _TRIFLE * max(amounts[one], amounts[other]):
            what = Mistake(kind=Kind.EXCHANGED, source=sources[one], other=sources[other])
            yield slip(what, {one, other}, {one: more, other: -more})


def _volume_slips(doses: Doses, other_volumes_l: Sequence[float]) -> Iterator[_One]:
    if not doses.amounts.any():
        return
    own_l = doses.finished / (1000 if doses.displaces else 1)
    for times in _WRONG_VOLUME:
        yield _One(what=Mistake(kind=Kind.OTHER_VOLUME, times=times), times=times)
    for litres in dict.fromkeys(other_volumes_l):
        times = litres / own_l
        if times not in (1.0, *_WRONG_VOLUME):
            what = Mistake(kind=Kind.OTHER_VOLUME, times=times, volume_l=litres)
            yield _One(what=what, times=times)


def _base_slips(doses: Doses, other_bases: Mapping[str, Water]) -> Iterator[_One]:
    """Other waters to fill up with, and a blend whose two parts were exchanged."""
    for name, base in ({PURE: PURE_WATER} | dict(other_bases)).items():
        if base != doses.base:
            yield _One(what=Mistake(kind=Kind.OTHER_BASE, other=name), base=base)
    for name, part in other_bases.items():
        share = float(part.vector @ doses.base.vector) / max(
            float(part.vector @ part.vector), 1e-30
        )
        is_of_it = np.allclose(doses.base.vector, share * part.vector, rtol=1e-6, atol=1e-9)
        if is_of_it and _TRIFLE < share < 1 - _TRIFLE and abs(share - 0.5) > _TRIFLE / 2:
            turned = StartWater(name=name, base=part, share_percent=round(100 * (1 - share)))
            what = Mistake(kind=Kind.OTHER_BASE, other=turned.text)
            yield _One(what=what, base=turned.water)


def _poured(doses: Doses, slips: Sequence[_One]) -> NDArray[np.float64]:
    changed = doses.amounts + sum(one.change for one in slips if one.change is not None)
    return np.asarray(changed * np.prod([one.times for one in slips]))


def _base_of(doses: Doses, slips: Sequence[_One]) -> Water:
    return next((one.base for one in slips if one.base is not None), doses.base)


def _key(vector: NDArray[np.float64]) -> bytes:
    return np.asarray(np.round(vector / _SAME_MMOL_L), dtype=np.int64).tobytes()
