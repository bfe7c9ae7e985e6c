"""The check at the bench: whether the jug is right, and if not, which single slip explains it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from labkit.book import LabBook
from labkit.errors import WaterError
from labkit.water import DROP_KITS, Mixing, TankMixing
from labkit.water.slips import Check, DropCount, MeterReading, check_jug
from labkit.widgets import fields
from labkit.widgets.fields import Form, said


class RecipeSource(Protocol):
    """Where the recipe comes from: the card form."""

    @property
    def made(self) -> Mixing | TankMixing:
        """What should be in the jug."""

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change."""


class MeterForm(Form):
    """Type what the meter shows and how many drops it took; nothing is written anywhere.

    Parameters
    ----------
    book : LabBook
        Where waters are that may have been filled up with by mistake.
    source : RecipeSource
        What should be in the jug.
    """

    def __init__(self, book: LabBook, source: RecipeSource) -> None:
        self._book, self._source = book, source
        super().__init__(
            {
                "shown": fields.text("The meter shows", placeholder="leave empty if none"),
                "tds_factor": fields.choice(
                    "in",
                    [
                        ("µS/cm", None),
                        *((f"mg/L (TDS), factor {f:g}", f) for f in (0.5, 0.55, 0.64, 0.7)),
                    ],
                    None,
                ),
                "hardness_drops": fields.text("Drops, hardness", placeholder="if counted"),
                "alkalinity_drops": fields.text("Drops, alkalinity", placeholder="if counted"),
                "kit": fields.choice("Drop kit", list(DROP_KITS), next(iter(DROP_KITS))),
            },
            folded={
                "temperature_c": fields.number("Water at (°C)", 25.0, step=1),
                "compensates": fields.tick("The meter brings readings to 25 °C", True),
                "sample_ml": fields.number("Sample for the drops (mL)", 5.0, step=5),
            },
            fold_title="Temperature, size of the sample",
        )
        self.compute_with(self._check)
        source.on_change(self.refresh)

    def _check(
        self,
        *,
        shown: str,
        tds_factor: float | None,
        hardness_drops: str,
        alkalinity_drops: str,
        kit: str,
        temperature_c: float,
        compensates: bool,
        sample_ml: float,
    ) -> Any:
        checks: list[Check] = []
        if shown.strip():
            checks.append(
                MeterReading(
                    shown=_number("shown", shown),
                    tds_factor=tds_factor,
                    temperature_c=temperature_c,
                    compensation_percent_per_c=2.0 if compensates else None,
                )
            )
        if hardness_drops.strip():
            drops = int(_number("hardness_drops", hardness_drops))
            checks.append(
                DropCount(quantity="hardness", kit=DROP_KITS[kit], drops=drops, sample_ml=sample_ml)
            )
        if alkalinity_drops.strip():
            drops = int(_number("alkalinity_drops", alkalinity_drops))
            checks.append(
                DropCount(
                    quantity="alkalinity", kit=DROP_KITS[kit], drops=drops, sample_ml=sample_ml
                )
            )
        if not checks:
            return said("Type a reading; the check follows at once.")
        bases = {water.name: water.supply.water for water in self._book.base_waters()}
        return check_jug(self._source.made, checks, other_bases=bases)


def _number(name: str, typed: str) -> float:
    """A number of at least 0, as typed.

    Raises
    ------
    WaterError
        If it is none.
    """
    try:
        value = float(typed)
    except ValueError:
        value = -1.0
    if not 0 <= value < 1e9:
        raise WaterError(
            f"{name} must be a number of at least 0, got {typed!r}. Write a point for decimals."
        )
    return value
