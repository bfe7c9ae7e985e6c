"""The waters of a sweep as they can be mixed, with the cautions beside the doses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from labkit.boundary import checked
from labkit.errors import SheetError
from labkit.present import cautions_for, folded, made_figures, ml_of, notes, remarks, table
from labkit.tasting import Sweep, check_reachable
from labkit.water import (
    PURE_WATER,
    SALT_SHARE,
    SALT_SHARES,
    Concentrate,
    Mixing,
    StartWater,
    Water,
    conductivity_us_cm,
    ion_table,
    measured_ml,
    open_shares,
    share_text,
)

_HEADS = {
    "mg_share": "Ca:Mg",
    "hardness_mg_l_caco3": "hardness",
    "alkalinity_mg_l_caco3": "alkalinity",
    **{name: one.words for name, one in SALT_SHARE.items()},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepDoses:
    """What to pour for each water of a sweep."""

    sweep: Sweep
    """The waters, in order."""

    mixings: tuple[Mixing, ...]
    """One for each water."""

    def to_frame(self) -> pd.DataFrame:
        """One row a water: ``{bottle}_ml`` for each bottle used, ``base_ml``, the water reached."""
        rows = []
        for mixing in self.mixings:
            poured = {f"{dose.concentrate.name}_ml": dose.volume_ml for dose in mixing.doses}
            reached = {
                "base_ml": mixing.base_ml,
                "reached_mg_share": mixing.reached.mg_share,
                "reached_hardness_mg_l_caco3": mixing.reached.hardness_mg_l_caco3,
                "reached_alkalinity_mg_l_caco3": mixing.reached.alkalinity_mg_l_caco3,
                "conductivity_25c_us_cm": float(conductivity_us_cm(mixing.reached.vector)[0]),
                **{f"reached_{name}": mixing.reached.salt_shares[name] for name in self._asked},
            }
            rows.append(poured | reached)
        frame = pd.DataFrame(rows, index=self.sweep.to_frame().index)
        unused = [f"{dose.concentrate.name}_ml" for dose in self.mixings[0].doses]
        return frame.drop(columns=[name for name in unused if not frame[name].any()])

    @property
    def _asked(self) -> tuple[str, ...]:
        """The shares of salts that the sweep asks for."""
        shares = {name for target in self.sweep.targets for name in target.salt_shares}
        return tuple(name for name in SALT_SHARES if name in shares)

    def _repr_html_(self) -> str:
        """The doses in a table, remarks and cautions below it."""
        first = self.mixings[0]
        waters = [name for name, _ in first.base_parts]
        doses = [dose.concentrate.name for dose in first.doses]
        used = [i for i in range(len(doses)) if any(m.doses[i].volume_ml for m in self.mixings)]
        varied = [factor.name for factor in self.sweep.varied]
        # What is varied, then what to pour: on a phone the rest may scroll out of sight.
        heads = [name for name in _HEADS if name not in SALT_SHARE or name in self._asked]
        first_columns = [name for name in heads if name in varied]
        last_columns = [name for name in heads if name not in varied]
        rows = []
        for mixing in self.mixings:
            made = made_figures(mixing.reached)
            reached = {
                "mg_share": f"{mixing.target.ca_mg_ratio_text} ({mixing.reached.ca_mg_text})",
                "hardness_mg_l_caco3": made["hardness"],
                "alkalinity_mg_l_caco3": made["alkalinity"],
                **{
                    name: share_text(name, round(mixing.reached.salt_shares[name], 3))
                    for name in self._asked
                },
            }
            rows.append(
                [
                    *(reached[name] for name in first_columns),
                    *(ml_of(mixing, mixing.doses[i]) for i in used),
                    *(f"{measured_ml(volume_ml):.0f}" for _, volume_ml in mixing.base_parts),
                    *(reached[name] for name in last_columns),
                    f"{float(conductivity_us_cm(mixing.reached.vector)[0]):.0f}",
                ]
            )
        head = [
            *(_HEADS[name] for name in first_columns),
            *(f"{doses[i]}, mL" for i in used),
            *(f"{name}, mL" for name in waters),
            *(_HEADS[name] for name in last_columns),
            "µS/cm at 25 °C",
        ]
        said = dict.fromkeys(remark for mixing in self.mixings for remark in remarks(mixing))
        # What is the same in every water is said once, not in a column.
        same = [n for n in range(1, len(head)) if len({row[n] for row in rows}) == 1]
        if len(rows) == 1:
            same = []
        ml = ", mL"
        in_all = "; ".join(
            f"{head[n].removesuffix(ml)} {rows[0][n]}{' mL' * head[n].endswith(ml)}" for n in same
        )
        told = [n for n in range(len(head)) if n not in same]
        return (
            table(
                f"{self.sweep.kind.capitalize()}, for {first.volume_ml:g} mL",
                [head[n] for n in told],
                [[row[n] for n in told] for row in rows],
            )
            + notes([f"In every water: {in_all}."] if in_all else [])
            + notes(["Ca, Mg, hardness and alkalinity in mg/L as CaCO3.", *said, *self._others()])
            + folded("Handle with care", notes(cautions_for("mixing", self.mixings)))
        )

    def _others(self) -> list[str]:
        """What else differs between waters that should differ in one share alone."""
        first, *more = (factor.name for factor in self.sweep.varied)
        if first not in SALT_SHARE:
            return self._moving()
        if more:
            return []
        pairs = {"sulfate_share": ("Na", "K"), "potassium_share": ("Cl", "SO4")}
        meq = [mixing.reached.ions_meq_l for mixing in self.mixings]
        found = []
        for ion in pairs[first]:
            amounts = [one.get(ion, 0.0) for one in meq]
            if max(amounts) - min(amounts) > _NOTABLE_MEQ_L:
                mg_l = [mixing.reached.ions_mg_l.get(ion, 0.0) for mixing in self.mixings]
                found.append(
                    f"{ion_table()[ion].name.capitalize()} differs too between these waters, from "
                    f"{min(mg_l):.0f} to {max(mg_l):.0f} mg/L: what is tasted may come from it. A "
                    f"bottle of {' or '.join(_WOULD_DO[first])} would keep it even."
                )
        return found

    def _moving(self) -> list[str]:
        """The shares of salts that go along with a sweep that does not ask for them."""
        found = []
        for name in open_shares(dose.concentrate for dose in self.mixings[0].doses):
            if name in self._asked:
                continue
            levels = [
                mixing.reached.salt_shares[name]
                for mixing in self.mixings
                if name in mixing.reached.salt_shares
            ]
            if levels and max(levels) - min(levels) > _NOTABLE_SHARE:
                found.append(
                    f"The salts change too, as these bottles are chosen: the "
                    f"{SALT_SHARE[name].words} is {min(levels):.2f} to {max(levels):.2f}. What is "
                    "tasted may come from that. Hold it at one share to keep it even."
                )
        return found


_NOTABLE_SHARE = 0.1
_NOTABLE_MEQ_L = 0.05
_WOULD_DO = {
    "sulfate_share": ("CaSO4·2H2O", "MgSO4·7H2O"),
    "potassium_share": ("KHCO3", "NaHCO3"),
}


@checked(SheetError)
def sweep_doses(
    sweep: Sweep,
    concentrates: Sequence[Concentrate],
    *,
    volume_ml: float = 1000.0,
    base: Water | StartWater = PURE_WATER,
    pipette_ml: float = 0.1,
) -> SweepDoses:
    """Doses for every water of a sweep.

    Parameters
    ----------
    sweep : Sweep
        The waters to try.
    concentrates : sequence of Concentrate
        The bottles at hand.
    volume_ml : float
        Finished volume of each water (mL).
    base : Water or StartWater
        What the doses go into; a blend under its name is listed in parts.
    pipette_ml : float
        Step to which doses are rounded (mL).

    Raises
    ------
    SweepError
        If one of the waters cannot be made from these bottles.
    """
    mixings = check_reachable(
        sweep, concentrates, volume_ml=volume_ml, base=base, pipette_ml=pipette_ml
    )
    return SweepDoses(sweep=sweep, mixings=mixings)
