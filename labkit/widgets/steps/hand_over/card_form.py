"""The recipe card: a coffee's best water, or any, for whoever makes it next with what they have."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Any, Final

import ipywidgets as widgets

from labkit.analysis import VerdictKind
from labkit.book import LabBook, Topic
from labkit.errors import DosingError, LabkitError, WaterError
from labkit.present import best_of, best_so_far, beware, cautions_for, known_of, remarks, say
from labkit.water import (
    DROP_KITS,
    PREFERENCES,
    SALTS,
    Mixing,
    TankMixing,
    Target,
    litres,
    portray,
    read_numbers,
)
from labkit.widgets.parts import fields
from labkit.widgets.parts.coffees import coffee_choices, first_of
from labkit.widgets.parts.fields import Form, as_html, fold, said
from labkit.widgets.parts.figures import frame_html
from labkit.widgets.parts.handover import HandOver, file_name
from labkit.widgets.parts.listening import (
    compute_again,
    follow_book,
    follow_choices,
    keeping_messages,
)
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.taster_ticks import TasterTicks
from labkit.widgets.parts.water_entry import WaterEntry
from labkit.widgets.steps.bottles.bottle_log import too_old
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.widgets.steps.bottles.meter_form import factor_field, read_factor
from labkit.workflow import Card, Findings, make_card, read

_USUAL_SALTS: Final = (
    "CaCl2·2H2O",
    "CaSO4·2H2O",
    "MgCl2·6H2O",
    "MgSO4·7H2O",
    "KHCO3",
    "NaHCO3",
)
"""What shops have (common practice)."""

_STRENGTHS: Final = (1.0, 2.0, 5.0, 10.0)
"""Strengths of bottles that are made for a recipe (mg/L as CaCO3 a mL in a litre), common
practice: stronger ones take less room, weaker ones are dosed finer."""

_FIGURES = ("", "")
"""Chosen where the water is typed, not taken from a coffee's scores."""

_BOTTLES, _SALTS = "mL from the bottles", "g straight from salts"


class CardForm(NeedsBook, widgets.VBox):
    """Choose a water and what there is to make it from; see the card, hand it over as files.

    Parameters
    ----------
    book : LabBook
        Where coffees, scores and bottles are.
    card_files : callable
        ``labkit.bench.card_files``.
    base : BaseWaterForm
        The water to start from.
    coffee : (str, str), optional
        Client and name of the coffee to begin with; figures to type unless given.
    """

    def __init__(
        self,
        book: LabBook,
        card_files: Callable[..., Any],
        base: BaseWaterForm,
        *,
        coffee: tuple[str, str] | None = None,
    ) -> None:
        self._book, self._card_files = book, card_files
        self.base, self.said, self.hands = base, "", HandOver()
        self._in_short = ""
        self._found: Findings | None = None
        self._stood: Any = None
        self._is_of_shelf = True
        self.recipes: tuple[Mixing | TankMixing, ...] = ()
        self.files: Any = None
        hands = []
        for label, what, ending in (
            ("Page to print", "a4", "html"),
            ("Phone page", "phone", "html"),
            ("Table (CSV)", "csv", "csv"),
            ("Table (JSON)", "json", "json"),
        ):
            button = fields.button(label)
            button.on_click(lambda _b, what=what, ending=ending: self._hand(what, ending))
            hands.append(button)
        self.form = self._make_form(hands, coffee)
        self._taken: tuple[str, str] | None = None
        self.form.compute_with(self._show)
        base.on_change(self.form.refresh)
        super().__init__([self.form, self.hands])
        follow_book(self, book, lambda: compute_again(self.form), Topic.STOCK)
        follow_book(self, book, self._hear, Topic.SESSIONS, Topic.DECISIONS, Topic.PEOPLE)

    def _hear(self) -> None:
        """Offer the coffees there are; take the water anew where other scores can be read.

        Figures typed over those of the coffee stay.
        """
        chooser = self.form.fields["coffee"]
        follow_choices(chooser, self._coffees())
        if self._is_as_filled() and self._stood != self._standing():
            with keeping_messages(self.form):
                self.refresh()

    def _is_as_filled(self) -> bool:
        try:
            wanted = self._wanted()
        except WaterError:  # half typed
            return False
        return self._found is None or wanted is self._found

    def _standing(self) -> Any:
        """What changes as soon as anything else can be read of the coffee chosen."""
        client, coffee = chosen = self.form.fields["coffee"].value
        if chosen == _FIGURES:
            return None
        opened_ones = self._book.sessions.opened_flights(client=client, coffee=coffee)
        return chosen, opened_ones, self._book.sessions.decisions(coffee, client=client)

    def _coffees(self) -> list[tuple[str, tuple[str, str]]]:
        return [("the figures below", _FIGURES), *coffee_choices(self._book)]

    def _make_form(self, hands: Sequence[widgets.Button], coffee: tuple[str, str] | None) -> Form:
        coffees = self._coffees()
        shelf = [bottle.salt.label for bottle in self._book.stock.concentrates()]
        offered = list(dict.fromkeys([*_USUAL_SALTS, *shelf]))
        ticked = shelf or ["CaCl2·2H2O", "MgCl2·6H2O", "KHCO3"]
        rare = [label for label in SALTS if label not in offered]
        return Form(
            {
                "coffee": fields.choice(
                    "Water for",
                    coffees,
                    first_of(coffees, coffee),
                ),
                "water": WaterEntry("Water"),
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
                "strength": fields.choice(
                    "Strength of their bottles",
                    [
                        ("as on our shelf", None),
                        *((f"1 mL in 1 L adds {one:g} mg/L", one) for one in _STRENGTHS),
                    ],
                    None,
                ),
                "prefer": fields.choice(
                    "If there is more than one way", list(PREFERENCES), "few bottles"
                ),
                "thin": fields.tick("Dilute a base water that is too strong", True),
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
        self._taken = None
        self.form.refresh()

    def _take_best(self) -> None:
        """Fill in the water that the coffee's scores recommend, and say how sure that is.

        The field shows it rounded; what is left as it was filled in stays exact.
        """
        chosen = self.form.fields["coffee"].value
        self.said, self._in_short, self._found = "", "", None
        self._stood = self._standing()
        if chosen == _FIGURES:
            return
        client, coffee = chosen
        try:
            found = read(self._book, coffee, client=client)
        except LabkitError as error:
            self.said = f"{coffee}: {error}"
            return
        reading = found.reading
        if reading is None:
            self.said = f"{coffee}: no overall score of it is open, only tests of two waters."
            return
        self.said = f"{coffee}: {say(reading)}"
        if reading.best is None or found.water is None:
            return
        self._in_short = best_so_far(found)
        if reading.verdict.kind is not VerdictKind.FOUND:
            choice = "The figures above are a choice, not a finding."
            self._in_short += f" {choice}"
            self.said += f" {choice} {best_of(reading)}"
        self._found, self.said = found, " ".join([self.said, *known_of(found)])
        self.choose(found.water)

    def choose(self, water: Target) -> None:
        """Make the card for this water; the coffee that it is for stays chosen.

        Parameters
        ----------
        water : Target
            It goes into the field as exactly as it is given.
        """
        self.form.fields["water"].fill(water)

    def _wanted(self) -> Target | Findings:
        """The coffee's own water where the field was not touched; else the water as typed."""
        target: Target = self.form.fields["water"].target
        if self._found is not None and target == self._found.water:
            return self._found
        return target

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
        strength: float | None,
        tds_factor: str,
        kit: str,
        water: str,
    ) -> list[Any]:
        del water  # the field reads it, and keeps what was filled in exact
        if coffee != self._taken:
            self._take_best()
            self._taken = coffee
        self.recipes, self.files = (), None
        from_salts = way == _SALTS
        self.form.fields["salts"].layout.display = None if from_salts else "none"
        self.form.fields["strength"].layout.display = "none" if from_salts else None
        self._is_of_shelf = strength is None
        labels = (*salts, *more_salts) if from_salts else ()
        if from_salts and not labels:
            raise DosingError("no salt is ticked: tick those that the shop has.")
        card = make_card(
            self._book,
            self._wanted(),
            volumes_l=_volumes(volumes_l),
            salts=labels,
            start=self.base.start,
            pipette_ml=pipette_ml,
            balance_g=balance_g,
            prefer=prefer,
            thin=thin,
            strength_mg_l_caco3_per_ml=strength,
        )
        self.recipes = card.recipes
        self.files = self._card_files(
            card.recipes,
            name=name.strip() or _usual_name(card),
            made_for=" · ".join(filter(None, [coffee[1], made_for.strip()])),
            base_name=card.base_name,
            kits=[DROP_KITS[kit]],
            tds_factor=read_factor(tds_factor),
            differs=remarks(card),
            known=known_of(card.found),
            lab_book=self._book.name,
        )
        return [
            said(self._in_short or self.said),
            *(said(f"Note: {sentence}") for sentence in (*remarks(card), *self._shelf_remarks())),
            self.files,
            fold("What is known of this water", said(self.said)) if self._in_short else "",
            beware(cautions_for("tank" if from_salts else "mixing", card.recipes[-1:])),
            fold(
                "The same figures as a table",
                frame_html("As in the CSV and JSON files", self.files.table),
            ),
            fold(
                "Before it goes into a machine: ions, pH, scale, steel",
                as_html(portray(card.recipes[-1].reached)),
            ),
        ]

    def _shelf_remarks(self) -> list[str]:
        """What the largest volume takes more of than there is, and bottles past their day."""
        last = self.recipes[-1]
        if not isinstance(last, Mixing) or not self._is_of_shelf:
            return []
        noted = []
        shelf = {bottle.name: bottle for bottle in self._book.stock.bottles()}
        for dose in last.doses:
            bottle = shelf.get(dose.concentrate.name)
            if bottle is None or not dose.volume_ml:
                continue
            if bottle.is_too_old(date.today()):
                noted.append(too_old(bottle))
            if dose.volume_ml > bottle.left_ml:
                noted.append(
                    f"{last.volume_l:g} L take {litres(dose.volume_ml)} of '{bottle.name}', "
                    f"of which {litres(bottle.left_ml)} are left."
                )
        return noted

    def _hand(self, what: str, ending: str) -> None:
        if self.files is None:
            self.form.refuse(DosingError("there is no card to hand over yet."))
            return
        page = getattr(self.files, what)
        self.hands.hand(
            page.html if ending == "html" else page,
            name=file_name(
                self.files.name, "card-page" if what == "a4" else f"card-{what}", ending
            ),
            note="Open it and print, or send it on." if ending == "html" else "",
            media_type={"json": "application/json"}.get(ending, f"text/{ending}"),
        )


def _usual_name(card: Card) -> str:
    target = card.reach.target
    return (
        f"Ca:Mg {target.ca_mg_ratio_text}, {target.hardness_mg_l_caco3:.0f} hard, "
        f"{target.alkalinity_mg_l_caco3:.0f} alkaline"
        f"{target.salts_text and f', {target.salts_text}'}"
    )


def _volumes(typed: str) -> tuple[float, ...]:
    """Volumes in litres, smallest first.

    Raises
    ------
    WaterError
        If one is impossible.
    """
    found = sorted(set(read_numbers(typed, "volumes_l")))
    if not found or len(found) > 6 or not all(0.05 <= litres <= 2000 for litres in found):
        raise WaterError(
            f"volumes_l must be one to six volumes from 0.05 to 2000 L, got {typed!r}. "
            "Write them with commas, and half a litre as 0.5: 0.5, 1, 5, 20.",
            field="volumes_l",
        )
    return tuple(found)
