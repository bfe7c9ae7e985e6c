"""The forms at the jug: what to start from, what is wanted, what to pour and what to check."""

from __future__ import annotations

from datetime import date
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook, Topic
from labkit.errors import WaterError
from labkit.present import remarks
from labkit.water import (
    AIR_US_CM,
    DROP_KITS,
    PREFERENCES,
    PURE,
    StartWater,
    Water,
    conductivity_us_cm,
    drops_of,
    meter_of,
    mix,
    portray,
    pure_water,
    read_label,
    read_number,
    read_shares,
    weigh_out,
)
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, as_html, fold, said
from labkit.widgets.parts.folds import Fold
from labkit.widgets.parts.listening import compute_again, follow_book, follow_choices
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.water_entry import WaterEntry
from labkit.widgets.steps.bottles.bottle_log import too_old
from labkit.widgets.steps.bottles.day_form import DayForm

_IONS = ("Ca", "Mg", "Na", "K", "Cl", "SO4", "NO3")
_HARD_UNITS = ("°dH", "°fH", "mg/L CaCO3", "mmol/L")


class BaseWaterForm(NeedsBook, widgets.VBox):
    """The water that the doses go into: pure by its meter, or any water by analysis.

    Parameters
    ----------
    book : LabBook
        Where waters to start from are kept.
    """

    def __init__(self, book: LabBook) -> None:
        self._book = book
        keep = fields.button("Keep this analysis in the lab book")
        keep.on_click(lambda _b: self._store())
        self.form = Form(
            {
                "name": fields.choice("Start from", [PURE], PURE),
                "conductivity_25c_us_cm": fields.number("Its meter shows (µS/cm)", 1.0),
                "share_percent": fields.number("Share of it, rest pure water (%)", 100.0, step=5),
            },
            folded={
                "new_name": fields.text("Name of the water", placeholder="tap, autumn"),
                "label": fields.text(
                    "As on a label, in one line", placeholder="Ca 60, Mg 6, HCO3 170 mg/L"
                ),
                **{ion: fields.text(f"{ion} (mg/L)") for ion in _IONS},
                "hardness": fields.text("Total hardness"),
                "hardness_unit": fields.choice(
                    "Hardness is stated in", list(_HARD_UNITS), "mg/L CaCO3"
                ),
                "Mg share": fields.text(
                    "Ca:Mg, if only hardness is known", placeholder="3:1, or a Mg share"
                ),
                "alkalinity": fields.text("Alkalinity, or bicarbonate"),
                "alkalinity_unit": fields.choice(
                    "It is stated in",
                    ["mg/L CaCO3", "mg/L HCO3", "°dH", "°fH", "mmol/L"],
                    "mg/L CaCO3",
                ),
                "fill_gap": fields.tick("Fill the gap (Na or Cl)", False),
            },
            fold_title="Add a water by its analysis",
        )
        if self.form.fold is not None:
            self.form.fold.add(keep)
        self._fill()
        self.day = DayForm(book, lambda: str(self.form.fields["name"].value), self._take)
        self._day_fold = Fold("Correct it by a reading of today", [self.day])
        self.form.fields["name"].observe(lambda _change: self._offer(), "value")
        self._offer()
        self.form.compute_with(lambda **_now: self._describe())
        super().__init__([self.form, self._day_fold])
        follow_book(self, book, self._fill, Topic.STOCK)

    @property
    def water(self) -> Water:
        """The water chosen, thinned as it stands in the form, with its ions.

        Raises
        ------
        LabkitError
            If the reading, the share or the analysis is impossible.
        """
        return self.start.water

    @property
    def start(self) -> StartWater:
        """The water chosen under its name; raises as :attr:`water` does."""
        now = self.form.values()
        if now["name"] == PURE:
            reading = now["conductivity_25c_us_cm"]
            return StartWater(base=pure_water(conductivity_25c_us_cm=reading).water)
        base = self._book.stock.base_water(now["name"]).supply.water
        return StartWater(name=now["name"], base=base, share_percent=now["share_percent"])

    def choose(self, start: StartWater) -> None:
        """Start from this, such as from what a coffee's last session started from.

        Parameters
        ----------
        start : StartWater
            Its name and share go into the fields.
        """
        self._fill()
        self.form.fields["name"].value = start.name
        self.form.fields["share_percent"].value = start.share_percent

    def on_change(self, follow: Any) -> None:
        """Call ``follow`` after every change."""
        self.form.on_change(follow)

    def _fill(self) -> None:
        names = [water.name for water in self._book.stock.base_waters()]
        follow_choices(self.form.fields["name"], [PURE, *names])

    def _offer(self) -> None:
        """Ask a pure water for its meter, any other for how much of it there is."""
        pure = self.form.fields["name"].value == PURE
        for name, is_asked in (("conductivity_25c_us_cm", pure), ("share_percent", not pure)):
            self.form.fields[name].layout.display = "" if is_asked else "none"
        self._day_fold.layout.display = "none" if pure else ""
        self.day.refresh()

    def _take(self, name: str) -> None:
        """Choose a water that was just kept."""
        self._fill()
        self.form.fields["name"].value = name

    def _describe(self) -> Any:
        start = self.start
        if start.name == PURE:
            pure = pure_water(
                conductivity_25c_us_cm=self.form.fields["conductivity_25c_us_cm"].value
            )
            is_usual = pure.conductivity_25c_us_cm <= AIR_US_CM
            return fold("What that reading can hide", as_html(pure)) if is_usual else pure
        water, supply = start.water, self._book.stock.base_water(start.name).supply
        meter = float(conductivity_us_cm(water.vector)[0])
        return [
            said(
                f"Start from {start.text}: hardness {water.hardness_mg_l_caco3:.0f} and alkalinity "
                f"{water.alkalinity_mg_l_caco3:.0f} mg/L as CaCO3, {meter:.0f} µS/cm at 25 °C."
            ),
            *(said(remark) for remark in remarks(supply)),
            fold("Its analysis", as_html(supply)),
        ]

    def _analysis(self) -> dict[str, tuple[float, str]]:
        """What is typed, from the line and from the fields; each quantity once."""
        now = self.form.values()
        units = dict.fromkeys(_IONS, "mg/L") | {
            "hardness": now["hardness_unit"],
            "alkalinity": now["alkalinity_unit"],
        }
        analysis = read_label(now["label"])
        typed = {what: now[what] for what in (*units, "Mg share") if now[what].strip()}
        for what in typed:
            if what in analysis:
                raise WaterError(
                    f"{what} is given twice, in the line and in its field: give it once.",
                    field=what,
                )
            if what == "Mg share":
                analysis[what] = (_one_share(typed[what]), "")
            else:
                analysis[what] = (read_number(typed[what], what), units[what])
        return analysis

    def _store(self) -> None:
        name = self.form.fields["new_name"].value

        def work() -> None:
            analysis = self._analysis()
            if not analysis:
                raise WaterError(
                    "label must hold an analysis, but nothing is typed. Type the line of a label, "
                    "or the figures below.",
                    field="label",
                )
            self._book.stock.add_base_water(
                name, analysis, fill_gap=self.form.fields["fill_gap"].value
            )

        done, _ = self.form.press(work)
        if done:
            self._fill()
            self.form.fields["name"].value = name.strip()
            self.form.say(f"'{name.strip()}' is in the lab book.")


def _one_share(typed: str) -> float:
    shares = read_shares(typed, "Mg share")
    if len(shares) != 1:
        raise WaterError(
            f"Mg share must be one ratio Ca:Mg or one Mg share, got {typed!r}. Write 3:1 or 0.25.",
            field="Mg share",
        )
    return shares[0]


class JugForm(NeedsBook, Form):
    """One jug: mL of each concentrate for a wanted water, what it becomes, and how to check it.

    Parameters
    ----------
    book : LabBook
        Where the bottles stand.
    base : BaseWaterForm
        The water that the doses go into.
    """

    def __init__(self, book: LabBook, base: BaseWaterForm) -> None:
        self._book, self._base = book, base
        super().__init__(
            {
                "water": WaterEntry("Wanted water"),
            },
            folded={
                "volume_ml": fields.number("Jug (mL)", 1000.0, step=100),
                "filling": fields.choice("The volume is", ["made up to", "added to"], "made up to"),
                "pipette_ml": fields.choice(
                    "Smallest step of the pipette",
                    [(f"{step:g} mL", step) for step in (0.01, 0.05, 0.1, 0.5, 1.0)],
                    0.1,
                ),
                "weigh": fields.tick("Straight from salts, without bottles", False),
                "balance_g": fields.choice(
                    "Last digit of the balance",
                    [(f"{step:g} g", step) for step in (0.001, 0.01, 0.1)],
                    0.01,
                ),
                "prefer": fields.choice(
                    "If there is more than one way", list(PREFERENCES), "few bottles"
                ),
                "temperature_c": fields.number("Checked at (°C)", 25.0, step=1),
                "tds_factor": fields.choice(
                    "The meter shows",
                    [("µS/cm", None), ("TDS, factor 0.5", 0.5), ("TDS, factor 0.7", 0.7)],
                    None,
                ),
                "kit": fields.choice("Drop kit", list(DROP_KITS), next(iter(DROP_KITS))),
            },
            fold_title="Jug, pipette or balance, meter and drop kit",
        )
        self.compute_with(self._mix)
        base.on_change(self.refresh)
        follow_book(self, book, lambda: compute_again(self), Topic.STOCK)

    def _mix(
        self,
        *,
        volume_ml: float,
        filling: Any,
        pipette_ml: float,
        weigh: bool,
        balance_g: float,
        prefer: Any,
        temperature_c: float,
        tds_factor: float | None,
        kit: str,
        water: str,
    ) -> list[Any]:
        del water  # the field reads it, and keeps what was filled in exact
        target, bottles = self.fields["water"].target, self._book.stock.concentrates()
        if not bottles:
            return [said("No bottle is in the lab book yet: make and keep one above first.")]
        if weigh:
            made: Any = weigh_out(
                target,
                [bottle.salt for bottle in bottles],
                volume_l=volume_ml / 1000,
                base=self._base.start,
                balance_g=balance_g,
                purities={bottle.salt.label: bottle.purity for bottle in bottles},
                prefer=prefer,
            )
        else:
            made = mix(
                target,
                bottles,
                volume_ml=volume_ml,
                base=self._base.start,
                pipette_ml=pipette_ml,
                filling=filling,
                prefer=prefer,
            )
        today = date.today()
        stale = [
            said(f"Note: {too_old(bottle)}")
            for bottle in self._book.stock.bottles()
            if not weigh and bottle.is_too_old(today)
        ]
        checks = [
            meter_of(made, temperature_c=temperature_c, tds_factor=tds_factor),
            drops_of(made, "hardness", kit=DROP_KITS[kit]),
            drops_of(made, "alkalinity", kit=DROP_KITS[kit]),
        ]
        return [
            *stale,
            made,
            fold("Is the jug right? What meter and drops should show", as_html(checks)),
            fold(
                "Before it goes into a machine: ions, pH, scale, steel",
                as_html(portray(made.reached)),
            ),
        ]
