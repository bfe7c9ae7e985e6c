"""Make shared/water/random_waters.csv anew: ``python tests/water/make_random_waters.py``."""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT))

from labkit.water.salts.ions import INDEX, IONS  # noqa: E402
from tests.water.engine import Engine  # noqa: E402

N_WATERS = 60
SALTS = (
    ({"Ca": 1, "Cl": 2}, 2.0),
    ({"Mg": 1, "Cl": 2}, 2.0),
    ({"Mg": 1, "SO4": 1}, 2.0),
    ({"Ca": 1, "SO4": 1}, 1.5),
    ({"Na": 1, "HCO3": 1}, 3.0),
    ({"K": 1, "HCO3": 1}, 3.0),
    ({"Ca": 1, "HCO3": 2}, 1.5),
    ({"Mg": 1, "HCO3": 2}, 0.5),
    ({"Na": 1, "Cl": 1}, 2.0),
)


def main() -> None:
    """Draw the waters, ask PHREEQC, write the table."""
    rng = np.random.default_rng(20260101)  # a table of facts must be the same when made again
    engines = {"pq386_wateq4f": Engine("1982"), "pq386": Engine("2024")}
    rows = []
    for number in range(N_WATERS):
        ions = np.zeros(len(IONS))
        for parts, most in SALTS:
            amount = round(float(rng.uniform(0, most)), 3) if rng.random() < 0.5 else 0.0
            for symbol, moles in parts.items():
                ions[INDEX[symbol]] += moles * amount
        row = {"id": f"R{number + 1:02d}"}
        used = ("Ca", "Mg", "Na", "K", "Cl", "SO4", "HCO3")
        row |= {f"{symbol}_mmol_l": f"{ions[INDEX[symbol]]:.3f}" for symbol in used}
        for name, engine in engines.items():
            for quantity, value in engine.chemistry(ions).items():
                if quantity.startswith("conductivity") and name != "pq386":
                    continue  # wateq4f.dat has no diffusion coefficients
                row[f"{quantity}_{name}"] = "" if value < -90 else f"{value:.4f}"
        rows.append(row)
    with (PROJECT / "shared/water/random_waters.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main()
