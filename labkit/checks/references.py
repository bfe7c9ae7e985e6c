"""A value of others beside ours: source, tolerance, deviation, and in words whether they agree.

The files of references lie outside the package (``shared/`` in a clone) and are named by the
caller; nothing else in labkit reads them. Each room that has something to check holds a ``checks``
module whose ``compare_all`` gives these.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from labkit.errors import ImportFileError

Rule = Literal["equal", "at least", "at most"]
_ROUNDING = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One figure of ours beside one of others."""

    group: str
    """What kind of figure, such as "pH"."""

    quantity: str
    """Which one."""

    ours: float
    """As labkit computes it; not a number where it finds none."""

    reference: float
    """As published, or computed by others."""

    tolerance: float
    """Largest deviation that counts as agreeing, in the unit of the deviation."""

    source: str
    """Where the reference is from."""

    unit: str = ""
    """Of both figures; empty where they have none."""

    in_percent: bool = False
    """Whether deviation and tolerance are percentages of the reference."""

    rule: Rule = "equal"
    """"at least" and "at most" let ours be better than the reference by any amount."""

    @property
    def deviation(self) -> float:
        """Ours less the reference, in per cent of it where the tolerance is."""
        deviation = self.ours - self.reference
        if self.in_percent:
            return 100 * deviation / self.reference if self.reference else 100 * deviation
        return deviation

    @property
    def agrees(self) -> bool:
        """Whether the deviation is within the tolerance; a missing value never agrees."""
        return self._against() <= self.tolerance + _ROUNDING

    @property
    def share_of_tolerance(self) -> float:
        """How much of the tolerance is used: at most 1 where they agree."""
        against = self._against()
        if self.tolerance:
            return against / self.tolerance
        return 0.0 if against <= _ROUNDING else float("inf")

    def _against(self) -> float:
        if self.rule == "equal":
            return abs(self.deviation)
        against = -self.deviation if self.rule == "at least" else self.deviation
        return against if against > 0 or against != against else 0.0

    def as_row(self) -> dict[str, object]:
        """For a table: the figures, and in words whether they agree."""
        unit = "%" if self.in_percent else self.unit
        return {
            "group": self.group,
            "quantity": self.quantity,
            "ours": self.ours,
            "reference": self.reference,
            "unit": self.unit,
            "deviation": f"{self.deviation:.2g} {unit}".strip(),
            "tolerance": f"{self.tolerance:.2g} {unit}".strip(),
            "in words": "agrees" if self.agrees else "differs",
            "source": self.source,
        }


def summarise(comparisons: Iterable[Comparison]) -> list[dict[str, object]]:
    """How many of each group agree, in words: a verdict, which no machine's rounding moves.

    Returns
    -------
    rows : list of dict
        ``group``, ``values``, ``in words``, in the order in which the groups come.
    """
    rows: list[dict[str, object]] = []
    for group, members in _grouped(comparisons).items():
        differing = sum(not one.agrees for one in members)
        verdict = f"{differing} differ" if differing else "all agree"
        rows.append({"group": group, "values": len(members), "in words": verdict})
    return rows


def nearest_to_differing(comparisons: Iterable[Comparison]) -> list[dict[str, object]]:
    """Which value of each group comes nearest to differing, and how much of its tolerance it uses.

    To look at, never to commit: the last digit is the processor's.

    Returns
    -------
    rows : list of dict
        ``group``, ``nearest``, ``uses``, in the order in which the groups come.
    """
    rows: list[dict[str, object]] = []
    for group, members in _grouped(comparisons).items():
        nearest = max(members, key=lambda one: (not one.agrees, one.share_of_tolerance))
        used = f"{100 * nearest.share_of_tolerance:.0f} %"
        rows.append({"group": group, "nearest": nearest.quantity, "uses": used})
    return rows


def _grouped(comparisons: Iterable[Comparison]) -> dict[str, list[Comparison]]:
    groups: dict[str, list[Comparison]] = {}
    for one in comparisons:
        groups.setdefault(one.group, []).append(one)
    return groups


def read_references(folder: Path, name: str) -> list[dict[str, str]]:
    """Rows of a file of references.

    Raises
    ------
    ImportFileError
        If the file is missing.
    """
    path = Path(folder) / name
    if not path.is_file():
        raise ImportFileError(
            f"reference file {path} is missing: name the folder of a clone's shared/ that holds it."
        )
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
