"""Weighing salts straight into a tank, without concentrates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import DosingError
from labkit.shown import Shown
from labkit.water.bottles.concentrates import ASSAY_HALF_WIDTH_PERCENT, check_purity
from labkit.water.bottles.shared import BottleSaturation, clouding
from labkit.water.bottles.solubility import solubility_limit_g_l
from labkit.water.bottles.weighing import NOTABLE_ERROR_PERCENT, to_step
from labkit.water.dosing.choosing import Preference, choose
from labkit.water.dosing.mixing import BASE, check_amounts
from labkit.water.dosing.reach import refusal
from labkit.water.dosing.shares import (
    COORDINATES,
    balances_of,
    check_shares,
    only_for_salts,
    shares_refusal,
)
from labkit.water.dosing.spread import Spread, dosing_spread, rounding_bound
from labkit.water.figures import figure, measured_step_ml
from labkit.water.salts.table import Salt
from labkit.water.start import PURE, StartWater
from labkit.water.supply import PureWater, Supply, as_water
from labkit.water.uncertainty import expanded
from labkit.water.waters.targets import Target
from labkit.water.waters.water import PURE_WATER, Water


@checked(DosingError)
@dataclass(frozen=True, slots=True, kw_only=True)
class Portion:
    """How much of one salt goes into the tank."""

    salt: Salt
    """As on the label, hydrate included."""

    mass_g: float
    """Mass, rounded to the balance (g)."""

    exact_g: float
    """Mass before rounding (g)."""

    purity: float = 1.0
    """Share of the weighed mass that is the salt as labelled."""

    @property
    def mmol_per_g(self) -> NDArray[np.float64]:
        """Ions in a gram as weighed (mmol), in the order of :data:`labkit.water.IONS`."""
        per_gram: NDArray[np.float64] = (
            1000 * self.purity / self.salt.molar_mass_g_mol * self.salt.vector
        )
        return per_gram


@dataclass(frozen=True, slots=True, kw_only=True)
class TankMixing(Shown):
    """Salts to weigh for a tank of one wanted water, and the water really reached."""

    target: Target
    """The water wanted."""

    portions: tuple[Portion, ...]
    """One for each salt at hand, in the order given; some may be 0 g."""

    base: Water
    """The water the salts go into; of a blend, as its parts are measured."""

    volume_l: float
    """Volume of the tank (L)."""

    balance_g: float
    """Last digit of the balance (g)."""

    reached: Water
    """The water got from the rounded masses."""

    rounding: Spread
    """Largest difference between wanted and reached that rounding can make."""

    uncertainty: Spread
    """Expanded uncertainty (k = 2) of the water reached: balance, assay, the base's analysis."""

    start: StartWater | None = None
    """The base under its name, with its parts where it is a blend; None if it has no name."""

    @property
    def base_parts(self) -> tuple[tuple[str, float], ...]:
        """The base water to pour, water by water: name and mL, as of :class:`Mixing`."""
        volume_ml = 1000 * self.volume_l
        if self.start is None:
            return ((BASE if self.base != PURE_WATER else PURE, volume_ml),)
        return self.start.parts(volume_ml)

    @property
    def mending_volume_l(self) -> float | None:
        """Smallest tank with at most 1 % error from the balance (L); None if this one will do."""
        errors = [100 * self.balance_g / p.exact_g for p in self.portions if p.exact_g]
        worst = max(errors, default=0.0)
        if worst <= NOTABLE_ERROR_PERCENT:
            return None
        return self.volume_l * worst / NOTABLE_ERROR_PERCENT

    @property
    def smallest(self) -> Portion | None:
        """The portion that the balance is coarsest for; None if nothing is weighed."""
        weighed = (portion for portion in self.portions if portion.exact_g)
        return min(weighed, key=lambda one: one.exact_g, default=None)

    @property
    def clouding(self) -> tuple[BottleSaturation, ...]:
        """The minerals that may fall out of the tank on standing."""
        return clouding(self.reached.vector)


@checked(DosingError, own_numbers=True)
def weigh_out(
    target: Target,
    salts: Sequence[Salt],
    *,
    volume_l: float,
    base: Water | Supply | PureWater | StartWater = PURE_WATER,
    balance_g: float = 0.01,
    purities: Mapping[str, float] | None = None,
    prefer: Preference = "few bottles",
) -> TankMixing:
    """Salts to weigh straight into a tank.

    Parameters
    ----------
    target : Target
        The water wanted.
    salts : sequence of Salt
        The salts at hand.
    volume_l : float
        Volume of finished water (L).
    base : Water, Supply, PureWater or StartWater
        The water they go into; under its name and with its parts if it is a StartWater.
    balance_g : float
        Last digit of the balance (g).
    purities : mapping, optional
        Label -> share of the weighed mass that is the salt as labelled; 1 where not given.
    prefer : Preference
        What to keep small where the salts leave more than one way.

    Raises
    ------
    DosingError
        If these salts and this base cannot make that water.
    """
    named = base if isinstance(base, StartWater) else None
    base = as_water(base)
    check_amounts(volume_l=volume_l, balance_g=balance_g)
    if not salts:
        raise DosingError(
            "salts must hold at least one salt, got none. Keep a bottle first, under Bottles.",
            field="salts",
        )
    given = purities or {}
    unknown = [label for label in given if label not in {one.label for one in salts}]
    if unknown:
        raise DosingError(
            f"purities names {unknown[0]!r}, which is not among the salts.", field="purities"
        )
    shares = np.array([given.get(one.label, 1.0) for one in salts])
    for share in shares:
        check_purity(float(share))
    per_gram = np.array(
        [
            1000 * share / one.molar_mass_g_mol * one.vector
            for one, share in zip(salts, shares, strict=True)
        ]
    )
    rows, wanted = balances_of(target)
    matrix = rows @ per_gram.T
    needed = volume_l * (wanted - rows @ base.vector)
    exact = choose(
        matrix,
        needed,
        per_gram,
        prefer=prefer,
        capacity=np.inf,
        rather_not=only_for_salts(target, per_gram),
    )
    if exact is None:
        names = [one.label for one in salts]
        raise shares_refusal(
            target,
            names,
            bottles=per_gram,
            base=base.vector,
            how="stirred in",
            volume=volume_l,
        ) or refusal(
            target,
            base,
            names,
            holds=matrix[:3],
            matrix=matrix[:3],
            needed=needed[:3],
            volume=volume_l,
        )
    for one, grams, share in zip(salts, exact, shares, strict=True):
        limit = solubility_limit_g_l(one)
        if limit is not None and grams * share / volume_l > limit:
            raise DosingError(
                f"{figure(grams / volume_l)} g/L of {one.label} is more than the "
                f"{figure(limit)} g/L that dissolve at 20 °C: use another salt.",
                field="salts",
            )
    rounded = np.array([to_step(grams, balance_g) for grams in exact])
    poured = base if named is None else named.poured(1000 * volume_l)
    check_shares(target, poured.vector + exact @ per_gram / volume_l)
    reached = Water.of_vector(poured.vector + rounded @ per_gram / volume_l)
    used = exact > 0
    # A balance reads the difference of two displays: one digit either way, not half.
    steps = np.full(int(used.sum()), 2 * balance_g)
    adds, read = matrix[:3, used], steps / 2
    if named is not None and named.is_blend:  # its part is rounded too
        step_ml = measured_step_ml(10 * volume_l * named.share_percent)
        adds = np.column_stack([adds, COORDINATES @ named.base.vector])
        read = np.append(read, step_ml / 1000)
    return TankMixing(
        target=target,
        portions=tuple(
            Portion(salt=one, mass_g=float(mass), exact_g=float(grams), purity=float(share))
            for one, mass, grams, share in zip(salts, rounded, exact, shares, strict=True)
        ),
        base=poured,
        start=named,
        volume_l=volume_l,
        balance_g=balance_g,
        reached=reached,
        rounding=rounding_bound(
            adds,
            read,
            finished=volume_l,
            wanted=wanted[:3],
            left=(needed - matrix @ exact)[:3],
            made_up=True,
        ),
        uncertainty=dosing_spread(
            matrix[:3, used],
            rounded[used],
            np.full(int(used.sum()), expanded(ASSAY_HALF_WIDTH_PERCENT) / 100),
            steps,
            finished=volume_l,
            reached=COORDINATES @ reached.vector,
            from_base=COORDINATES @ poured.vector,
        ),
    )
