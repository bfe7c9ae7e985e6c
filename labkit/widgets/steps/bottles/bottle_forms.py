"""Forms at the balance: what to weigh into a bottle, how strong it became, what a test says."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date
from html import escape
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook, Topic
from labkit.errors import ConcentrateError
from labkit.present import CAUTIONS, beware, cautions_for, figures_html, grams_of, remarks
from labkit.water import (
    DROP_DOUBT_PERCENT,
    SALTS,
    Concentrate,
    Salt,
    Weighing,
    plan_weighing,
    salt,
    salt_by_formula,
    strength_by_conductivity,
    strength_by_titration,
)
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, fold, said
from labkit.widgets.parts.handover import HandOver, file_name
from labkit.widgets.parts.listening import follow_book, follow_choices, keeping_messages
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.workflow import missing_bottles


def cautions_html(situation: str) -> str:
    """The cautions for a situation as a short list, to stand beside masses and doses."""
    return beware(CAUTIONS[situation])


_USUAL_SALT = {"calcium": "CaCl2·2H2O", "magnesium": "MgCl2·6H2O", "alkalinity": "KHCO3"}
"""What a bottle is usually made of (common practice), by what is to come from it."""

_BY_DROPS, _BY_BURETTE, _BY_METER = (
    "drop kit, on a dilution",
    "burette, on a dilution",
    "conductivity of a dilution",
)

_READING = {
    _BY_DROPS: "Drops until the colour turned",
    _BY_BURETTE: "Found by burette (mg/L CaCO3)",
    _BY_METER: "Meter shows, at 25 °C (µS/cm)",
}
"""What is read off, by how it was measured."""

_HOW = {
    _BY_DROPS: "Count the drops in the dilution, until the colour has turned for good.",
    _BY_BURETTE: "Type what the titration found in the dilution, worked out as CaCO3.",
    _BY_METER: "Read the pure water first, then the dilution, and type the difference.",
}
"""What to do before there is a reading."""

_WORTH = {
    _BY_DROPS: ("A drop is (mg/L CaCO3)", 17.8),
    _BY_BURETTE: ("A division is (mg/L CaCO3)", 2.0),
}
"""What one step of each kit is called, and what it is usually worth: a drop 1 °dH; 0.1 mL of
0.01 mol/L EDTA in a sample of 50 mL 2 mg/L as CaCO3."""

_BURETTE_PERCENT = 0.5
"""How far a division of a burette with a checked titrant may be off (%), common practice."""


class ConcentrateForm(Form):
    """One bottle: grams to weigh for a wanted strength, and the strength really weighed.

    Parameters
    ----------
    keep : callable, optional
        Takes the bottle's name, then what was weighed, on which balance, by whom and when as
        keywords, and stores it (``book.add_bottle``); called when the button is pressed.
    sheet : callable, optional
        ``labkit.bench.weighing_sheet``, for a sheet to take to the balance.
    there : callable, optional
        Gives the bottles on the shelf (``book.stock.concentrates``): a salt that they lack is
        proposed, at first and after each bottle.
    """

    def __init__(
        self,
        keep: Callable[..., Any] | None = None,
        sheet: Callable[..., Any] | None = None,
        *,
        there: Callable[[], Sequence[Concentrate]] | None = None,
    ) -> None:
        self._keep, self._sheet, self.hands = keep, sheet, HandOver()
        self._there = there
        self.button = fields.button("Keep this bottle in the lab book", main=True)
        self.button.on_click(lambda _b: self._store())
        self.print = fields.button("Weighing sheet")
        self.print.on_click(lambda _b: self.attempt(self._hand))
        labels = [(f"{s.name} ({label})", label) for label, s in SALTS.items()]
        super().__init__(
            {
                "salt_label": fields.choice("Salt, as the label says", labels, "CaCl2·2H2O"),
                "volume_ml": fields.number("Bottle, made up to (mL)", 1000.0),
                "weighed_g": fields.number("Actually weighed (g)", 0.0, step=0.01),
            },
            folded={
                "purity": fields.number("Purity on the label (0 to 1)", 1.0, step=0.001),
                "percent": fields.number("Or assay, anhydrous (%)", 0.0, step=0.1),
                "strength_mg_l_caco3_per_ml": fields.number(
                    "1 mL in 1 L adds (mg/L CaCO3)", 1.0, step=0.1
                ),
                "balance_g": fields.choice(
                    "Last digit of the balance",
                    [(f"{step:g} g", step) for step in (0.001, 0.01, 0.1, 1.0)],
                    0.01,
                ),
                "formula": fields.text("Another salt, by formula", placeholder="MgCl2·2H2O"),
                "name": fields.text("Name on the bottle", placeholder="calcium, magnesium, ..."),
                "lot": fields.text("Lot of the salt", placeholder="as on its label"),
                "keeper": fields.text("Made by"),
                "made_on": fields.day("Made on, if not today"),
            },
            fold_title="Strength, purity, balance, another salt, name, lot, who and when",
            buttons=[self.button] * (keep is not None) + [self.print] * (sheet is not None),
        )
        self.children = [*self.children, self.hands]  # type: ignore[has-type]
        self._propose()
        self.compute_with(self._describe)

    def _propose(self) -> None:
        """Choose a salt of what no bottle gives yet; none where nothing lacks."""
        lacking = () if self._there is None else missing_bottles(self._there())
        if lacking:
            self.fields["salt_label"].value = _USUAL_SALT[lacking[0]]

    @property
    def salt(self) -> Salt:
        """The salt chosen, or the one typed by its formula."""
        formula = self.fields["formula"].value.strip()
        return salt_by_formula(formula) if formula else salt(self.fields["salt_label"].value)

    @property
    def purity(self) -> float:
        """As typed; or from the label's per cent of the anhydrous salt, if that is given."""
        percent = self.fields["percent"].value
        return self.salt.purity_from_anhydrous(percent) if percent else self.fields["purity"].value

    @property
    def bottle(self) -> Concentrate:
        """The bottle as weighed.

        Raises
        ------
        LabkitError
            If what stands in the form is no bottle.
        """
        now = self.values()
        return Concentrate.from_weighing(
            salt=self.salt,
            weighed_g=now["weighed_g"],
            volume_ml=now["volume_ml"],
            purity=self.purity,
            name=now["name"].strip(),
            balance_g=now["balance_g"],
        )

    def _weighing(self) -> Weighing:
        now = self.values()
        return plan_weighing(
            salt=self.salt,
            volume_ml=now["volume_ml"],
            strength_mg_l_caco3_per_ml=now["strength_mg_l_caco3_per_ml"],
            purity=self.purity,
            balance_g=now["balance_g"],
        )

    def _hand(self) -> None:
        sheet = self._sheet
        assert sheet is not None  # the button exists only with it
        name = file_name(self.salt.name, "weighing")
        self.hands.hand(sheet([self._weighing()]).html, name=name, note="Print it.")

    def _describe(
        self,
        *,
        volume_ml: float,
        weighed_g: float,
        **_chosen: Any,
    ) -> list[Any]:
        weighing = self._weighing()
        warned = "".join(said(f"Note: {sentence}") for sentence in remarks(weighing))
        shown: list[Any] = [
            '<p style="font-size:1.3em;margin:.5rem 0">Weigh '
            f"<b>{grams_of(weighing)} g</b> of {escape(self.salt.label)}, dissolve it in part "
            f"of the water, make up to <b>{volume_ml:g} mL</b>.</p>",
            warned,
            beware(cautions_for("weighing", [self.salt])),
            fold("Figures and hazard of this weighing", figures_html(weighing)),
        ]
        if weighed_g:
            shown.append(figures_html(self.bottle))
        return shown

    def _store(self) -> None:
        now, keep = self.values(), self._keep
        assert keep is not None  # the button exists only with it

        def work() -> str:
            if not now["weighed_g"]:
                raise ConcentrateError(
                    "type what you actually weighed first: the bottle is kept as weighed, not as "
                    "planned.",
                    field="weighed_g",
                )
            name: str = now["name"].strip() or f"{self.salt.label}, {date.today():%Y-%m-%d}"
            keep(
                name,
                salt=self.salt.label,
                purity=self.purity,
                weighed_g=now["weighed_g"],
                volume_ml=now["volume_ml"],
                balance_g=now["balance_g"],
                lot=now["lot"],
                keeper=now["keeper"],
                made_on=now["made_on"],
            )
            return name

        done, name = self.press(work)
        if done:
            self.fields["weighed_g"].value = 0.0  # a second press cannot keep it twice
            # These belong to this bottle and its jar: the next must not inherit them unseen.
            for field in ("formula", "name", "lot"):
                self.fields[field].value = ""
            self.fields["purity"].value, self.fields["percent"].value = 1.0, 0.0
            self.fields["made_on"].value = None
            self._propose()
            self.say(
                f"Kept as '{name}': {now['weighed_g']:g} g in {now['volume_ml']:g} mL. "
                "Label it now."
            )


class StrengthForm(NeedsBook, widgets.VBox):
    """What a titration or a conductivity reading says of a bottle, beside what was weighed.

    Parameters
    ----------
    book : LabBook
        Where the bottle stands and the measurement goes; the weighing stays as it is.
    """

    def __init__(self, book: LabBook) -> None:
        self._book = book
        names = self._names()
        keep = fields.button("Record this strength", main=True)
        keep.on_click(lambda _b: self._store())
        self.form = Form(
            {
                "bottle": fields.choice("Bottle", names, names[0] if names else None),
                "method": fields.choice(
                    "Measured by",
                    [_BY_DROPS, _BY_BURETTE, _BY_METER],
                    _BY_DROPS,
                ),
                "reading": fields.number(_READING[_BY_DROPS], 0.0),
            },
            folded={
                "concentrate_ml": fields.number("Taken from the bottle (mL)", 100.0),
                "diluted_to_ml": fields.number("Made up to (mL)", 1000.0),
                "step_mg_l_caco3": fields.number(*_WORTH[_BY_DROPS]),
                "measured_by": fields.text("Measured by whom"),
                "measured_on": fields.day("Measured on, if not today"),
            },
            fold_title="The dilution, what a drop is worth, who and when",
            buttons=[keep],
        )
        self.form.fields["method"].observe(lambda _change: self._ask(), "value")
        self.form.compute_with(lambda **_now: self._show())
        super().__init__([self.form])
        follow_book(self, book, self._hear, Topic.STOCK)

    def _names(self) -> list[str]:
        return [bottle.name for bottle in self._book.stock.bottles()]

    def _hear(self) -> None:
        with keeping_messages(self.form):
            follow_choices(self.form.fields["bottle"], self._names())
            self.form.refresh()

    def _ask(self) -> None:
        """Ask for what this method reads off, and for what its step is worth."""
        method, step = self.form.fields["method"].value, self.form.fields["step_mg_l_caco3"]
        self.form.fields["reading"].description = _READING[method]
        self.form.fields["reading"].value = 0.0  # drops are no mg/L, and neither are µS/cm
        step.layout.display = "" if method in _WORTH else "none"
        if method in _WORTH:
            step.description, step.value = _WORTH[method]

    def _show(self) -> list[Any]:
        if self.form.fields["bottle"].value is None:
            return [said("No bottle is on the shelf yet: make one in the form above first.")]
        measured = self._measured()
        if measured is None or measured.measured is None:
            return [said(_HOW[self.form.fields["method"].value]), self._cautions()]
        now = self.form.values()
        found, weighed = measured.measured, measured.weighed_strength_mg_l_caco3_per_ml
        doubt = found.strength_mg_l_caco3_per_ml * found.uncertainty_percent / 100
        apart = found.strength_mg_l_caco3_per_ml - weighed
        explained = math.hypot(doubt, weighed * measured.weighing_uncertainty_percent / 100)
        sides = "more" if apart > 0 else "less"
        return [
            said(
                f"{self._read()} in {now['concentrate_ml']:g} mL made up to "
                f"{now['diluted_to_ml']:g} mL. By this test 1 mL in 1 L adds "
                f"{found.strength_mg_l_caco3_per_ml:.2f} ± {doubt:.2f} mg/L as CaCO3; by weighing "
                f"{weighed:.2f}. "
                + (
                    "Balance, assay and kit explain the difference."
                    if abs(apart) <= explained
                    else f"That is {100 * abs(apart) / weighed:.1f} % {sides}, of which balance, "
                    f"assay and kit explain {100 * explained / weighed:.1f} %. Once it is "
                    "recorded, you are asked which is right; no dose changes before you answer."
                )
            ),
            self._cautions(),
            fold("Figures of this bottle", figures_html(measured)),
        ]

    def _cautions(self) -> str:
        by_meter = self.form.fields["method"].value == _BY_METER
        return cautions_html("meter" if by_meter else "drop kit")

    def _read(self) -> str:
        """The reading in words, with what its steps are worth."""
        now = self.form.values()
        if now["method"] == _BY_METER:
            return f"{now['reading']:g} µS/cm"
        if now["method"] == _BY_BURETTE:
            return f"{now['reading']:g} mg/L"
        return f"{now['reading']:g} drops of {now['step_mg_l_caco3']:g} mg/L"

    def _measured(self) -> Concentrate | None:
        """The bottle with its measured strength; None until there is a reading."""
        now = self.form.values()
        if now["bottle"] is None or not now["reading"]:
            return None
        if now["reading"] < 0:
            raise ConcentrateError(
                f"reading must be above 0, got {now['reading']:g}.", field="reading"
            )
        if now["method"] == _BY_DROPS and now["reading"] % 1:
            raise ConcentrateError(
                f"reading must be whole drops, got {now['reading']:g}. Count the last one too.",
                field="reading",
            )
        weighed = self._book.stock.bottle(now["bottle"]).concentrate
        dilution = {name: now[name] for name in ("concentrate_ml", "diluted_to_ml")}
        if now["method"] != _BY_METER:
            step = now["step_mg_l_caco3"] if now["method"] == _BY_DROPS else 1.0
            return strength_by_titration(
                weighed,
                reading_mg_l_caco3=now["reading"] * step,
                step_mg_l_caco3=now["step_mg_l_caco3"],
                titrant_percent=(
                    DROP_DOUBT_PERCENT if now["method"] == _BY_DROPS else _BURETTE_PERCENT
                ),
                **dilution,
            )
        return strength_by_conductivity(weighed, conductivity_25c_us_cm=now["reading"], **dilution)

    def _store(self) -> None:
        name = self.form.fields["bottle"].value

        def work() -> None:
            bottle = self._measured()
            if bottle is None or bottle.measured is None:
                raise ConcentrateError(
                    "reading must be above 0, got 0. Type what the kit or the meter showed.",
                    field="reading",
                )
            self._book.stock.measure_bottle(
                name,
                method=bottle.measured.method,
                strength_mg_l_caco3_per_ml=bottle.measured.strength_mg_l_caco3_per_ml,
                uncertainty_percent=bottle.measured.uncertainty_percent,
                measured_on=self.form.fields["measured_on"].value,
                measured_by=self.form.fields["measured_by"].value,
            )

        done, _ = self.form.press(work)
        if done:
            self.form.fields["reading"].value = 0.0  # a second press cannot write it twice
            bottle = self._book.stock.bottle(name)
            self.form.say(
                f"Recorded for '{name}'. {bottle.question}"
                if bottle.question
                else f"Recorded for '{name}'; doses count with what was {bottle.counts}."
            )
