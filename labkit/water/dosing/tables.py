"""Many waters at once, as arrays: composition, dosing and equilibrium of whole tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.errors import WaterError
from labkit.shown import Shown
from labkit.water.chemistry.conductivity import conductivity_of, conductivity_us_cm
from labkit.water.chemistry.constants import SETS
from labkit.water.chemistry.equilibrium import AIR_CO2_ATM, MIXED_AT_C, Totals, equilibrate
from labkit.water.chemistry.scale import scale_columns
from labkit.water.salts.ions import IONS
from labkit.water.waters import composition
from labkit.water.waters.water import Water

SCALE_TEMPERATURES_C = (20.0, 93.0, 125.0)
"""Room, brewing and steam boiler (°C)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WaterTable(Shown):
    """Many waters, one a row."""

    ions_mmol_l: NDArray[np.float64]
    """Ions (mmol/L), shape (n, n_ions), in the order of :data:`labkit.water.IONS`."""

    def __post_init__(self) -> None:
        """Refuse wrong shapes and negative amounts."""
        ions = np.array(self.ions_mmol_l, dtype=np.float64)
        if ions.ndim != 2 or ions.shape[1] != len(IONS):
            raise WaterError(
                f"ions_mmol_l must have shape (n, {len(IONS)}), one water a row, got {ions.shape}.",
                field="ions_mmol_l",
            )
        if not np.all(np.isfinite(ions)) or ions.min(initial=0.0) < 0:
            row = int(np.argmin(np.where(np.isfinite(ions), ions, -np.inf).min(axis=1)))
            raise WaterError(
                f"ions_mmol_l must hold numbers of at least 0; row {row} holds "
                f"{ions[row].min():g}.",
                field="ions_mmol_l",
            )
        ions.flags.writeable = False
        object.__setattr__(self, "ions_mmol_l", ions)

    @classmethod
    def of_waters(cls, waters: Iterable[Water]) -> WaterTable:
        """The table of these waters.

        Parameters
        ----------
        waters : iterable of Water
            One row each, in this order.
        """
        rows = [water.vector for water in waters]
        return cls(ions_mmol_l=np.array(rows).reshape(len(rows), len(IONS)))

    def __len__(self) -> int:
        """Number of waters."""
        return len(self.ions_mmol_l)

    def water(self, row: int) -> Water:
        """One of the waters.

        Parameters
        ----------
        row : int
            Its row, counted from 0.
        """
        return Water.of_vector(self.ions_mmol_l[row])

    def composition(self) -> dict[str, NDArray[np.float64]]:
        """Columns that follow by arithmetic alone, each of shape (n,)."""
        ions = self.ions_mmol_l
        return {
            "hardness_mg_l_caco3": composition.hardness(ions),
            "alkalinity_mg_l_caco3": composition.alkalinity(ions),
            "mg_share": composition.mg_share(ions),
            "charge_balance_meq_l": composition.charge_balance(ions),
            "sum_of_ions_mg_l": composition.sum_of_ions(ions),
            "dry_residue_180c_mg_l": composition.dry_residue_180c(ions),
        }

    def chemistry(
        self, temperatures_c: Sequence[float] = SCALE_TEMPERATURES_C
    ) -> dict[str, NDArray[np.float64]]:
        """Columns that need an equilibrium, each of shape (n,).

        pH at 25 °C as mixed and in air, conductivity at 25 °C, and the saturation index of
        calcite at each temperature for the water that stood in air and is heated closed.

        Parameters
        ----------
        temperatures_c : sequence of float
            Temperatures for the saturation index (°C).
        """
        totals = Totals.of_ions(self.ions_mmol_l)
        mixed = equilibrate(totals)
        air = equilibrate(totals, co2_atm=AIR_CO2_ATM)
        columns = {
            "ph_closed": mixed.ph,
            "ph_air": air.ph,
            "conductivity_25c_us_cm": conductivity_of(mixed, self.ions_mmol_l),
        }
        for temperature in temperatures_c:
            hot = equilibrate(air.settled, temperature)
            columns[f"calcite_index_{temperature:g}c"] = hot.saturation_index("calcite")
        return columns

    def scaling(self, temperature_c: float) -> dict[str, NDArray[np.float64]]:
        """Calcite at one temperature, with both ends of the doubt.

        Parameters
        ----------
        temperature_c : float
            Of the water (°C).

        Returns
        -------
        dict of str to ndarray, shape (n,)
            ``index_closed_low``, ``index_closed_high`` and so on for ``index_degassed``,
            ``scale_closed_mg_l`` and ``scale_degassed_mg_l``, as in :func:`labkit.water.scaling`.
        """
        both = [scale_columns(self.ions_mmol_l, temperature_c, constants=one) for one in SETS]
        columns = {}
        for name in both[0]:
            ends = np.array([found[name] for found in both])
            columns[f"{name}_low"], columns[f"{name}_high"] = ends.min(axis=0), ends.max(axis=0)
        return columns

    def conductivity_us_cm(self, temperature_c: float = MIXED_AT_C) -> NDArray[np.float64]:
        """True conductivity at a temperature.

        Parameters
        ----------
        temperature_c : float
            Of the water (°C).

        Returns
        -------
        ndarray, shape (n,)
            In µS/cm, not brought to 25 °C.
        """
        return conductivity_us_cm(self.ions_mmol_l, temperature_c)
