"""What a panel showed over all coffees: each taster's level, slope and repeat noise, with doubt.

Of a coffee only sums are kept: products of tasters' scores over the cups that they shared, with
their degrees of freedom. Tasters are estimated from the sums of all coffees at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special, stats

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import Scores, gather_both
from labkit.analysis.search.cups import (
    REPEAT_SD,
    REPEAT_WEIGHT,
    TASTER_FLIGHT_SD,
    TASTER_SD,
    TASTER_SESSION_SD,
    WIDTH,
    rising_scale,
)
from labkit.analysis.search.simulate import LIKING, PanelNoise
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.shown import Shown
from labkit.tasting import Scale

# All in points of a 1-9 scale, as in the search.
SLOPE_SD: Final = 0.3
"""How unlike tasters' answers are, around 1: what the simulated panels take for usual."""
USUAL_TASTERS: Final = 4.0
"""Tasters that a usual spread between tasters is worth against the panel's own."""
OWN_WEIGHT: Final = 6.0
"""Degrees of freedom that the panel's noise is worth against one's own, before anything is known of
how tasters differ: their SDs by less than a third. Half of what the search takes for one coffee,
since over many coffees one's own noise shows."""
WEIGHT_SPREAD: Final = 0.7
"""SD of the log of these degrees of freedom, as unsure as they are."""
BELIEVED: Final = 0.6
"""Share of what the sums tell by the model that is believed: the order of cups, tastes of one's own
and rounding are no chance in it. With all of it .9 intervals of the noise cover .81."""
WATERS_SD: Final = 0.3
"""Points between the cups of a flight that a panel tells apart, usually."""
COFFEE_WEIGHT: Final = 2.0
"""Degrees of freedom that a usual spread of waters is worth against a coffee's own."""
FEWEST_SHARED: Final = 0.5
"""Share of a flight's cups that a taster scored, to be compared with the others there."""
_WEIGHTS: Final = np.geomspace(2, 100, 40)
_MOST_STEPS: Final = 300
_CLOSE: Final = 1e-5
INTERVAL: Final = 0.9
"""Chance that what is told of a taster lies within the interval that is told with it."""
_SURE: Final = float(stats.norm.ppf((1 + INTERVAL) / 2))


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedCups:
    """Sums over the cups of one coffee that the same tasters scored, in points of a 1-9 scale."""

    tasters: tuple[str, ...]
    """Who scored them."""

    sessions: int
    """Days of tasting."""

    flights: int
    """Flights."""

    cups: int
    """Cups."""

    products: tuple[tuple[float, ...], ...]
    """Sums of products of two tasters' scores, each taken from the taster's mean of the flight, one
    row and one column a taster. Of one taster alone: squares between scores of the same water."""

    freedom: int
    """Their degrees of freedom."""

    level: tuple[float, ...]
    """Each taster's mean less the mean of all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoffeeSums:
    """What one coffee adds to the history of those who tasted it."""

    client: str
    """Whose coffee."""

    coffee: str
    """Its name."""

    scale: str
    """What it was scored on; empty if nothing could be read."""

    rounding: float
    """Variance that the scale's steps alone give to a score, in points of a 1-9 scale squared."""

    shared: tuple[SharedCups, ...]
    """One entry for each set of tasters."""


@checked(ReadingError)
def coffee_sums(frame: pd.DataFrame, client: str, coffee: str) -> CoffeeSums:
    """Sum what the overall scores of one coffee say of those who gave them.

    Parameters
    ----------
    frame : DataFrame
        Its opened scores.
    client, coffee : str
        Whose coffee, and its name.
    """
    try:
        scores, _ = gather_both(frame, "overall")
        scale = None if scores is None else rising_scale(scores.scale)
    except ReadingError:
        scores = scale = None
    if scores is None or scale is None:
        return CoffeeSums(client=client, coffee=coffee, scale="", rounding=0.0, shared=())
    points = (scale.highest - scale.lowest) / WIDTH
    return CoffeeSums(
        client=client,
        coffee=coffee,
        scale=scale.name,
        rounding=(scale.step / points) ** 2 / 12,
        shared=tuple(_shared(scores, points)),
    )


def _shared(scores: Scores, points: float) -> Iterable[SharedCups]:
    """The cups of each set of tasters, their flights together."""
    table = pd.DataFrame(
        {
            "session": scores.column("session"),
            "block": scores.column("block"),
            "bowl": scores.column("bowl"),
            "recipe": scores.column("recipe"),
            "taster": scores.tasters,
            "score": scores.score / points,
        }
    )
    flights: dict[tuple[str, ...], list[tuple[str, pd.DataFrame]]] = {}
    for _, mine in table.groupby("block", sort=True):
        cups = mine.pivot_table(index="bowl", columns="taster", values="score", sort=True)
        cups = cups.loc[:, cups.notna().mean() >= FEWEST_SHARED].dropna()
        if len(cups) >= 2:
            tasters = tuple(map(str, cups.columns))
            cups["recipe"] = mine.groupby("bowl")["recipe"].first()
            flights.setdefault(tasters, []).append((str(mine["session"].iloc[0]), cups))
    for tasters, those in flights.items():
        values = [cups[list(tasters)].to_numpy(dtype=float) for _, cups in those]
        centred = np.vstack([one - one.mean(axis=0) for one in values])
        whole = np.vstack(values)
        n = len(whole)
        products, freedom = centred.T @ centred, n - len(values)
        if len(tasters) == 1:
            waters = np.concatenate([cups["recipe"].to_numpy(dtype=str) for _, cups in those])
            flight = np.repeat(np.arange(len(values)), [len(one) for one in values])
            products, freedom = _repeats(whole[:, 0], waters, flight)
        yield SharedCups(
            tasters=tasters,
            sessions=len({session for session, _ in those}),
            flights=len(values),
            cups=n,
            products=tuple(tuple(map(float, row)) for row in products),
            freedom=freedom,
            level=tuple(map(float, whole.mean(axis=0) - whole.mean())),
        )


def _repeats(
    score: Floats, water: NDArray[np.str_], flight: NDArray[np.int_]
) -> tuple[Floats, int]:
    """Squares that waters and flights leave over of one taster's scores, and their freedom."""
    waters = np.unique(water, return_inverse=True)[1]
    columns = np.hstack([np.eye(waters.max() + 1)[waters], np.eye(flight.max() + 1)[flight]])
    rank = int(np.linalg.matrix_rank(columns))
    left = score - columns @ np.linalg.lstsq(columns, score, rcond=None)[0]
    freedom = len(score) - rank
    return np.array([[float(left @ left) if freedom else 0.0]]), freedom


@dataclass(frozen=True, slots=True, kw_only=True)
class WithDoubt:
    """A number and where it lies with a chance of .9."""

    value: float
    """The estimate."""

    low: float
    """Lower end."""

    high: float
    """Upper end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TasterHistory:
    """What one taster showed over all coffees, the panel's and the usual values drawn in."""

    taster: str
    """Who."""

    n_coffees: int
    """Coffees scored beside others, or with repeats."""

    n_scores: int
    """Scores that were compared."""

    level: WithDoubt
    """Points above the mean of the others' and own scores of the same cups."""

    slope: WithDoubt
    """Points per point of the panel, over what the panel tells apart: 1 is as all of them."""

    repeat_sd: WithDoubt
    """Points between scores of the same cup that neither the cup nor the slope explains."""

    tells_apart: WithDoubt
    """Chance to score the better one higher, of two cups that lie a point of a 1-9 scale apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelHistory(Shown):
    """What the tasters of a lab book showed over all their coffees."""

    tasters: tuple[TasterHistory, ...]
    """One entry a taster, by name; empty where nothing was compared yet."""

    unknown: tuple[str, ...]
    """Who was asked for, and never scored beside others or the same water twice."""

    n_coffees: int
    """Coffees that it rests on."""

    scale: Scale
    """In whose points everything is told."""

    noise: PanelNoise
    """What to simulate these tasters with, in points of ``scale``; the usual one without any."""

    @property
    def is_usual(self) -> bool:
        """Whether nothing is known of these tasters, so that the usual noise is all there is."""
        return not self.tasters

    def to_frame(self) -> pd.DataFrame:
        """One row a taster.

        Columns ``taster, n_coffees, n_scores``, then ``level``, ``slope``, ``repeat_sd`` and
        ``tells_apart``, each with the ends of its 90 % interval in ``_low`` and ``_high``.
        """
        columns = ["taster", "n_coffees", "n_scores"]
        for name in ("level", "slope", "repeat_sd", "tells_apart"):
            columns += [name, f"{name}_low", f"{name}_high"]
        rows = []
        for one in self.tasters:
            told = [one.level, one.slope, one.repeat_sd, one.tells_apart]
            numbers = [end for each in told for end in (each.value, each.low, each.high)]
            rows.append([one.taster, one.n_coffees, one.n_scores, *numbers])
        return pd.DataFrame(rows, columns=columns)


@checked(ReadingError)
def panel_history_from(
    sums: Sequence[CoffeeSums],
    *,
    tasters: Sequence[str] | None = None,
    scale: Scale = LIKING,
) -> PanelHistory:
    """Estimate every taster from the sums of all coffees.

    Parameters
    ----------
    sums : sequence of CoffeeSums
        One a coffee.
    tasters : sequence of str, optional
        Whom to tell of; all are estimated together, and all are told of unless given.
    scale : Scale
        In whose points.

    Notes
    -----
    The scores of the cups that a set of tasters shared follow one factor, what the panel thinks of
    a cup: ``score = level + slope x cup + noise``, the congeneric model of reliability [1]_, its
    cups' spread by coffee. Slopes are drawn towards 1 (normal-normal), noise towards the panel's
    (moderated variances [2]_); how much is learnt from how unlike the tasters are, against what is
    usual. The estimates are the likeliest ones, found by expectation and maximisation [3]_.

    References
    ----------
    .. [1] Jöreskog, K. G. (1971). Statistical analysis of sets of congeneric tests. Psychometrika,
       36, 109-133.
    .. [2] Smyth, G. K. (2004). Linear models and empirical Bayes methods for assessing
       differential expression in microarray experiments. Stat. Appl. Genet. Mol. Biol., 3, 3.
    .. [3] Rubin, D. B. and Thayer, D. T. (1982). EM algorithms for ML factor analysis.
       Psychometrika, 47, 69-76.
    """
    points = (scale.highest - scale.lowest) / WIDTH
    usual = PanelNoise().times(points)
    read = [one for one in sums if any(each.freedom > 0 for each in one.shared)]
    names = sorted({name for one in read for each in one.shared for name in each.tasters})
    told = [name for name in names if tasters is None or name in set(tasters)]
    unknown = () if tasters is None else tuple(sorted(set(tasters) - set(names)))
    if not told:
        return PanelHistory(tasters=(), unknown=unknown, n_coffees=0, scale=scale, noise=usual)
    found = _Estimate(read, names)
    rows = np.array([names.index(name) for name in told])
    return PanelHistory(
        tasters=tuple(found.of(row, points) for row in rows),
        unknown=unknown,
        n_coffees=sum(any(set(each.tasters) & set(told) for each in one.shared) for one in read),
        scale=scale,
        noise=found.panel_noise(rows, usual, points),
    )


class _Estimate:
    """Tasters' levels, slopes and noise in points of a 1-9 scale, one entry a taster."""

    def __init__(self, read: Sequence[CoffeeSums], names: Sequence[str]) -> None:
        self._names, n = names, len(names)
        place = {name: at for at, name in enumerate(names)}
        each = [(one, coffee.rounding) for coffee in read for one in coffee.shared if one.freedom]
        several = [one for one, _ in each if len(one.tasters) > 1]
        most = max((len(one.tasters) for one in several), default=2)
        self._who = np.full((len(several), most), n)  # the last one stands for nobody
        self._products = np.zeros((len(several), most, most))
        self._freedom = np.array([one.freedom for one in several], dtype=float)
        for at, one in enumerate(several):
            size = len(one.tasters)
            self._who[at, :size] = [place[name] for name in one.tasters]
            self._products[at, :size, :size] = one.products
        self._alone, self._alone_freedom = np.zeros(n), np.zeros(n)
        self._rounding, self._n_scores = np.zeros(n), np.zeros(n, dtype=int)
        for one, rounding in each:
            rows = [place[name] for name in one.tasters]
            self._n_scores[rows] += one.cups
            self._rounding[rows] += one.cups * rounding
            if len(one.tasters) == 1:
                self._alone[rows] += one.products[0][0]
                self._alone_freedom[rows] += one.freedom
        self._rounding /= self._n_scores
        self._n_coffees = np.array(
            [
                sum(
                    any(one.freedom and name in one.tasters for one in mine.shared) for mine in read
                )
                for name in names
            ]
        )
        self._fit()
        self._fit_levels(several)

    def _sum(self, values: Floats) -> Floats:
        """Over cups and coffees, one entry a taster; `values` of the shape of ``who``."""
        n = len(self._names)
        return np.bincount(self._who.ravel(), values.ravel(), n + 1)[:n].astype(np.float64)

    def _fit(self) -> None:
        n, usual = len(self._names), REPEAT_SD**2
        own = np.diagonal(self._products, axis1=1, axis2=2)
        freedom = self._sum(np.broadcast_to(self._freedom[:, None], self._who.shape))
        freedom += self._alone_freedom
        slope, noise = np.ones(n), np.full(n, usual)
        waters = np.full(len(self._freedom), WATERS_SD**2)
        pooled, weight, slope_variance = usual, OWN_WEIGHT, SLOPE_SD**2
        for step in range(_MOST_STEPS):
            before = np.concatenate([slope, noise])
            s, precision = np.append(slope, 0.0)[self._who], np.append(1 / noise, 0.0)[self._who]
            left = 1 / (1 / waters + (s**2 * precision).sum(axis=1))
            shares = s * precision
            heard = np.einsum("kij,kj->ki", self._products, shares)
            with_cup = left[:, None] * heard
            of_cup = self._freedom * left + left**2 * (shares * heard).sum(axis=1)
            told = self._sum(np.broadcast_to(of_cup[:, None], self._who.shape)) / noise
            before_any = 1 / slope_variance
            heard_of = BELIEVED * self._sum(with_cup) / noise
            slope = (before_any + heard_of) / (before_any + BELIEVED * told)
            s = np.append(slope, 0.0)[self._who]
            squares = self._sum(own - 2 * s * with_cup + s**2 * of_cup[:, None]) + self._alone
            noise = (weight * pooled + squares) / (weight + freedom)
            pooled = (REPEAT_WEIGHT + weight * n) / (
                REPEAT_WEIGHT / usual + weight * (1 / noise).sum()
            )
            waters = (COFFEE_WEIGHT * WATERS_SD**2 + of_cup) / (COFFEE_WEIGHT + self._freedom)
            if step % 20 == 19:
                info = BELIEVED * self._information(slope, noise, waters)
                covariance = np.linalg.inv(info + self._before(slope_variance, weight, noise))
                worth = 2 * noise**2 * np.diag(info)[n:]
                seen = noise + weight * (noise - pooled) / np.maximum(worth, 1e-9)
                seen = np.maximum(seen, 0.05 * pooled)
                chances = _prior_weights(seen / pooled, worth)
                weight = float(_WEIGHTS[int(np.argmax(chances))])
                apart = ((slope - slope.mean()) ** 2 + np.diag(covariance)[:n]).sum()
                slope_variance = (USUAL_TASTERS * SLOPE_SD**2 + apart) / (USUAL_TASTERS + n)
                if np.abs(np.concatenate([slope, noise]) / before - 1).max() < _CLOSE:
                    break
        self.slope = slope / slope.mean()
        relative = np.eye(n) - self.slope[:, None] / n
        spread = relative @ covariance[:n, :n] @ relative.T
        self.slope_variance = np.diag(spread) / slope.mean() ** 2
        self.slope_freedom = USUAL_TASTERS + n
        # Jointly with the slopes less is known of the noise than alone.
        worth = np.maximum(2 * noise**2 / np.diag(covariance)[n:] - weight, 0.1)
        self.noise = noise
        self.noise_ends = _quantiles(seen, worth, pooled, chances)

    @staticmethod
    def _before(slope_variance: float, weight: float, noise: Floats) -> Floats:
        """The precision of what is thought of slopes and noise before any score."""
        same = np.full(len(noise), 1 / slope_variance)
        return np.diag(np.concatenate([same, weight / (2 * noise**2)]))

    def _information(self, slope: Floats, noise: Floats, waters: Floats) -> Floats:
        """Fisher's, of all slopes and then all noise variances, each coffee's spread allowed for.

        Of a normal sample with covariance ``waters x slope slope' + noise``; what the spread of a
        coffee's cups is has to be learnt from the same cups.
        """
        n = len(slope)
        total = np.zeros((2 * n, 2 * n))
        total[np.arange(n, 2 * n), np.arange(n, 2 * n)] = self._alone_freedom / (2 * noise**2)
        for who, freedom, spread in zip(self._who, self._freedom, waters, strict=True):
            rows = who[who < n]
            s, m = slope[rows], len(rows)
            inverse = np.linalg.inv(spread * np.outer(s, s) + np.diag(noise[rows]))
            u = inverse @ s
            q = float(s @ u)
            mine = np.empty((2 * m, 2 * m))
            mine[:m, :m] = spread**2 * (np.outer(u, u) + inverse * q)
            mine[:m, m:] = spread * inverse * u
            mine[m:, :m] = mine[:m, m:].T
            mine[m:, m:] = inverse**2 / 2
            of_spread = np.concatenate([spread * q * u, u**2 / 2])
            known = q**2 / 2 + COFFEE_WEIGHT / (2 * spread**2 * freedom)
            mine -= np.outer(of_spread, of_spread) / known
            both = np.concatenate([rows, n + rows])
            total[np.ix_(both, both)] += freedom * mine
        return total

    def _fit_levels(self, several: Sequence[SharedCups]) -> None:
        n = len(self._names)
        normal, right = np.zeros((n, n)), np.zeros(n)
        for who, one in zip(self._who, several, strict=True):
            rows = who[: len(one.tasters)]
            days = TASTER_SESSION_SD**2 / one.sessions + TASTER_FLIGHT_SD**2 / one.flights
            weight = 1 / (days + self.noise[rows] / one.cups)
            level = np.array(one.level)
            inner = np.diag(weight) - np.outer(weight, weight) / weight.sum()
            normal[np.ix_(rows, rows)] += inner
            right[rows] += inner @ level
        spread = TASTER_SD**2
        centre = np.eye(n) - 1 / n
        for _ in range(10):
            covariance = np.linalg.inv(normal + np.eye(n) / spread)
            level = covariance @ right
            spread = USUAL_TASTERS * TASTER_SD**2 + float(level @ level + np.trace(covariance))
            spread /= USUAL_TASTERS + n
        self.level = centre @ level
        self.level_variance = np.diag(centre @ covariance @ centre)

    def of(self, row: int, points: float) -> TasterHistory:
        """What is told of one taster, in points of another scale."""
        low, middle, high = map(float, np.sqrt(self.noise_ends[row]))
        slope, doubt = self.slope[row], np.sqrt(self.slope_variance[row])
        wide = float(stats.t.ppf((1 + INTERVAL) / 2, self.slope_freedom))
        apart = slope / (np.sqrt(2) * middle)
        of_slope, of_noise = wide * doubt / slope, np.log(high / low) / 2
        half = abs(apart) * np.hypot(of_slope, of_noise)
        return TasterHistory(
            taster=self._names[row],
            n_coffees=int(self._n_coffees[row]),
            n_scores=int(self._n_scores[row]),
            level=_told(
                self.level[row] * points, _SURE * np.sqrt(self.level_variance[row]) * points
            ),
            slope=_told(slope, wide * doubt),
            repeat_sd=WithDoubt(value=middle * points, low=low * points, high=high * points),
            tells_apart=WithDoubt(
                value=float(special.ndtr(apart)),
                low=float(special.ndtr(apart - half)),
                high=float(special.ndtr(apart + half)),
            ),
        )

    def panel_noise(self, rows: NDArray[np.intp], usual: PanelNoise, points: float) -> PanelNoise:
        """What to simulate some tasters with, in points of another scale.

        What is not known of them makes simulated tasters more unlike. The simulator rounds for
        itself, so what rounding added to the noise is taken off.
        """
        low, noise, high = self.noise_ends[rows].T
        bare = np.maximum(noise - self._rounding[rows], noise / 4)
        doubt = (np.log(high / low) / (4 * _SURE)) ** 2
        spread = _variance(np.log(bare) / 2) + float(doubt.mean())
        # The mean variance of tasters whose SDs are spread like that is exp(2 spread) larger.
        variance = float((bare * np.exp(2 * doubt)).mean() * np.exp(-2 * spread))
        slopes = _variance(self.slope[rows]) + float(self.slope_variance[rows].mean())
        levels = _variance(self.level[rows]) + float(self.level_variance[rows].mean())
        return replace(
            usual,
            repeat_sd=float(np.sqrt(variance)) * points,
            repeat_spread=float(np.sqrt(spread)),
            sensitivity_sd=float(np.sqrt(slopes)),
            level_sd=float(np.sqrt(levels)) * points,
        )


def _variance(values: Floats) -> float:
    return float(np.var(values, ddof=1)) if len(values) > 1 else 0.0


def _prior_weights(ratio: Floats, worth: Floats) -> Floats:
    """Chances of what the panel's noise is worth against one's own, by how tasters differ.

    A taster's variance over the panel's follows F; the usual weight is as sure beforehand as
    ``WEIGHT_SPREAD`` says. One entry for each of ``_WEIGHTS``.
    """
    each = stats.f.logpdf(ratio[:, None], np.maximum(worth, 0.1)[:, None], _WEIGHTS[None])
    before = stats.norm.logpdf(np.log(_WEIGHTS), np.log(OWN_WEIGHT), WEIGHT_SPREAD)
    logs = each.sum(axis=0) + before
    chances = np.exp(logs - logs.max())
    return np.asarray(chances / chances.sum())


def _quantiles(seen: Floats, worth: Floats, pooled: float, chances: Floats) -> Floats:
    """Low end, median and high end of each taster's noise variance, whatever the panel's is worth.

    Parameters
    ----------
    seen, worth : ndarray, shape (n,)
        A taster's own variance, and the degrees of freedom behind it.
    pooled : float
        The panel's.
    chances : ndarray
        Of each of ``_WEIGHTS``.
    """
    grid = pooled * np.geomspace(0.01, 100, 400)
    df = worth[:, None] + _WEIGHTS
    squares = worth[:, None] * seen[:, None] + _WEIGHTS * pooled
    below = special.gammaincc(df[:, None] / 2, squares[:, None] / (2 * grid[:, None])) @ chances
    ends = ((1 - INTERVAL) / 2, 0.5, (1 + INTERVAL) / 2)
    return np.array([np.exp(np.interp(ends, mine, np.log(grid))) for mine in below])


def _told(value: float, half: float) -> WithDoubt:
    return WithDoubt(value=float(value), low=float(value - half), high=float(value + half))
