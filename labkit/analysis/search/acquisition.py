"""Which cups to taste together next: batch knowledge gradient on a posterior's draws."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm, qmc

from labkit.analysis.model.coding import Floats
from labkit.analysis.one_thread import one_thread
from labkit.analysis.search.posterior import Posterior
from labkit.tasting import MOST_TIMES

N_CANDIDATES: Final = 300
N_CONTENDERS: Final = 200
N_FUTURES: Final = 128

LOOK_AHEAD: Final = 2.5
"""Tastings that a cup counts for while the flight is chosen. The search goes on after the next
flight, and what looks good there is tasted again; counting one tasting only undervalues waters
whose worth shows after two or three [2]_. What a flight is said to be worth counts one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Recipes chosen to be tasted side by side."""

    places: tuple[int, ...]
    """Among the posterior's recipes, in the order in which they were chosen."""

    gains: tuple[float, ...]
    """What each adds to the expected score of the recipe that will lead afterwards, in points."""

    price: float | None = None
    """What the flight is worth less, in points, with the recipe that is priced as its last cup."""


@one_thread()
def knowledge_gradient(
    posterior: Posterior,
    k: int,
    *,
    cup_variance: float,
    flight_variance: float,
    rng: np.random.Generator,
    tasted: NDArray[np.int_] | None = None,
    included: tuple[int, ...] = (),
    priced: int | None = None,
) -> Batch:
    """Choose `k` cups, one after the other, each where it helps the next decision most.

    A cup is worth the expected maximum of the means that will stand after the flight, less the
    maximum that stands now [1]_. The draws are matched by a normal distribution, so that a cup
    updates the means linearly; cups already chosen enter as possible futures.

    Parameters
    ----------
    posterior : Posterior
        What is believed now.
    k : int
        Cups in the flight, those of `included` counted.
    cup_variance, flight_variance : float
        Of one cup's value, and of the shift that all cups of a flight share.
    rng : numpy.random.Generator
        Chooses which recipes are considered.
    tasted : ndarray of int, optional
        Places of recipes already tasted, which may be repeated.
    included : tuple of int
        Places of recipes that are in the flight whatever they teach.
    priced : int, optional
        Place of a recipe, such as the control, of which it shall be told what a cup would cost.

    Notes
    -----
    A recipe tasted already, the control too, is one more cup: what it tells of itself, of its
    neighbours and of the flight's own shift is counted as for any other. None has more than
    ``MOST_TIMES`` cups, where there are enough recipes.

    References
    ----------
    .. [1] Frazier, P., Powell, W., Dayanik, S. (2009). The knowledge-gradient policy for
       correlated normal beliefs. INFORMS Journal on Computing, 21, 599-613.
    .. [2] Frazier, P., Powell, W. (2010). Paradoxes in learning and the marginal value of
       information. Decision Analysis, 7, 378-403.
    """
    must = included if priced is None else (*included, priced)
    candidates, contenders = _considered(posterior, tasted, must, rng)
    draws = posterior.draws[:, candidates] - posterior.mean[candidates]
    column = {int(place): at for at, place in enumerate(candidates)}
    greedy = partial(
        _greedy,
        covariance=draws.T @ draws / len(draws),
        mean=posterior.mean[contenders],
        lead=np.array([column[int(place)] for place in contenders]),
        may_propose=candidates < posterior.n_allowed,
        comes_true=posterior.gain_scale,
        # A Sobol point may be 0, whose normal quantile is minus infinity.
        futures=norm.ppf(qmc.Sobol(k, rng=rng).random(N_FUTURES) * (1 - 1e-9) + 5e-10),
    )
    chosen, _ = greedy(
        [column[int(place)] for place in included],
        cup_variance=cup_variance / LOOK_AHEAD,
        flight_variance=flight_variance / LOOK_AHEAD,
    )
    _, gains = greedy(chosen, cup_variance=cup_variance, flight_variance=flight_variance)
    price = None
    if priced is not None:
        instead = [*chosen[:-1], column[priced]]
        _, others = greedy(instead, cup_variance=cup_variance, flight_variance=flight_variance)
        price = sum(gains) - sum(others)
    return Batch(
        places=tuple(int(candidates[at]) for at in chosen), gains=tuple(gains), price=price
    )


def _greedy(
    fixed: list[int],
    *,
    covariance: Floats,
    mean: Floats,
    lead: NDArray[np.int_],
    may_propose: NDArray[np.bool_],
    comes_true: float,
    futures: Floats,
    cup_variance: float,
    flight_variance: float,
) -> tuple[list[int], list[float]]:
    """Columns of `covariance` to taste, the fixed ones first, and what each adds.

    `mean` and `lead` are the contenders' means and columns; `futures` has one column a cup. Of what
    a cup is expected to add, the share `comes_true` is told.
    """
    n = len(covariance)
    joint = np.zeros((n + 1, n + 1))
    joint[:n, :n] = covariance
    joint[n, n] = flight_variance  # the last row is the flight's own shift
    means = np.tile(mean, (len(futures), 1))
    worth = float(mean.max())
    chosen: list[int] = []
    gains: list[float] = []
    for step, future in enumerate(futures.T):
        seen = joint[:n, :n] + joint[:n, n:]
        spread = seen.diagonal() + joint[n, :n] + joint[n, n] + cup_variance
        effect = (seen / np.sqrt(spread)).T  # row: what cup x tells about each recipe
        if step < len(fixed):
            best = fixed[step]
            value = float(np.mean(_after(means, effect[best, lead], future)))
        else:
            values = _expected_best(means, effect[:, lead], future)
            may = may_propose & (np.bincount(chosen, minlength=n) < MOST_TIMES)
            best = int(np.argmax(np.where(may if may.any() else may_propose, values, -np.inf)))
            value = float(values[best])
        chosen.append(best)
        gains.append(comes_true * (value - worth))
        worth = value
        means += future[:, None] * effect[best, lead]
        # What one more cup leaves unknown does not depend on its score, so it is known beforehand.
        told = joint[:, best] + joint[:, n]
        joint -= np.outer(told, told) / spread[best]
    return chosen, gains


def _considered(
    posterior: Posterior,
    tasted: NDArray[np.int_] | None,
    included: tuple[int, ...],
    rng: np.random.Generator,
) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Places of candidates (maxima of draws, good ones, tasted ones, a spread) and contenders."""
    n = posterior.n_allowed
    maxima, often = np.unique(posterior.draws[:, :n].argmax(axis=1), return_counts=True)
    maxima = maxima[np.argsort(-often, kind="stable")]
    good = np.argsort(-posterior.mean[:n], kind="stable")[: N_CONTENDERS // 4]
    contenders = _first_distinct([np.array([posterior.leader]), maxima, good], N_CONTENDERS)
    spread = rng.permutation(n)
    must = np.array(included, dtype=int)
    again = np.empty(0, dtype=int) if tasted is None else tasted
    candidates = _first_distinct([must, contenders, again, maxima, spread], N_CANDIDATES)
    return candidates, contenders


def _first_distinct(places: list[NDArray[np.int_]], most: int) -> NDArray[np.int_]:
    joined = np.concatenate(places)
    _, first = np.unique(joined, return_index=True)
    return joined[np.sort(first)][:most]


def _after(means: Floats, effect: Floats, future: Floats) -> Floats:
    return np.asarray((means + future[:, None] * effect).max(axis=1))


def _expected_best(means: Floats, effects: Floats, future: Floats) -> Floats:
    """For each candidate, the mean over futures of the best contender's updated mean."""
    total = np.zeros(len(effects), dtype=np.float32)
    effects = effects.astype(np.float32)
    for mean, z in zip(means.astype(np.float32), future.astype(np.float32), strict=True):
        total += (mean + z * effects).max(axis=1)
    return np.asarray(total / len(means), dtype=float)
