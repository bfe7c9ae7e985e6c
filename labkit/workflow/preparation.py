"""What the preparer needs at the bench."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

from labkit.tasting import BenchPlan, OpenedFlight, bench_plan
from labkit.water import Concentrate, StartWater

Made = TypeVar("Made")


@dataclass(frozen=True, slots=True, kw_only=True)
class Preparation:
    """What the preparer needs at the bench; never for the eyes of a taster."""

    opened: tuple[OpenedFlight, ...] = field(repr=False)
    """Which code is which water."""

    bottles: tuple[Concentrate, ...]
    """What to dose from."""

    start: StartWater
    """What the doses go into."""

    jug_volume_ml: float
    """Finished volume of each jug (mL)."""

    lab_book: str
    """Name of the lab book."""

    @property
    def jugs(self) -> BenchPlan:
        """How each jug is mixed.

        Raises
        ------
        DosingError
            If a water cannot be made from these bottles.
        """
        return bench_plan(
            self.opened, self.bottles, jug_volume_ml=self.jug_volume_ml, base=self.start.water
        )

    def sheet(self, bench_sheet: Callable[..., Made]) -> Made:
        """The sheet that ``bench_sheet`` (such as ``labkit.bench.bench_sheet``) makes of it."""
        return bench_sheet(
            self.opened,
            self.bottles,
            start=self.start,
            jug_volume_ml=self.jug_volume_ml,
            lab_book=self.lab_book,
        )
