"""A bottle of concentrate as a plain object: what was weighed, what was measured, what is left."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, timedelta
from numbers import Real
from typing import TYPE_CHECKING, Final, Literal

from labkit.book.store.columns import clean_number
from labkit.errors import BookError

if TYPE_CHECKING:
    from labkit.water import Concentrate

MOST_ML: Final = 1e6
"""A thousand litres: no bottle holds more, and nobody takes more from one."""

MOST_DAYS: Final = 60
"""Longest that a lab may let bicarbonate stand."""

MOST_PERCENT: Final = 100.0
"""A purity may come as percent by mistake: the concentrate says how to give it."""

MOST_MG_L_PER_ML: Final = 1e5
"""Above what 1 mL of any salt adds to a litre (mg/L as CaCO3); grams have a bound of their own."""

MOST_DIGIT_G: Final = 100.0
"""Coarsest balance that is believed (g)."""

MOST_DAYS_OF_A_BOTTLE: Final = 3650
"""Ten years: a bottle that is said to keep longer was mistyped."""

MOST_UNCERTAIN_PERCENT: Final = 100.0
"""A measurement that may be off by as much as it found says nothing."""

USUAL_UNCERTAINTY_PERCENT: Final = 5.0
"""Taken where none was stated: a drop in twenty, as drop kits tell (common practice)."""


Counts = Literal["weighed", "measured"]
"""Which strength of a bottle doses are counted with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StrengthDecision:
    """What someone decided where weighed and measured strength disagree."""

    counts: Counts
    """The strength that doses are counted with since."""

    answered_on: date
    """The day."""

    answered_by: str = ""
    """Who decided."""

    reason: str = ""
    """Why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A strength found by titration or conductivity."""

    measured_on: date
    """The day."""

    strength_g_l: float
    """Salt as labelled, taken as pure, per litre (g/L)."""

    method: str
    """How it was found, such as "titration"."""

    measured_by: str = ""
    """Who measured."""

    note: str = ""
    """Anything else."""

    uncertainty_percent: float | None = None
    """Expanded uncertainty, k = 2 (%); None if nobody said."""

    answers: tuple[StrengthDecision, ...] = ()
    """What was decided on it, oldest first; the last one holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BottleUse:
    """What was taken from a bottle."""

    used_on: date
    """The day."""

    volume_ml: float
    """How much (mL)."""

    session: str | None = None
    """For which session, if for one."""

    flight: int | None = None
    """For which of its flights, if for one."""

    note: str = ""
    """What for, otherwise."""

    is_bound: bool = False
    """Whether it is what suffices for any draw: the real dose is sealed until its key opens."""

    is_reserved: bool = False
    """Whether it is set aside for a flight that nobody has mixed or begun, and not taken yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bottle:
    """A bottle of concentrate, with its history."""

    name: str
    """What stands on it; unique in the book."""

    salt: str
    """Formula with its water."""

    weighed_g: float
    """Salt as weighed (g)."""

    volume_ml: float
    """Volume it was made up to (mL)."""

    made_on: date
    """The day it was made."""

    purity: float = 1.0
    """Share of the weighed mass that is the salt as labelled."""

    balance_g: float = 0.01
    """Last digit of the balance it was weighed on (g)."""

    lot: str = ""
    """The salt's lot number."""

    keeper: str = ""
    """Who made it and answers for it."""

    keeps_days: int | None = None
    """Days until it is too old; None if it keeps for months."""

    emptied_on: date | None = None
    """When it was emptied; None if it stands on the shelf."""

    note: str = ""
    """Anything else."""

    measurements: tuple[Measurement, ...] = ()
    """Strengths measured, oldest first; none changes what was weighed."""

    uses: tuple[BottleUse, ...] = ()
    """What was taken, oldest first."""

    @property
    def concentrate(self) -> Concentrate:
        """What the bottle should be by weighing."""
        from labkit.water import Concentrate, salt

        return Concentrate.from_weighing(
            salt=salt(self.salt),
            weighed_g=self.weighed_g,
            volume_ml=self.volume_ml,
            purity=self.purity,
            name=self.name,
            balance_g=self.balance_g,
        )

    @property
    def concentrate_as_measured(self) -> Concentrate | None:
        """What the bottle is by its last measurement, if there is one, beside the weighing."""
        from labkit.water import MeasuredStrength

        if not self.measurements:
            return None
        weighed, last = self.concentrate, self.measurements[-1]
        strength = last.strength_g_l * weighed.salt.strength_mg_caco3_per_g / 1000
        if not strength:  # a salt without hardness and alkalinity is known by its grams alone
            return replace(weighed, strength_g_l=last.strength_g_l, purity=1.0)
        return weighed.with_measured(
            MeasuredStrength(
                strength_mg_l_caco3_per_ml=strength,
                method=last.method,
                uncertainty_percent=last.uncertainty_percent or USUAL_UNCERTAINTY_PERCENT,
            )
        )

    @property
    def apart_percent(self) -> float:
        """How far the last measurement lies from the weighing (%), above it if positive."""
        if not self.measurements:
            return 0.0
        weighed_g_l = 1000 * self.weighed_g * self.purity / self.volume_ml
        return 100 * (self.measurements[-1].strength_g_l / weighed_g_l - 1)

    @property
    def explained_percent(self) -> float:
        """How far weighing and measurement may lie apart by balance, assay and kit (%), k = 2."""
        if not self.measurements:
            return 0.0
        by_kit = self.measurements[-1].uncertainty_percent or USUAL_UNCERTAINTY_PERCENT
        by_kit *= 1 + self.apart_percent / 100
        return math.hypot(self.concentrate.weighing_uncertainty_percent, by_kit)

    @property
    def disagrees(self) -> bool:
        """Whether the last measurement is further off than balance, assay and kit explain."""
        return abs(self.apart_percent) > self.explained_percent

    @property
    def counts(self) -> Counts:
        """Which strength doses are counted with.

        Where the two agree, the more certain one; where they do not, what was answered, and as
        long as nobody has, the weighing: a measurement never changes a dose by itself.
        """
        if not self.measurements:
            return "weighed"
        last = self.measurements[-1]
        if self.disagrees:
            return last.answers[-1].counts if last.answers else "weighed"
        by_kit = last.uncertainty_percent or USUAL_UNCERTAINTY_PERCENT
        surer = by_kit < self.concentrate.weighing_uncertainty_percent
        return "measured" if surer else "weighed"

    @property
    def in_use(self) -> Concentrate:
        """The bottle as doses count with it."""
        measured = self.concentrate_as_measured
        if self.counts == "measured" and measured is not None:
            return measured
        return self.concentrate

    @property
    def question(self) -> str:
        """What has to be answered about its strength; empty if nothing has."""
        if not self.disagrees or self.measurements[-1].answers:
            return ""
        last = self.measurements[-1]
        weighed_g_l = 1000 * self.weighed_g * self.purity / self.volume_ml
        return (
            f"'{self.name}' was weighed to {weighed_g_l:.3f} g/L and measured as "
            f"{last.strength_g_l:.3f} g/L ({last.method}, {last.measured_on:%Y-%m-%d}), "
            f"{abs(self.apart_percent):.1f} % apart where balance, assay and kit explain "
            f"{self.explained_percent:.1f} %. Which one is right? Check hydrate, volume and kit, "
            "or measure again. Until it is answered, doses count with the weighing."
        )

    @property
    def left_ml(self) -> float:
        """What should be left by what was written down (mL), never below 0."""
        if self.emptied_on is not None:
            return 0.0
        taken = sum(use.volume_ml for use in self.uses if not use.is_reserved)
        return max(0.0, self.volume_ml - taken)

    @property
    def reserved_ml(self) -> float:
        """What is set aside for sealed flights that nobody has mixed or begun (mL), at most."""
        if self.emptied_on is not None:
            return 0.0
        return float(sum(use.volume_ml for use in self.uses if use.is_reserved))

    @property
    def free_ml(self) -> float:
        """What is left and not set aside (mL), never below 0."""
        return max(0.0, self.left_ml - self.reserved_ml)

    @property
    def is_left_at_least(self) -> bool:
        """Whether more may be left: a dose is sealed, and the most it can be is counted."""
        taken = (use for use in self.uses if not use.is_reserved)
        return self.emptied_on is None and any(use.is_bound for use in taken)

    @property
    def use_by(self) -> date | None:
        """Last day it should be used; None if it keeps for months."""
        return None if self.keeps_days is None else self.made_on + timedelta(days=self.keeps_days)

    def age_days(self, on: date) -> int:
        """Days since it was made.

        Parameters
        ----------
        on : date
            The day asked about.
        """
        return (on - self.made_on).days

    def is_too_old(self, on: date) -> bool:
        """Whether its last day has passed.

        Parameters
        ----------
        on : date
            The day asked about.
        """
        return self.use_by is not None and on > self.use_by


def check_measured(strength_g_l: float, uncertainty_percent: float | None) -> None:
    """Refuse what no measurement finds: written down it stays, and no dose could count with it.

    Raises
    ------
    BookError
        If the strength (g/L) or its uncertainty (%, k = 2) cannot be.
    """
    from labkit.water import MOST_G_L

    clean_number("strength_g_l", strength_g_l, most=MOST_G_L)
    if uncertainty_percent is not None:
        clean_number("uncertainty_percent", uncertainty_percent, most=MOST_UNCERTAIN_PERCENT)


def whole_days(days: object, most: int) -> int:
    """Give a number of days as it is kept.

    Raises
    ------
    BookError
        If it is no whole number from 1 to `most`.
    """
    if not isinstance(days, bool) and isinstance(days, Real):
        kept = readable_days(days, most)
        if kept is not None and kept == days:
            return kept
    remedy = "common practice is 3 to 4" if most == MOST_DAYS else "leave it out if it keeps"
    msg = f"keeps_days must be 1 to {most} days, got {days!r}; give whole days, {remedy}."
    raise BookError(msg, field="keeps_days")


def readable_days(kept: object, most: int) -> int | None:
    """Read a number of days, as an earlier version may have kept it: parts of a day are dropped."""
    try:
        days = float(str(kept))  # as text: a number of any size and type
    except ValueError:
        return None
    return int(days) if 1 <= days <= most else None


def salt_g_l(bottle: Bottle, strength_mg_l_caco3_per_ml: float) -> float:
    """Grams of a bottle's salt in a litre (g/L) that add so much to a litre by the mL."""
    from labkit.water import Concentrate, salt

    return Concentrate.of_strength(
        salt=salt(bottle.salt), strength_mg_l_caco3_per_ml=strength_mg_l_caco3_per_ml
    ).strength_g_l
