"""A simulated panel: planted tasters score waters off a planted surface, for tests and demos."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Final, Self, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from labkit.analysis.model.cleaning import must_be_filled
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.tasting import SCALES, SCORES_COLUMNS, Scale
from labkit.water import COORDINATES, SALT_SHARES, STANDARD_SPAN, as_coordinates

Floats: TypeAlias = NDArray[np.float64]

LIKING: Final = SCALES["liking 1-9"]
"""The scale that simulated panels use unless told otherwise."""

_SERVING_DEFAULTS: Final[dict[str, Any]] = {
    "client": "simulated client",
    "coffee": "simulated coffee",
    "session": "simulated session",
    "is_control": False,
    "is_duplicate": False,
    "serving": "shared bowls",
    "brew_method": "cupping",
    "stage": None,
}
_SERVING_NEEDED: Final = ("flight", "taster", "position", "jug", "water", *COORDINATES)


@checked(ReadingError)
@dataclass(frozen=True, slots=True, kw_only=True)
class PlantedPeak:
    """A surface with one best water; every step away from it costs points, ever less so."""

    best: tuple[float, float, float]
    """Mg share, hardness and alkalinity (mg/L as CaCO3) of the planted best water."""

    effect_points: float = 1.5
    """Points lost far from the best water; 0 plants a coffee to which water is all one."""

    reach: tuple[float, float, float] = (0.45, 70.0, 25.0)
    """Distance along each coordinate at which 39 % of ``effect_points`` is lost."""

    hardness_alkalinity: float = 0.0
    """Between -1 and 1: above 0, harder water wants more alkalinity (a slanting ridge)."""

    def __call__(self, waters: ArrayLike) -> Floats:
        """Points relative to the best water, 0 or below; `waters` of shape (n, 3)."""
        away = (np.atleast_2d(np.asarray(waters, dtype=float)) - self.best) / self.reach
        slant = self.hardness_alkalinity
        tilted = (away[:, 1] ** 2 + away[:, 2] ** 2 - 2 * slant * away[:, 1] * away[:, 2]) / (
            1 - slant**2
        )
        loss: Floats = self.effect_points * np.expm1(-(away[:, 0] ** 2 + tilted) / 2)
        return loss


@checked(ReadingError)
@dataclass(frozen=True, slots=True, kw_only=True)
class PanelNoise:
    """How unlike each other tasters, flights, jugs and repeats are, in points of a 1-9 scale."""

    level_sd: float = 0.5
    """Tasters use the scale higher or lower."""

    sensitivity_sd: float = 0.25
    """Tasters answer more or less strongly, around 1."""

    shift_sd: float = 0.05
    """Tasters like another water best, as a share of the standard span of each coordinate."""

    repeat_sd: float = 0.65
    """The same taster, the same cup, another score."""

    repeat_spread: float = 0.2
    """Tasters repeat themselves better or worse (SD of the log of ``repeat_sd``)."""

    flight_sd: float = 0.15
    """A whole flight is scored higher or lower by everyone."""

    taster_flight_sd: float = 0.15
    """A taster scores one flight higher or lower."""

    jug_sd: float = 0.0
    """A slip in mixing one jug, met by everyone who drinks from it."""

    brew_sd: float = 0.1
    """A slip in brewing: of a shared bowl for everyone, of a cup each for one taster."""

    first_cup: float = 0.15
    """The first cup of a flight is scored this much higher."""

    fading: float = 0.05
    """Every later cup is scored this much lower than the one before."""

    def times(self, factor: float) -> Self:
        """The same noise, everything that is in points multiplied by `factor`.

        Parameters
        ----------
        factor : float
            Above 0, such as how many points of one scale are worth one of another.

        Returns
        -------
        PanelNoise
            Shifts, sensitivities and spreads, which are not in points, stay.
        """
        of_shape = ("sensitivity_sd", "shift_sd", "repeat_spread")
        in_points = [one.name for one in fields(self) if one.name not in of_shape]
        return replace(self, **{name: factor * getattr(self, name) for name in in_points})


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedTaster:
    """One planted taster."""

    name: str
    """As in the column ``taster``."""

    level: float = 0.0
    """Points above or below the panel's level."""

    sensitivity: float = 1.0
    """Multiplies the surface; 0 notices nothing, below 0 likes what others dislike."""

    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """How far this taster's best water lies from the panel's, in the coordinates' units."""

    repeat_sd: float = 0.65
    """Points between repeats of the same cup."""


@checked(ReadingError)
@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedPanel:
    """Planted tasters, a planted surface, and the scale that they score on."""

    tasters: tuple[SimulatedTaster, ...]
    """At least one."""

    surface: Callable[[Floats], Floats]
    """Points relative to the best water for waters of shape (n, 3), as of ``PlantedPeak``."""

    scale: Scale = LIKING
    """Scores are rounded to its steps and clipped to its ends."""

    level: float = 6.8
    """What the panel as a whole would score the best water."""

    noise: PanelNoise = PanelNoise()
    """Only flights, jugs, brews and the order are drawn from it; tasters carry their own."""

    attribute: str = "overall"
    """What is scored."""

    def __post_init__(self) -> None:
        names = [taster.name for taster in self.tasters]
        if not names or len(set(names)) < len(names):
            raise ReadingError(
                f"tasters must be at least one, each named once, got {names}. "
                "Give every simulated taster a name of their own.",
                field="tasters",
            )

    @classmethod
    def draw(
        cls,
        names: Sequence[str],
        surface: Callable[[Floats], Floats],
        *,
        seed: int | np.random.Generator,
        scale: Scale | None = None,
        level: float | None = None,
        noise: PanelNoise | None = None,
        attribute: str = "overall",
    ) -> Self:
        """A panel of chance tasters.

        Parameters
        ----------
        names : sequence of str
            One a taster.
        surface : callable
            Points relative to the best water.
        seed : int or numpy.random.Generator
            Where the tasters come from.
        scale : Scale, optional
            "liking 1-9" unless given.
        level : float, optional
            Score of the best water; 0.725 of the way up the scale unless given.
        noise : PanelNoise, optional
            On `scale`; unless given, the usual noise, in proportion to the scale's width.
        attribute : str
            What is scored.
        """
        rng = np.random.default_rng(seed)
        scale = LIKING if scale is None else scale
        width = scale.highest - scale.lowest
        noise = PanelNoise().times(width / 8) if noise is None else noise
        tasters = tuple(
            SimulatedTaster(
                name=name,
                level=rng.normal(0, noise.level_sd),
                sensitivity=float(np.clip(rng.normal(1, noise.sensitivity_sd), 0.2, 1.8)),
                shift=tuple(rng.normal(0, noise.shift_sd, 3) * STANDARD_SPAN),
                repeat_sd=noise.repeat_sd * float(np.exp(rng.normal(0, noise.repeat_spread))),
            )
            for name in names
        )
        return cls(
            tasters=tasters,
            surface=surface,
            scale=scale,
            level=scale.lowest + 0.725 * width if level is None else level,
            noise=noise,
            attribute=attribute,
        )

    def expected(self, targets: object) -> Floats:
        """What the panel's mean would be over endless repeats of each target.

        Parameters
        ----------
        targets : Target, sequence of Target, DataFrame or array_like of shape (n, 3)
            The waters.

        Returns
        -------
        ndarray, shape (n,)
            In points.
        """
        waters = as_coordinates(targets)
        heard = [
            taster.level + taster.sensitivity * self.surface(waters - taster.shift)
            for taster in self.tasters
        ]
        return np.asarray(self.level + np.mean(heard, axis=0))

    def taste(
        self,
        servings: pd.DataFrame,
        *,
        seed: int | np.random.Generator,
        missing: float = 0.0,
        given_at: dt.datetime = dt.datetime(2025, 3, 3, 9, 0),
    ) -> pd.DataFrame:
        """The scores frame for served cups.

        Parameters
        ----------
        servings : DataFrame
            One row a cup served to a taster: ``flight, taster, position, jug, water, mg_share,
            hardness_mg_l_caco3, alkalinity_mg_l_caco3``, and any further column of the scores
            frame, which is carried over (``session``, ``is_control``, ``serving``...).
        seed : int or numpy.random.Generator
            Where flights, jugs, brews and repeats come from.
        missing : float
            Chance that a score is never given (no row).
        given_at : datetime
            When the first cup is scored; two minutes a cup, a quarter of an hour a flight.

        Returns
        -------
        DataFrame
            Columns ``SCORES_COLUMNS``, one row a score.

        Raises
        ------
        ReadingError
            If a column is missing or a taster is not of this panel.
        """
        rng = np.random.default_rng(seed)
        cups = self._checked(servings)
        noise = self.noise
        by_name = {taster.name: taster for taster in self.tasters}
        heard = np.empty(len(cups))
        repeat = np.empty(len(cups))
        waters = cups[list(COORDINATES)].to_numpy(dtype=float)
        for name, rows in cups.groupby("taster", sort=True).indices.items():
            taster = by_name[str(name)]
            heard[rows] = taster.level + taster.sensitivity * self.surface(
                waters[rows] - taster.shift
            )
            repeat[rows] = taster.repeat_sd
        flight = [cups[name] for name in ("client", "coffee", "session", "flight")]
        own_cup = cups["taster"].where(cups["serving"] == "a cup each", "")
        heard += _shared(flight, noise.flight_sd, rng)
        heard += _shared([*flight, cups["taster"]], noise.taster_flight_sd, rng)
        heard += _shared([*flight[:3], cups["jug"]], noise.jug_sd, rng)
        heard += _shared([*flight, cups["jug"], own_cup], noise.brew_sd, rng)
        heard += repeat * rng.normal(size=len(cups))
        position = cups["position"].to_numpy(dtype=float)
        heard += noise.first_cup * (position == 1) - noise.fading * (position - 1)
        steps = np.rint((self.level + heard - self.scale.lowest) / self.scale.step)
        score = self.scale.lowest + steps * self.scale.step
        cups["score"] = np.clip(score, self.scale.lowest, self.scale.highest)
        cups["attribute"] = self.attribute
        cups["scale"] = self.scale.name
        if "given_at" not in cups:
            minutes = 15 * (pd.factorize(cups["flight"], sort=True)[0]) + 2 * position
            cups["given_at"] = pd.Timestamp(given_at) + pd.to_timedelta(minutes, unit="min")
        given = rng.random(len(cups)) >= missing
        return cups.loc[given, list(SCORES_COLUMNS)].reset_index(drop=True)

    def taste_flights(
        self,
        flights: Sequence[object],
        *,
        seed: int | np.random.Generator,
        missing: float = 0.0,
        session: str = "simulated session",
        first_flight: int = 1,
        control: object | None = None,
    ) -> pd.DataFrame:
        """The scores frame for flights of targets, each served to everyone in a chance order.

        Parameters
        ----------
        flights : sequence
            One entry a flight: targets, a frame with the three coordinates, or an (n, 3) array.
        seed : int or numpy.random.Generator
            Where the orders and the noise come from.
        missing : float
            Chance that a score is never given.
        session : str
            Name of the session.
        first_flight : int
            Number of the first of these flights.
        control : target, optional
            Cups of this recipe are marked ``is_control``.

        Examples
        --------
        >>> rng = np.random.default_rng(7)
        >>> peak = PlantedPeak(best=(0.3, 80, 20))
        >>> panel = SimulatedPanel.draw(["A", "B", "C"], peak, seed=rng)
        >>> scores = panel.taste_flights([[(0.3, 80, 20), (0.9, 180, 50)]], seed=rng)
        >>> scores.groupby("mg_share")["score"].mean().round(2).to_dict()
        {0.3: 7.33, 0.9: 5.33}
        """
        rng = np.random.default_rng(seed)
        reference = None if control is None else as_coordinates(control)[0]
        rows = []
        for number, targets in enumerate(flights, start=first_flight):
            waters = as_coordinates(targets)
            codes = rng.permutation(np.arange(100, 1000))[: len(waters) * len(self.tasters)]
            code = iter(codes)
            for taster in self.tasters:
                for position, cup in enumerate(rng.permutation(len(waters)), start=1):
                    recipe = waters[cup]
                    rows.append(
                        {
                            "flight": number,
                            "taster": taster.name,
                            "position": position,
                            "blind_code": str(next(code)),
                            "jug": f"F{number}J{cup + 1}",
                            "water": "W " + " ".join(f"{level:g}" for level in recipe),
                            **dict(zip(COORDINATES, recipe, strict=True)),
                            "is_control": reference is not None and np.allclose(recipe, reference),
                            "is_duplicate": bool(
                                (np.abs(waters[:cup] - recipe) < 1e-9).all(axis=1).any()
                            ),
                            "session": session,
                        }
                    )
        return self.taste(pd.DataFrame(rows), seed=rng, missing=missing)

    def _checked(self, servings: pd.DataFrame) -> pd.DataFrame:
        absent = [name for name in _SERVING_NEEDED if name not in servings]
        if absent:
            raise ReadingError(
                f"servings must have the columns {', '.join(_SERVING_NEEDED)}, "
                f"got none called {', '.join(absent)}. Add them before tasting.",
                field="servings",
            )
        must_be_filled(servings, _SERVING_NEEDED, "cup")
        strangers = set(servings["taster"]) - {taster.name for taster in self.tasters}
        if strangers:
            raise ReadingError(
                f"taster must be one of this panel, got {sorted(map(str, strangers))}. "
                "Draw a panel with these names or serve its own tasters."
            )
        cups = servings.reset_index(drop=True).copy()
        for name, value in _SERVING_DEFAULTS.items():
            if name not in cups:
                cups[name] = pd.Series([value] * len(cups), dtype=object if value is None else None)
        if "blind_code" not in cups:
            cups["blind_code"] = ""
        for name in ("strength_percent", "extraction_percent", *SALT_SHARES):
            if name not in cups:
                cups[name] = np.nan
        return cups


def _shared(keys: Iterable[pd.Series[Any]], sd: float, rng: np.random.Generator) -> Floats:
    """One normal draw for each distinct combination of `keys`, spread over their rows."""
    group = pd.MultiIndex.from_arrays([key.astype(str) for key in keys]).factorize()[0]
    return np.asarray(rng.normal(0, sd, group.max() + 1 if len(group) else 0)[group])
