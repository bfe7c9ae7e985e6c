"""Today's reading of a base water: what it says of the analysis, kept as the water of the day."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from labkit.book import LabBook
from labkit.errors import WaterError
from labkit.water import PURE, DayReading, DayVerdict, DayWater, read_number, water_of_day
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said


class DayForm(Form):
    """Type what meter or drops show today; only its button writes.

    Parameters
    ----------
    book : LabBook
        Where the analysis is, and the water of the day is kept.
    chosen : callable
        Without arguments; the name of the base water chosen.
    on_kept : callable
        Called with the name of a water that was kept.
    """

    def __init__(
        self, book: LabBook, chosen: Callable[[], str], on_kept: Callable[[str], None]
    ) -> None:
        self._book, self._chosen, self._on_kept = book, chosen, on_kept
        keep = fields.button("Keep as today's water")
        keep.on_click(lambda _b: self._keep())
        super().__init__(
            {
                "conductivity_25c_us_cm": fields.text(
                    "Its meter shows today", placeholder="µS/cm at 25 °C; leave empty if not read"
                ),
                "hardness_mg_l_caco3": fields.text(
                    "Hardness today", placeholder="mg/L as CaCO3, drops or strip"
                ),
                "alkalinity_mg_l_caco3": fields.text(
                    "Alkalinity today", placeholder="mg/L as CaCO3, drops or strip"
                ),
            },
            buttons=[keep],
        )
        self.compute_with(lambda **typed: self._show(typed))

    def _today(self, typed: dict[str, str]) -> DayWater | None:
        """The water of today; None where nothing is typed."""
        read = {name: read_number(text, name) for name, text in typed.items() if text.strip()}
        if not read or self._chosen() == PURE:
            return None
        return water_of_day(self._book.stock.base_water(self._chosen()).supply, DayReading(**read))

    def _show(self, typed: dict[str, str]) -> Any:
        today = self._today(typed)
        return today or said("Type a reading: what it says of the analysis follows.")

    def _keep(self) -> None:
        def work() -> str:
            today = self._today(self.values())
            if today is None:
                raise WaterError(
                    "conductivity_25c_us_cm or a drop test must be read today, got nothing.",
                    field="conductivity_25c_us_cm",
                )
            if today.verdict is DayVerdict.HOLDS:
                raise WaterError(
                    "there is nothing to keep: today's reading agrees with the analysis."
                )
            if today.verdict is DayVerdict.ANOTHER:
                raise WaterError(
                    "this is no longer the water of the analysis: count drops for both hardness "
                    "and alkalinity, or have it analysed."
                )
            older, day = self._book.stock.base_water(self._chosen()), date.today()
            kept = self._book.stock.add_base_water(
                f"{older.name}, {day:%Y-%m-%d}",
                {ion: (amount, "mmol/L") for ion, amount in today.water.ions_mmol_l.items()},
                client=older.client,
                sampled_on=day,
                source=f"'{older.name}', corrected by readings of the day",
                fill_gap=older.fill_gap,
            )
            return kept.name

        done, name = self.press(work)
        if done:
            for field in self.fields.values():
                field.value = ""
            self._on_kept(name)
            self.say(f"'{name}' is in the lab book, and chosen.")
