"""What plots draw, as frames: cup means per taster, curves, surfaces, labels of the factors."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from scipy.spatial import ConvexHull

from labkit.analysis import Floats, Reading, Slice, WaterMap, cup_points, curve, water_map
from labkit.errors import ReadingError
from labkit.water import COORDINATE, COORDINATES, Target

RATIO_TICKS: Final = (0.0, 0.25, 0.5, 0.75, 1.0)
FINE_RATIO_TICKS: Final = (0.0, 1 / 6, 0.25, 1 / 3, 0.5, 2 / 3, 0.75, 5 / 6, 1.0)
BEYOND: Final = 0.08
"""How far a surface is drawn beyond what was tasted, as a share of the range."""


def coffee_of(reading: Reading) -> str:
    """Name of the coffee read, empty if the scores do not say."""
    return str(reading.scores.frame["coffee"].iloc[0]).strip()


def title_of(reading: Reading, against: str) -> str:
    """What a picture of a reading is called."""
    coffee = coffee_of(reading)
    return (
        f"{coffee}: {reading.scores.attribute} {against}"
        if coffee
        else (f"{reading.scores.attribute.capitalize()} {against}")
    )


def score_label(reading: Reading) -> str:
    """Attribute and scale, for an axis."""
    scale = reading.scores.scale
    return f"{reading.scores.attribute} ({scale})" if scale else reading.scores.attribute


def varied(reading: Reading) -> tuple[str, ...]:
    """Coordinates that varied in these scores."""
    if reading.surface is not None:
        return reading.surface.coding.names
    table = reading.scores.recipes
    return tuple(name for name in COORDINATES if table[name].nunique() > 1)


def check_factor(reading: Reading, factor: str) -> None:
    """Raise :class:`ReadingError` unless the factor varied."""
    names = varied(reading)
    if factor in names:
        return
    known = ", ".join(names) or "none"
    if factor not in COORDINATES:
        raise ReadingError(
            f"factor must be one of {', '.join(COORDINATES)}, got {factor!r}. Choose one that "
            f"varied in these scores: {known}.",
            field="factor",
        )
    level = float(reading.scores.recipes[factor].median())
    raise ReadingError(
        f"factor must be one that varied in these scores ({known}), got {factor!r}, which stayed "
        f"at {COORDINATE[factor].state(level)}. Taste other levels of it first.",
        field="factor",
    )


def amount_range(factor: str, low: float, high: float) -> str:
    """Two levels with their unit: ``'0.20 to 0.45'``, ``'60 to 90 mg/L'``."""
    return f"{low:.{COORDINATE[factor].digits}f} to {COORDINATE[factor].state(high)}"


def ratio_words(mg_share: float) -> str:
    """Ca:Mg by moles for an Mg share, as said at the bench."""
    share = min(1.0, max(0.0, mg_share))
    return Target(mg_share=share, hardness_mg_l_caco3=100, alkalinity_mg_l_caco3=0).ca_mg_ratio_text


def ratio_ticks(low: float, high: float) -> list[float]:
    """Mg shares that have a plain ratio, within a range."""
    inside = [t for t in RATIO_TICKS if low - 0.02 <= t <= high + 0.02]
    if len(inside) >= 3:
        return inside
    return [t for t in FINE_RATIO_TICKS if low - 0.02 <= t <= high + 0.02]


def map_of(reading: Reading) -> WaterMap | None:
    """The map that a reading's recommendation comes with; None if nothing is recommended."""
    if reading.recommended is None:
        return None
    return water_map(reading.scores, recommended=reading.recommended)


def slice_of(reading: Reading, factor: str) -> Slice | None:
    """The map's slice along a factor; None without one."""
    found = map_of(reading)
    slices = () if found is None else found.slices
    return next((one for one in slices if one.factor == factor), None)


def line_of(reading: Reading, factor: str) -> pd.DataFrame:
    """Expected scores against a factor, the others held at the best: ``factor, mean, lo, hi``.

    The slice of the map with its 90 % intervals; where nothing is recommended, as the scale is
    none on which more is known to be better, the fitted surface with its 95 % intervals.
    """
    cut = slice_of(reading, factor)
    if cut is not None:
        return pd.DataFrame(
            {factor: cut.levels, "mean": cut.expected, "lo": cut.low, "hi": cut.high}
        )
    if reading.surface is None:
        raise ReadingError(f"there is no curve to draw against {factor}. Taste more waters.")
    at = reading.best.target if reading.best is not None else None
    return curve(reading.surface, factor, at=at)


def held_levels(reading: Reading, *free: str) -> dict[str, float]:
    """Where the other coordinates are held: at the best water, or where they stayed."""
    if reading.best is not None:
        levels = {name: float(getattr(reading.best.target, name)) for name in COORDINATES}
    else:
        medians = reading.scores.recipes[list(COORDINATES)].median()
        levels = {name: float(medians[name]) for name in COORDINATES}
    return {name: level for name, level in levels.items() if name not in free}


def moved(reading: Reading, *free: str) -> dict[str, float]:
    """Other factors that varied too, with the level at which they are held in a picture."""
    others = set(varied(reading)) - set(free)
    held = held_levels(reading, *free)
    return {name: level for name, level in held.items() if name in others}


def cup_means(
    reading: Reading, *free: str, as_given: bool = False, along: Slice | None = None
) -> pd.DataFrame:
    """One row per taster and recipe: coordinates, ``score``, ``taster``, ``is_control``.

    The level of the taster and of the flight are taken out, so that points and curve can be
    compared, unless scores are wanted as given. Where other factors varied too, scores are moved
    to the level at which those are held: along a slice's own estimate, or else along the surface.
    """
    surface = reading.surface
    if surface is None or as_given:
        frame = reading.scores.frame
    else:
        frame = cup_points(surface)
        frame = frame.assign(score=frame["adjusted"])
    grouped = frame.groupby(["taster", "recipe"], sort=True)
    table = grouped[list(COORDINATES)].first()
    table["score"] = grouped["score"].mean()
    table["is_control"] = grouped["is_control"].any()
    table = table.reset_index()
    others = moved(reading, *free)
    if along is not None:
        by_recipe = dict(zip(reading.scores.recipes["recipe"], along.moved, strict=True))
        table["score"] += table["recipe"].map(by_recipe)
    elif others and surface is not None:
        there = table[list(COORDINATES)].assign(**others)
        table["score"] += surface.mean(there) - surface.mean(table[list(COORDINATES)])
    return table


def water_means(points: pd.DataFrame) -> pd.DataFrame:
    """One row per recipe: coordinates, mean ``score``, ``is_control``."""
    grouped = points.groupby("recipe")
    table = grouped[list(COORDINATES)].first()
    table["score"] = grouped["score"].mean()
    table["is_control"] = grouped["is_control"].any()
    return table.reset_index()


def drawn_range(reading: Reading, factor: str) -> tuple[float, float]:
    """From where to where a surface is drawn: a little beyond what was tasted."""
    tasted = reading.scores.recipes[factor]
    low, high = float(tasted.min()), float(tasted.max())
    more = BEYOND * (high - low)
    return max(0.0, low - more), min(COORDINATE[factor].highest, high + more)


_GRID_STEPS: Final = 61
"""Points along each factor of a surface drawn where nothing is recommended."""


def surface_grid(reading: Reading, across: str, up: str) -> tuple[Floats, Floats, Floats]:
    """Levels across (n,), levels up (m,) and expected scores (m, n); other coordinates held."""
    found = map_of(reading)
    if found is not None:
        return *map_levels(found, across, up), on_plane(found, found.expected, across, up)
    x = np.linspace(*drawn_range(reading, across), _GRID_STEPS)
    y = np.linspace(*drawn_range(reading, up), _GRID_STEPS)
    xx, yy = np.meshgrid(x, y)
    waters = pd.DataFrame({across: xx.ravel(), up: yy.ravel()})
    waters = waters.assign(**held_levels(reading, across, up))
    mean = reading.predict(waters[list(COORDINATES)])["mean"]
    return x, y, mean.to_numpy(dtype=np.float64).reshape(xx.shape)


def map_levels(found: WaterMap, across: str, up: str) -> tuple[Floats, Floats]:
    """Levels of two coordinates of a map."""
    return found.levels[COORDINATES.index(across)], found.levels[COORDINATES.index(up)]


def on_plane(found: WaterMap, values: Floats, across: str, up: str) -> Floats:
    """Values of a map, shape (n_up, n_across), where the third coordinate is as recommended."""
    places = found.place(found.recommended.water)
    keep = (COORDINATES.index(across), COORDINATES.index(up))
    (other,) = {0, 1, 2} - set(keep)
    plane: Floats = np.take(values, places[other], axis=other)
    return plane.T if keep[0] < keep[1] else plane


def distance_outside(tasted: Floats, x: Floats, y: Floats) -> Floats:
    """How far each grid point lies outside the hull of the waters tasted, 0 inside.

    Parameters
    ----------
    tasted : ndarray, shape (n, 2)
        Levels of the two factors.
    x, y : ndarray, shape (n_x,), (n_y,)
        Levels of the grid.

    Returns
    -------
    distance : ndarray, shape (n_y, n_x)
        In shares of the ranges drawn.
    """
    low, size = np.array([x[0], y[0]]), np.array([np.ptp(x), np.ptp(y)])
    points = (tasted - low) / size
    xx, yy = np.meshgrid((x - low[0]) / size[0], (y - low[1]) / size[1])
    if len(points) < 3 or np.linalg.matrix_rank(points - points.mean(axis=0), tol=1e-6) < 2:
        return np.ones_like(xx)
    faces = ConvexHull(points).equations
    signed = np.einsum("fk,kyx->fyx", faces[:, :2], np.stack([xx, yy])) + faces[:, 2, None, None]
    outside: Floats = np.maximum(signed.max(axis=0), 0.0)
    return outside


def jitter(n: int, width: float) -> Floats:
    """Even, repeatable offsets for points that would lie on each other, shape (n,)."""
    golden = 0.61803398875
    return np.asarray(width * ((np.arange(n) * golden) % 1.0 - 0.5), dtype=np.float64)
