"""The recipe card: a coffee's best water, or any, for whoever makes it next with what they have."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from typing import Any, Final

import ipywidgets as widgets
import pandas as pd

from labkit.analysis import Reading, VerdictKind, answer_on, read_coffee
from labkit.book import LabBook, keep_chosen
from labkit.errors import DosingError, LabkitError, WaterError
from labkit.present import best_of, not_told, say, source_of
from labkit.water import (
    COORDINATES,
    DROP_KITS,
    PREFERENCES,
    PURE,
    SALTS,
    Mixing,
    Reach,
    TankMixing,
    Target,
    Water,
    differences,
    mix,
    portray,
    salt,
    within_reach,
)
from labkit.widgets.parts import fields
from labkit.widgets.parts.coffees import coffee_choices
from labkit.widgets.parts.fields import Form, as_html, fold, said
from labkit.widgets.parts.figures import frame_html
from labkit.widgets.parts.handover import HandOver, file_name
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.taster_ticks import TasterTicks
from labkit.widgets.steps.bottles.bottle_forms import cautions_html
from labkit.widgets.steps.bottles.bottle_log import too_old
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.widgets.steps.bottles.meter_form import factor_field, read_factor
from labkit.widgets.steps.plan.sweep_form import levels

_USUAL_SALTS: Final = (
    "CaCl2·2H2O",
    "CaSO4·2H2O",
    "MgCl2·6H2O",
    "MgSO4·7H2O",
    "KHCO3",
    "NaHCO3",
)
"""What shops have (common practice)."""

_FIGURES = ("", "")
"""Chosen where the water is typed, not taken from a coffee's scores."""

_BOTTLES, _SALTS = "mL from the bottles", "g straight from salts"


class CardForm(NeedsBook, widgets.VBox):
    """Choose a water and what there is to make it from; see the card, hand it over as files.

    Parameters
    ----------
    book : LabBook
        Where coffees, scores and bottles are.
    make_recipes : callable
        ``labkit.bench.make_recipes``.
    card_files : callable
        ``labkit.bench.card_files``.
    base : BaseWaterForm
        The water to start from.
    """

    def __init__(
        self,
        book: LabBook,
        make_recipes: Callable[..., tuple[Mixing | TankMixing, ...]],
        card_files: Callable[..., Any],
        base: BaseWaterForm,
    ) -> None:
        self._book, self._make_recipes, self._card_files = book, make_recipes, card_files
        self._base, self._found, self._hands = base, "", HandOver()
        self._coffee: tuple[str, str] | None = None
        self._known: tuple[str, ...] = ()
        self._best: Target | None = None
        self.recipes: tuple[Mixing | TankMixing, ...] = ()
        self.files: Any = None
        hands = []
        for label, what, ending in (
            ("A4 page", "a4", "html"),
            ("Phone page", "phone", "html"),
            ("Table (CSV)", "csv", "csv"),
            ("Table (JSON)", "json", "json"),
        ):
            button = fields.button(label)
            button.on_click(lambda _b, what=what, ending=ending: self._hand(what, ending))
            hands.append(button)
        self.form = self._make_form(hands)
        self.form.fields["coffee"].observe(lambda _change: self.refresh(), "value")
        self.form.compute_with(self._show)
        base.on_change(self.form.refresh)
        super().__init__([self.form, self._hands])

    def _make_form(self, hands: Sequence[widgets.Button]) -> Form:
        shelf = [bottle.salt.label for bottle in self._book.concentrates()]
        offered = list(dict.fromkeys([*_USUAL_SALTS, *shelf]))
        ticked = shelf or ["CaCl2·2H2O", "MgCl2·6H2O", "KHCO3"]
        rare = [label for label in SALTS if label not in offered]
        return Form(
            {
                "coffee": fields.choice(
                    "Water for",
                    [("the figures below", _FIGURES), *coffee_choices(self._book)],
                    _FIGURES,
                ),
                "mg_share": fields.number("Mg share of hardness (0 to 1)", 0.5, step=0.05),
                "hardness_mg_l_caco3": fields.number("Hardness (mg/L CaCO3)", 80.0, step=10),
                "alkalinity_mg_l_caco3": fields.number("Alkalinity (mg/L CaCO3)", 40.0, step=5),
                "way": fields.choice("The card says", [_BOTTLES, _SALTS], _BOTTLES),
                "salts": TasterTicks("Salts that the shop has", offered, ticked),
                "volumes_l": fields.text("Volumes (L)", "1, 5, 10, 20"),
            },
            folded={
                "name": fields.text("Name of the water", placeholder="filter water, autumn"),
                "made_for": fields.text("Made for", placeholder="place or machine"),
                "more_salts": fields.several("Other salts there", rare),
                "pipette_ml": fields.choice(
                    "Smallest step of their pipette",
                    [(f"{step:g} mL", step) for step in (0.01, 0.05, 0.1, 0.5, 1.0, 5.0)],
                    0.1,
                ),
                "balance_g": fields.choice(
                    "Last digit of their balance",
                    [(f"{step:g} g", step) for step in (0.001, 0.01, 0.1, 1.0)],
                    0.01,
                ),
                "prefer": fields.choice(
                    "If there is more than one way", list(PREFERENCES), "few bottles"
                ),
                "thin": fields.tick("Thin a base that holds too much", True),
                "tds_factor": factor_field(),
                "kit": fields.choice("Their drop kit", list(DROP_KITS), next(iter(DROP_KITS))),
            },
            fold_title="Name, other salts, pipette, balance, meter, drop kit",
            buttons=hands,
        )

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change."""
        self.form.on_change(follow)

    def refresh(self) -> None:
        """Read bottles and scores again."""
        self._take_best()
        self.form.refresh()

    def _take_best(self) -> None:
        """Fill in the water that the coffee's scores call best, and say how sure that is."""
        chosen = self.form.fields["coffee"].value
        self._coffee, self._found = (None if chosen == _FIGURES else chosen), ""
        self._known, self._best = (), None
        if self._coffee is None:
            return
        client, coffee = self._coffee
        try:
            scores = self._book.opened_scores(coffee=coffee, client=client)
            scores = keep_chosen(self._book, scores)
            reading = read_coffee(scores, "overall")
        except LabkitError as error:
            self._found = f"{coffee}: {error}"
            return
        self._found = f"{coffee}: {say(reading)}"
        self._known = self._told_of(reading, scores)
        if reading.best is None:
            return
        if reading.verdict.kind is not VerdictKind.FOUND:
            self._found += f" The figures above are a choice, not a finding. {best_of(reading)}"
        self._found = " ".join([self._found, *self._known])
        best = reading.best.target
        for name, digits in zip(COORDINATES, (2, 0, 0), strict=True):
            self.form.fields[name].value = round(float(getattr(best, name)), digits) + 0.0
        now = self.form.values()
        self._best = Target(**{name: now[name] for name in COORDINATES})
        untold = "" if reading.recommended is None else not_told(reading.recommended)
        self._known = tuple(filter(None, [untold, *self._known]))

    def _told_of(self, reading: Reading, scores: pd.DataFrame) -> tuple[str, ...]:
        """Where the water comes from, and what a confirming test of it said, in sentences."""
        if reading.recommended is None:
            return ()
        answer = answer_on(scores, reading.recommended)
        return (source_of(reading.recommended), *([] if answer is None else [say(answer)]))

    def _show(
        self,
        *,
        coffee: tuple[str, str],
        way: str,
        salts: tuple[str, ...],
        more_salts: tuple[str, ...],
        volumes_l: str,
        name: str,
        made_for: str,
        pipette_ml: float,
        balance_g: float,
        prefer: Any,
        thin: bool,
        tds_factor: str,
        kit: str,
        **coordinates: float,
    ) -> list[Any]:
        self.recipes, self.files = (), None
        from_salts = way == _SALTS
        self.form.fields["salts"].layout.display = None if from_salts else "none"
        target, bottles = Target(**coordinates), self._book.concentrates()
        labels = (*salts, *more_salts)
        sources: Sequence[Any] = [salt(label) for label in labels] if from_salts else bottles
        if not sources:
            raise DosingError(
                "no salt is ticked: tick those that the shop has."
                if from_salts
                else "no bottle stands on the shelf yet: keep one in notebook 1, or let the card "
                f"say «{_SALTS}»."
            )
        reach = within_reach(target, sources, base=self._base.water, blend_with_pure=thin)
        purities = {b.salt.label: b.purity for b in bottles if b.salt.label in labels}
        made_from = partial(
            self._make_recipes,
            reach.target,
            volumes_l=_volumes(volumes_l),
            base=reach.base,
            prefer=prefer,
            **(
                {"salts": sources, "purities": purities}
                if from_salts
                else {"concentrates": bottles}
            ),
        )
        self.recipes = made_from(pipette_ml=pipette_ml, balance_g=balance_g)
        largest = self.recipes[-1].reached
        # Without rounding, which the card tells apart: what is left comes from other salts.
        differs = self._differs(reach, made_from(pipette_ml=0.001, balance_g=1e-5)[-1].reached)
        self.files = self._card_files(
            self.recipes,
            name=name.strip() or self._usual_name(reach.target),
            made_for=" · ".join(filter(None, [coffee[1], made_for.strip()])),
            base_name=self._base_name(reach),
            kits=[DROP_KITS[kit]],
            tds_factor=read_factor(tds_factor),
            differs=differs,
            known=self._known if target == self._best else (),
            lab_book=self._book.name,
        )
        return [
            said(self._found),
            *(said(f"Mind: {sentence}") for sentence in (*differs, *self._shelf_remarks())),
            self.files,
            cautions_html("tank" if from_salts else "mixing"),
            fold(
                "The same figures as a table",
                frame_html("As in the CSV and JSON files", self.files.table),
            ),
            fold("What this water is: ions, pH, scale, steel", as_html(portray(largest))),
            fold("Before it goes into a machine", cautions_html("machine")),
        ]

    def _usual_name(self, target: Target) -> str:
        return (
            f"Ca:Mg {target.ca_mg_ratio_text}, {target.hardness_mg_l_caco3:.0f} hard, "
            f"{target.alkalinity_mg_l_caco3:.0f} alkaline"
        )

    def _base_name(self, reach: Reach) -> str:
        start = self._base.start
        if reach.base_share == 0:
            return PURE
        share = max(1, round(start.share_percent * reach.base_share))
        return replace(start, share_percent=share).text

    def _differs(self, reach: Reach, made: Water) -> tuple[str, ...]:
        """How the card's water differs from the one that the lab's own bottles made."""
        try:
            tasted = mix(reach.wanted, self._book.concentrates(), pipette_ml=0.001).reached
        except DosingError:  # the lab's bottles have changed since: nothing to compare with
            return (reach.difference,) if reach.difference else ()
        return (*filter(None, [reach.difference]), *differences(tasted, made))

    def _shelf_remarks(self) -> list[str]:
        """What the largest volume takes more of than there is, and bottles past their day."""
        last = self.recipes[-1]
        if not isinstance(last, Mixing):
            return []
        remarks = []
        shelf = {bottle.name: bottle for bottle in self._book.bottles()}
        for dose in last.doses:
            bottle = shelf.get(dose.concentrate.name)
            if bottle is None or not dose.volume_ml:
                continue
            if bottle.is_too_old(date.today()):
                remarks.append(too_old(bottle))
            if dose.volume_ml > bottle.left_ml:
                remarks.append(
                    f"{last.volume_ml / 1000:g} L take {dose.volume_ml:.0f} mL of «{bottle.name}», "
                    f"of which {bottle.left_ml:.0f} mL are left."
                )
        return remarks

    def _hand(self, what: str, ending: str) -> None:
        if self.files is None:
            self.form.message.value = said("there is no card to hand over yet.", wrong=True)
            return
        page = getattr(self.files, what)
        self._hands.hand(
            page.html if ending == "html" else page,
            name=file_name(self.files.name, f"card-{what}", ending),
            note="Open it and print, or send it on." if ending == "html" else "",
            media_type={"json": "application/json"}.get(ending, f"text/{ending}"),
        )


def _volumes(typed: str) -> tuple[float, ...]:
    """Volumes in litres, smallest first.

    Raises
    ------
    WaterError
        If one is impossible.
    """
    found = sorted(set(levels("volumes_l", typed)))
    if not found or len(found) > 6 or not all(0.05 <= litres <= 2000 for litres in found):
        raise WaterError(
            f"volumes_l must be one to six volumes from 0.05 to 2000 L, got {typed!r}. "
            "Write them with commas, and half a litre as 0.5: 0.5, 1, 5, 20."
        )
    return tuple(found)
