"""A day's waters in one go: every jug from the same bottles, in one order with least rinsing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from labkit.boundary import checked
from labkit.errors import DosingError
from labkit.shown import Shown
from labkit.water.dosing.mixing import Dose, Mixing, StockSolution, mix
from labkit.water.salts.ions import ALKALINITY_EQ
from labkit.water.waters.targets import Target


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """One bottle, dosed into jug after jug before the pipette is rinsed."""

    bottle: StockSolution
    """The bottle."""

    doses: tuple[tuple[str, Dose], ...]
    """Name of each jug and its dose, the smallest first."""

    @property
    def total_ml(self) -> float:
        """What the round takes of the bottle (mL)."""
        return round(sum(dose.volume_ml for _, dose in self.doses), 9)


@dataclass(frozen=True, slots=True, kw_only=True)
class DayBatch(Shown):
    """Several waters to mix together."""

    jugs: Mapping[str, Mixing]
    """Name -> how it is mixed."""

    rounds: tuple[Round, ...]
    """The bottles in the order of pouring: those with alkalinity last, as at a single jug."""

    @property
    def rinses(self) -> int:
        """How often the pipette is rinsed between bottles: fewer is not possible."""
        return max(0, len(self.rounds) - 1)

    @property
    def base_parts(self) -> tuple[tuple[str, float], ...]:
        """Base waters to have at hand for all jugs: name and mL."""
        sums: dict[str, float] = {}
        for mixing in self.jugs.values():
            for name, volume_ml in mixing.base_parts:
                sums[name] = sums.get(name, 0.0) + volume_ml
        return tuple((name, round(volume_ml, 9)) for name, volume_ml in sums.items())


@checked(DosingError)
def mix_batch(
    waters: Mapping[str, tuple[Target, float]],
    concentrates: tuple[StockSolution, ...],
    **how: Any,
) -> DayBatch:
    """How to mix several waters together, bottle after bottle instead of jug after jug.

    Parameters
    ----------
    waters : mapping of str to (Target, float)
        Name of each jug or tank -> its water, and its finished volume (mL).
    concentrates : tuple of Concentrate or SharedBottle
        The bottles at hand.
    **how : Any
        Base, pipette or balance, filling and preference, as :func:`labkit.water.mix` takes them.

    Returns
    -------
    DayBatch
        Each jug as :func:`labkit.water.mix` makes it alone, in one order of pouring.

    Raises
    ------
    DosingError
        If there is no water, or one of them cannot be made.

    Examples
    --------
    >>> from labkit.water import Concentrate, salt
    >>> bottles = tuple(Concentrate.of_strength(salt=salt(one)) for one in ("KHCO3", "MgCl2·6H2O"))
    >>> soft = Target(mg_share=1, hardness_mg_l_caco3=40, alkalinity_mg_l_caco3=20)
    >>> hard = Target(mg_share=1, hardness_mg_l_caco3=90, alkalinity_mg_l_caco3=20)
    >>> day = mix_batch({"filter": (hard, 5000), "espresso": (soft, 2000)}, bottles)
    >>> [(one.bottle.name, [name for name, _ in one.doses], one.total_ml) for one in day.rounds]
    [('MgCl2·6H2O', ['espresso', 'filter'], 530.0), ('KHCO3', ['espresso', 'filter'], 140.0)]
    """
    if not waters:
        raise DosingError(
            "waters must hold at least one water, got none. Name a jug and its water.",
            field="waters",
        )
    jugs = {
        name: mix(target, concentrates, volume_ml=volume_ml, **how)
        for name, (target, volume_ml) in waters.items()
    }
    rounds = []
    for place, bottle in enumerate(concentrates):
        doses = [(name, mixing.doses[place]) for name, mixing in jugs.items()]
        poured = sorted(
            (one for one in doses if one[1].volume_ml), key=lambda one: one[1].volume_ml
        )
        if poured:
            rounds.append(Round(bottle=bottle, doses=tuple(poured)))
    rounds.sort(key=lambda one: bool(ALKALINITY_EQ @ one.bottle.vector > 0))
    return DayBatch(jugs=jugs, rounds=tuple(rounds))
