"""Shapes that liking may take over the three coordinates: single peaks, ridges and twin hills.

A shape is a quadratic form in bent coordinates, turned into a dome, a hill, a tent or two hills.
Bending an axis makes hardness count by ratios, or lets liking fall off a cliff on one side. Because
only a few bends occur, the shapes that share theirs are evaluated together as one matrix product.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray
from tqdm.auto import tqdm

from labkit.analysis.model.coding import Floats
from labkit.analysis.region import Region
from labkit.water import STANDARD_LOW, STANDARD_SPAN

Singles = NDArray[np.float32]

BENDS: Final = ((-1.5, 0.0, 1.5), (-2.3, -1.2, 0.0, 1.5), (-2.3, -1.0, 0.0, 1.5, 3.0))
"""How an axis may be bent, by coordinate: below 0 the lower end is stretched, as a logarithm would
(-2.3: tenfold), above 0 the upper end."""

BEND_CHANCES: Final = ((0.25, 0.5, 0.25), (0.25, 0.15, 0.4, 0.2), (0.15, 0.1, 0.35, 0.2, 0.2))

DOME, HILL, TENT, TWINS = range(4)
FORM_CHANCES: Final = (0.27, 0.32, 0.19, 0.22)
"""Of domes (-q), hills (exp(-q/2)), tents (-sqrt(1 + 2q)) and twin hills."""

OVERSHOOT: Final = 0.1
"""Peaks lie up to this far outside the standard ranges, in shares of them, so that corners win."""

TRADE_SHARE: Final = 0.5
"""Share of the peaks that lie where the trade usually finds them (common practice); the others may
lie anywhere."""

TRADE_PEAKS: Final = ((0.45, 0.28), (0.40, 0.28))
"""Mean and SD of the trade's hardness and alkalinity, in shares of the standard ranges."""

WIDTHS: Final = {DOME: (0.35, 1.5, 0.35), HILL: (0.22, 0.9, 0.3), TENT: (0.35, 1.5, 0.35)}
"""By form: the ends of a peak's width (log-uniform), and how its axes differ (SD of the log)."""

TWIN_WIDTH: Final = (0.2, 0.6, 0.2)
SECOND_HILL: Final = (0.4, 0.95)
SLANT_SD: Final = 0.35
"""Of the correlations between coordinates."""

RIDGE_SHARE: Final = 0.1
"""Share of the domes and tents that are steep one way and almost level the other ways."""

LEAST_FALL: Final = 0.05
"""Far flanks of a hill fall less than this and stay that flat."""

LOW_WATERS: Final = 0.05
"""A shape is scaled so that this share of the standard grid lies at -1 or below."""


def unit(waters: Floats) -> Floats:
    """Natural coordinates as shares of the standard ranges, shape (n, 3)."""
    return np.asarray((waters - STANDARD_LOW) / STANDARD_SPAN)


def bend(u: Floats, k: NDArray[np.float64] | float) -> Floats:
    """An axis bent so that 0 and 1 stay where they are, ``(e^(k u) - 1) / (e^k - 1)``."""
    straight = np.abs(k) < 1e-9
    rate = np.where(straight, 1.0, k)
    return np.where(straight, u, np.expm1(rate * u) / np.expm1(rate))


@dataclass(frozen=True, slots=True, kw_only=True)
class Shapes:
    """Many shapes, sorted by form and bends."""

    form: NDArray[np.int8]
    """DOME, HILL, TENT or TWINS, rising, shape (n_shapes,)."""

    bends: NDArray[np.int16]
    """Which combination of ``BENDS``, rising within a form, shape (n_shapes,)."""

    quadratic: Singles
    """Of q: constant, linear, squared and mixed coefficients, shape (n_shapes, 10)."""

    second: Singles
    """The same of the second hill of the twins, in their order, shape (n_twins, 10)."""

    second_height: Singles
    """Height of the second hill against the first, shape (n_twins,)."""

    top: Singles
    """Height at the best water of the standard grid, before scaling, shape (n_shapes,)."""

    fall: Singles
    """From there down to the low waters, before scaling, shape (n_shapes,)."""

    def __len__(self) -> int:
        return len(self.form)

    def heights(self, waters: Floats, which: NDArray[np.int_] | None = None) -> Singles:
        """Scaled heights, 0 at the best standard water and -1 at low ones.

        Parameters
        ----------
        waters : ndarray, shape (n, 3)
            Natural coordinates.
        which : ndarray of int, optional
            Shapes asked for, rising; all of them unless given.

        Returns
        -------
        heights : ndarray of float32, shape (n_shapes, n)
        """
        if which is None:
            which = np.arange(len(self))
        raw = self._raw(waters, which)
        raw -= self.top[which, None]
        raw /= self.fall[which, None]
        return raw

    def _raw(self, waters: Floats, which: NDArray[np.int_]) -> Singles:
        features = _features(waters)
        out = np.empty((len(which), len(waters)), dtype=np.float32)
        form, bends = self.form[which], self.bends[which]
        for rows in _runs(bends):
            np.matmul(self.quadratic[which[rows]], features[int(bends[rows.start])], out=out[rows])
        for kind in (DOME, HILL, TENT, TWINS):
            rows = slice(*np.searchsorted(form, [kind, kind + 1]))
            q = out[rows]
            if kind == DOME:
                np.negative(q, out=q)
            elif kind == TENT:
                np.maximum(q, 0, out=q)
                q *= 2
                q += 1
                np.negative(np.sqrt(q, out=q), out=q)
            else:
                q *= np.float32(-0.5)
                np.exp(q, out=q)
        twins = which[rows] - int(np.searchsorted(self.form, TWINS))
        self._add_second_hills(out[rows], twins, bends[rows], features)
        return out

    def _add_second_hills(
        self,
        out: Singles,
        twins: NDArray[np.int_],
        bends: NDArray[np.int16],
        features: dict[int, Singles],
    ) -> None:
        for rows in _runs(bends):
            q = self.second[twins[rows]] @ features[int(bends[rows.start])]
            q *= np.float32(-0.5)
            out[rows] += self.second_height[twins[rows], None] * np.exp(q, out=q)


def _runs(codes: NDArray[np.int16]) -> Iterator[slice]:
    """Stretches of equal codes."""
    ends = np.flatnonzero(np.diff(codes)) + 1
    for start, end in zip([0, *ends], [*ends, len(codes)], strict=True):
        if end > start:
            yield slice(int(start), int(end))


def _features(waters: Floats) -> dict[int, Singles]:
    """Columns of a quadratic form by combination of bends, each of shape (10, n)."""
    u = unit(waters)
    bent = [[bend(u[:, axis], k).astype(np.float32) for k in BENDS[axis]] for axis in range(3)]
    ones = np.ones(len(u), dtype=np.float32)
    return {
        code: np.stack([ones, x, g, a, x * x, g * g, a * a, x * g, x * a, g * a])
        for code, (x, g, a) in enumerate(product(*bent))
    }


def draw_shapes(n_shapes: int, *, rng: np.random.Generator, progress: bool = False) -> Shapes:
    """Chance shapes, as broad as what liking may look like before anything was tasted.

    Parameters
    ----------
    n_shapes : int
        How many.
    rng : numpy.random.Generator
        Where they come from.
    progress : bool
        Whether to show a bar while they are scaled, which takes some seconds.
    """
    codes = [rng.choice(len(k), n_shapes, p=p) for k, p in zip(BENDS, BEND_CHANCES, strict=True)]
    form = rng.choice(4, n_shapes, p=FORM_CHANCES)
    combined = (codes[0] * len(BENDS[1]) + codes[1]) * len(BENDS[2]) + codes[2]
    order = np.lexsort((combined, form))
    form, combined = form[order], combined[order]
    k = np.column_stack([np.array(BENDS[i])[codes[i][order]] for i in range(3)])
    twins = form == TWINS
    n_twins = int(twins.sum())
    shapes = Shapes(
        form=form.astype(np.int8),
        bends=combined.astype(np.int16),
        quadratic=_quadratics(_peaks(n_shapes, rng), _curvatures(form, rng), k),
        second=_quadratics(_peaks(n_twins, rng), _curvatures(form[twins], rng), k[twins]),
        second_height=rng.uniform(*SECOND_HILL, n_twins).astype(np.float32),
        top=np.zeros(n_shapes, dtype=np.float32),
        fall=np.ones(n_shapes, dtype=np.float32),
    )
    return _scaled(shapes, progress=progress)


def _scaled(shapes: Shapes, *, progress: bool) -> Shapes:
    grid = Region().grid
    low = int(LOW_WATERS * len(grid))
    top, fall = np.empty_like(shapes.top), np.empty_like(shapes.fall)
    parts = np.array_split(np.arange(len(shapes)), max(1, len(shapes) // 500))
    for part in tqdm(parts, desc="shape library", unit="part", disable=not progress, leave=False):
        heights = shapes.heights(grid, part)
        top[part] = heights.max(axis=1)
        fall[part] = top[part] - np.partition(heights, low, axis=1)[:, low]
    return replace(shapes, top=top, fall=np.maximum(fall, np.float32(LEAST_FALL)))


def _peaks(n: int, rng: np.random.Generator) -> Floats:
    """Where peaks lie, in shares of the standard ranges, shape (n, 3)."""
    peaks = rng.uniform(-OVERSHOOT, 1 + OVERSHOOT, (n, 3))
    trade = np.flatnonzero(rng.random(n) < TRADE_SHARE)
    for axis, (mean, sd) in enumerate(TRADE_PEAKS, start=1):
        todo = trade
        while len(todo):
            peaks[todo, axis] = rng.normal(mean, sd, len(todo))
            todo = todo[np.abs(peaks[todo, axis] - 0.5) > 0.5 + OVERSHOOT]
    return peaks


def _curvatures(form: NDArray[np.int_], rng: np.random.Generator) -> Floats:
    """Matrices of q around the peak, shape (n, 3, 3)."""
    n = len(form)
    widths = np.empty((n, 3))
    for kind, (narrow, wide, spread) in {**WIDTHS, TWINS: TWIN_WIDTH}.items():
        rows = form == kind
        n_rows = int(rows.sum())
        middle = rng.uniform(np.log(narrow), np.log(wide), (n_rows, 1))
        widths[rows] = np.exp(middle + rng.normal(0, spread, (n_rows, 3)))
    correlation = np.tile(np.eye(3), (n, 1, 1))
    for i, j in ((1, 0), (2, 0), (2, 1)):
        slant = np.clip(rng.normal(0, SLANT_SD, n), -0.85, 0.85)
        correlation[:, i, j] = correlation[:, j, i] = slant
    values, vectors = np.linalg.eigh(correlation)
    correlation = np.einsum("sij,sj,skj->sik", vectors, np.clip(values, 0.1, None), vectors)
    curved = correlation / widths[:, :, None] / widths[:, None, :]
    ridge = np.flatnonzero((rng.random(n) < RIDGE_SHARE) & np.isin(form, (DOME, TENT)))
    across = rng.normal(size=(len(ridge), 3))
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    steep = rng.uniform(1.5, 5, len(ridge))[:, None, None]
    level = steep * rng.uniform(0.03, 0.12, len(ridge))[:, None, None]
    curved[ridge] = (steep - level) * across[:, :, None] * across[:, None, :] + level * np.eye(3)
    return np.asarray(curved)


def _quadratics(peaks: Floats, curved: Floats, k: Floats) -> Singles:
    """Coefficients of ``(v - c)' H (v - c)`` in bent coordinates v, shape (n, 10)."""
    centre = np.column_stack([bend(peaks[:, axis], k[:, axis]) for axis in range(3)])
    pull = np.einsum("sij,sj->si", curved, centre)
    return np.column_stack(
        [
            np.einsum("si,si->s", centre, pull),
            -2 * pull,
            curved[:, [0, 1, 2], [0, 1, 2]],
            2 * curved[:, [0, 0, 1], [1, 2, 2]],
        ]
    ).astype(np.float32)
