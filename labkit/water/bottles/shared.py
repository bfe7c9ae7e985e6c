"""Salts that share a bottle: whether they may, by the saturation of what could fall out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import ConcentrateError
from labkit.shown import Shown
from labkit.water.bottles.concentrates import Concentrate
from labkit.water.chemistry.equilibrium import (
    AIR_CO2_ATM,
    MINERALS,
    MIXED_AT_C,
    Totals,
    equilibrate,
)
from labkit.water.salts.ions import INDEX

Compatibility = Literal["may share", "borderline", "never"]
"""What the saturation says about sharing a bottle."""

OPEN_LIMIT = 0.3
"""Saturation index in air up to which a bottle is called borderline: it loses CO2 slowly."""

CLOSE = 0.1
"""Distance to saturation (index), on either side, within which a bottle is called borderline."""

_CITRATE_MMOL_L = 2.0
_GAINED = {"calcite": "Ca", "gypsum": "Ca", "nesquehonite": "Mg"}


@dataclass(frozen=True, slots=True, kw_only=True)
class BottleSaturation:
    """How near one mineral is to falling out of a bottle."""

    mineral: str
    """Name of the mineral."""

    index_closed: float
    """Saturation index at 25 °C in a full, closed bottle; above 0 it can fall out."""

    index_open: float
    """Saturation index at 25 °C in a bottle left open to air."""

    lost_closed_percent: float
    """Share of its metal that can fall out, closed (%)."""

    lost_open_percent: float
    """Share of its metal that can fall out, open to air (%)."""

    @property
    def verdict(self) -> Compatibility:
        """What this mineral says about the bottle."""
        if self.index_closed > CLOSE or self.index_open > OPEN_LIMIT:
            return "never"
        return "borderline" if max(self.index_closed, self.index_open) > -CLOSE else "may share"


def bottle_saturation(ions_mmol_l: NDArray[np.float64]) -> tuple[BottleSaturation, ...]:
    """Saturation of a bottle with every mineral that its ions could make.

    Parameters
    ----------
    ions_mmol_l : ndarray, shape (n_ions,)
        What the bottle holds.
    """
    return _saturation(tuple(ions_mmol_l.tolist()))


@lru_cache(maxsize=256)  # the same jug is looked at for its sheet, its labels and its cautions
def _saturation(ions: tuple[float, ...]) -> tuple[BottleSaturation, ...]:
    ions_mmol_l = np.array(ions)
    totals = Totals.of_ions(ions_mmol_l)
    closed = equilibrate(totals)
    air = equilibrate(totals, co2_atm=AIR_CO2_ATM)
    found = []
    for mineral, metal in _GAINED.items():
        anion = "SO4" if mineral == "gypsum" else "HCO3"
        carbonate = ions_mmol_l[INDEX["HCO3"]] + ions_mmol_l[INDEX["CO3"]]
        other = ions_mmol_l[INDEX["SO4"]] if anion == "SO4" else carbonate
        amount = ions_mmol_l[INDEX[metal]]
        if not (amount and other):
            continue
        index = [float(rest.saturation_index(mineral)[0]) for rest in (closed, air)]
        lost = []
        for value, co2 in zip(index, (None, AIR_CO2_ATM), strict=True):
            if value <= 0:
                lost.append(0.0)
                continue
            place = MINERALS[mineral][0]
            left = equilibrate(totals, MIXED_AT_C, co2_atm=co2, mineral=mineral).settled
            lost.append(float(100 * (1 - left.components[0, place] / totals.components[0, place])))
        found.append(
            BottleSaturation(
                mineral=mineral,
                index_closed=index[0],
                index_open=index[1],
                lost_closed_percent=lost[0],
                lost_open_percent=lost[1],
            )
        )
    return tuple(found)


METASTABLE_INDEX = 0.3
"""Saturation index above which a mixed water should be used at once."""


def clouding(ions_mmol_l: NDArray[np.float64]) -> tuple[BottleSaturation, ...]:
    """The minerals that a mixed water may drop in the jug.

    Parameters
    ----------
    ions_mmol_l : ndarray
        What is dissolved (mmol/L), in the order of ``IONS``.
    """
    return tuple(
        found for found in bottle_saturation(ions_mmol_l) if found.index_closed > METASTABLE_INDEX
    )


@checked(ConcentrateError)
@dataclass(frozen=True, slots=True, kw_only=True)
class SharedBottle(Shown):
    """Several salts dissolved in one bottle, which stays clear by calculation."""

    parts: tuple[Concentrate, ...]
    """Each salt with the strength it has in the finished bottle."""

    name: str = ""
    """What stands on the bottle; the salts' labels if empty."""

    def __post_init__(self) -> None:
        """Refuse salts that fall out of the bottle."""
        if not self.parts:
            raise ConcentrateError("parts must hold at least one salt, got none.", field="parts")
        if not self.name:
            object.__setattr__(self, "name", " + ".join(part.name for part in self.parts))
        for found in self.saturation:
            if found.verdict == "never":
                raise ConcentrateError(
                    f"{self.name} cannot share a bottle at this strength: {found.mineral} has a "
                    f"saturation index of {found.index_closed:+.2f} closed and "
                    f"{found.index_open:+.2f} in air, and up to {found.lost_open_percent:.0f} % of "
                    f"its {_GAINED[found.mineral]} can fall out. Keep them in two bottles.",
                    field="parts",
                )
        vector = self.vector
        if min(vector[INDEX["Ca"]], vector[INDEX["citrate"]]) > _CITRATE_MMOL_L:
            raise ConcentrateError(
                f"{self.name} cannot share a bottle at this strength: calcium citrate is above "
                "saturation (index about +0.8 at single strength, computed with minteq.v4.dat). "
                "Keep them in two bottles.",
                field="parts",
            )

    @property
    def vector(self) -> NDArray[np.float64]:
        """Ions in the bottle (mmol/L), in the order of :data:`labkit.water.IONS`."""
        total: NDArray[np.float64] = np.array([part.vector for part in self.parts]).sum(axis=0)
        return total

    @property
    def uncertainty_percent(self) -> float:
        """Expanded uncertainty (k = 2) of the strength (%): that of the least sure salt."""
        return max(part.uncertainty_percent for part in self.parts)

    @property
    def saturation(self) -> tuple[BottleSaturation, ...]:
        """How near each mineral is to falling out."""
        return bottle_saturation(self.vector)

    @property
    def borderline(self) -> tuple[BottleSaturation, ...]:
        """The minerals that are near to falling out."""
        return tuple(found for found in self.saturation if found.verdict == "borderline")
