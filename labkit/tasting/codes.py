"""Blind codes: three random digits without a pattern that a taster could read."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import combinations, pairwise
from typing import Final

import numpy as np

from labkit.errors import PlanError
from labkit.noted import Noted, noted
from labkit.tasting.plan import PlanNote

FORTNIGHT: Final = timedelta(days=14)
"""How long a code rests, so that nobody meets an old acquaintance."""

_TRIES = 400


def _plain(code: str) -> bool:
    """No digit twice, no run such as 345 or 864, and no other number when upside down."""
    a, b, c = map(int, code)
    return len({a, b, c}) == 3 and b - a != c - b and not set(code) <= set("01689")


CODE_POOL: Final[tuple[str, ...]] = tuple(c for c in map(str, range(100, 1000)) if _plain(c))
"""Every code that can be drawn, in numeric order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeDraw:
    """Codes dealt to groups of cups that one person meets side by side."""

    groups: tuple[tuple[str, ...], ...]
    """Codes of each group, in no order that means anything."""

    notes: tuple[Noted[PlanNote], ...]
    """What the lead should know, such as codes that come back early."""


def _alike(one: str, other: str) -> bool:
    """Same first digit, or two digits at the same places: easily mistaken on a wet sheet."""
    return one[0] == other[0] or sum(a == b for a, b in zip(one, other, strict=True)) >= 2


def _clash(group: Sequence[str]) -> bool:
    """True where two codes of a group are alike."""
    return any(_alike(a, b) for a, b in combinations(group, 2))


def is_monotone(codes: Sequence[str]) -> bool:
    """True where codes run straight up or straight down as served, from three codes on."""
    steps = {a < b for a, b in pairwise(codes)}
    return len(codes) > 2 and len(steps) == 1


def draw_codes(
    group_sizes: Sequence[int],
    *,
    taken: Collection[str] = (),
    recent: Mapping[str, date] | None = None,
    on: date | None = None,
    rng: np.random.Generator,
) -> CodeDraw:
    """Codes unique over all groups, and unlike each other within a group while that is possible.

    A group is what lies before one taster in one flight. Within it first digits differ and no
    two codes share two digits at their places, so that codes cannot be read as a series and are
    hard to mistake. Where a large group or a small pool forbids that, uniqueness is what stays.

    Parameters
    ----------
    group_sizes : sequence of int
        Codes needed in each group.
    taken : collection of str
        Codes already used in this session; never given again.
    recent : mapping of str to date, optional
        When each code was last served. Codes served less than a fortnight before `on` rest,
        unless the pool runs out: then the oldest return first, and a note says so.
    on : date, optional
        The day of the session; today if not given.
    rng : numpy.random.Generator
        The draw.

    Returns
    -------
    CodeDraw

    Raises
    ------
    PlanError
        If more codes are needed than there are.
    """
    n_codes, used = sum(group_sizes), set(taken)
    pool = [code for code in CODE_POOL if code not in used]
    if n_codes > len(pool):
        raise PlanError(
            f"codes must be at most {len(pool)} in this session ({len(CODE_POOL)} three-digit "
            f"codes are free of patterns, {len(CODE_POOL) - len(pool)} of them already used in "
            f"it), got a plan for {n_codes}. Serve shared bowls, or plan fewer waters, tasters "
            "or flights."
        )
    day, last = (date.today() if on is None else on), dict(recent or {})
    free = [c for c in pool if c not in last or day - last[c] >= FORTNIGHT]
    returning: list[str] = []
    notes: tuple[Noted[PlanNote], ...] = ()
    if n_codes > len(free):
        rested = set(free)
        resting = _shuffled([c for c in pool if c not in rested], rng)
        # Sorting keeps the shuffle among codes of one day: numeric order would be a pattern.
        returning = sorted(resting, key=lambda c: last[c])[: n_codes - len(free)]
        notes = (
            noted(
                PlanNote.CODES_RETURN,
                n=len(returning),
                of=n_codes,
                day=day.isoformat(),
                last=last[returning[-1]].isoformat(),
                rested=len(free),
            ),
        )
    free = _shuffled(free, rng)
    n_free = n_codes - len(returning)
    drawn = _shuffled([*returning, *free[:n_free]], rng)
    # The codes left in the pool serve to break up groups that clash.
    spare = free[n_free:]
    groups: list[tuple[str, ...]] = []
    start = 0
    for size in group_sizes:
        group = drawn[start : start + size]
        start += size
        if size <= 9 and spare:
            group = _part(group, spare, rng)
        groups.append(tuple(group))
    return CodeDraw(groups=tuple(groups), notes=notes)


def _shuffled(codes: Sequence[str], rng: np.random.Generator) -> list[str]:
    return [codes[i] for i in rng.permutation(len(codes))]


def _part(group: list[str], spare: list[str], rng: np.random.Generator) -> list[str]:
    """Swap codes that are alike for spare ones, keeping `spare` up to date."""
    for _ in range(_TRIES):
        if not _clash(group):
            break
        twins = [i for i, c in enumerate(group) if any(_alike(c, d) for d in group if d is not c)]
        place, pick = int(rng.choice(twins)), int(rng.integers(len(spare)))
        group[place], spare[pick] = spare[pick], group[place]
    return group
