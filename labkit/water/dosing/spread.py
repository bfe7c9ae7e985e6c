"""How far a mixed water can lie from the one wanted: rounding, and what is not known exactly."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.water.uncertainty import ANALYSIS_HALF_WIDTH_PERCENT, COVERAGE, expanded
from labkit.water.units import CACO3_G_MOL, MG_L_CACO3_PER_MEQ


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """A distance in each of the three coordinates, always at least 0."""

    hardness_mg_l_caco3: float
    """In hardness (mg/L as CaCO3)."""

    alkalinity_mg_l_caco3: float
    """In alkalinity (mg/L as CaCO3)."""

    mg_share: float
    """In magnesium's share of the hardness (0 to 1)."""


def rounding_bound(
    adds: NDArray[np.float64],
    steps: NDArray[np.float64],
    *,
    finished: float,
    wanted: NDArray[np.float64],
    left: NDArray[np.float64],
    made_up: bool,
) -> Spread:
    """Largest difference that rounding every dose by half a step can make.

    What the exact doses already leave out counts too: a water of next to nothing gets no dose.

    Parameters
    ----------
    adds : ndarray, shape (3, n)
        What a unit of each source changes of calcium, magnesium and alkalinity: its own less
        that of the base (made up to a volume) or of the wanted water (added on top).
    steps : ndarray, shape (n,)
        Step of each dose.
    finished : float
        Amount of finished water, in the unit of the steps times that of ``adds``.
    wanted : ndarray, shape (3,)
        The water wanted: calcium, magnesium (mmol/L) and alkalinity (meq/L).
    left : ndarray, shape (3,)
        What the exact doses lack or have too much of, in the same, times the finished amount.
    made_up : bool
        Whether the finished amount is fixed.
    """
    smallest = finished if made_up else finished - steps.sum()
    calcium, magnesium, alkalinity = (np.abs(adds) @ (steps / 2) + np.abs(left)) / smallest
    return Spread(
        hardness_mg_l_caco3=float((calcium + magnesium) * CACO3_G_MOL),
        alkalinity_mg_l_caco3=float(alkalinity * MG_L_CACO3_PER_MEQ),
        mg_share=_share_bound(wanted[0], wanted[1], calcium, magnesium),
    )


def _share_bound(calcium: float, magnesium: float, by_calcium: float, by_magnesium: float) -> float:
    """Change of Mg / (Ca + Mg) when each may move so far; none where neither does."""
    if by_calcium == by_magnesium == 0:
        return 0.0
    least = calcium + magnesium - by_calcium - by_magnesium
    if least <= 0:
        return 1.0
    share = magnesium / (calcium + magnesium)
    return float(min(1.0, ((1 - share) * by_magnesium + share * by_calcium) / least))


def dosing_spread(
    holds: NDArray[np.float64],
    doses: NDArray[np.float64],
    strengths: NDArray[np.float64],
    steps: NDArray[np.float64],
    *,
    finished: float,
    reached: NDArray[np.float64],
    from_base: NDArray[np.float64],
) -> Spread:
    """Expanded uncertainty (k = 2) of a mixed water, that of the base's analysis included.

    Parameters
    ----------
    holds : ndarray, shape (3, n)
        Calcium, magnesium and alkalinity in a unit of each source.
    doses, steps : ndarray, shape (n,)
        Rounded doses, and the step to which each can be read.
    strengths : ndarray, shape (n,)
        Expanded relative uncertainty of each source's strength.
    finished : float
        Amount of finished water.
    reached : ndarray, shape (3,)
        The water reached.
    from_base : ndarray, shape (3,)
        How much of it the base brings.
    """
    reading = steps / math.sqrt(12)
    standard = np.hypot(doses * strengths / COVERAGE, reading)
    analysis = expanded(ANALYSIS_HALF_WIDTH_PERCENT) / 100 / COVERAGE
    each = np.column_stack([holds * standard / finished, analysis * from_base])
    alkalinity = np.sqrt((each[2] ** 2).sum())
    hardness = np.sqrt(((each[0] + each[1]) ** 2).sum())
    both = float(reached[0] + reached[1])
    share = 0.0
    if both > 0:
        portion = reached[1] / both
        moves = (1 - portion) * each[1] - portion * each[0]
        moves = np.clip(moves, -both, both) / both  # bounded first: traces divide to infinity
        share = min(1.0, float(np.sqrt((moves**2).sum())))
    return Spread(
        hardness_mg_l_caco3=float(COVERAGE * hardness * CACO3_G_MOL),
        alkalinity_mg_l_caco3=float(COVERAGE * alkalinity * MG_L_CACO3_PER_MEQ),
        mg_share=min(1.0, COVERAGE * share),
    )
