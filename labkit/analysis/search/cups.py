"""From scores to cups: what the panel as a whole thought of each cup, and how surely.

Each cup keeps one value (the mean that an undisturbed panel would have given it) and the values
keep one covariance between them. Taster levels, their moods from session to session and flight to
flight, serving positions and missing scores are all in that covariance, so that an incomplete
flight, an unequal panel or a late taster needs no rule of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import Scores
from labkit.analysis.model.surface import Surface
from labkit.analysis.search.shapes import unit
from labkit.analysis.search.shifts import FLIGHT_SD, own_variance, shift_variances
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.tasting import SCALES, Scale

# All in points of a 1-9 scale; other scales in proportion to their width (common practice: what
# small trained panels show on it).
REPEAT_SD: Final = 0.65
REPEAT_WEIGHT: Final = 8.0
"""Degrees of freedom that the usual repeat noise is worth against the panel's own."""
OWN_WEIGHT: Final = 12.0
"""Degrees of freedom that the panel's repeat noise is worth against one taster's own."""
SPREAD_WEIGHT: Final = 20.0
"""Degrees of freedom that a usual spread of tasters or bowls is worth against the fitted one."""
N_TERMS: Final = 10
"""Coefficients that a second-order surface spends on the cups."""
TASTER_SD: Final = 0.5
TASTER_SESSION_SD: Final = 0.3
TASTER_FLIGHT_SD: Final = 0.15
FIRST_CUP_SD: Final = 0.15
FADING_SD: Final = 0.05
BREW_SD: Final = 0.1
MOST_CUPS: Final = 1000
"""Cups that are read at once: their covariance is a full matrix, and a coffee has some hundreds."""
STRANGE: Final = 3.0
"""Usual SDs from which a taster's level in one flight is taken for an accident."""
WIDTH: Final = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cups:
    """What was tasted so far, one entry a cup (a jug served in one flight)."""

    waters: Floats
    """Coordinates, shape (n, 3)."""

    value: Floats
    """What the panel thought of it, on the scale, shape (n,)."""

    noise: Floats
    """Covariance of ``value`` around what the water is worth, shape (n, n)."""

    block: NDArray[np.int_]
    """Number of the cup's flight, counted over all sessions, shape (n,)."""

    n_scores: NDArray[np.int_]
    """Scores behind each cup, shape (n,)."""

    is_control: NDArray[np.bool_]
    """Whether the cup was served as the control, shape (n,)."""

    usual: float
    """Where scores on this scale usually lie, for what is said before the first cup."""

    points: float
    """One point of a 1-9 scale in points of this scale."""

    repeat_variance: float
    """Of one taster's score for one cup, on the scale squared, the tasters pooled."""

    tasters: tuple[str, ...]
    """Whose scores these are."""

    n_older: int = 0
    """Cups of earlier flights that are not read, where there are more than ``MOST_CUPS``."""

    plain: Floats | None = None
    """Plain mean of each cup's scores, shape (n,); None where there are no scores behind them."""

    def plain_mean(self, water: Floats) -> float | None:
        """The plain mean of all scores of a water, shape (3,); None if no cup of it was scored."""
        same = (np.abs(self.waters - water) < 1e-6).all(axis=1)
        if self.plain is None or not same.any():
            return None
        return float(np.average(self.plain[same], weights=self.n_scores[same]))

    each: int | None = None
    """Cups before a taster so far; None where as many as there are cups."""

    @property
    def cups_each(self) -> int:
        """Cups before a taster so far, over all flights."""
        return len(self.value) if self.each is None else self.each

    @property
    def n_flights(self) -> int:
        """Flights tasted so far."""
        return len(np.unique(self.block))

    def next_cup_variance(self, n_tasters: int | None = None) -> float:
        """Variance of a cup's value in a coming flight, the flight's own shift left out."""
        n = n_tasters or len(self.tasters)
        return self.repeat_variance / n + (BREW_SD * self.points) ** 2

    def flight_variance(self, n_tasters: int | None = None) -> float:
        """Variance of the shift that all cups of a coming flight share."""
        n = n_tasters or len(self.tasters)
        return float((FLIGHT_SD**2 + TASTER_FLIGHT_SD**2 / n) * self.points**2)


def no_cups(n_tasters: int, scale: Scale) -> Cups:
    """Before the first flight: no cup, the usual noise, and a panel of that size."""
    points = (scale.highest - scale.lowest) / WIDTH
    return Cups(
        waters=np.empty((0, 3)),
        value=np.empty(0),
        noise=np.empty((0, 0)),
        block=np.empty(0, dtype=int),
        n_scores=np.empty(0, dtype=int),
        is_control=np.empty(0, dtype=bool),
        usual=_usual(scale),
        points=points,
        repeat_variance=(REPEAT_SD * points) ** 2,
        tasters=tuple(f"taster {i + 1}" for i in range(n_tasters)),
    )


@checked(ReadingError)
def rising_scale(name: str, scale: Scale | None = None) -> Scale:
    """The scale of that name, or the one given, if more is better on it.

    Parameters
    ----------
    name : str
        Name of one of ``labkit.tasting.SCALES``.
    scale : Scale, optional
        Taken instead of the one of that name.

    Raises
    ------
    ReadingError
        If the scale is unknown, or one on which more is not better.
    """
    scale = SCALES.get(name) if scale is None else scale
    if scale is None or scale.middle_is_best:
        raise ReadingError(
            "scale must be one on which more is better, to search for the best water, got "
            f"{name!r}. Choose another attribute, or give the Scale itself.",
            field="scale",
        )
    return scale


def cups_of(scores: Scores, scale: Scale, fitted: Surface | None = None) -> Cups:
    """Values of the cups behind the scores of one attribute, given on `scale`.

    A fitted surface lends what it found of this panel's spread, against what is usual. Of more than
    ``MOST_CUPS`` cups, those of the latest flights are read.
    """
    points = (scale.highest - scale.lowest) / WIDTH
    session, block, jug = (
        pd.factorize(scores.column(name))[0] for name in ("session", "block", "jug")
    )
    cup = _joined(block, jug)
    read, n_older = _latest(cup, block)
    session, block, cup = (
        np.unique(codes[read], return_inverse=True)[1] for codes in (session, block, cup)
    )
    frame, waters, y = scores.frame[read], scores.waters[read], scores.score[read]
    who, names = pd.factorize(scores.tasters[read], sort=True)
    value, noise, pooled = cup_values(
        y,
        waters=waters,
        cup=cup,
        block=block,
        session=session,
        who=who,
        position=frame["position"].to_numpy(dtype=float),
        points=points,
        taster_sd=_spread(fitted, "taster", TASTER_SD * points, len(names) - 1),
        brew_sd=_spread(fitted, "bowl", BREW_SD * points, cup.max() + 1 - N_TERMS),
    )
    first = np.unique(cup, return_index=True)[1]
    return Cups(
        waters=waters[first],
        value=value,
        noise=noise,
        block=block[first],
        n_scores=np.bincount(cup),
        is_control=frame["is_control"].to_numpy(dtype=bool)[first],
        usual=_usual(scale),
        points=points,
        repeat_variance=pooled,
        tasters=tuple(str(name) for name in names),
        n_older=n_older,
        plain=np.bincount(cup, weights=y) / np.bincount(cup),
        each=_cups_each(block, who),
    )


def _cups_each(block: NDArray[np.int_], who: NDArray[np.int_]) -> int:
    """Cups before a taster, flight by flight; a few scores that are missing do not count."""
    present = np.bincount(np.unique(np.column_stack([block, who]), axis=0)[:, 0])
    return int(np.ceil(np.bincount(block) / present).sum())


def _latest(cup: NDArray[np.int_], block: NDArray[np.int_]) -> tuple[NDArray[np.bool_], int]:
    """Which scores belong to the latest flights of at most ``MOST_CUPS`` cups, and cups before."""
    n_cups = int(cup.max()) + 1
    if n_cups <= MOST_CUPS:
        return np.ones(len(cup), dtype=bool), 0
    of_block = np.bincount(block[np.unique(cup, return_index=True)[1]])
    since = int(np.argmax(np.cumsum(of_block[::-1])[::-1] <= MOST_CUPS))
    return block >= since, int(of_block[:since].sum())


def cup_values(
    y: Floats,
    *,
    waters: Floats,
    cup: NDArray[np.int_],
    block: NDArray[np.int_],
    session: NDArray[np.int_],
    who: NDArray[np.int_],
    position: Floats,
    points: float,
    taster_sd: float,
    brew_sd: float,
) -> tuple[Floats, Floats, float]:
    """Values of the cups behind scores, their covariance, and the pooled repeat variance.

    Parameters
    ----------
    y : ndarray, shape (n_scores,)
        The scores.
    waters : ndarray, shape (n_scores, 3)
        What each was given to.
    cup, block, session, who : ndarray of int, shape (n_scores,)
        Which cup, flight (over all sessions), session and taster each belongs to, from 0 up.
    position : ndarray, shape (n_scores,)
        Serving position, from 1 up; NaN where unknown.
    points : float
        One point of a 1-9 scale in points of this scale.
    taster_sd, brew_sd : float
        Of tasters' levels and of bowls of the same water, in points of this scale.
    """
    mood, moment = _joined(session, who), _joined(block, who)
    order = _position_columns(position, moment)
    X = _indicators(cup)
    first = np.unique(cup, return_index=True)[1]
    flights, days = _indicators(block[first]), _indicators(session[first])
    u = unit(waters[first])
    pooled, own = _repeat_variances(y, X, _indicators(moment), order, who, points)

    def heard(pooled: float, own: Floats) -> tuple[Floats, Floats]:
        weight = 1 / own[who]
        # Levels are deviations from this panel's mean, and moods from a taster's own mean over
        # sessions: what is read is this very panel, on a usual day where there were several.
        strange = points * _moment_sds(y / points, X, moment, block, who, pooled / points**2)
        chance = np.hstack(
            [
                taster_sd * _deviations(who, np.zeros_like(who)),
                TASTER_SESSION_SD * points * _deviations(mood, who),
                strange * _indicators(moment),
                points * order * (FIRST_CUP_SD, FADING_SD),
            ]
        )
        # Woodbury: V = diag(1 / weight) + chance chance'
        weighted = chance * weight[:, None]
        middle = np.linalg.inv(np.eye(chance.shape[1]) + chance.T @ weighted)
        XV = (X * weight[:, None]).T - (X.T @ weighted) @ middle @ weighted.T
        covariance = np.linalg.inv(XV @ X)
        value = covariance @ (XV @ y)
        noise = (covariance + covariance.T) / 2 + brew_sd**2 * np.eye(len(first))
        flight, day = shift_variances(
            value / points, noise / points**2, u, flights=flights, days=days
        )
        noise += points**2 * (flight * flights @ flights.T + day * days @ days.T)
        return value, noise

    if not who.any():

        def heard_alone(variance: float) -> tuple[Floats, Floats]:
            value, noise = heard(points**2 * variance, np.array([points**2 * variance]))
            return value / points, noise / points**2

        weight = REPEAT_WEIGHT + len(y) - len(first)
        pooled = points**2 * own_variance(heard_alone, u, usual=pooled / points**2, weight=weight)
        own = np.array([pooled])
    return *heard(pooled, own), pooled


def _spread(fitted: Surface | None, component: str, usual: float, freedom: float) -> float:
    """SD of a chance component: the fitted one, drawn towards the usual one."""
    names = [] if fitted is None else [one.name for one in fitted.fit.components]
    if fitted is None or component not in names or freedom <= 0:
        return usual
    found = fitted.fit.variance_of(component)
    weighed = SPREAD_WEIGHT * usual**2 + freedom * found
    return float(np.sqrt(weighed / (SPREAD_WEIGHT + freedom)))


def _usual(scale: Scale) -> float:
    return scale.lowest + 0.65 * (scale.highest - scale.lowest)


def _indicators(codes: NDArray[np.int_]) -> Floats:
    return np.asarray(np.eye(codes.max() + 1)[codes])


def _deviations(codes: NDArray[np.int_], owner: NDArray[np.int_]) -> Floats:
    """Indicators of `codes`, less their mean over the codes that belong to the same owner."""
    of_code = owner[np.unique(codes, return_index=True)[1]]
    same = (of_code[:, None] == of_code).astype(float)
    return np.asarray(_indicators(codes) @ (np.eye(len(same)) - same / same.sum(axis=1)))


def _joined(one: NDArray[np.int_], other: NDArray[np.int_]) -> NDArray[np.int_]:
    """Codes of the pairs that occur, from 0 up."""
    return np.unique(one * (other.max() + 1) + other, return_inverse=True)[1]


def _position_columns(position: Floats, moment: NDArray[np.int_]) -> Floats:
    """First cup or not, and how late: both centred over each taster's flight; 0 if unknown."""
    known = np.isfinite(position)
    columns = np.column_stack([position == 1, np.where(known, position, 0.0)]) * known[:, None]
    n = np.maximum(np.bincount(moment, weights=known), 1)
    means = np.column_stack([np.bincount(moment, weights=c) / n for c in columns.T])
    return np.asarray((columns - means[moment]) * known[:, None])


def _moment_sds(
    y: Floats,
    X: Floats,
    moment: NDArray[np.int_],
    block: NDArray[np.int_],
    who: NDArray[np.int_],
    variance: float,
) -> Floats:
    """SD of each taster's level in each flight: the usual one, or as far off as it obviously was.

    Off by how much a taster's mean over a flight lies from the other tasters there and from the
    same taster in other flights, by medians, which a single slip does not move.
    """
    left = y - X @ (X.T @ y / X.sum(axis=0))
    often = np.bincount(moment)
    off = np.bincount(moment, weights=left) / often
    first = np.unique(moment, return_index=True)[1]
    for owner in (who[first], block[first]):
        for code in np.unique(owner):
            off[owner == code] -= np.median(off[owner == code])
    usual = np.sqrt(TASTER_FLIGHT_SD**2 + variance / often)
    return np.where(np.abs(off) > STRANGE * usual, np.abs(off), TASTER_FLIGHT_SD)


def _repeat_variances(
    y: Floats,
    X: Floats,
    moments: Floats,
    order: Floats,
    who: NDArray[np.int_],
    points: float,
) -> tuple[float, Floats]:
    """Repeat variance pooled over tasters, and each taster's own, drawn towards it.

    From what is left after cups, taster-flights and positions, by least squares. A taster's
    squares are compared with their share of the projection's trace, which is exact for equal
    variances and near enough for the mild differences that the drawing in allows.
    """
    usual = (REPEAT_SD * points) ** 2
    columns = np.hstack([X, moments, order])
    u, singular, _ = np.linalg.svd(columns, full_matrices=False)
    basis = u[:, singular > 1e-8 * singular[0]]
    left = y - basis @ (basis.T @ y)
    freedom = np.bincount(who, weights=1 - (basis**2).sum(axis=1))
    squares = np.bincount(who, weights=left**2)
    pooled = (REPEAT_WEIGHT * usual + squares.sum()) / (REPEAT_WEIGHT + freedom.sum())
    if len(freedom) < 3:
        return float(pooled), np.full(len(freedom), pooled)
    n = len(freedom)
    with np.errstate(divide="ignore", invalid="ignore"):
        rough = np.where(freedom > 0.5, squares / freedom, pooled)
    # In a flight of all tasters, the residual of one holds 1/n of the others' variance.
    own = np.clip((rough * (1 - 1 / n) - pooled / n) / (1 - 2 / n), 0.1 * pooled, None)
    worth = freedom * (1 - 2 / n) / (1 - 1 / n)
    return float(pooled), np.asarray((OWN_WEIGHT * pooled + worth * own) / (OWN_WEIGHT + worth))
