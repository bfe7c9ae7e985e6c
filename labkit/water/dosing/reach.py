"""Why a wanted water is out of reach, said in one sentence with the way out."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import DosingError, WaterError
from labkit.water.coordinates import COORDINATE
from labkit.water.dosing.choosing import nearest
from labkit.water.figures import figure
from labkit.water.units import CACO3_G_MOL, MG_L_CACO3_PER_MEQ
from labkit.water.waters.targets import Target
from labkit.water.waters.water import Water

_NAMES = ("calcium", "magnesium", "alkalinity")
_SOURCES = (
    "CaCl2·2H2O or CaSO4·2H2O",
    "MgCl2·6H2O or MgSO4·7H2O",
    "KHCO3 or NaHCO3",
)
_MG_L_CACO3 = np.array([CACO3_G_MOL, CACO3_G_MOL, MG_L_CACO3_PER_MEQ])


@checked(WaterError)
def largest_base_share(target: Target, base: Water) -> float:
    """Largest share of a base water, the rest pure, that does not pass the target anywhere.

    Parameters
    ----------
    target : Target
        The water wanted.
    base : Water
        The water at hand.

    Returns
    -------
    share : float
        0 to 1; below 1 the base must be blended with pure water before it can be dosed.

    Examples
    --------
    >>> hard = Water.of_ions({"Ca": 2.0, "HCO3": 4.0})
    >>> aim = Target(mg_share=0.0, hardness_mg_l_caco3=100.086, alkalinity_mg_l_caco3=50.043)
    >>> largest_base_share(aim, hard)
    0.25
    """
    wanted = (target.calcium_mmol_l, target.magnesium_mmol_l, target.alkalinity_meq_l)
    alkalinity = base.alkalinity_mg_l_caco3 / MG_L_CACO3_PER_MEQ
    has = (base.calcium_mmol_l, base.magnesium_mmol_l, alkalinity)
    shares = [aim / held for aim, held in zip(wanted, has, strict=True) if held > 0]
    return min([1.0, *shares])


def refusal(
    target: Target,
    base: Water,
    names: Sequence[str],
    *,
    holds: NDArray[np.float64],
    matrix: NDArray[np.float64],
    needed: NDArray[np.float64],
    volume: float,
) -> DosingError:
    """The error for a water out of reach.

    Parameters
    ----------
    target : Target
        The water wanted.
    base : Water
        The base water.
    names : sequence of str
        What the sources are called.
    holds : ndarray, shape (3, n)
        What a unit of each source holds of calcium, magnesium and alkalinity.
    matrix, needed, volume : ndarray of shape (3, n), ndarray of shape (3,), float
        The balances that could not be met: what each source adds, what has to be added to this
        volume, both in calcium, magnesium and alkalinity.
    """
    share = largest_base_share(target, base)
    wanted = (target.calcium_mmol_l, target.magnesium_mmol_l, target.alkalinity_meq_l)
    held = np.array(wanted) - needed / volume
    if share < 1:
        over = [n for n in range(3) if held[n] > wanted[n] + 1e-12]
        worst = max(over, key=lambda n: math.inf if not wanted[n] else held[n] / wanted[n])
        percent = math.floor(1000 * share + 1e-9) / 10
        blend = (
            f"blend it with at least {100 - percent:.1f} % pure water (at most {percent:.1f} % of "
            "this base)"
            if percent
            else "start from pure water"
        )
        return DosingError(
            f"{target.text} cannot be made from this base water, because its {_NAMES[worst]} of "
            f"{figure(held[worst] * _MG_L_CACO3[worst])} mg/L as CaCO3 lies above the "
            f"{figure(wanted[worst] * _MG_L_CACO3[worst])} wanted: {blend}, then dose."
        )
    room = 1e-9 * max(1.0, float(np.abs(needed).max()))
    missing = [n for n in range(3) if needed[n] > room and not np.any(holds[n] > 0)]
    if missing:
        lacks = " and ".join(_NAMES[n] for n in missing)
        adds = ", and ".join(_SOURCES[n] for n in missing)
        return DosingError(
            f"{target.text} cannot be made from {', '.join(names)}: nothing there adds {lacks}. "
            f"Add a bottle of {adds}."
        )
    amounts = nearest(matrix, needed)
    got = np.maximum(held + matrix @ amounts / volume, 0.0)
    got = np.where(got < 1e-9 * got.max(), 0.0, got)  # what the solver leaves of nothing
    both = got[0] + got[1]
    near = Target(
        mg_share=float(got[1] / both) if both > 0 else 0.0,
        hardness_mg_l_caco3=min(
            float(both * CACO3_G_MOL), COORDINATE["hardness_mg_l_caco3"].highest
        ),
        alkalinity_mg_l_caco3=min(
            float(got[2] * MG_L_CACO3_PER_MEQ), COORDINATE["alkalinity_mg_l_caco3"].highest
        ),
    )
    return DosingError(
        f"{target.text} cannot be made from {', '.join(names)} and this base water; the nearest "
        f"they make is {near.text}. Add a bottle for what is missing, or choose another base."
    )
