"""Dosing: how much of each concentrate and of the base water makes a wanted water."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import DosingError
from labkit.shown import Shown
from labkit.water.bottles.concentrates import Concentrate
from labkit.water.bottles.shared import BottleSaturation, SharedBottle, clouding
from labkit.water.bottles.solubility import solution_density_kg_l
from labkit.water.bottles.weighing import to_step
from labkit.water.dosing.choosing import Preference, choose
from labkit.water.dosing.reach import largest_base_share, refusal
from labkit.water.dosing.shares import (
    COORDINATES,
    balances_of,
    check_shares,
    only_for_salts,
    shares_refusal,
)
from labkit.water.dosing.spread import Spread, dosing_spread, rounding_bound
from labkit.water.figures import measured_step_ml
from labkit.water.given import is_finite
from labkit.water.salts.ions import ALKALINITY_EQ
from labkit.water.start import PURE, StartWater
from labkit.water.supply import PureWater, Supply, as_water
from labkit.water.waters.targets import Target
from labkit.water.waters.water import PURE_WATER, Water

StockSolution = Concentrate | SharedBottle
"""What a dose can come from."""

Filling = Literal["made up to", "added to"]
"""Whether the volume is that of the finished water or that of the base water dosed on top."""

_MOST_TIMES_AS_STRONG = 1000.0
"""Up to how many times as strong a bottle is thought of, where it is too weak."""

BASE = "base water"
"""What a base that has no name is called."""

NOTABLE_STEP_PERCENT = 5.0
"""A pipette step above this share of its dose is worth a remark (%)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose:
    """How much of one concentrate goes into the jug."""

    concentrate: StockSolution
    """The bottle."""

    volume_ml: float
    """Dose, rounded to the pipette or the balance (mL)."""

    exact_ml: float
    """Dose before rounding (mL)."""

    @property
    def mass_g(self) -> float:
        """The rounded dose on a balance (g), at 20 °C."""
        return self.volume_ml * solution_density_kg_l(self.concentrate.vector)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixing(Shown):
    """What to pour together for one wanted water, and the water really reached."""

    target: Target
    """The water wanted."""

    doses: tuple[Dose, ...]
    """One for each concentrate at hand, in the order given; some may be 0 mL."""

    base: Water
    """The water the doses go into; of a blend, as its parts are measured."""

    base_ml: float
    """Base water to pour (mL)."""

    volume_ml: float
    """Volume of the finished water (mL)."""

    pipette_ml: float
    """Step to which the doses are rounded (mL)."""

    balance_g: float | None
    """Step to which the doses are rounded on a balance (g), if they are weighed."""

    filling: Filling
    """Whether the base fills up what the doses leave, or the doses come on top."""

    reached: Water
    """The water got from the rounded doses and the base as poured."""

    rounding: Spread
    """Largest difference between wanted and reached that rounding can make."""

    uncertainty: Spread
    """Expanded uncertainty (k = 2) of the water reached: strengths, pipette, base's analysis."""

    start: StartWater | None = None
    """The base under its name, with its parts where it is a blend; None if it has no name."""

    @property
    def base_parts(self) -> tuple[tuple[str, float], ...]:
        """The base water to pour, water by water: name and mL.

        Of a blend the base is measured; what comes last fills up.
        """
        if self.start is None:
            return ((BASE if self.base != PURE_WATER else PURE, self.base_ml),)
        return self.start.parts(self.base_ml)

    @property
    def mending_volume_ml(self) -> float | None:
        """Smallest volume with every dose told to 5 % by its tool (mL); None if this one will do.

        A dose grows with the volume, its tool's step does not.
        """
        step_ml = {dose.concentrate.name: self._step_ml(dose) for dose in self.coarse}
        worst = max(
            (100 * step_ml[dose.concentrate.name] / dose.exact_ml for dose in self.coarse),
            default=0.0,
        )
        if not worst:
            return None
        return math.ceil(self.volume_ml * worst / NOTABLE_STEP_PERCENT / 10 - 1e-9) * 10.0

    @property
    def volume_l(self) -> float:
        """Volume of the finished water (L), as of water from weighed salts."""
        return self.volume_ml / 1000

    @checked(DosingError)
    def step_percent(self, dose: Dose) -> float:
        """What one step of the pipette or the balance is of a dose (%); infinite if it is lost.

        Parameters
        ----------
        dose : Dose
            One of the doses of this water.
        """
        return 100 * self._step_ml(dose) / dose.volume_ml if dose.volume_ml else math.inf

    def _step_ml(self, dose: Dose) -> float:
        if self.balance_g is None:
            return self.pipette_ml
        return self.balance_g / solution_density_kg_l(dose.concentrate.vector)

    @property
    def coarse(self) -> tuple[Dose, ...]:
        """The doses that the pipette or the balance is too coarse for, or loses altogether."""
        return tuple(
            dose
            for dose in self.doses
            if dose.exact_ml and self.step_percent(dose) > NOTABLE_STEP_PERCENT
        )

    @property
    def clouding(self) -> tuple[BottleSaturation, ...]:
        """The minerals that may fall out of the jug on standing."""
        return clouding(self.reached.vector)

    @property
    def in_order(self) -> tuple[Dose, ...]:
        """The doses in the order of pouring: what is alkaline comes last."""
        poured = (dose for dose in self.doses if dose.volume_ml)
        return tuple(
            sorted(poured, key=lambda one: bool(ALKALINITY_EQ @ one.concentrate.vector > 0))
        )


@checked(DosingError, own_numbers=True)
def mix(
    target: Target,
    concentrates: Sequence[StockSolution],
    *,
    volume_ml: float = 1000.0,
    base: Water | Supply | PureWater | StartWater = PURE_WATER,
    pipette_ml: float = 0.1,
    balance_g: float | None = None,
    filling: Filling = "made up to",
    prefer: Preference = "few bottles",
) -> Mixing:
    """Doses that make a wanted water; the doses' own volume counts.

    Parameters
    ----------
    target : Target
        The water wanted.
    concentrates : sequence of Concentrate or SharedBottle
        The bottles at hand.
    volume_ml : float
        Volume of the finished water if it is made up, of the base water if dosed on top (mL).
    base : Water, Supply, PureWater or StartWater
        What the doses go into; under its name and with its parts if it is a StartWater.
    pipette_ml : float
        Step to which doses are rounded (mL).
    balance_g : float, optional
        Step to which doses are rounded on a balance (g), if they are weighed instead.
    filling : {"made up to", "added to"}
        Whether the base fills up what the doses leave, or the doses come on top of it.
    prefer : Preference
        What to keep small where the bottles leave more than one way.

    Raises
    ------
    DosingError
        If these bottles and this base cannot make that water, with what would help.

    Notes
    -----
    Made up to V: sum of d_i (c_i - b) = V (t - b). Added to V: sum of d_i (c_i - t) = V (t - b).
    Both are linear in the doses d, with c the bottles, b the base and t the target.
    """
    named = base if isinstance(base, StartWater) else None
    base = as_water(base)
    check_amounts(volume_ml=volume_ml, pipette_ml=pipette_ml)
    if balance_g is not None:
        check_amounts(balance_g=balance_g)
    if filling not in get_args(Filling):
        raise DosingError(
            f"filling must be 'made up to' or 'added to', got {filling!r}.", field="filling"
        )
    if not concentrates:
        raise DosingError(
            "concentrates must hold at least one bottle, got none. "
            "Keep one in the lab book first, under Bottles.",
            field="concentrates",
        )
    bottles = np.array([bottle.vector for bottle in concentrates])
    rows, wanted = balances_of(target)
    start = rows @ base.vector
    made_up = filling == "made up to"
    matrix = rows @ bottles.T - (start if made_up else wanted)[:, None]
    needed = volume_ml * (wanted - start)
    capacity = volume_ml if made_up else np.inf
    steps = np.array(
        [
            pipette_ml if balance_g is None else balance_g / solution_density_kg_l(vector)
            for vector in bottles
        ]
    )
    choice = _Choice(rather_not=only_for_salts(target, bottles), prefer=prefer)
    exact = choice.of(matrix, needed, bottles)
    # Stronger bottles do not help where they only push out a base that holds too much.
    too_weak = largest_base_share(target, base) == 1
    if exact is not None and exact.sum() > capacity and not too_weak:
        exact = None
    if exact is not None and exact.sum() > capacity:
        unlimited = float(exact.sum())
        room = capacity - 0.5 * float(steps.sum())  # so that rounding up does not spill
        exact = choice.of(matrix, needed, bottles, capacity=room)
        if exact is None or exact.sum() > capacity * (1 + 1e-9):
            raise DosingError(
                f"the doses for {target.text} take {unlimited:.0f} mL, more than the "
                f"{volume_ml:.0f} mL wanted: make the bottles at least "
                f"{math.ceil(10 * unlimited / volume_ml) / 10:.1f} times as strong."
            )
    if exact is None and not made_up and too_weak:
        stirred_in = rows @ bottles.T - start[:, None]
        share = choice.of(stirred_in, wanted - start, bottles)
        if share is not None:
            raise DosingError(
                f"the bottles are too weak to be poured on top: a litre of {target.text} would "
                f"take {1000 * share.sum():.0f} mL of them. Make them more than "
                f"{math.ceil(10 * share.sum()) / 10:.1f} times as strong."
            )
    if exact is None and too_weak:
        times = _strength_needed(
            rows, bottles, start if made_up else wanted, needed, choice, capacity=capacity
        )
        if times is not None:
            richer = "base water" if made_up else "water wanted"
            names = [bottle.name for bottle in concentrates]
            raise DosingError(
                f"{target.text} cannot be made from {', '.join(names)}: they "
                f"hold too little beside the {richer} and would thin it. Make them at least "
                f"{math.ceil(10 * times - 1e-9) / 10:.1f} times as strong."
            )
    if exact is None:
        names = [bottle.name for bottle in concentrates]
        raise shares_refusal(
            target,
            names,
            bottles=bottles,
            base=base.vector,
            how=filling,
            volume=volume_ml,
            capacity=capacity,
        ) or refusal(
            target,
            base,
            names,
            holds=COORDINATES @ bottles.T,
            matrix=matrix[:3],
            needed=needed[:3],
            volume=volume_ml,
        )
    rounded = np.array(
        [
            _rounded(bottle, amount, pipette_ml, balance_g)
            for bottle, amount in zip(concentrates, exact, strict=True)
        ]
    )
    base_ml = float(volume_ml)
    if made_up:
        base_ml = round(float(volume_ml - rounded.sum()), 9) + 0.0
    finished = float(base_ml + rounded.sum())
    if base_ml < 0:  # the doses all but fill the jug, and rounding up spills
        raise DosingError(
            f"the doses for {target.text} leave no room for base water: make the bottles stronger."
        )
    poured = base if named is None or not base_ml else named.poured(base_ml)
    check_shares(target, (exact @ bottles + base_ml * base.vector) / finished)
    reached = Water.of_vector((rounded @ bottles + base_ml * poured.vector) / finished)
    used = exact > 0
    adds, read = matrix[:3, used], steps[used]
    if named is not None and named.is_blend:  # its part is rounded too
        adds = np.column_stack([adds, COORDINATES @ named.base.vector])
        read = np.append(read, measured_step_ml(base_ml * named.share_percent / 100))
    strengths = np.array([bottle.uncertainty_percent / 100 for bottle in concentrates])[used]
    return Mixing(
        target=target,
        doses=tuple(
            Dose(concentrate=bottle, volume_ml=float(volume), exact_ml=float(amount))
            for bottle, volume, amount in zip(concentrates, rounded, exact, strict=True)
        ),
        base=poured,
        start=named,
        base_ml=base_ml,
        volume_ml=finished,
        pipette_ml=pipette_ml,
        balance_g=balance_g,
        filling=filling,
        reached=reached,
        rounding=rounding_bound(
            adds,
            read,
            finished=finished,
            wanted=wanted[:3],
            left=(needed - matrix @ exact)[:3],
            made_up=made_up,
        ),
        uncertainty=dosing_spread(
            (COORDINATES @ bottles.T)[:, used],
            rounded[used],
            strengths,
            steps[used],
            finished=finished,
            reached=COORDINATES @ reached.vector,
            from_base=COORDINATES @ poured.vector * base_ml / finished,
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    """How bottles are chosen for one water."""

    rather_not: NDArray[np.bool_]
    prefer: Preference

    def of(
        self,
        matrix: NDArray[np.float64],
        needed: NDArray[np.float64],
        bottles: NDArray[np.float64],
        *,
        capacity: float = np.inf,
    ) -> NDArray[np.float64] | None:
        return choose(
            matrix,
            needed,
            bottles,
            prefer=self.prefer,
            capacity=capacity,
            rather_not=self.rather_not,
        )


def _strength_needed(
    rows: NDArray[np.float64],
    bottles: NDArray[np.float64],
    displaced: NDArray[np.float64],
    needed: NDArray[np.float64],
    choice: _Choice,
    *,
    capacity: float,
) -> float | None:
    """How many times as strong the bottles must be; None if no strength makes that water."""

    def does(times: float) -> bool:
        matrix = times * (rows @ bottles.T) - displaced[:, None]
        doses = choice.of(matrix, needed, times * bottles)
        return doses is not None and bool(doses.sum() <= capacity)

    low, high = 1.0, _MOST_TIMES_AS_STRONG
    if not does(high):
        return None
    while high > 1.01 * low:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if does(middle) else (middle, high)
    return high


def check_amounts(**amounts: float) -> None:
    """Raise :class:`DosingError` unless every amount is above 0."""
    for field, value in amounts.items():
        if not (is_finite(value) and value > 0):
            raise DosingError(f"{field} must be above 0, got {value!r}.", field=field)


def _rounded(
    bottle: StockSolution, exact_ml: float, pipette_ml: float, balance_g: float | None
) -> float:
    if balance_g is None:
        return to_step(exact_ml, pipette_ml)
    density = solution_density_kg_l(bottle.vector)
    return to_step(exact_ml * density, balance_g) / density
