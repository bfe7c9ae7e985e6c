"""The second engine: an average over the library's shapes, each with a smooth departure.

A cup's value is a level, plus an amplitude times a shape, plus a Gaussian process that lets the
coffee depart from every shape, plus the noise that the cups carry. Given shape, amplitude and
departure everything is normal, so that their weights and what follows are in closed form.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from labkit.analysis.model.coding import Floats
from labkit.analysis.search.cups import Cups
from labkit.analysis.search.shapes import HILL, TWINS, Shapes, Singles, unit

# In points of a 1-9 scale.
LEVEL_SD: Final = 3.0
AMPLITUDES: Final = np.array([0, 0.25, 0.5, 0.75, 1, 1.3, 1.7, 2.2, 2.8])
AMPLITUDE_CHANCES: Final = np.array([0.08, 0.02, 0.07, 0.15, 0.21, 0.21, 0.18, 0.06, 0.02])
"""Points between the best water and low ones, and how often coffees show that much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """How a coffee may depart from a shape."""

    sd: float
    """In points."""

    length: float
    """Distance over which the departure changes, in shares of the standard ranges."""

    chance: float
    """Before anything was tasted."""

    with_shape: bool = True
    """False: no shape at all, whatever the amplitude; for coffees unlike all of them."""


DEPARTURES: Final = (
    Departure(sd=0.0, length=1.0, chance=0.3),
    Departure(sd=0.15, length=0.4, chance=0.25),
    Departure(sd=0.15, length=0.7, chance=0.25),
    Departure(sd=0.35, length=0.5, chance=0.1),
    Departure(sd=0.3, length=0.5, chance=0.05, with_shape=False),
    Departure(sd=0.5, length=0.5, chance=0.05, with_shape=False),
)

CONTROL_LIKED: Final = 1.0
"""By how much the log odds of a shape rise with its height at the control: a control is a water
that somebody found decent (common practice). Without it the gain over a control that is seldom
poured was overrated: .23 and .31 points stated, .18 and .24 true after one flight and two."""

EVEN_PEAKS: Final = 0.46
"""Weight of hills and twin hills together at which draws expect the loss that comes true."""

PEAKS_COST: Final = 1.2
"""By how much the log of the true loss over the expected one rises with that weight: narrow peaks
hide from a few cups. In four parts of 324 coffees by that weight, .82, .84, .97 and 1.45 of the
loss that draws expect came true (slope 1.2 ± .3; on two simulators 1.7 ± .4 and .9 ± .4)."""

GAIN_COMES_TRUE: Final = 0.65
"""Share of the gain that draws expect of one more flight that comes true: fitted on 198 coffees
(.65 ± .06), and .67 ± .05 on 331 others."""

MOST_SHAPES: Final = 1500
"""Shapes that expected scores average over. They stand for all (``carriers``): the 1500 heaviest
alone would hold .57, .75, .83 and .90 of the weight after flights 1, 2, 3 and 5."""

N_WAVES: Final = 200
"""Waves that make up a drawn departure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeAverage:
    """The weights of shapes, amplitudes and departures after the cups so far."""

    library: Shapes
    """The shapes."""

    cups: Cups
    """What was tasted."""

    centre: float
    """Score around which everything is told."""

    value: Floats
    """Values of the cups around ``centre``, in points of a 1-9 scale, shape (n,)."""

    noise: Floats
    """Their covariance, shape (n, n)."""

    heights: Singles
    """Of every shape at every cup, shape (n, n_shapes)."""

    whiten: tuple[Floats, ...]
    """By departure, the inverse of the Cholesky factor of the cups' covariance, (n, n)."""

    weights: tuple[Singles, ...]
    """By departure, shape (n_shapes, n_amplitudes), or (1, 1) without shape; all sum to 1."""

    @property
    def with_shape(self) -> Singles:
        """Expected amplitude times weight of each shape, shape (n_shapes,)."""
        return np.asarray(
            sum(
                weight @ AMPLITUDES.astype(np.float32)
                for weight, departure in zip(self.weights, DEPARTURES, strict=True)
                if departure.with_shape
            ),
            dtype=np.float32,
        )

    @property
    def of_shapes(self) -> Singles:
        """Weight of each shape over all amplitudes and departures, shape (n_shapes,)."""
        return np.asarray(
            sum(
                weight.sum(axis=1)
                for weight, departure in zip(self.weights, DEPARTURES, strict=True)
                if departure.with_shape
            ),
            dtype=np.float32,
        )

    @property
    def loss_scale(self) -> float:
        """By what the loss that draws expect is multiplied, so that it is the one to come true."""
        peaks = float(self.of_shapes[np.isin(self.library.form, (HILL, TWINS))].sum())
        return float(np.exp(PEAKS_COST * (peaks - EVEN_PEAKS)))

    @property
    def gain_scale(self) -> float:
        """By what the gain that draws expect of a flight is multiplied."""
        return GAIN_COMES_TRUE

    def expected(self, waters: Floats) -> Floats:
        """Expected scores, shape (n,)."""
        standing, worth = carriers(self.with_shape, MOST_SHAPES)
        told = (worth @ self.library.heights(waters, standing)).astype(float)
        if len(self.value):
            u, seen = unit(waters), unit(self.cups.waters)
            for weights, whiten, departure in zip(
                self.weights, self.whiten, DEPARTURES, strict=True
            ):
                chance = float(weights.sum())
                left = self.value * chance
                if departure.with_shape:
                    left = left - self.heights @ (weights @ AMPLITUDES.astype(np.float32))
                pull = whiten.T @ (whiten @ left)
                told += LEVEL_SD**2 * pull.sum() + _kernel(departure, u, seen) @ pull
        return np.asarray(self.centre + self.cups.points * told)

    def draws(self, waters: Floats, n_draws: int, *, rng: np.random.Generator) -> Singles:
        """Possible truths, equally likely, shape (n_draws, n)."""
        which, shape, amplitude = self._pick(n_draws, rng)
        needed, row = np.unique(shape, return_inverse=True)
        told = amplitude.astype(np.float32)[:, None] * self.library.heights(waters, needed)[row]
        u, seen = unit(waters), unit(self.cups.waters)
        for at, departure in enumerate(DEPARTURES):
            mine = np.flatnonzero(which == at)
            level = rng.normal(0, LEVEL_SD, (len(mine), 1))
            at_waters, at_cups = _waves(departure, len(mine), (u, seen), rng)
            told[mine] += level + at_waters
            if not len(self.value):
                continue
            # Matheron's rule: a draw before the data, moved by what the data say against it.
            shown = amplitude[mine, None] * self.heights[:, shape[mine]].T + level + at_cups
            slip = rng.multivariate_normal(
                np.zeros(len(self.value)), self.noise, len(mine), method="cholesky"
            )
            whiten = self.whiten[at]
            pull = (self.value - shown - slip) @ whiten.T @ whiten
            told[mine] += LEVEL_SD**2 * pull.sum(axis=1, keepdims=True) + pull @ _kernel(
                departure, seen, u
            )
        return np.asarray(self.centre + self.cups.points * told, dtype=np.float32)

    def _pick(
        self, n: int, rng: np.random.Generator
    ) -> tuple[NDArray[np.int_], NDArray[np.int_], Floats]:
        """Departure, shape and amplitude of `n` draws, by systematic resampling."""
        flat = np.concatenate([weights.ravel() for weights in self.weights]).astype(float)
        reached = np.cumsum(flat)
        ticks = (rng.random() + np.arange(n)) / n * reached[-1]
        picked = np.minimum(np.searchsorted(reached, ticks), len(flat) - 1)
        starts = np.cumsum([0, *(weights.size for weights in self.weights)])[:-1]
        which = np.searchsorted(starts, picked, side="right") - 1
        shape, amplitude = np.divmod(picked - starts[which], len(AMPLITUDES))
        shaped = np.array([departure.with_shape for departure in DEPARTURES])[which]
        return which, np.where(shaped, shape, 0), np.where(shaped, AMPLITUDES[amplitude], 0.0)


def carriers(weight: Singles, n: int) -> tuple[NDArray[np.int_], Singles]:
    """`n` shapes that stand for all of them, rising, and what each of them weighs.

    The heaviest keep their weight. Of the others every so many-th is taken, in the library's order
    and so of each form and bend in proportion, and they share what these weigh [1]_.

    Parameters
    ----------
    weight : ndarray, shape (n_shapes,)
        Of each shape, 0 or above.
    n : int
        How many.

    References
    ----------
    .. [1] Fearnhead, P., Clifford, P. (2003). On-line inference for hidden Markov models via
       particle filters. J. R. Statist. Soc. B, 65, 887-899 (their optimal resampling).
    """
    if n >= len(weight):
        return np.arange(len(weight)), weight
    heaviest = np.sort(np.partition(weight, -n)[-n:])[::-1].astype(float)
    lighter = max(float(weight.sum(dtype=float)) - heaviest.sum(), 0.0)
    share = (lighter + np.cumsum(heaviest[::-1])[::-1]) / np.arange(n, 0, -1)
    kept = weight > share[int(np.argmax(heaviest <= share))]
    n_taken = n - int(kept.sum())
    reached = np.cumsum(np.where(kept, 0, weight), dtype=float)
    each = reached[-1] / n_taken
    worth = np.zeros_like(weight)
    worth[np.searchsorted(reached, (np.arange(n_taken) + 0.5) * each)] = each
    worth[kept] = weight[kept]
    standing = np.flatnonzero(worth)
    return standing, worth[standing]


def odds_by_control(library: Shapes, control: Floats) -> Floats | None:
    """How likely each shape is before the cups as a control stands, of mean 1; None without one.

    Parameters
    ----------
    library : Shapes
        The shapes.
    control : ndarray, shape (1 or 0, 3)
        Natural coordinates.
    """
    if not len(control):
        return None
    odds = np.exp(CONTROL_LIKED * library.heights(control)[:, 0].astype(float))
    return np.asarray(odds / odds.mean())


def weigh(cups: Cups, library: Shapes, odds: Floats | None = None) -> ShapeAverage:
    """Weigh every shape, amplitude and departure by how well it told the cups so far.

    Before the cups all shapes are as likely, or as `odds` say, of mean 1 and shape (n_shapes,).

    With A the covariance of the values without the shape, a = f'A^-1 f and b = f'A^-1 y, the log
    weight of amplitude s is ``log prior - log|A|/2 - y'A^-1 y/2 + s b - s^2 a/2``.
    """
    n = len(cups.value)
    centre = float(cups.value.mean()) if n else cups.usual
    value = (cups.value - centre) / cups.points
    noise = cups.noise / cups.points**2
    heights = _heights(library, cups.waters)
    seen = unit(cups.waters)
    amplitudes = AMPLITUDES.astype(np.float32)
    prior = np.log(AMPLITUDE_CHANCES / AMPLITUDE_CHANCES.sum() / len(library)).astype(np.float32)
    if odds is not None:
        prior = prior + np.log(odds).astype(np.float32)[:, None]
    whiten, logs = [], []
    for departure in DEPARTURES:
        covariance = noise + LEVEL_SD**2 + _kernel(departure, seen, seen)
        inverse = np.linalg.inv(np.linalg.cholesky(covariance))
        white = inverse @ value
        base = np.log(departure.chance) + np.log(inverse.diagonal()).sum() - white @ white / 2
        if departure.with_shape:
            told = inverse.astype(np.float32) @ heights
            a = np.einsum("ns,ns->s", told, told)
            b = white.astype(np.float32) @ told
            log = b[:, None] * amplitudes - a[:, None] * (amplitudes**2 / 2) + prior
            logs.append(log + np.float32(base))
        else:
            logs.append(np.full((1, 1), base, dtype=np.float32))
        whiten.append(inverse)
    # Taken off before exp, which would overflow.
    highest = max(float(log.max()) for log in logs)
    weights = [np.exp(log - np.float32(highest)) for log in logs]
    total = sum(float(weight.sum(dtype=float)) for weight in weights)
    return ShapeAverage(
        library=library,
        cups=cups,
        centre=centre,
        value=value,
        noise=noise,
        heights=heights,
        whiten=tuple(whiten),
        weights=tuple(weight / np.float32(total) for weight in weights),
    )


def _heights(library: Shapes, waters: Floats) -> Singles:
    """Heights at the cups, each water evaluated once, shape (n, n_shapes)."""
    if not len(waters):
        return np.empty((0, len(library)), dtype=np.float32)
    distinct, at = np.unique(waters, axis=0, return_inverse=True)
    return np.ascontiguousarray(library.heights(distinct).T)[at]


def _kernel(departure: Departure, one: Floats, other: Floats) -> Floats:
    """Squared-exponential covariance of the departure, shape (len(one), len(other))."""
    if departure.sd == 0:
        return np.zeros((len(one), len(other)))
    apart = (one**2).sum(axis=1)[:, None] + (other**2).sum(axis=1) - 2 * one @ other.T
    return np.asarray(departure.sd**2 * np.exp(-apart / (2 * departure.length**2)))


def _waves(
    departure: Departure, n: int, places: tuple[Floats, ...], rng: np.random.Generator
) -> list[Singles]:
    """Departures drawn as sums of random waves, each of shape (n, len(place)).

    Random Fourier features of the kernel (Rahimi & Recht 2007, Random features for large-scale
    kernel machines, NIPS 20).
    """
    if departure.sd == 0:
        return [np.zeros((n, len(place)), dtype=np.float32) for place in places]
    rates = rng.normal(0, 1 / departure.length, (3, N_WAVES))
    phases = rng.uniform(0, 2 * np.pi, N_WAVES)
    sizes = rng.normal(0, departure.sd * np.sqrt(2 / N_WAVES), (n, N_WAVES)).astype(np.float32)
    return [sizes @ np.cos(place @ rates + phases).astype(np.float32).T for place in places]
