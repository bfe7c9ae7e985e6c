"""What a water's salts are asked for, as balances beside hardness and alkalinity.

A share of sulfate s means (1 - s) 2 [SO4] - s [Cl] = 0 in the finished water, whatever else is in
it, and a share of potassium likewise: rows that are linear in the doses, as the coordinates are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from labkit.errors import DosingError
from labkit.water.bottles.concentrates import Concentrate
from labkit.water.bottles.shared import SharedBottle
from labkit.water.coordinates import SALT_SHARE
from labkit.water.salts.ions import ALKALINITY_EQ, INDEX, IONS
from labkit.water.salts.table import Salt
from labkit.water.waters.targets import Target, share_text

COORDINATES = np.zeros((3, len(IONS)))
"""Turns ions (mmol/L) into calcium, magnesium (mmol/L) and alkalinity (meq/L)."""
COORDINATES[0, INDEX["Ca"]] = 1.0
COORDINATES[1, INDEX["Mg"]] = 1.0
COORDINATES[2] = ALKALINITY_EQ
COORDINATES.flags.writeable = False

Pouring = Literal["made up to", "added to", "stirred in"]
"""How a source goes into the base."""

_PAIRS: Final = {
    "sulfate_share": (("SO4", 2.0), ("Cl", 1.0)),
    "potassium_share": (("K", 1.0), ("Na", 1.0)),
}
"""The ions of each share, the one it is of first, with their charges."""

_BRINGS: Final = {
    "sulfate_share": {
        "SO4": {"Ca": "CaSO4·2H2O (2.5 g/L dissolve at most)", "Mg": "MgSO4·7H2O"},
        "Cl": {"Ca": "CaCl2·2H2O", "Mg": "MgCl2·6H2O"},
    },
    "potassium_share": {"K": {"HCO3": "KHCO3"}, "Na": {"HCO3": "NaHCO3"}},
}
"""Which salt brings an ion together with what the water wants."""

_TRACE: Final = 1e-9


def balances_of(target: Target) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What a water has to meet: rows over the ions, and what each must come to.

    Parameters
    ----------
    target : Target
        The water wanted.

    Returns
    -------
    rows : ndarray, shape (3 + n_shares, n_ions)
        Calcium, magnesium (mmol/L), alkalinity (meq/L), then the shares asked for (meq/L).
    wanted : ndarray, shape (3 + n_shares,)
        In the same; 0 for a share.
    """
    shares = target.salt_shares
    wanted = [target.calcium_mmol_l, target.magnesium_mmol_l, target.alkalinity_meq_l]
    rows = [_row(name, share) for name, share in shares.items()]
    return np.vstack([COORDINATES, *rows]), np.array([*wanted, *[0.0] * len(rows)])


def only_for_salts(target: Target, ions: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Sources to do without where the others suffice, as sodium or chloride come with them.

    Parameters
    ----------
    target : Target
        The water wanted.
    ions : ndarray, shape (n, n_ions)
        Ions of each source.

    Returns
    -------
    ndarray of bool, shape (n,)
        Those that add neither hardness nor alkalinity; none where no share is asked for.
    """
    if not target.salt_shares:
        return np.zeros(len(ions), dtype=bool)
    return np.asarray(~np.any(ions @ COORDINATES.T != 0, axis=1))


def open_shares(sources: Iterable[Concentrate | SharedBottle | Salt]) -> tuple[str, ...]:
    """The shares of the salts that these sources leave open, as they hold both ions of the pair.

    Parameters
    ----------
    sources : iterable of Concentrate, SharedBottle or Salt
        Bottles or salts at hand.

    Returns
    -------
    tuple of str
        Of the names in ``SALT_SHARES``.
    """
    held = {ion for source in sources for ion, x in zip(IONS, source.vector, strict=True) if x > 0}
    return tuple(name for name, pair in _PAIRS.items() if held >= {ion for ion, _ in pair})


def check_shares(target: Target, reached: NDArray[np.float64]) -> None:
    """Refuse a share of nothing: a water that holds neither of the two ions.

    Raises
    ------
    DosingError
        If the finished water has no such ions.
    """
    for name in target.salt_shares:
        (one, _), (other, _) = _PAIRS[name]
        if reached[INDEX[one]] + reached[INDEX[other]] <= _TRACE:
            words = {"SO4": "chloride nor sulfate", "K": "sodium nor potassium"}[one]
            raise DosingError(
                f"{name} cannot be asked of {target.text}: it holds neither {words}. Leave it out.",
                field=name,
            )


def nearest_shares(
    target: Target,
    *,
    bottles: NDArray[np.float64],
    base: NDArray[np.float64],
    how: Pouring,
) -> Target:
    """The same water with shares of its salts that these sources reach, one after the other.

    Parameters
    ----------
    target : Target
        The water wanted; its hardness and alkalinity are within reach.
    bottles : ndarray, shape (n, n_ions)
        Ions in a unit of each source.
    base : ndarray, shape (n_ions,)
        Ions of the base (mmol/L).
    how : {"made up to", "added to", "stirred in"}
        Whether a source takes the place of as much base, adds to its volume, or has none.
    """
    held: dict[str, float] = {}
    for name, share in target.salt_shares.items():
        ends = _reach(name, held, target, bottles, base, how, 1.0, math.inf)
        if ends is not None:
            low, high = ends
            if not low - 1e-6 <= share <= high + 1e-6:
                share = low if share < low else high
            held[name] = share
    return Target(
        mg_share=target.mg_share,
        hardness_mg_l_caco3=target.hardness_mg_l_caco3,
        alkalinity_mg_l_caco3=target.alkalinity_mg_l_caco3,
        **held,
    )


def shares_refusal(
    target: Target,
    names: Sequence[str],
    *,
    bottles: NDArray[np.float64],
    base: NDArray[np.float64],
    how: Pouring,
    volume: float,
    capacity: float = math.inf,
) -> DosingError | None:
    """The error for a water whose salts are out of reach; None if it is not for its salts.

    Parameters
    ----------
    target : Target
        The water wanted.
    names : sequence of str
        What the sources are called.
    bottles : ndarray, shape (n, n_ions)
        Ions in a unit of each source.
    base : ndarray, shape (n_ions,)
        Ions of the base (mmol/L).
    how : {"made up to", "added to", "stirred in"}
        Whether a source takes the place of as much base, adds to its volume, or has none.
    volume : float
        Finished volume where a source takes the base's place, else the base's.
    capacity : float
        Most of all sources together.
    """
    asked = target.salt_shares
    for name, share in asked.items():
        others = {other: at for other, at in asked.items() if other != name}
        for held in (others, {}) if others else ({},):
            ends = _reach(name, held, target, bottles, base, how, volume, capacity)
            if ends is not None:
                break
        if ends is None:
            continue
        low, high = ends
        if low - 1e-6 <= share <= high + 1e-6:
            continue
        up = share > high
        end = math.floor(100 * high + 1e-6) / 100 if up else math.ceil(100 * low - 1e-6) / 100
        (first, _), (second, _) = _PAIRS[name]
        wanted = first if up else second
        makes = {"Ca": target.calcium_mmol_l, "Mg": target.magnesium_mmol_l}
        makes["HCO3"] = target.alkalinity_meq_l
        # A source that brings the ion with what the water wants is there already if one has both.
        lacking = [
            salt
            for partner, salt in _BRINGS[name][wanted].items()
            if makes[partner] > 0 and not _has(bottles, wanted, partner, first, second)
        ]
        bring = f", or add a bottle of {' and of '.join(lacking)}" if lacking else ""
        comes = base[INDEX[second if up else first]] > 0
        thin = ", or start from pure water" if comes else ""
        reach = (
            f"the {SALT_SHARE[name].words} they reach is {SALT_SHARE[name].state(end)}"
            if high - low < 0.005
            else f"the {SALT_SHARE[name].words} they reach is {low:.2f} to {high:.2f}"
        )
        return DosingError(
            f"{target.text} cannot be made from {', '.join(names)}"
            f"{' and this base water' if base.any() else ''}: {reach} at this hardness and "
            f"alkalinity. Ask for {share_text(name, end)} ({end:.2f}){bring}{thin}.",
            field=name,
        )
    return None


def _row(name: str, share: float) -> NDArray[np.float64]:
    (one, one_charge), (other, other_charge) = _PAIRS[name]
    row = np.zeros(len(IONS))
    row[INDEX[one]], row[INDEX[other]] = (1 - share) * one_charge, -share * other_charge
    return row


def _has(bottles: NDArray[np.float64], ion: str, partner: str, first: str, second: str) -> bool:
    """Whether a source brings this ion of the pair, and none of the other, with its partner."""
    other = second if ion == first else first
    both = (bottles[:, INDEX[ion]] > 0) & (bottles[:, INDEX[partner]] > 0)
    return bool(np.any(both & (bottles[:, INDEX[other]] == 0)))


def _reach(
    name: str,
    held: dict[str, float],
    target: Target,
    bottles: NDArray[np.float64],
    base: NDArray[np.float64],
    how: Pouring,
    volume: float,
    capacity: float,
) -> tuple[float, float] | None:
    """Lowest and highest share that these sources give the water; None if they do not make it.

    A ratio of two sums that are linear in the doses: a linear programme once doses are divided by
    the lower sum (Charnes, A. and Cooper, W. W. (1962), Nav. Res. Logist. Q. 9, 181-186).
    """
    from scipy.optimize import linprog  # loaded when first used: it is slow to load

    rows = np.vstack([COORDINATES, *(_row(other, share) for other, share in held.items())])
    wanted = np.array([target.calcium_mmol_l, target.magnesium_mmol_l, target.alkalinity_meq_l])
    wanted = np.append(wanted, np.zeros(len(held)))
    # Poured on top, every dose also makes the water that has to reach these levels larger.
    lost = {"made up to": rows @ base, "added to": wanted, "stirred in": 0 * wanted}[how]
    adds = rows @ bottles.T - lost[:, None]
    needed = volume * (wanted - rows @ base)
    (one, one_charge), (other, other_charge) = _PAIRS[name]
    part, rest = np.zeros(len(IONS)), np.zeros(len(IONS))
    part[INDEX[one]], rest[INDEX[other]] = one_charge, other_charge
    brought = bottles - base if how == "made up to" else bottles
    top = np.append(brought @ part, volume * (base @ part))
    whole = np.append(brought @ (part + rest), volume * (base @ (part + rest)))
    size = np.append(1 / np.maximum(np.abs(bottles).max(axis=1), 1e-30), 1 / volume)
    equal = np.vstack([np.column_stack([adds, -needed]), whole]) * size
    goals = np.append(np.zeros(len(rows)), 1.0)
    room = {}
    if math.isfinite(capacity):
        room = {"A_ub": (np.append(np.ones(len(bottles)), -capacity) * size)[None], "b_ub": [0.0]}
    ends = []
    for sign in (1, -1):
        found = linprog(sign * top * size, A_eq=equal, b_eq=goals, bounds=(0, None), **room)
        if not found.success:
            return None
        ends.append(float(np.clip(sign * found.fun, 0, 1)))
    return ends[0], ends[1]
