"""What a picture of a surface needs, as frames: its curve and the scores as points."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from labkit.analysis.model.coding import Floats
from labkit.analysis.model.surface import Surface
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.water import COORDINATES, as_coordinates


def _place(surface: Surface, factor: str) -> int:
    if factor not in surface.coding.names:
        raise ReadingError(
            f"factor must be one that varied, got {factor!r}. "
            f"Choose among: {', '.join(surface.coding.names) or 'none did'}.",
            field="factor",
        )
    return surface.coding.names.index(factor)


def _at(surface: Surface, at: Any) -> Floats:
    """The water that the other factors are held at: the given one, or the middle of the ranges."""
    if at is not None:
        return np.asarray(as_coordinates(at)[0])
    middle = surface.coding.decode(np.zeros((1, len(surface.coding.factors))), surface.model.held)
    return np.asarray(middle[0])


@checked(ReadingError)
def curve(
    surface: Surface, factor: str, *, at: Any = None, n: int = 61, level: float = 0.95
) -> pd.DataFrame:
    """Expected score along one factor, over the range tasted.

    Parameters
    ----------
    surface : Surface
        The fitted surface.
    factor : str
        A coordinate that varied.
    at : Target, optional
        Where the other factors are held; the middle of their ranges unless given.
    n : int
        Points.
    level : float
        Coverage of the band at each point (not of the whole curve at once).

    Returns
    -------
    DataFrame
        Coordinates, ``mean, se, df, lo, hi``, ``within_tasted``.
    """
    _place(surface, factor)
    waters = np.tile(_at(surface, at), (n, 1))
    one = surface.coding.factors[surface.coding.names.index(factor)]
    waters[:, COORDINATES.index(factor)] = np.linspace(one.low, one.high, n)
    return surface.predict(waters, level=level)


@checked(ReadingError)
def cup_points(surface: Surface) -> pd.DataFrame:
    """Scores as points to lie over a curve: one row a score.

    Parameters
    ----------
    surface : Surface
        The fitted surface, with its scores.

    Returns
    -------
    DataFrame
        ``taster, recipe, is_control``, coordinates, ``score``, and ``adjusted``: the score with
        the taster's level and the flight taken out, comparable with the panel's curve.
    """
    scores, model = surface.scores, surface.model
    adjusted = (
        scores.score
        - model.fixed[:, model.n_surface :] @ surface.fit.effects.beta[model.n_surface :]
    )
    for component, effects in zip(surface.fit.components, surface.fit.random_effects, strict=True):
        if component.name in ("taster", "session", "flight", "taster:flight"):
            adjusted = adjusted - component.times * effects[component.place]
    columns = ["taster", "recipe", "is_control", *COORDINATES, "score"]
    return scores.frame[columns].assign(adjusted=adjusted)
