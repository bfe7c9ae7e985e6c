"""The check at the bench: whether the jug is right, and if not, which single slip explains it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from labkit.book import LabBook, Topic
from labkit.errors import DosingError, WaterError
from labkit.water import DROP_KITS, Check, DropCount, MeterReading, Recipe, check_jug
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.listening import compute_again, follow_book
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.steps.bottles.bottle_forms import cautions_html


class RecipeSource(Protocol):
    """Where the recipe comes from: the card form."""

    @property
    def recipes(self) -> tuple[Recipe, ...]:
        """The water in each volume on the card, smallest first; empty if there is none."""

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change."""


class MeterForm(NeedsBook, Form):
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
                "litres": fields.choice("How much was made", [("", None)], None),
                "shown": fields.text("The meter shows", placeholder="µS/cm; leave empty if none"),
                "tds_factor": factor_field(),
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
        self._offer()
        self.compute_with(self._check)
        source.on_change(self._follow)
        follow_book(self, book, lambda: compute_again(self), Topic.STOCK)

    def _offer(self) -> None:
        """Offer the volumes on the card."""
        chooser, volumes = self.fields["litres"], [one.volume_l for one in self._source.recipes]
        options: list[tuple[str, float | None]] = [(f"{one:g} L", one) for one in volumes]
        options = options or [("", None)]
        if list(chooser.options) != options:
            kept = chooser.value
            chooser.options = options
            chooser.index = volumes.index(kept) if kept in volumes else 0

    def _follow(self) -> None:
        self._offer()
        self.refresh()

    def _recipe(self, litres: float | None) -> Recipe:
        for recipe in self._source.recipes:
            if recipe.volume_l == litres:
                return recipe
        raise DosingError("there is no recipe to check against yet: complete the card above.")

    def _check(
        self,
        *,
        litres: float | None,
        shown: str,
        tds_factor: str,
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
                    tds_factor=read_factor(tds_factor),
                    temperature_c=temperature_c,
                    compensation_percent_per_c=2.0 if compensates else None,
                )
            )
        if hardness_drops.strip():
            drops = _whole("hardness_drops", hardness_drops)
            checks.append(
                DropCount(quantity="hardness", kit=DROP_KITS[kit], drops=drops, sample_ml=sample_ml)
            )
        if alkalinity_drops.strip():
            drops = _whole("alkalinity_drops", alkalinity_drops)
            checks.append(
                DropCount(
                    quantity="alkalinity", kit=DROP_KITS[kit], drops=drops, sample_ml=sample_ml
                )
            )
        if not checks:
            return [said("Type a reading; the check follows at once."), cautions_html("testing")]
        bases = {water.name: water.supply.water for water in self._book.stock.base_waters()}
        found = check_jug(
            self._recipe(litres),
            checks,
            other_bases=bases,
            other_bottles=[bottle.in_use for bottle in self._book.stock.bottles()],
            other_volumes_l=[one.volume_l for one in self._source.recipes],
        )
        return [found, cautions_html("testing")]


def factor_field() -> Any:
    """A field for the factor of a meter that shows dissolved solids."""
    return fields.text("If it shows TDS: its factor", placeholder="often 0.5 or 0.7")


def read_factor(typed: str) -> float | None:
    """The factor typed; None where nothing is, for a meter in µS/cm.

    Raises
    ------
    WaterError
        If it is no number; whether a meter has such a factor is for the reading to say.
    """
    return _number("tds_factor", typed) if typed.strip() else None


def _whole(name: str, typed: str) -> int:
    """A count, as typed.

    Raises
    ------
    WaterError
        If it is none.
    """
    value = _number(name, typed)
    if value != int(value):
        raise WaterError(
            f"{name} must be whole drops, got {typed!r}. Count the last one too.", field=name
        )
    return int(value)


def _number(name: str, typed: str) -> float:
    """A number of at least 0, as typed.

    Raises
    ------
    WaterError
        If it is none.
    """
    try:
        value = float(typed.replace(",", "."))
    except ValueError:
        value = -1.0
    if not 0 <= value < 1e9:
        raise WaterError(
            f"{name} must be a number of at least 0, got {typed!r}. Write digits only.", field=name
        )
    return value
