"""Several waters in one go: a day's jugs and tanks from the same bottles, in one order."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import ipywidgets as widgets

from labkit.book import LabBook, Topic
from labkit.errors import DosingError
from labkit.water import DayBatch, Target, litres, mix_batch
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.handover import HandOver, file_name
from labkit.widgets.parts.listening import compute_again, follow_book
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.water_entry import WaterEntry
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.widgets.steps.hand_over.card_form import CardForm

MOST_WATERS: Final = 12
"""Waters that one page holds."""


class BatchForm(NeedsBook, widgets.VBox):
    """Add water after water; see the order to pour them in, hand it over as a sheet.

    Parameters
    ----------
    book : LabBook
        Where the bottles are.
    batch_sheet : callable
        ``labkit.bench.batch_sheet``.
    base : BaseWaterForm
        The water to start from.
    card : CardForm, optional
        Whose water can be added too.
    """

    def __init__(
        self,
        book: LabBook,
        batch_sheet: Callable[..., Any],
        base: BaseWaterForm,
        card: CardForm | None = None,
    ) -> None:
        self._book, self._sheet, self._base, self._card = book, batch_sheet, base, card
        self.hands = HandOver()
        self.waters: dict[str, tuple[Target, float]] = {}
        self.batch: DayBatch | None = None
        buttons = []
        for label, work in (
            ("Add this water", self._add),
            ("Add the card's water", self._add_from_card),
            ("Take the last one out", self._drop),
            ("Sheet", self._hand),
        ):
            if work == self._add_from_card and card is None:
                continue
            button = fields.button(label)
            button.on_click(lambda _b, work=work: work())
            buttons.append(button)
        self.form = Form(
            {
                "name": fields.text("Name", placeholder="filter, bar"),
                "water": WaterEntry("Water"),
                "volume_l": fields.number("Litres of it", 5.0, step=1),
            },
            folded={
                "pipette_ml": fields.choice(
                    "Smallest step of the pipette",
                    [(f"{step:g} mL", step) for step in (0.01, 0.05, 0.1, 0.5, 1.0, 5.0)],
                    0.1,
                ),
            },
            fold_title="Pipette",
            buttons=buttons,
        )
        self.form.compute_with(self._show)
        base.on_change(self.form.refresh)
        super().__init__([self.form, self.hands])
        follow_book(self, book, lambda: compute_again(self.form), Topic.STOCK)

    def _put(self, name: str, water: Target, volume_l: float) -> None:
        """Add a water under its name; one of that name is replaced."""
        if not name:
            raise DosingError(
                "name must say which jug or tank it is, got nothing. Write it on the jug too.",
                field="name",
            )
        if not 0.05 <= volume_l <= 2000:
            raise DosingError(
                f"volume_l must be from 0.05 to 2000 L, got {volume_l:g}.", field="volume_l"
            )
        if name not in self.waters and len(self.waters) >= MOST_WATERS:
            raise DosingError(
                f"a batch must hold at most {MOST_WATERS} waters: take one out, or begin another."
            )
        tried = self.waters | {name: (water, 1000 * volume_l)}
        self._mixed(tried)  # refused before it is kept, with what would help
        self.waters = tried

    def _add(self) -> None:
        now = self.form.fields
        done, _ = self.form.press(
            lambda: self._put(now["name"].value.strip(), now["water"].target, now["volume_l"].value)
        )
        if done:
            now["name"].value = ""
            self.form.refresh()
            self.form.go_to("name")

    def _add_from_card(self) -> None:
        card = self._card
        if card is None:
            return

        def work() -> None:
            if not card.recipes:
                raise DosingError("there is no card to take a water from yet: complete it above.")
            volume_l = self.form.fields["volume_l"].value
            self._put(card.files.name, card.recipes[-1].target, volume_l)

        if self.form.press(work)[0]:
            self.form.refresh()

    def _drop(self) -> None:
        def work() -> None:
            if not self.waters:
                raise DosingError("there is no water in the batch to take out.")
            self.waters = dict(list(self.waters.items())[:-1])

        if self.form.press(work)[0]:
            self.form.refresh()

    def _mixed(self, waters: dict[str, tuple[Target, float]]) -> DayBatch:
        bottles = tuple(self._book.stock.concentrates())
        if not bottles:
            raise DosingError("no bottle is on the shelf yet: make one under Bottles.")
        pipette_ml = self.form.fields["pipette_ml"].value
        return mix_batch(waters, bottles, base=self._base.start, pipette_ml=pipette_ml)

    def _show(self, **_now: Any) -> list[Any]:
        self.batch = None
        if not self.waters:
            return [said("Add the waters of the day: they are poured bottle after bottle.")]
        self.batch = self._mixed(self.waters)
        return [self.batch, *map(said, self._short(self.batch))]

    def _short(self, batch: DayBatch) -> list[str]:
        """What the batch takes more of than there is on the shelf."""
        left = {bottle.name: bottle.left_ml for bottle in self._book.stock.bottles()}
        return [
            f"Note: the batch takes {litres(one.total_ml)} of '{one.bottle.name}', of which "
            f"{litres(max(left[one.bottle.name], 0.0))} are left."
            for one in batch.rounds
            if one.total_ml > left.get(one.bottle.name, one.total_ml)
        ]

    def _hand(self) -> None:
        batch = self.batch
        if batch is None:
            self.form.refuse(DosingError("there is no batch to hand over yet: add a water."))
            return
        page = self._sheet(batch, lab_book=self._book.name)
        name = file_name(", ".join(batch.jugs), "batch")
        self.hands.hand(page.html, name=name, note="Open it and print.")
