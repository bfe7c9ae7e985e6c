"""Jugs with one slip or two, poured by arithmetic of its own and read with real meters and drops.

Each jug is drawn anew: target, bottles and their strengths, pure or blended base, what was read.
What was done is chosen here and its water worked out here, apart from ``labkit.water``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.errors import DosingError
from labkit.water import PURE_WATER, Concentrate, Mixing, Target, Water, blend, mix, salt
from labkit.water.chemistry.conductivity import accuracy_percent, conductivity_us_cm
from labkit.water.jugs.readings import DROP_KITS
from labkit.water.jugs.slips import Check, DropCount, JugCheck, MeterReading, check_jug

TAP = Water.of_ions(
    {"Ca": 1.9, "Mg": 0.5, "Na": 0.6, "K": 0.05, "Cl": 0.9, "SO4": 0.4, "HCO3": 3.75}
)
KIT = DROP_KITS["20 mg/L as CaCO3 a drop in 5 mL"]
SHELF = ("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3", "MgSO4·7H2O", "NaHCO3")


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """A jug that went wrong."""

    recipe: Mixing
    shelf: tuple[Concentrate, ...]
    done: tuple[str, ...]
    """The slips made: their kinds."""

    water: Water
    """What the slips give, all else as it should be."""

    checks: tuple[Check, ...]

    def check(self) -> JugCheck:
        """What labkit says of the readings."""
        return check_jug(
            self.recipe, self.checks, other_bases={"tap": TAP}, other_bottles=self.shelf
        )

    def is_(self, water: Water) -> bool:
        """Whether a water is the one that was planted."""
        return bool(np.abs(water.vector - self.water.vector).max() < 1e-6)

    def is_named(self, found: JugCheck) -> bool:
        """Whether what was done is among what the readings leave open."""
        return any(self.is_(slip.water) for slip in found.explanations)

    def likeliest(self, found: JugCheck) -> tuple[Water, float]:
        """The water with the highest odds, those of all slips that make it together."""
        odds: dict[bytes, float] = {}
        waters: dict[bytes, Water] = {}
        for slip in found.slips:
            key = slip.water.vector.round(6).tobytes()
            waters[key] = slip.water
            odds[key] = odds.get(key, 0.0) + (slip.odds or 0.0)
        best = max(odds, key=lambda key: odds[key])
        return waters[best], odds[best]

    def is_falsely_sure(self, found: JugCheck) -> bool:
        """Whether another slip is said to be the only one."""
        return found.is_sure and not self.is_(found.explanations[0].water)


def plant(rng: np.random.Generator, slips: int, *, blended: bool) -> Planted:
    """Draw a jug and make so many slips in it."""
    while True:
        strength = float(rng.choice([1.0, 2.0, 5.0]))
        shelf = tuple(
            Concentrate.of_strength(
                salt=salt(label), name=label, strength_mg_l_caco3_per_ml=strength
            )
            for label in SHELF
        )
        share = float(rng.choice([0.2, 0.3, 0.4])) if blended else 0.0
        base = blend([(TAP, share), (PURE_WATER, 1 - share)]) if blended else PURE_WATER
        target = Target(
            mg_share=float(rng.uniform(0.25, 0.8)),
            hardness_mg_l_caco3=float(rng.uniform(60, 200)),
            alkalinity_mg_l_caco3=float(rng.uniform(30, 90)),
        )
        try:
            recipe = mix(
                target, shelf[:3], base=base, volume_ml=float(rng.choice([500, 1000, 2000]))
            )
        except DosingError:  # the base holds too much, or the bottles are too weak: draw again
            continue
        amounts = np.array([dose.volume_ml for dose in recipe.doses] + [0.0, 0.0])
        if np.count_nonzero(amounts[:3]) < 2:
            continue
        made = _make_slips(rng, amounts, base, share, slips)
        if made is None:
            continue
        poured, filled, done = made
        if poured.sum() >= recipe.volume_ml:
            continue
        water = _water(poured, shelf, filled, recipe.volume_ml, np.ones(5), 1.0)
        if np.abs(water.vector - recipe.reached.vector).max() < 1e-3:  # nothing came of it
            continue
        return Planted(
            recipe=recipe,
            shelf=shelf,
            done=done,
            water=water,
            checks=_read(rng, recipe, poured, shelf, filled),
        )


def _make_slips(rng, amounts, base, share, slips):
    """Amounts poured and water filled up with after the slips, with their kinds; None if barred."""
    poured, filled, done, free = amounts.copy(), base, [], list(np.flatnonzero(amounts))
    kinds = ["doubled", "skipped", "other bottle", "exchanged", "volume", "base"]
    for kind in rng.choice(kinds, slips, replace=True):
        if kind in ("volume", "base") and kind in done:
            return None
        done.append(str(kind))
        if kind == "volume":
            continue
        if kind == "base":
            waters = [TAP] if share == 0 else [TAP, PURE_WATER]
            filled = waters[rng.integers(len(waters))]
            continue
        if len(free) < (2 if kind == "exchanged" else 1):
            return None
        one = free.pop(rng.integers(len(free)))
        own = amounts[one]
        if kind == "doubled":
            poured[one] += own
        elif kind == "skipped":
            poured[one] -= own
        elif kind == "other bottle":
            poured[one] -= own
            poured[rng.choice([n for n in range(len(amounts)) if n != one])] += own
        else:
            other = free.pop(rng.integers(len(free)))
            if abs(own - amounts[other]) <= 0.03 * max(own, amounts[other]):
                return None
            poured[one] += amounts[other] - own
            poured[other] += own - amounts[other]
    if "volume" in done:
        poured *= float(rng.choice([0.5, 2.0]))
    return poured, filled, tuple(done)


def _water(poured, shelf, filled, volume, strengths, thicker):
    """Ions by hand: what the doses bring, and the base in the room that they leave."""
    ions = sum(
        amount * factor * bottle.vector
        for amount, factor, bottle in zip(poured, strengths, shelf, strict=True)
    )
    return Water.of_vector((ions + (volume - poured.sum()) * thicker * filled.vector) / volume)


def _read(rng, recipe, poured, shelf, filled):
    """What real bottles, a real base, meter and drops show."""
    doubt = np.array([bottle.uncertainty_percent for bottle in shelf]) / 200
    strengths = 1 + doubt * rng.standard_normal(5)
    off = np.where(poured > 0, recipe.pipette_ml * rng.uniform(-0.5, 0.5, 5), 0.0)
    real = _water(
        np.maximum(poured + off, 0),
        shelf,
        filled,
        recipe.volume_ml,
        strengths,
        rng.uniform(0.95, 1.05),
    )
    formula = rng.uniform(-1, 1) * float(accuracy_percent(real.vector)[0]) / 100
    true = float(conductivity_us_cm(real.vector)[0]) * (1 + formula)
    checks: list[Check] = [MeterReading(shown=round(true * (1 + rng.uniform(-0.02, 0.02)), 1))]
    for quantity in ("hardness", "alkalinity")[: rng.integers(3)]:
        held = real.hardness_mg_l_caco3 if quantity == "hardness" else real.alkalinity_mg_l_caco3
        sample = float(rng.choice([5.0, 10.0, 20.0]))
        exact = held * (1 + rng.uniform(-0.05, 0.05)) / KIT.per_drop(sample)
        # The colour turns with the drop that passes the end, or is called half-turned before.
        drops = math.floor(exact) if rng.random() < 0.5 else math.ceil(exact)
        checks.append(DropCount(quantity=quantity, kit=KIT, sample_ml=sample, drops=drops))
    return tuple(checks)
