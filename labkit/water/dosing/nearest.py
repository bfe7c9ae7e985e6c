"""The nearest water that is within reach, and what differs when another salt is taken."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import DosingError, WaterError
from labkit.water.bottles.concentrates import Concentrate
from labkit.water.dosing.mixing import mix
from labkit.water.dosing.reach import largest_base_share
from labkit.water.dosing.shares import COORDINATES, nearest_shares
from labkit.water.salts.table import Salt
from labkit.water.start import StartWater
from labkit.water.units import CACO3_G_MOL, MG_L_CACO3_PER_MEQ
from labkit.water.waters.targets import Target
from labkit.water.waters.water import PURE_WATER, Water, blend

NOTABLE_MG_L: Final = 1.0
"""Ions that differ by less are not worth a word (mg/L)."""

_PARTNERS: Final = (("Cl", "SO4"), ("K", "Na"))
"""Ions that come with the salts and take each other's place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """What to aim at with the sources at hand, and what to start from."""

    wanted: Target
    """The water asked for."""

    target: Target
    """The water to make: the wanted one, or the nearest within reach."""

    base: Water
    """The water to start from, blended with pure water where it holds too much."""

    base_share: float
    """Share of the given base in it, the rest being pure water."""

    @property
    def is_exact(self) -> bool:
        """Whether the wanted water itself is within reach."""
        return self.target == self.wanted


@checked(DosingError)
def within_reach(
    target: Target,
    sources: Sequence[Concentrate | Salt],
    *,
    base: Water = PURE_WATER,
    most: float = 1.0,
    blend_with_pure: bool = True,
) -> Reach:
    """The wanted water if these sources make it, else the nearest one they make.

    Parameters
    ----------
    target : Target
        The water wanted.
    sources : sequence of Concentrate or Salt
        What may be added, in any amount; whether it dissolves and fits is for the dosing to say.
    base : Water
        What it goes into.
    most : float
        Share of it that is taken where it need not be thinned, the rest being pure water.
    blend_with_pure : bool
        Whether a base that holds too much may be thinned with pure water, by whole per cent: as
        little as reaches the wanted water, or else as comes nearest to it.

    Returns
    -------
    reach : Reach
        What to hand to :func:`labkit.water.mix` or :func:`labkit.water.weigh_out`.

    Raises
    ------
    DosingError
        If there is nothing to add.

    Notes
    -----
    Nearest in the sense of least squares over calcium, magnesium and alkalinity, all as mg/L
    CaCO3; then as near to the shares asked of its salts as that water allows.

    Examples
    --------
    >>> from labkit.water import salt
    >>> aim = Target(mg_share=0.25, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    >>> found = within_reach(aim, [salt("CaCl2·2H2O"), salt("KHCO3")])
    >>> found.target.text
    'Ca:Mg all Ca (Ca 60, Mg 0), hardness 60 and alkalinity 40 mg/L as CaCO3'
    """
    from scipy.optimize import nnls  # loaded when first used: it is slow to load

    if not sources:
        raise DosingError(
            "sources must hold at least one salt or bottle, got none. Tick one.", field="sources"
        )
    weight = np.array([CACO3_G_MOL, CACO3_G_MOL, MG_L_CACO3_PER_MEQ])
    wanted = weight * np.array(
        [target.calcium_mmol_l, target.magnesium_mmol_l, target.alkalinity_meq_l]
    )

    def nearest_from(start: Water) -> NDArray[np.float64]:
        """Calcium, magnesium and alkalinity (mg/L as CaCO3) of the nearest water from a base."""
        # A concentrate takes the place of as much base; a salt takes none.
        vectors = [
            one.vector - start.vector if isinstance(one, Concentrate) else one.vector
            for one in sources
        ]
        adds = weight[:, None] * (COORDINATES @ np.array(vectors).T)
        held = weight * (COORDINATES @ start.vector)
        size = np.maximum(np.abs(adds).max(axis=0), 1e-30)
        return np.asarray(held + adds @ (nnls(adds / size, wanted - held)[0] / size))

    def with_shares(near: Target, start: Water) -> Target:
        """The nearest water, its salts as near to what is asked of them."""
        bottled = all(isinstance(one, Concentrate) for one in sources)
        return nearest_shares(
            near,
            bottles=np.array([one.vector for one in sources]),
            base=start.vector,
            how="made up to" if bottled else "stirred in",
        )

    room = 1e-6 * max(1.0, float(np.abs(wanted).max()))
    share = most
    if blend_with_pure:
        bears = largest_base_share(target, base)
        share = most if bears >= most else math.floor(100 * bears + 1e-9) / 100
    start = _thinned(base, share)
    got = nearest_from(start)
    if np.all(np.abs(got - wanted) <= room):
        return Reach(wanted=target, target=with_shares(target, start), base=start, base_share=share)
    if blend_with_pure and base != PURE_WATER:
        # Out of reach where the base holds nothing too much of: a little too much may lie nearer.
        whole = range(math.ceil(100 * most - 1e-9) - 1, -1, -1)
        every = [most, *(percent_of_base / 100 for percent_of_base in whole)]
        away = [float(np.linalg.norm(nearest_from(_thinned(base, one)) - wanted)) for one in every]
        share = next(one for one, far in zip(every, away, strict=True) if far <= min(away) + room)
        start = _thinned(base, share)
        got = nearest_from(start)
    calcium, magnesium, alkalinity = (max(0.0, float(one)) for one in got)
    near = Target(
        mg_share=magnesium / (calcium + magnesium) if calcium + magnesium else 0.0,
        hardness_mg_l_caco3=calcium + magnesium,
        alkalinity_mg_l_caco3=alkalinity,
        **target.salt_shares,
    )
    return Reach(wanted=target, target=with_shares(near, start), base=start, base_share=share)


@checked(DosingError)
def thinned_for(
    targets: Sequence[Target], sources: Sequence[Concentrate], *, start: StartWater
) -> StartWater | None:
    """As much of a base water as all of these waters bear, the rest pure water, by whole per cent.

    Parameters
    ----------
    targets : sequence of Target
        The waters wanted.
    sources : sequence of Concentrate
        The bottles.
    start : StartWater
        The base; its share is the most that is taken.

    Returns
    -------
    StartWater or None
        Pure water where they bear none of it; None if these bottles do not make them even so.

    Examples
    --------
    >>> from labkit.water import salt
    >>> tap = StartWater(name="tap", base=Water.of_ions({"Ca": 1.0, "HCO3": 1.0, "Cl": 1.0}))
    >>> bottles = [Concentrate.of_strength(salt=salt(one)) for one in ("MgCl2·6H2O", "KHCO3",
    ...            "CaCl2·2H2O")]
    >>> aim = Target(mg_share=0.7, hardness_mg_l_caco3=100.086, alkalinity_mg_l_caco3=40)
    >>> thinned_for([aim], bottles, start=tap).text
    '30 % tap + 70 % pure water'
    """
    if not targets or not sources:
        return None
    share = min(largest_base_share(target, start.base) for target in targets)
    most = min(math.floor(100 * share + 1e-9), math.floor(start.share_percent))
    for percent in range(most, -1, -1):
        one = replace(start, share_percent=percent) if percent else StartWater()
        if all(_is_made(target, sources, one) for target in targets):
            return one
    return None


def _is_made(target: Target, sources: Sequence[Concentrate], start: StartWater) -> bool:
    try:
        mix(target, sources, base=start)
    except DosingError:
        return False
    return True


def _thinned(base: Water, share: float) -> Water:
    return base if share == 1 else blend([(base, share), (PURE_WATER, 1 - share)])


@dataclass(frozen=True, slots=True, kw_only=True)
class IonChange:
    """One ion of which there is more or less in another water."""

    symbol: str
    """Which ion."""

    before_mg_l: float
    """In the water tasted (mg/L)."""

    after_mg_l: float
    """In the water made (mg/L)."""

    instead_of: IonChange | None = None
    """The ion whose place it takes, of which there is less."""


@checked(WaterError)
def differences(tasted: Water, made: Water) -> tuple[IonChange, ...]:
    """What else differs between a water tasted and one made from other salts.

    Parameters
    ----------
    tasted : Water
        The water that was tasted.
    made : Water
        The water on the card.

    Returns
    -------
    changes : tuple of IonChange
        Ions that differ by :data:`NOTABLE_MG_L` or more, first those that take another's place.
    """
    before, after = tasted.ions_mg_l, made.ions_mg_l
    changes = {
        symbol: IonChange(
            symbol=symbol,
            before_mg_l=before.get(symbol, 0.0),
            after_mg_l=after.get(symbol, 0.0),
        )
        for symbol in sorted({*before, *after})
    }
    by = {one.symbol: one.after_mg_l - one.before_mg_l for one in changes.values()}
    by = {symbol: amount for symbol, amount in by.items() if abs(amount) >= NOTABLE_MG_L}
    found = []
    for pair in _PARTNERS:
        lost, won = sorted(pair, key=lambda symbol: by.get(symbol, 0.0))
        if by.get(lost, 0.0) < 0 < by.get(won, 0.0):
            found.append(replace(changes[won], instead_of=changes[lost]))
            del by[lost], by[won]
    return (*found, *(changes[symbol] for symbol in by))
