"""PHREEQC (Python package phreeqc 1.1.1, IPhreeqc 3.8.6) asked the same questions as labkit."""

from __future__ import annotations

import math

import numpy as np
from phreeqc import Phreeqc

from labkit.water.chemistry.equilibrium import AIR_CO2_ATM
from labkit.water.salts.ions import INDEX
from labkit.water.units import CACO3_G_MOL

KG_L = 0.99705
"""Density of water at 25 °C, to turn mmol/L into mmol per kg of water."""

DATABASES = {"1982": "wateq4f.dat", "2024": "phreeqc.dat"}
"""Database with the same calcite and bicarbonate-pair constants as each set of labkit."""

# phreeqc.dat of 3.7.3, which the reference columns were made with, has this CaSO4 pair; the
# wateq4f.dat of today has another. With it the constants of both sides are the same.
_SAME_PAIR = "SOLUTION_SPECIES\nCa+2 + SO4-2 = CaSO4\n log_k 2.25\n delta_h 1.325 kcal\nEND\n"

_ELEMENTS = {"Ca": "Ca", "Mg": "Mg", "Na": "Na", "K": "K", "Cl": "Cl", "SO4": "S(6)"}


class Engine:
    """One loaded database; every question is one run for one water."""

    def __init__(self, constants: str) -> None:
        self.constants = constants
        self.phreeqc = Phreeqc()
        assert self.phreeqc.LoadBuiltInDatabase(DATABASES[constants]) == 0
        if constants == "1982":
            assert self.phreeqc.RunString(_SAME_PAIR) == 0

    def run(self, text: str) -> dict[str, list[float]]:
        """Selected output of one input."""
        errors = self.phreeqc.RunString(text)
        assert errors == 0, self.phreeqc.GetErrorString()
        return self.phreeqc.GetSelectedOutput()

    def solution(self, ions_mmol_l: np.ndarray) -> str:
        """The water as mixed from salts in water free of CO2, its pH from the charges."""
        lines = ["SOLUTION 1", " temp 25", " pH 8 charge", " units mmol/kgw"]
        for symbol, element in _ELEMENTS.items():
            amount = ions_mmol_l[INDEX[symbol]] / KG_L
            if amount:
                lines.append(f" {element} {float(amount)!r}")
        carbon = (ions_mmol_l[INDEX["HCO3"]] + ions_mmol_l[INDEX["CO3"]]) / KG_L
        if carbon:
            lines.append(f" C(4) {float(carbon)!r}")
        return "\n".join([*lines, "SAVE solution 1", "END", ""])

    def chemistry(
        self, ions_mmol_l: np.ndarray, temperatures_c: tuple[float, ...] = (20.0, 93.0, 125.0)
    ) -> dict[str, float]:
        """The figures of WaterTable.chemistry, by one run."""
        log_co2 = math.log10(AIR_CO2_ATM)
        text = (
            "SELECTED_OUTPUT 1\n -reset false\n -high_precision true\n -pH true\n -si Calcite\n"
            "USER_PUNCH 1\n -headings sc\n 10 PUNCH SC\n"
            + self.solution(ions_mmol_l)
            + "USE solution 1\nREACTION_TEMPERATURE 1\n 25\n"
            f"EQUILIBRIUM_PHASES 1\n CO2(g) {log_co2!r} 10\nSAVE solution 2\nEND\n"
        )
        for temperature in temperatures_c:
            text += f"USE solution 2\nREACTION_TEMPERATURE 1\n {temperature:g}\nEND\n"
        found = self.run(text)
        ph, index = found["pH"], found["si_Calcite"]
        figures = {
            "ph_closed": ph[0],
            "ph_air": ph[1],
            "conductivity_25c_us_cm": found["sc"][0],
        }
        for row, temperature in enumerate(temperatures_c, start=2):
            figures[f"calcite_index_{temperature:g}c"] = index[row]
        return figures

    def scale(self, ions_mmol_l: np.ndarray, temperature_c: float) -> dict[str, float]:
        """The figures of scale_columns, by one run."""
        gas = f" CO2(g) {math.log10(AIR_CO2_ATM)!r} 10\n"
        heat = f"REACTION_TEMPERATURE 1\n {temperature_c:g}\n"
        text = (
            "SELECTED_OUTPUT 1\n -reset false\n -high_precision true\n -si Calcite\n"
            "USER_PUNCH 1\n -headings grown\n 10 PUNCH EQUI('Calcite')\n"
            + self.solution(ions_mmol_l)
        )
        text += (
            f"USE solution 1\nREACTION_TEMPERATURE 1\n 25\nEQUILIBRIUM_PHASES 1\n{gas}"
            "SAVE solution 2\nEND\n"
            f"USE solution 2\n{heat}END\n"
            f"USE solution 2\n{heat}EQUILIBRIUM_PHASES 1\n Calcite 0 0\nEND\n"
            f"USE solution 1\n{heat}EQUILIBRIUM_PHASES 1\n{gas}END\n"
            f"USE solution 1\n{heat}EQUILIBRIUM_PHASES 1\n{gas} Calcite 0 0\nEND\n"
        )
        found = self.run(text)
        index, grown = found["si_Calcite"], found["grown"]
        mg = CACO3_G_MOL * 1000 * KG_L
        return {
            "index_closed": index[2],
            "scale_closed_mg_l": grown[3] * mg,
            "index_degassed": index[4],
            "scale_degassed_mg_l": grown[5] * mg,
        }
