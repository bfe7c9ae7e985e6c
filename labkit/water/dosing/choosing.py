"""Which bottles to take when several would do: small linear programmes, solved by SciPy."""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from labkit.errors import DosingError
from labkit.water.salts.ions import INDEX

Preference = Literal[
    "few bottles",
    "least volume",
    "least sodium",
    "least potassium",
    "least chloride",
    "least sulfate",
]
"""What to keep small when there is more than one way to a water."""

PREFERENCES: tuple[str, ...] = get_args(Preference)
"""All of them, for a menu."""

_ION_OF = {
    "least sodium": "Na",
    "least potassium": "K",
    "least chloride": "Cl",
    "least sulfate": "SO4",
}
_TIE = 1e-4
_ORDER = 0.01
_EXACT = 1e-9
_DUST = 1e-13


def choose(
    matrix: NDArray[np.float64],
    needed: NDArray[np.float64],
    ions: NDArray[np.float64],
    *,
    prefer: Preference,
    capacity: float,
    rather_not: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64] | None:
    """Amounts of each source that meet the coordinates, and the shares asked of the salts.

    Parameters
    ----------
    matrix : ndarray, shape (m, n)
        What a unit of each source adds of calcium, magnesium and alkalinity, and to the balance
        of each share asked for.
    needed : ndarray, shape (m,)
        What has to be added.
    ions : ndarray, shape (n, n_ions)
        All ions that a unit of each source adds.
    prefer : Preference
        What to keep small where there is more than one way.
    capacity : float
        Largest sum of the amounts.
    rather_not : ndarray of bool, shape (n,), optional
        Sources to do without where the others suffice.

    Returns
    -------
    amounts : ndarray, shape (n,), or None
        None if there is no way.
    """
    if rather_not is not None and rather_not.any() and not rather_not.all():
        kept = ~rather_not
        part = choose(matrix[:, kept], needed, ions[kept], prefer=prefer, capacity=capacity)
        if part is not None:
            amounts = np.zeros(len(kept))
            amounts[kept] = part
            return amounts
    if prefer not in PREFERENCES:
        raise DosingError(
            f"prefer must be one of {', '.join(PREFERENCES)}, got {prefer!r}.", field="prefer"
        )
    size = np.abs(matrix).max(axis=0)
    if _met(matrix, np.zeros(len(size)), needed):  # the base is the water wanted
        return np.zeros(len(size))
    if np.any(size == 0):  # sources that add nothing to the three coordinates stay unused
        useful = size > 0
        if not useful.any():
            return None
        part = choose(matrix[:, useful], needed, ions[useful], prefer=prefer, capacity=capacity)
        if part is None:
            return None
        amounts = np.zeros(len(size))
        amounts[useful] = part
        return amounts
    if np.linalg.matrix_rank(matrix / size) == len(size):
        only: NDArray[np.float64] = np.linalg.lstsq(matrix / size, needed, rcond=None)[0] / size
        return _accepted(matrix, only, needed)
    scaled = matrix / size
    goal = needed / max(float(np.abs(needed).max()), 1e-30)
    limit = capacity / max(float(np.abs(needed).max()), 1e-30)
    volume = 1 / size
    # Of ways that are equally good, the one that uses the sources named first.
    taste = volume / volume.max() * (1 + _ORDER * np.arange(len(size)))
    if prefer == "few bottles":
        found = _fewest(scaled, goal, taste, volume, limit)
    else:
        symbol = _ION_OF.get(prefer)
        cost = taste if symbol is None else ions[:, INDEX[symbol]] / size
        cost = cost / max(float(np.abs(cost).max()), 1e-30) + _TIE * taste
        found = _cheapest(scaled, goal, cost, volume, limit)
    if found is None:
        return None
    # The solvers stop at a tolerance; the sources they chose are solved again exactly.
    used = found > 1e-7 * max(1.0, float(found.max()))
    rows, goals = scaled[:, used], needed
    if used.sum() > len(needed):  # the volume binds too
        rows, goals = np.vstack([rows, volume[used]]), np.append(needed, capacity)
    amounts = np.zeros(len(size))
    if used.any():
        amounts[used] = np.linalg.lstsq(rows, goals, rcond=None)[0] / size[used]
    return _accepted(matrix, amounts, needed)


def nearest(matrix: NDArray[np.float64], needed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Amounts that come nearest to the three coordinates, in the sense of least squares."""
    from scipy.optimize import lsq_linear  # loaded when first used: it is slow to load

    size = np.maximum(np.abs(matrix).max(axis=0), 1e-30)
    found: NDArray[np.float64] = lsq_linear(matrix / size, needed, bounds=(0, np.inf)).x / size
    return found


def _met(
    matrix: NDArray[np.float64], amounts: NDArray[np.float64], needed: NDArray[np.float64]
) -> bool:
    room = _EXACT * max(1.0, float(np.abs(needed).max()))
    return bool(np.all(np.abs(matrix @ amounts - needed) <= room))


def _accepted(
    matrix: NDArray[np.float64], amounts: NDArray[np.float64], needed: NDArray[np.float64]
) -> NDArray[np.float64] | None:
    largest = max(1.0, float(np.abs(amounts).max(initial=0.0)))
    if np.any(amounts < -_EXACT * largest):
        return None
    amounts = np.where(amounts < _DUST * largest, 0.0, amounts)
    return amounts if _met(matrix, amounts, needed) else None


def _cheapest(
    matrix: NDArray[np.float64],
    goal: NDArray[np.float64],
    cost: NDArray[np.float64],
    volume: NDArray[np.float64],
    limit: float,
) -> NDArray[np.float64] | None:
    from scipy.optimize import linprog  # loaded when first used: it is slow to load

    room = {"A_ub": volume[None, :], "b_ub": [limit]} if np.isfinite(limit) else {}
    found = linprog(cost, A_eq=matrix, b_eq=goal, bounds=(0, None), **room)
    return np.asarray(found.x) if found.success else None


def _fewest(
    matrix: NDArray[np.float64],
    goal: NDArray[np.float64],
    taste: NDArray[np.float64],
    volume: NDArray[np.float64],
    limit: float,
) -> NDArray[np.float64] | None:
    """Amounts with the fewest sources in use, and among those the best to taste."""
    from scipy.optimize import Bounds, LinearConstraint, milp  # loaded when first used

    n = matrix.shape[1]
    most = 10.0  # sources are scaled so that one unit is about all that is needed
    cost = np.concatenate([_TIE * taste, np.ones(n)])
    rules = [
        LinearConstraint(np.hstack([matrix, np.zeros_like(matrix)]), goal, goal),
        LinearConstraint(np.hstack([np.eye(n), -most * np.eye(n)]), -np.inf, 0.0),
    ]
    if np.isfinite(limit):
        rules.append(LinearConstraint(np.concatenate([volume, np.zeros(n)]), -np.inf, limit))
    bounds = Bounds(np.zeros(2 * n), np.concatenate([np.full(n, most), np.ones(n)]))
    found = milp(cost, constraints=rules, bounds=bounds, integrality=[0] * n + [1] * n)
    if not found.success:
        return None
    # A switch that the solver calls off may let a trace through: solve without those sources.
    taken = found.x[n:] > 0.5
    amounts = np.zeros(n)
    part = _cheapest(matrix[:, taken], goal, taste[taken], volume[taken], limit)
    if part is None:
        return _cheapest(matrix, goal, taste, volume, limit)
    amounts[taken] = part
    return amounts
