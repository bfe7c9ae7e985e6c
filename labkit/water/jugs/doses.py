"""A mixed jug or tank as doses: what went in, and how far each dose may be off."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.water.bottles.concentrates import ASSAY_HALF_WIDTH_PERCENT, Concentrate
from labkit.water.bottles.solubility import solution_density_kg_l
from labkit.water.chemistry.conductivity import conductivity_us_cm
from labkit.water.chemistry.equilibrium import MIXED_AT_C
from labkit.water.dosing.direct import TankMixing
from labkit.water.dosing.mixing import Mixing
from labkit.water.dosing.shares import COORDINATES
from labkit.water.jugs.readings import (
    DropKit,
    ExpectedDrops,
    ExpectedMeter,
    expected_drops,
    expected_meter,
)
from labkit.water.uncertainty import ANALYSIS_HALF_WIDTH_PERCENT, COVERAGE, expanded
from labkit.water.units import CACO3_G_MOL, MG_L_CACO3_PER_MEQ
from labkit.water.waters.water import Water

Recipe = Mixing | TankMixing
"""One water in one volume, from concentrates or straight from salts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Doses:
    """The doses of a recipe as arrays, so that many ways of pouring them cost one calculation."""

    sources: tuple[str, ...]
    """What each dose comes from; those that the recipe leaves out are dosed 0."""

    unit: str
    """Unit of the amounts: mL or g."""

    amounts: NDArray[np.float64]
    """As the recipe says, shape (n,)."""

    adds: NDArray[np.float64]
    """Ions in a mL (µmol) or in a gram (mmol) of each, shape (n, n_ions)."""

    strengths: NDArray[np.float64]
    """Expanded relative uncertainty (k = 2) of what a unit holds, shape (n,)."""

    steps: NDArray[np.float64]
    """Step to which each amount is read on the pipette or the balance, shape (n,)."""

    base: Water
    """The water they go into."""

    finished: float
    """Volume aimed at: mL of a jug, litres of a tank."""

    base_ml: float | None
    """Base poured whatever the doses (mL); None if it fills up to the volume."""

    displaces: bool
    """Whether a dose takes the place of base water: a concentrate does, a salt does not."""

    def waters(
        self, poured: NDArray[np.float64], bases: Sequence[Water]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Waters got from other amounts or another base.

        Parameters
        ----------
        poured : ndarray, shape (n_ways, n)
            Amounts really taken.
        bases : sequence of Water
            What each way was filled up with.

        Returns
        -------
        vectors : ndarray, shape (n_ways, n_ions)
            Ions (mmol/L).
        volumes : ndarray, shape (n_ways, 1)
            What each way gives, in the unit of :attr:`finished`.
        """
        start = np.array([base.vector for base in bases])
        if not self.displaces:
            volumes = np.full((len(poured), 1), self.finished)
            return start + poured @ self.adds / volumes, volumes
        taken = poured.sum(axis=1)[:, None]
        if self.base_ml is None:
            base_ml = np.maximum(self.finished - taken, 0.0)
        else:
            base_ml = np.full_like(taken, self.base_ml)
        volumes = taken + base_ml
        return (poured @ self.adds + base_ml * start) / volumes, volumes

    def shifts(
        self,
        poured: NDArray[np.float64],
        vectors: NDArray[np.float64],
        volumes: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        """How far each dose, and the base after them, may move the ions (mmol/L), k = 2.

        Parameters
        ----------
        poured, vectors, volumes : ndarray
            Amounts taken, and what :meth:`waters` got from them.

        Returns
        -------
        shifts : ndarray, shape (n_ways, n + 1, n_ions)
            The last is of the base, all ions of which its analysis may have by as much too low.
        """
        read = COVERAGE * self.steps / math.sqrt(12)
        off = np.where(poured > 0, np.hypot(poured * self.strengths, read), 0.0)
        by_doses = (off / volumes)[:, :, None] * self.adds
        from_base = vectors - poured @ self.adds / volumes
        analysis = expanded(ANALYSIS_HALF_WIDTH_PERCENT) / 100
        return np.concatenate([by_doses, analysis * from_base[:, None]], axis=1)

    def spreads(
        self, vectors: NDArray[np.float64], shifts: NDArray[np.float64]
    ) -> dict[str, NDArray[np.float64]]:
        """Expanded uncertainty (k = 2) of what drops find in mixed waters, each of shape (n_ways,).

        Returns
        -------
        spreads : dict
            ``hardness`` and ``alkalinity`` (mg/L as CaCO3), from strengths, from pipette or
            balance and from the base's analysis, all independent.
        """
        calcium, magnesium, alkalinity = np.moveaxis(shifts @ COORDINATES.T, 2, 0)
        each = {
            "hardness": (calcium + magnesium) * CACO3_G_MOL,
            "alkalinity": alkalinity * MG_L_CACO3_PER_MEQ,
        }
        return {name: np.sqrt((moves**2).sum(axis=1)) for name, moves in each.items()}

    def meter_spread(
        self, vectors: NDArray[np.float64], shifts: NDArray[np.float64], temperature_c: float
    ) -> NDArray[np.float64]:
        """The same of the conductivity (µS/cm), shape (n_ways,)."""
        ways, n, ions = shifts.shape
        moved = (vectors[:, None, :] + shifts).reshape(ways * n, ions)
        there = conductivity_us_cm(np.concatenate([vectors, moved]), temperature_c)
        here, there = there[:ways, None], there[ways:].reshape(ways, n)
        return np.asarray(np.sqrt(((there - here) ** 2).sum(axis=1)))


def doses_of(recipe: Recipe, *, other_bottles: Sequence[Concentrate] = ()) -> Doses:
    """The doses of a recipe, with bottles beside it that it does not use.

    Parameters
    ----------
    recipe : Mixing or TankMixing
        What should be made.
    other_bottles : sequence of Concentrate
        Bottles within reach that might be taken by mistake, or where salts are weighed their salts;
        those of the recipe are left out.
    """
    if isinstance(recipe, TankMixing):
        weighed = {portion.salt.label for portion in recipe.portions}
        salts = {bottle.salt.label: bottle for bottle in other_bottles}
        others = [bottle for label, bottle in salts.items() if label not in weighed]
        n = len(recipe.portions) + len(others)
        return Doses(
            sources=(
                *(portion.salt.label for portion in recipe.portions),
                *(bottle.salt.label for bottle in others),
            ),
            unit="g",
            amounts=np.array([portion.mass_g for portion in recipe.portions] + [0.0] * len(others)),
            adds=np.array(
                [portion.mmol_per_g for portion in recipe.portions]
                + [
                    1000 * bottle.purity / bottle.salt.molar_mass_g_mol * bottle.salt.vector
                    for bottle in others
                ]
            ),
            strengths=np.full(n, expanded(ASSAY_HALF_WIDTH_PERCENT) / 100),
            steps=np.full(n, 2 * recipe.balance_g),  # the difference of two displays
            base=recipe.base,
            finished=recipe.volume_l,
            base_ml=None,
            displaces=False,
        )
    poured = [dose.concentrate for dose in recipe.doses]
    known = {bottle.name for bottle in poured}
    beside = [bottle for bottle in other_bottles if bottle.name not in known]
    bottles = [*poured, *beside]
    by_balance = recipe.balance_g
    return Doses(
        sources=tuple(bottle.name for bottle in bottles),
        unit="mL",
        amounts=np.array([dose.volume_ml for dose in recipe.doses] + [0.0] * len(beside)),
        adds=np.array([bottle.vector for bottle in bottles]),
        strengths=np.array([bottle.uncertainty_percent / 100 for bottle in bottles]),
        steps=np.array(
            [
                recipe.pipette_ml
                if by_balance is None
                else by_balance / solution_density_kg_l(bottle.vector)
                for bottle in bottles
            ]
        ),
        base=recipe.base,
        finished=recipe.volume_ml,
        base_ml=None if recipe.filling == "made up to" else recipe.base_ml,
        displaces=True,
    )


def meter_of(recipe: Recipe, **meter: Any) -> ExpectedMeter:
    """What a meter should show in a jug, within strengths, pipette or balance, base and meter.

    Parameters
    ----------
    recipe : Mixing or TankMixing
        What was made.
    **meter : Any
        Temperature, factor and compensation, as :func:`labkit.water.expected_meter` takes them.

    Raises
    ------
    WaterError
        If a figure is impossible.
    """
    doses, vectors, shifts = _as_meant(recipe)
    spread = doses.meter_spread(vectors, shifts, meter.get("temperature_c", MIXED_AT_C))
    return expected_meter(recipe.reached, **meter, spread_us_cm=float(spread[0]))


@checked(WaterError)
def drops_of(
    recipe: Recipe,
    quantity: Literal["hardness", "alkalinity"],
    *,
    kit: DropKit,
    sample_ml: float | None = None,
) -> ExpectedDrops:
    """How many drops it should take, within strengths, pipette or balance, base and drops.

    Parameters
    ----------
    recipe : Mixing or TankMixing
        What was made.
    quantity : {"hardness", "alkalinity"}
        What the kit titrates.
    kit : DropKit
        The kit.
    sample_ml : float, optional
        Sample taken (mL); the kit's own if not given.

    Raises
    ------
    WaterError
        If a figure is impossible.
    """
    doses, vectors, shifts = _as_meant(recipe)
    spread = doses.spreads(vectors, shifts).get(quantity, np.zeros(1))
    return expected_drops(
        recipe.reached,
        quantity,
        kit=kit,
        sample_ml=sample_ml,
        spread_mg_l_caco3=float(spread[0]),
    )


def _as_meant(recipe: Recipe) -> tuple[Doses, NDArray[np.float64], NDArray[np.float64]]:
    doses = doses_of(recipe)
    poured = doses.amounts[None, :]
    vectors, volumes = doses.waters(poured, [doses.base])
    return doses, vectors, doses.shifts(poured, vectors, volumes)
