"""A water: the ions in it, and what follows from them by arithmetic alone."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.shown import Shown
from labkit.water.given import is_finite
from labkit.water.salts.ions import INDEX, IONS, ion_table
from labkit.water.units import alkalinity_in, hardness_in
from labkit.water.waters import composition


@checked(WaterError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class Water(Shown):
    """What is dissolved in a water, in mmol per litre at 25 °C."""

    calcium_mmol_l: float = 0.0
    """Calcium (mmol/L)."""

    magnesium_mmol_l: float = 0.0
    """Magnesium (mmol/L)."""

    sodium_mmol_l: float = 0.0
    """Sodium (mmol/L)."""

    potassium_mmol_l: float = 0.0
    """Potassium (mmol/L)."""

    chloride_mmol_l: float = 0.0
    """Chloride (mmol/L)."""

    sulfate_mmol_l: float = 0.0
    """Sulfate (mmol/L)."""

    nitrate_mmol_l: float = 0.0
    """Nitrate (mmol/L)."""

    bicarbonate_mmol_l: float = 0.0
    """Bicarbonate as analysed or weighed in (mmol/L)."""

    carbonate_mmol_l: float = 0.0
    """Carbonate as weighed in (mmol/L); most of it turns to bicarbonate in air."""

    hydroxide_mmol_l: float = 0.0
    """Hydroxide as weighed in (mmol/L)."""

    citrate_mmol_l: float = 0.0
    """Citrate (mmol/L)."""

    lactate_mmol_l: float = 0.0
    """Lactate (mmol/L)."""

    gluconate_mmol_l: float = 0.0
    """Gluconate (mmol/L)."""

    def __post_init__(self) -> None:
        """Refuse negative and unreal amounts."""
        for name in FIELDS.values():
            amount = getattr(self, name)
            if type(amount) is float and 0 <= amount < math.inf:
                continue  # nearly always: a check of a jug makes hundreds of waters
            if not is_finite(amount) or amount < 0:
                raise WaterError(
                    f"{name} must be a number of at least 0, got {amount!r}: "
                    "a water cannot hold less than none of an ion.",
                    field=name,
                )
            object.__setattr__(self, name, float(amount))

    @classmethod
    def of_ions(cls, ions_mmol_l: Mapping[str, float]) -> Water:
        """The water with these ions (symbol -> mmol/L).

        Parameters
        ----------
        ions_mmol_l : mapping of str to float
            Symbol of :data:`labkit.water.IONS` -> mmol/L; what is not named is 0.

        Raises
        ------
        WaterError
            If an ion is unknown or an amount impossible.

        Examples
        --------
        >>> Water.of_ions({"Ca": 1.0, "Cl": 2.0}).hardness_mg_l_caco3
        100.086
        """
        unknown = [symbol for symbol in ions_mmol_l if symbol not in INDEX]
        if unknown:
            raise WaterError(
                f"ion {unknown[0]!r} is not known: a water may hold {', '.join(IONS)}.",
                field="ions_mmol_l",
            )
        return cls(**{FIELDS[symbol]: float(amount) for symbol, amount in ions_mmol_l.items()})

    @classmethod
    def of_vector(cls, vector: ArrayLike) -> Water:
        """The water with these ions.

        What rounding in arithmetic leaves just below 0 is taken as 0.

        Parameters
        ----------
        vector : array_like, shape (n_ions,)
            Ions (mmol/L), in the order of :data:`labkit.water.IONS`.

        Raises
        ------
        WaterError
            If the shape does not fit or an amount is impossible.
        """
        amounts = np.asarray(vector, dtype=np.float64)
        if amounts.shape != (len(IONS),):
            raise WaterError(
                f"an ion vector must have {len(IONS)} entries, got shape {amounts.shape}.",
                field="vector",
            )
        dust = 1e-12 * max(1.0, float(np.abs(amounts).max()))
        amounts = np.where((amounts < 0) & (amounts > -dust), 0.0, amounts)
        return cls(**{FIELDS[symbol]: x for symbol, x in zip(IONS, amounts.tolist(), strict=True)})

    @property
    def vector(self) -> NDArray[np.float64]:
        """All ions (mmol/L), in the order of :data:`labkit.water.IONS`."""
        return np.array([getattr(self, FIELDS[symbol]) for symbol in IONS], dtype=np.float64)

    @property
    def ions_mmol_l(self) -> dict[str, float]:
        """The ions that are there (mmol/L), by symbol."""
        return {symbol: float(x) for symbol, x in zip(IONS, self.vector, strict=True) if x}

    @property
    def ions_mg_l(self) -> dict[str, float]:
        """The ions that are there (mg/L of the ion), by symbol."""
        return {s: x * ion_table()[s].molar_mass_g_mol for s, x in self.ions_mmol_l.items()}

    @property
    def ions_meq_l(self) -> dict[str, float]:
        """The ions that are there (meq/L), by symbol."""
        return {s: x * abs(ion_table()[s].charge) for s, x in self.ions_mmol_l.items()}

    @property
    def hardness_mg_l_caco3(self) -> float:
        """General hardness: calcium and magnesium (mg/L as CaCO3)."""
        return float(composition.hardness(self.vector))

    @property
    def calcium_hardness_mg_l_caco3(self) -> float:
        """Calcium alone (mg/L as CaCO3)."""
        return float(composition.calcium_hardness(self.vector))

    @property
    def magnesium_hardness_mg_l_caco3(self) -> float:
        """Magnesium alone (mg/L as CaCO3)."""
        return float(composition.magnesium_hardness(self.vector))

    @property
    def alkalinity_mg_l_caco3(self) -> float:
        """Alkalinity from bicarbonate, carbonate and hydroxide (mg/L as CaCO3)."""
        return float(composition.alkalinity(self.vector))

    @property
    def titratable_alkalinity_mg_l_caco3(self) -> float:
        """What a titration to pH 4.5 finds (mg/L as CaCO3), part of organic anions included."""
        return float(composition.titratable_alkalinity(self.vector))

    @property
    def mg_share(self) -> float:
        """Magnesium's share of the hardness, 0 to 1 by moles; 0 in a water without hardness."""
        return float(composition.mg_share(self.vector))

    @property
    def ca_mg_ratio_text(self) -> str:
        """Calcium to magnesium by moles, as said at the bench: ``"3:1"``."""
        return composition.ca_mg_ratio_text(self.mg_share, self.hardness_mg_l_caco3)

    @property
    def ca_mg_text(self) -> str:
        """Calcium and magnesium in mg/L as CaCO3, as they stand beside the ratio."""
        return composition.ca_mg_text(self.mg_share, self.hardness_mg_l_caco3)

    @property
    def salt_shares(self) -> dict[str, float]:
        """Sulfate's share of chloride and sulfate, potassium's of sodium and potassium, by charge.

        By the names of ``SALT_SHARES``; a share of nothing is left out.
        """
        shares = {
            "sulfate_share": float(composition.sulfate_share(self.vector)),
            "potassium_share": float(composition.potassium_share(self.vector)),
        }
        return {name: share for name, share in shares.items() if share == share}

    @property
    def charge_balance_meq_l(self) -> float:
        """Positive minus negative charge (meq/L): 0 in a water made of salts."""
        return float(composition.charge_balance(self.vector))

    @property
    def sum_of_ions_mg_l(self) -> float:
        """Total dissolved solids as the sum of all ions (mg/L)."""
        return float(composition.sum_of_ions(self.vector))

    @property
    def dry_residue_180c_mg_l(self) -> float:
        """Total dissolved solids as the residue on drying at 180 °C (mg/L), calculated."""
        return float(composition.dry_residue_180c(self.vector))

    def hardness_in(self, unit: str) -> float:
        """General hardness in another unit.

        Parameters
        ----------
        unit : str
            One of :data:`labkit.water.HARDNESS_UNITS`.

        Raises
        ------
        WaterError
            If there is no such unit.
        """
        return hardness_in(self.hardness_mg_l_caco3, unit)

    def alkalinity_in(self, unit: str) -> float:
        """Alkalinity in another unit.

        Parameters
        ----------
        unit : str
            One of :data:`labkit.water.ALKALINITY_UNITS`.

        Raises
        ------
        WaterError
            If there is no such unit.
        """
        return alkalinity_in(self.alkalinity_mg_l_caco3, unit)


FIELDS: dict[str, str] = {
    symbol: field.name for symbol, field in zip(IONS, fields(Water), strict=True)
}
"""Field of :class:`Water` for each ion symbol."""

PURE_WATER = Water()
"""Water with nothing in it: distilled, deionised or good reverse osmosis water."""


@checked(WaterError)
def blend(parts: Iterable[tuple[Water, float]]) -> Water:
    """The water got by pouring these together.

    Parameters
    ----------
    parts : iterable of (Water, float)
        Each water with its volume; only the ratio of the volumes matters.

    Raises
    ------
    WaterError
        If a volume is negative, or all are 0.

    Examples
    --------
    >>> half = blend([(Water(calcium_mmol_l=1.0, chloride_mmol_l=2.0), 1), (PURE_WATER, 1)])
    >>> half.calcium_mmol_l
    0.5
    """
    pairs = list(parts)
    volumes = np.array([volume for _, volume in pairs], dtype=np.float64)
    if not pairs or not np.all(np.isfinite(volumes)) or volumes.min() < 0 or volumes.sum() == 0:
        raise WaterError(
            f"volumes to blend must be at least 0 and not all 0, got {volumes.tolist()}: "
            "give each water with its volume.",
            field="parts",
        )
    vectors = np.array([water.vector for water, _ in pairs])
    return Water.of_vector(volumes @ vectors / volumes.sum())
