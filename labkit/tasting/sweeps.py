"""Sweeps: sets of waters that vary one or two factors and hold the rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Final, Literal

import numpy as np
import pandas as pd

from labkit.boundary import checked
from labkit.errors import DosingError, SweepError
from labkit.shown import Shown
from labkit.tasting.factors import Factor
from labkit.water import (
    COORDINATE,
    COORDINATES,
    PURE_WATER,
    SALT_SHARE,
    Concentrate,
    Mixing,
    StartWater,
    Target,
    Water,
    largest_base_share,
    mix,
)

_TRIED: Final = 41
"""Levels tried between the ends of a sweep for how far it can go."""

Kind = Literal[
    "ratio sweep",
    "hardness dial",
    "alkalinity dial",
    "ratio x hardness grid",
    "anion sweep",
    "cation sweep",
]


@checked(SweepError)
@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep(Shown):
    """Waters to taste, with what is varied and what is held."""

    kind: Kind
    """Which question the sweep asks."""

    targets: tuple[Target, ...]
    """The waters, in rising order of what is varied."""

    varied: tuple[Factor, ...]
    """The factors varied, over the range of this sweep."""

    held: Mapping[str, float]
    """The other coordinates, and shares of the salts where asked for, at their one level."""

    def holding(
        self, *, sulfate_share: float | None = None, potassium_share: float | None = None
    ) -> Sweep:
        """The same sweep with a share of the salts held, whichever bottles there are.

        Parameters
        ----------
        sulfate_share, potassium_share : float, optional
            By charge, 0 to 1; what the bottles give unless it is said.

        Examples
        --------
        >>> sweep = ratio_sweep((0, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
        >>> [one.salts_text for one in sweep.holding(sulfate_share=0).targets]
        ['all chloride', 'all chloride']
        """
        given = {"sulfate_share": sulfate_share, "potassium_share": potassium_share}
        shares: dict[str, Any] = {name: one for name, one in given.items() if one is not None}
        return replace(
            self,
            targets=tuple(replace(target, **shares) for target in self.targets),
            held=MappingProxyType({**self.held, **shares}),
        )

    def to_frame(self) -> pd.DataFrame:
        """One row a water: its number, the three coordinates, Ca:Mg in words, shares asked for."""
        rows = [
            {name: getattr(target, name) for name in COORDINATES}
            | {"ca_mg_ratio": target.ca_mg_ratio_text}
            | target.salt_shares
            for target in self.targets
        ]
        return pd.DataFrame(rows, index=pd.RangeIndex(1, len(rows) + 1, name="water"))


@checked(SweepError)
def ratio_sweep(
    mg_shares: Sequence[float] = (0, 0.25, 0.5, 0.75, 1),
    *,
    hardness_mg_l_caco3: float,
    alkalinity_mg_l_caco3: float,
) -> Sweep:
    """Waters from calcium to magnesium at one hardness and one alkalinity.

    Parameters
    ----------
    mg_shares : sequence of float
        Magnesium's shares of hardness to try, each between 0 and 1.
    hardness_mg_l_caco3, alkalinity_mg_l_caco3 : float
        What all waters have (mg/L as CaCO3).

    Raises
    ------
    SweepError
        If fewer than two levels are given, one twice, or one that no water has.
    """
    return _sweep(
        "ratio sweep",
        {"mg_share": mg_shares},
        hardness_mg_l_caco3=hardness_mg_l_caco3,
        alkalinity_mg_l_caco3=alkalinity_mg_l_caco3,
    )


@checked(SweepError)
def hardness_dial(
    hardnesses_mg_l_caco3: Sequence[float],
    *,
    mg_share: float,
    alkalinity_mg_l_caco3: float,
) -> Sweep:
    """Waters of rising hardness at one ratio, such as the one a ratio sweep chose.

    Parameters
    ----------
    hardnesses_mg_l_caco3 : sequence of float
        General hardnesses to try (mg/L as CaCO3).
    mg_share : float
        Magnesium's share of hardness in all waters, between 0 and 1.
    alkalinity_mg_l_caco3 : float
        What all waters have (mg/L as CaCO3).

    Raises
    ------
    SweepError
        As for :func:`ratio_sweep`.
    """
    return _sweep(
        "hardness dial",
        {"hardness_mg_l_caco3": hardnesses_mg_l_caco3},
        mg_share=mg_share,
        alkalinity_mg_l_caco3=alkalinity_mg_l_caco3,
    )


@checked(SweepError)
def alkalinity_dial(
    alkalinities_mg_l_caco3: Sequence[float],
    *,
    mg_share: float,
    hardness_mg_l_caco3: float,
) -> Sweep:
    """Waters of rising alkalinity at one ratio and one hardness.

    Parameters
    ----------
    alkalinities_mg_l_caco3 : sequence of float
        Alkalinities to try (mg/L as CaCO3).
    mg_share : float
        Magnesium's share of hardness in all waters, between 0 and 1.
    hardness_mg_l_caco3 : float
        General hardness of all waters (mg/L as CaCO3).

    Raises
    ------
    SweepError
        As for :func:`ratio_sweep`.
    """
    return _sweep(
        "alkalinity dial",
        {"alkalinity_mg_l_caco3": alkalinities_mg_l_caco3},
        mg_share=mg_share,
        hardness_mg_l_caco3=hardness_mg_l_caco3,
    )


@checked(SweepError)
def ratio_hardness_grid(
    mg_shares: Sequence[float],
    hardnesses_mg_l_caco3: Sequence[float],
    *,
    alkalinity_mg_l_caco3: float,
) -> Sweep:
    """Every ratio at every hardness, so that the two can be seen to act together.

    Parameters
    ----------
    mg_shares : sequence of float
        Magnesium's shares of hardness to try, each between 0 and 1.
    hardnesses_mg_l_caco3 : sequence of float
        General hardnesses to try (mg/L as CaCO3).
    alkalinity_mg_l_caco3 : float
        What all waters have (mg/L as CaCO3).

    Raises
    ------
    SweepError
        As for :func:`ratio_sweep`.
    """
    return _sweep(
        "ratio x hardness grid",
        {"mg_share": mg_shares, "hardness_mg_l_caco3": hardnesses_mg_l_caco3},
        alkalinity_mg_l_caco3=alkalinity_mg_l_caco3,
    )


@checked(SweepError)
def anion_sweep(
    sulfate_shares: Sequence[float] = (0, 0.5, 1),
    *,
    mg_share: float,
    hardness_mg_l_caco3: float,
    alkalinity_mg_l_caco3: float,
    potassium_share: float | None = None,
) -> Sweep:
    """Waters from chloride to sulfate, of the same calcium, magnesium and alkalinity.

    Parameters
    ----------
    sulfate_shares : sequence of float
        Sulfate's shares of chloride and sulfate to try, by charge, each between 0 and 1.
    mg_share : float
        Magnesium's share of hardness in all waters, between 0 and 1.
    hardness_mg_l_caco3, alkalinity_mg_l_caco3 : float
        What all waters have (mg/L as CaCO3).
    potassium_share : float, optional
        Potassium's share of sodium and potassium in all waters, by charge; what the bottles give
        unless it is said.

    Raises
    ------
    SweepError
        As for :func:`ratio_sweep`.

    Examples
    --------
    >>> sweep = anion_sweep(mg_share=0.5, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    >>> [target.salts_text for target in sweep.targets]
    ['all chloride', '50 % sulfate', 'all sulfate']
    """
    return _sweep(
        "anion sweep",
        {"sulfate_share": sulfate_shares},
        mg_share=mg_share,
        hardness_mg_l_caco3=hardness_mg_l_caco3,
        alkalinity_mg_l_caco3=alkalinity_mg_l_caco3,
        **({} if potassium_share is None else {"potassium_share": potassium_share}),
    )


@checked(SweepError)
def cation_sweep(
    potassium_shares: Sequence[float] = (0, 0.5, 1),
    *,
    mg_share: float,
    hardness_mg_l_caco3: float,
    alkalinity_mg_l_caco3: float,
    sulfate_share: float | None = None,
) -> Sweep:
    """Waters from sodium to potassium, of the same calcium, magnesium and alkalinity.

    Parameters
    ----------
    potassium_shares : sequence of float
        Potassium's shares of sodium and potassium to try, by charge, each between 0 and 1.
    mg_share : float
        Magnesium's share of hardness in all waters, between 0 and 1.
    hardness_mg_l_caco3, alkalinity_mg_l_caco3 : float
        What all waters have (mg/L as CaCO3).
    sulfate_share : float, optional
        Sulfate's share of chloride and sulfate in all waters, by charge; what the bottles give
        unless it is said.

    Raises
    ------
    SweepError
        As for :func:`ratio_sweep`.
    """
    return _sweep(
        "cation sweep",
        {"potassium_share": potassium_shares},
        mg_share=mg_share,
        hardness_mg_l_caco3=hardness_mg_l_caco3,
        alkalinity_mg_l_caco3=alkalinity_mg_l_caco3,
        **({} if sulfate_share is None else {"sulfate_share": sulfate_share}),
    )


@checked(SweepError)
def check_reachable(
    sweep: Sweep,
    concentrates: Sequence[Concentrate],
    *,
    volume_ml: float = 1000.0,
    base: Water | StartWater = PURE_WATER,
    pipette_ml: float = 0.1,
) -> tuple[Mixing, ...]:
    """How each water of a sweep is mixed.

    Parameters
    ----------
    sweep : Sweep
        The waters to try.
    concentrates : sequence of Concentrate
        The bottles at hand.
    volume_ml : float
        Finished volume of each water (mL).
    base : Water or StartWater
        What the doses go into.
    pipette_ml : float
        Step to which doses are rounded (mL).

    Returns
    -------
    tuple of Mixing
        One for each target, in the same order.

    Raises
    ------
    SweepError
        If a water cannot be made, naming all that cannot, and why the farthest from it cannot.
    """
    if not concentrates:
        raise SweepError(
            "waters need at least one bottle to be made from, got none. "
            "Make and keep bottles first, under Bottles.",
            field="concentrates",
        )
    mixings: list[Mixing] = []
    refused: list[tuple[Target, DosingError]] = []
    for target in sweep.targets:
        try:
            mixings.append(
                mix(target, concentrates, volume_ml=volume_ml, base=base, pipette_ml=pipette_ml)
            )
        except DosingError as error:
            refused.append((target, error))
    if refused:
        of_salts = sweep.varied[0].name in SALT_SHARE  # the rest is the same in all of them
        named = "; ".join(target.salts_text if of_salts else target.text for target, _ in refused)
        # The remedy that serves them all: the water that bears the least of this base.
        start = base.base if isinstance(base, StartWater) else base
        _, worst = min(refused, key=lambda one: largest_base_share(one[0], start))
        raise SweepError(
            f"{len(refused)} of the {len(sweep.targets)} waters of this {sweep.kind} cannot be "
            f"made ({named}), because {worst}"
        ) from worst
    return tuple(mixings)


@checked(SweepError)
def nearest_sweep(
    sweep: Sweep, concentrates: Sequence[Concentrate], *, base: Water = PURE_WATER
) -> Sweep | None:
    """The sweep with as many levels over as much of its range as these bottles and base reach.

    What is varied first is narrowed, and spread evenly where an end is out of reach; the rest
    stays as it is.

    Parameters
    ----------
    sweep : Sweep
        The waters to try.
    concentrates : sequence of Concentrate
        The bottles at hand.
    base : Water
        What the doses go into.

    Returns
    -------
    Sweep or None
        The sweep itself where all of it is within reach; None where no range of it is.
    """

    def is_reached(target: Target) -> bool:
        if largest_base_share(target, base) < 1:
            return False
        try:
            mix(target, concentrates, base=base)
        except DosingError:
            return False
        return True

    if all(map(is_reached, sweep.targets)):
        return sweep
    first = sweep.varied[0]
    levels = sorted({getattr(target, first.name) for target in sweep.targets})
    digits = (COORDINATE.get(first.name) or SALT_SHARE[first.name]).digits
    tried = sorted({*levels, *np.round(np.linspace(first.low, first.high, _TRIED), digits)})
    rows = list(dict.fromkeys(replace(one, **{first.name: levels[0]}) for one in sweep.targets))
    held = [
        level
        for level in map(float, tried)
        if all(is_reached(replace(row, **{first.name: level})) for row in rows)
    ]
    if len(held) < 2:
        return None
    spread = np.round(np.linspace(held[0], held[-1], len(levels)), digits)
    kept = [float(level) for level in dict.fromkeys(spread.tolist())]
    if len(kept) < 2:
        return None
    return Sweep(
        kind=sweep.kind,
        targets=tuple(replace(row, **{first.name: level}) for row in rows for level in kept),
        varied=(Factor(name=first.name, low=kept[0], high=kept[-1]), *sweep.varied[1:]),
        held=sweep.held,
    )


def _sweep(kind: Kind, levels: Mapping[str, Sequence[float]], **held: float) -> Sweep:
    """All combinations of the levels, the rest held."""
    waters: list[dict[str, float]] = [dict(held)]
    factors = []
    for name, given in levels.items():
        rising = sorted(float(level) for level in given)
        if len(rising) < 2 or len(set(rising)) < len(rising):
            raise SweepError(
                f"{name} must have two levels or more, each once, got "
                f"{', '.join(f'{level:g}' for level in rising) or 'none'}. "
                "A level to be tasted twice is asked for as a duplicate in the plan.",
                field=name,
            )
        factors.append(Factor(name=name, low=rising[0], high=rising[-1]))
        waters = [water | {name: level} for water in waters for level in rising]
    return Sweep(
        kind=kind,
        targets=tuple(Target(**water) for water in waters),
        varied=tuple(factors),
        held=MappingProxyType(dict(held)),
    )
