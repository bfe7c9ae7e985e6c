"""Coffees to search on: planted surfaces of nine kinds, drawn by number, with a panel for each.

Written for this benchmark and unlike the shapes that the engine averages over: other forms, other
distributions. A surface gives points relative to its best water on the standard grid, 0 or below.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.analysis.region import Region
from labkit.analysis.search.simulate import LIKING, PanelNoise, SimulatedPanel
from labkit.tasting.scales import Scale
from labkit.water import STANDARD_LOW, STANDARD_SPAN

Floats = NDArray[np.float64]
Raw = Callable[[Floats], Floats]

GRID = Region().grid
CONTROL = (0.5, 100.0, 30.0)


def _best(rng: np.random.Generator) -> Floats:
    """Where a coffee's best water lies, in shares of the standard ranges."""
    usual = rng.random() < 0.5
    hardness, alkalinity = rng.beta(2.5, 3, 2) if usual else rng.random(2)
    return np.array([rng.uniform(0.05, 0.95), hardness, alkalinity])


def _tilted(rng: np.random.Generator, narrow: float, wide: float) -> Floats:
    """Curvature with widths between the two and axes turned at random by up to 45 degrees."""
    turn = np.eye(3)
    for i, j in ((0, 1), (0, 2), (1, 2)):
        angle = rng.uniform(-np.pi / 4, np.pi / 4)
        step = np.eye(3)
        step[[i, j], [i, j]] = np.cos(angle)
        step[i, j], step[j, i] = -np.sin(angle), np.sin(angle)
        turn = turn @ step
    return turn @ np.diag(rng.uniform(narrow, wide, 3) ** -2) @ turn.T


def _quadratic(u: Floats, best: Floats, curved: Floats) -> Floats:
    return np.einsum("ni,ij,nj->n", u - best, curved, u - best)


def dome(rng: np.random.Generator) -> Raw:
    best, curved = _best(rng), _tilted(rng, 0.6, 1.6)
    return lambda u: -_quadratic(u, best, curved)


def hill(rng: np.random.Generator) -> Raw:
    best, curved = _best(rng), _tilted(rng, 0.25, 0.65)
    return lambda u: 1 / (1 + _quadratic(u, best, curved))


def slanting_ridge(rng: np.random.Generator) -> Raw:
    """Alkalinity has to follow hardness; along the ridge little changes."""
    best = _best(rng)
    slope, across, along = rng.uniform(0.3, 1.2), rng.uniform(2, 6), rng.uniform(0.05, 0.4)

    def raw(u: Floats) -> Floats:
        off = u[:, 2] - best[2] - slope * (u[:, 1] - best[1])
        return -across * off**2 - along * ((u[:, :2] - best[:2]) ** 2).sum(axis=1)

    return raw


def cliff(rng: np.random.Generator) -> Raw:
    """Beyond some alkalinity the cup turns lifeless within little."""
    best = _best(rng)
    sharp, deep = rng.uniform(8, 25), rng.uniform(0.6, 1.5)
    curved = _tilted(rng, 0.7, 1.8)
    edge = best[2] + rng.uniform(0.05, 0.2)

    def raw(u: Floats) -> Floats:
        return -deep / (1 + np.exp(-sharp * (u[:, 2] - edge))) - _quadratic(u, best, curved)

    return raw


def corner(rng: np.random.Generator) -> Raw:
    """All of one and none of the other: the best lies in a corner."""
    at = rng.integers(0, 2, 3).astype(float)
    weight, power = rng.uniform(0.2, 1.0, 3), rng.uniform(0.8, 1.6, 3)
    return lambda u: -(weight * np.abs(u - at) ** power).sum(axis=1)


def two_hills(rng: np.random.Generator) -> Raw:
    first, second = _best(rng), _best(rng)
    while np.linalg.norm(first - second) < 0.5:
        second = _best(rng)
    curved, other = _tilted(rng, 0.22, 0.45), _tilted(rng, 0.22, 0.45)
    lower = rng.uniform(0.5, 0.9)
    return lambda u: np.maximum(
        np.exp(-_quadratic(u, first, curved) / 2),
        lower * np.exp(-_quadratic(u, second, other) / 2),
    )


def wavy(rng: np.random.Generator) -> Raw:
    """No peak by design: a sum of slow waves."""
    rates, phases = rng.normal(0, 2.2, (3, 60)), rng.uniform(0, 2 * np.pi, 60)
    return lambda u: np.cos(u @ rates + phases).sum(axis=1)


def off_the_map(rng: np.random.Generator) -> Raw:
    """Best where the trade would not look: hard and alkaline."""
    best = np.array([rng.random(), rng.uniform(0.8, 1.05), rng.uniform(0.75, 1.05)])
    curved = _tilted(rng, 0.3, 0.9)
    return lambda u: -np.sqrt(1 + _quadratic(u, best, curved))


def with_best_at(best: Floats, rng: np.random.Generator) -> Raw:
    """A dome or a hill with its best water there, in shares of the standard ranges."""
    if rng.random() < 0.5:
        curved = _tilted(rng, 0.6, 1.6)
        return lambda u: -_quadratic(u, best, curved)
    narrow = _tilted(rng, 0.25, 0.65)
    return lambda u: 1 / (1 + _quadratic(u, best, narrow))


def flat(rng: np.random.Generator) -> Raw:
    return lambda u: np.zeros(len(u))


KINDS: dict[str, Callable[[np.random.Generator], Raw]] = {
    "dome": dome,
    "hill": hill,
    "slanting ridge": slanting_ridge,
    "cliff": cliff,
    "corner": corner,
    "two hills": two_hills,
    "wavy": wavy,
    "off the map": off_the_map,
    "flat": flat,
}

STRANGE = ("wavy", "off the map")
"""Kinds that no engine was made for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """A kind's surface, scaled to points of the scale, 0 at the best water of the grid."""

    raw: Raw
    top: float
    stretch: float

    def __call__(self, waters: Floats) -> Floats:
        u = (np.atleast_2d(waters) - STANDARD_LOW) / STANDARD_SPAN
        return np.asarray((self.raw(u) - self.top) * self.stretch)


def planted(raw: Raw, effect: float) -> Planted:
    """The surface that falls by so many points from its best water to low ones."""
    heights = raw((GRID - STANDARD_LOW) / STANDARD_SPAN)
    top = float(heights.max())
    span = top - float(np.quantile(heights, 0.05))
    return Planted(raw=raw, top=top, stretch=0.0 if span == 0 else effect / span)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coffee:
    """One planted coffee with the panel that tastes it."""

    kind: str
    number: int
    surface: Planted
    panel: SimulatedPanel

    def regret(self, water: Floats) -> float:
        """Points that serving this water gives away."""
        return float(-self.surface(np.asarray(water))[0])


def draw_coffee(
    kind: str,
    number: int,
    *,
    seed: int,
    n_tasters: int = 4,
    noise: float = 1.0,
    scale: Scale = LIKING,
) -> Coffee:
    """The coffee of that kind and number; the same for every strategy that is compared."""
    rng = np.random.default_rng([seed, zlib.crc32(kind.encode()), number])
    raw = KINDS[kind](rng)
    width = (scale.highest - scale.lowest) / 8
    surface = planted(raw, rng.uniform(0.5, 2.0) * width)
    panel = SimulatedPanel.draw(
        [f"taster {i + 1}" for i in range(n_tasters)],
        surface,
        seed=rng,
        scale=scale,
        level=scale.lowest + rng.uniform(0.66, 0.78) * (scale.highest - scale.lowest),
        noise=PanelNoise(repeat_sd=rng.uniform(0.5, 0.8) * noise).times(width),
    )
    return Coffee(kind=kind, number=number, surface=surface, panel=panel)
