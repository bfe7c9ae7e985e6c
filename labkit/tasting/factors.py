"""The factors of a brew water, and the way between natural and coded levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labkit.boundary import checked
from labkit.errors import PlanError, SweepError
from labkit.water import COORDINATE, SALT_SHARE, Coordinate


@checked(PlanError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class Factor:
    """One coordinate, or share of the salts, with the range that is explored."""

    name: str
    """A key of :data:`labkit.water.COORDINATE` or :data:`labkit.water.SALT_SHARE`."""

    low: float
    """Natural level that is coded as -1."""

    high: float
    """Natural level that is coded as +1."""

    def __post_init__(self) -> None:
        if self.name not in COORDINATE and self.name not in SALT_SHARE:
            raise SweepError(
                f"name must be one of {', '.join((*COORDINATE, *SALT_SHARE))}, got {self.name!r}. "
                "A water is described by these.",
                field="name",
            )
        if not (np.isfinite(self.low) and np.isfinite(self.high)) or self.low >= self.high:
            raise SweepError(
                f"low must be below high for {self.name}, got {self.low} and {self.high}. "
                "Give the two ends of the range to explore.",
                field="low",
            )
        highest = self._one.highest
        if self.low < 0 or self.high > highest:
            raise SweepError(
                f"{self.name} must be 0 to {highest:g}, got {self.low} to {self.high}. "
                "Keep the range inside what a water can have.",
                field=self.name,
            )

    @property
    def title(self) -> str:
        """Words and unit for an axis or a column head."""
        return self._one.title

    @property
    def _one(self) -> Coordinate:
        return SALT_SHARE[self.name] if self.name in SALT_SHARE else COORDINATE[self.name]

    @property
    def middle(self) -> float:
        """Natural level that is coded as 0."""
        return (self.low + self.high) / 2

    def to_coded(self, natural: ArrayLike) -> NDArray[np.float64]:
        """Coded levels of natural ones; ``low`` is -1 and ``high`` is +1.

        Parameters
        ----------
        natural : array_like, any shape
            Levels in the factor's unit.

        Returns
        -------
        ndarray, the same shape
            Without unit.
        """
        half = (self.high - self.low) / 2
        return np.asarray((np.asarray(natural, dtype=float) - self.middle) / half)

    def to_natural(self, coded: ArrayLike) -> NDArray[np.float64]:
        """Natural levels of coded ones; the inverse of :meth:`to_coded`.

        Parameters
        ----------
        coded : array_like, any shape
            Coded levels, -1 to 1 between ``low`` and ``high``.

        Returns
        -------
        ndarray, the same shape
            In the factor's unit.
        """
        half = (self.high - self.low) / 2
        return np.asarray(self.middle + half * np.asarray(coded, dtype=float))
