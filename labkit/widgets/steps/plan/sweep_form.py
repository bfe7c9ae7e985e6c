"""The form that turns a question into a sweep of waters."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

from labkit.book import LabBook, Topic
from labkit.errors import SweepError
from labkit.tasting import (
    Sweep,
    alkalinity_dial,
    anion_sweep,
    cation_sweep,
    hardness_dial,
    nearest_sweep,
    ratio_hardness_grid,
    ratio_sweep,
)
from labkit.water import (
    COORDINATES,
    PURE,
    SALT_SHARES,
    Concentrate,
    StartWater,
    Target,
    Water,
    largest_base_share,
    open_shares,
    read_levels,
    read_salt_shares,
    read_shares,
    share_text,
    thinned_for,
)
from labkit.widgets.parts import fields
from labkit.widgets.parts.coffees import coffee_choices, first_of
from labkit.widgets.parts.fields import Form
from labkit.widgets.parts.listening import compute_again, follow_book, follow_choices
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm

KINDS: dict[str, str] = {
    "Ratio sweep: Ca to Mg at one hardness": "ratio sweep",
    "Hardness dial: soft to hard at one ratio": "hardness dial",
    "Alkalinity dial: at one ratio and hardness": "alkalinity dial",
    "Grid: ratio and hardness together": "ratio x hardness grid",
    "Anions: chloride to sulfate": "anion sweep",
    "Cations: sodium to potassium": "cation sweep",
}

_LABELS = {
    "mg_share": "Ca:Mg (or Mg share)",
    "hardness_mg_l_caco3": "Hardness (mg/L CaCO3)",
    "alkalinity_mg_l_caco3": "Alkalinity (mg/L CaCO3)",
    "sulfate_share": "Chloride to sulfate",
    "potassium_share": "Sodium to potassium",
}
# The level where a factor is held and nothing is known, and the levels where it is varied. Even
# Ca:Mg at a moderate hardness is where practice starts; 40 is the published target (common
# practice).
_STARTS: dict[str, tuple[float | None, str]] = {
    "mg_share": (0.5, "all Ca, 3:1, 1:1, 1:3, all Mg"),
    "hardness_mg_l_caco3": (80.0, "40 80 120 160"),
    "alkalinity_mg_l_caco3": (40.0, "10 25 40 55"),
    "sulfate_share": (None, "all chloride, 50 %, all sulfate"),
    "potassium_share": (None, "all sodium, 50 %, all potassium"),
}
_VARYING = {
    "mg_share": ("ratio sweep", "ratio x hardness grid"),
    "hardness_mg_l_caco3": ("hardness dial", "ratio x hardness grid"),
    "alkalinity_mg_l_caco3": ("alkalinity dial",),
    "sulfate_share": ("anion sweep",),
    "potassium_share": ("cation sweep",),
}
_OF_SALTS = ("anion sweep", "cation sweep")
_AS_BOTTLED = "as the bottles give it"


class SweepForm(NeedsBook, Form):
    """Which waters to try for a coffee: the sweep, its levels and what is held.

    Where a dial holds a factor, the form starts from the level that the coffee's scores so far
    call best.

    Parameters
    ----------
    coffees : sequence of (str, tuple)
        What the chooser shows, and client and name of each coffee.
    check : callable
        Takes a :class:`Sweep` and returns what to show of it, such as the waters as they can be
        mixed; raises :class:`SweepError` where one cannot be made.
    best_of : callable
        Takes client and name of a coffee and returns the levels its scores call best, by name.
    base : BaseWaterForm, optional
        The water that the doses go into; after a change there, ``check`` is asked again.
    book : LabBook, optional
        Where the coffees and bottles are: what is added there later is offered too.
    coffee : (str, str), optional
        Client and name of the coffee to begin with; the first unless given.
    """

    def __init__(
        self,
        coffees: Sequence[tuple[str, tuple[str, str]]],
        check: Callable[[Sweep], Any],
        best_of: Callable[[str, str], Mapping[str, float]],
        *,
        base: BaseWaterForm | None = None,
        book: LabBook | None = None,
        coffee: tuple[str, str] | None = None,
    ) -> None:
        self._check, self._best_of, self._base = check, best_of, base
        self._filling = False
        self._bottles_of = book
        self._unreached: Sweep | None = None
        self.thin_button = fields.button("Thin it for me")
        self.thin_button.on_click(lambda _b: self._thin())
        self.near_button = fields.button("Take the nearest sweep")
        self.near_button.on_click(lambda _b: self._take_nearest())
        super().__init__(
            {
                "coffee": fields.choice("Coffee", coffees, first_of(coffees, coffee)),
                "kind": fields.choice("What to vary", list(KINDS.items()), "ratio sweep"),
                **{
                    name: fields.text(label, placeholder=_AS_BOTTLED if name in SALT_SHARES else "")
                    for name, label in _LABELS.items()
                },
            },
            buttons=[self.thin_button, self.near_button],
        )
        self._start()
        self.compute_with(self._show)
        if base is not None:
            base.on_change(self.refresh)
        if book is not None:
            follow_book(self, book, lambda: self._hear(book), Topic.PEOPLE)
            follow_book(self, book, lambda: compute_again(self), Topic.STOCK)

    def _hear(self, book: LabBook) -> None:
        had, typed = self.coffee, {name: self.fields[name].value for name in _LABELS}
        follow_choices(self.fields["coffee"], coffee_choices(book))
        if had is None:  # the first coffee takes nothing away from who typed before it was there
            for name, value in typed.items():
                self.fields[name].value = value

    @property
    def coffee(self) -> tuple[str, str] | None:
        """Client and name of the coffee, or None while the lab book has none."""
        chosen: tuple[str, str] | None = self.fields["coffee"].value
        return chosen

    @property
    def control(self) -> None:
        """None: the control is that of the coffee's last session, or else the middle water."""

    @property
    def sweep(self) -> Sweep:
        """The sweep as it stands in the form.

        Raises
        ------
        SweepError
            If what is typed makes no sweep.
        """
        return self._make()

    @property
    def waters(self) -> tuple[Target, ...]:
        """The waters of the sweep."""
        return self._make().targets

    def vary(self, coordinate: str) -> None:
        """Choose the sweep that varies one coordinate alone.

        Parameters
        ----------
        coordinate : str
            Its name.
        """
        self.fields["kind"].value = _VARYING[coordinate][0]

    def refresh(self) -> None:
        """Compute again, once the fields are filled in: what is half filled in is no sweep."""
        if not self._filling:
            super().refresh()

    def _changed(self, name: str) -> None:
        if name in ("coffee", "kind"):
            self._filling = True
            try:
                self._start()
            finally:
                self._filling = False
        super()._changed(name)

    def _start(self) -> None:
        """Fill in the usual levels, and the best known where a factor is held."""
        kind = self.fields["kind"].value
        best = self._best_of(*self.coffee) if self.coffee else {}
        for name, (held, levels_) in _STARTS.items():
            if kind in _VARYING[name]:
                self.fields[name].value = levels_
            else:
                level = best.get(name, held)
                self.fields[name].value = "" if level is None else f"{level:g}"
        self._show_salts()

    def _show_salts(self) -> None:
        """Show the fields of the salts where they are varied, or the bottles leave a choice."""
        shown = SALT_SHARES if self.fields["kind"].value in _OF_SALTS else ()
        for name in SALT_SHARES:
            field = self.fields[name]
            is_open = name in shown or field.value or name in open_shares(self._bottles())
            field.layout.display = "" if is_open else "none"

    def _make(self) -> Sweep:
        now = self.values()
        kind = now["kind"]
        share, hard, alk = COORDINATES
        given = {
            share: read_shares(now[share], share),
            hard: read_levels(now[hard], "hardness", hard),
            alk: read_levels(now[alk], "alkalinity", alk),
        }

        def one(name: str) -> float:
            if len(given[name]) != 1:
                raise SweepError(
                    f"{name} must be one level where it is held, got {now[name]!r}. "
                    "Choose another sweep to vary it.",
                    field=name,
                )
            return given[name][0]

        if kind in _OF_SALTS:
            return self._salts(kind, one(share), one(hard), one(alk))
        if kind == "ratio sweep":
            made = ratio_sweep(
                given[share], hardness_mg_l_caco3=one(hard), alkalinity_mg_l_caco3=one(alk)
            )
        elif kind == "hardness dial":
            made = hardness_dial(given[hard], mg_share=one(share), alkalinity_mg_l_caco3=one(alk))
        elif kind == "alkalinity dial":
            made = alkalinity_dial(given[alk], mg_share=one(share), hardness_mg_l_caco3=one(hard))
        else:
            made = ratio_hardness_grid(given[share], given[hard], alkalinity_mg_l_caco3=one(alk))
        held = {name: found[0] for name in SALT_SHARES for found in [self._held(name)] if found}
        return made.holding(**held) if held else made

    def _held(self, name: str) -> tuple[float, ...]:
        """The level at which a share of the salts is held; none where the bottles decide."""
        levels = read_salt_shares(self.fields[name].value, name)
        if len(levels) > 1:
            raise SweepError(
                f"{name} must be one share where it is held, or empty for what the bottles give, "
                f"got {self.fields[name].value!r}. Choose the sweep that varies it.",
                field=name,
            )
        return levels

    def _salts(self, kind: str, share: float, hardness: float, alkalinity: float) -> Sweep:
        """The sweep of one share of the salts, the other held or left to the bottles."""
        now = self.values()
        varied, held = SALT_SHARES if kind == "anion sweep" else SALT_SHARES[::-1]
        sweep, other = anion_sweep if kind == "anion sweep" else cation_sweep, self._held(held)
        return sweep(
            read_salt_shares(now[varied], varied),
            mg_share=share,
            hardness_mg_l_caco3=hardness,
            alkalinity_mg_l_caco3=alkalinity,
            **({held: other[0]} if other else {}),
        )

    def _show(self, **_typed: Any) -> Any:
        self._offer_ways(None)
        self._show_salts()
        sweep = self._make()
        try:
            if self._base is not None:
                _refuse_base(sweep, self._base.start)
            return self._check(sweep)
        except SweepError:
            self._offer_ways(sweep)
            raise

    def _offer_ways(self, refused: Sweep | None) -> None:
        """Offer to thin the base, and the nearest sweep, only where a sweep is out of reach."""
        self._unreached = refused
        named = self._base is not None and self._base.form.fields["name"].value != PURE
        there = refused is not None and self._bottles_of is not None
        self.thin_button.layout.display = "" if there and named else "none"
        self.near_button.layout.display = "" if there else "none"

    def _bottles(self) -> tuple[Concentrate, ...]:
        return () if self._bottles_of is None else self._bottles_of.stock.concentrates()

    def _thin(self) -> None:
        base, refused = self._base, self._unreached
        if base is None or refused is None:
            return

        def work() -> StartWater:
            found = thinned_for(refused.targets, self._bottles(), start=base.start)
            if found is None:
                raise SweepError(
                    "these waters must be within reach of the bottles and some blend, but are not "
                    "even from pure water. Add a bottle, or take the nearest sweep."
                )
            return found

        done, found = self.press(work)
        if done:
            base.choose(found)
            self.say(f"Start from {found.text}: as much of it as these waters bear.")

    def _take_nearest(self) -> None:
        refused, base = self._unreached, self._base
        if refused is None:
            return
        start = Water() if base is None else base.water

        def work() -> Sweep:
            found = nearest_sweep(refused, self._bottles(), base=start)
            if found is None:
                raise SweepError(
                    "two levels at least must be within reach, but there are none from this base "
                    "and these bottles. Thin the base, add a bottle, or vary something else."
                )
            return found

        done, found = self.press(work)
        if done:
            first = found.varied[0].name
            levels = dict.fromkeys(getattr(target, first) for target in found.targets)
            as_said = {name: partial(share_text, name) for name in SALT_SHARES}
            say_level = as_said.get(first, "{:g}".format)
            self.fields[first].value = ", ".join(say_level(level) for level in sorted(levels))
            self.say(f"{_LABELS[first]}: as far as this base and these bottles reach.")


def _refuse_base(sweep: Sweep, start: StartWater) -> None:
    """Say how far a base water must be thinned, as a share of what comes from its tap."""
    shares = [largest_base_share(target, start.base) for target in sweep.targets]
    below = [
        target.text
        for target, share in zip(sweep.targets, shares, strict=True)
        if 100 * share < start.share_percent - 1e-9
    ]
    if not below:
        return
    most = math.floor(1000 * min(shares) + 1e-9) / 10
    remedy = f"Take at most {most:g} % of it, the rest {PURE}," if most else f"Choose {PURE}"
    raise SweepError(
        f"{start.text} contains more calcium, magnesium or alkalinity than {len(below)} of these "
        f"{len(shares)} waters hold ({'; '.join(below)}). {remedy} under 'The water to start "
        "from', or take the nearest sweep that it allows."
    )
