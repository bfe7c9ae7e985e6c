"""labkit's waters beside published and independently computed figures (``shared/water``)."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from labkit.checks.references import Comparison, read_references
from labkit.water import (
    AIR_CO2_ATM,
    CACO3_G_MOL,
    INDEX,
    IONS,
    TASTED_FROM,
    Concentrate,
    ConstantSet,
    Target,
    Totals,
    Water,
    WaterTable,
    alkalinity_in,
    bottle_saturation,
    conductivity_us_cm,
    density_kg_l,
    equilibrate,
    hardness_from,
    hardness_in,
    log_k,
    molar_mass,
    salt,
    salt_by_formula,
    scale_columns,
    steel_guidance,
    strength_needed_g_l,
    viscosity_mpa_s,
    weigh_out,
)

PQ373 = "IPhreeqc 3.7.3, its phreeqc.dat"
PQ386 = "IPhreeqc 3.8.6, its phreeqc.dat"
WATEQ = "IPhreeqc 3.8.6, wateq4f.dat"
TEMPERATURES_C = (20.0, 93.0, 125.0)

_CONDUCTIVITY_PERCENT = {
    "dho": (3.0, "Debye-Hückel-Onsager with ion pairs"),
    "pq373": (3.0, PQ373),
    # labkit's 5 % and what that database differs from the others, added in quadrature.
    "pq386": (8.0, f"{PQ386}, itself up to 5 % from other formulas"),
    "sm2510a": (10.0, "Standard Methods 2510 A; 1030 E accepts 0.9 to 1.1 times it (from memory)"),
}
"""What each formula may differ by, and where its figures are from."""

_PERCENT_GROUPS = ("conductivity", "solubility")


def compare_all(folder: Path) -> list[Comparison]:
    """Every reference value of ``folder`` (``shared/water`` in a clone) beside ours.

    Raises
    ------
    ImportFileError
        If a reference file is missing.
    """
    return [
        *published_values(folder),
        *shared_bottles(folder),
        *reference_waters(folder),
        *random_waters(folder),
    ]


def published_values(folder: Path) -> Iterator[Comparison]:
    """Handbook values, standards and constants of ``published_values.csv``."""
    for row in read_references(folder, "published_values.csv"):
        kind, _, rest = row["key"].partition(":")
        ours = _PUBLISHED[kind](rest) if kind in _PUBLISHED else _constant(kind, rest)
        yield Comparison(
            group=row["group"],
            quantity=row["quantity"],
            ours=ours,
            reference=float(row["value"]),
            unit=row["unit"],
            tolerance=float(row["tolerance"]),
            source=f"{row['source']} ({row['how_seen']})",
            in_percent=row["group"] in _PERCENT_GROUPS,
        )


def _constant(constants: str, rest: str) -> float:
    reaction, temperature = rest.split(":")
    name: ConstantSet = "1982" if constants == "1982" else "2024"
    if reaction.startswith("-"):
        return -log_k(reaction[1:], float(temperature), name)
    return log_k(reaction, float(temperature), name)


def _ions(**amounts: float) -> np.ndarray:
    vector = np.zeros(len(IONS))
    for symbol, amount in amounts.items():
        vector[INDEX[symbol]] = amount
    return vector


def _kcl_molal(rest: str) -> float:
    molality, temperature = (float(part) for part in rest.split(":"))
    # A mole of KCl takes up 27 mL, so a kilogram of water fills a little more than its volume.
    litres = 1 / density_kg_l(25.0) + 0.027 * molality
    amount = 1000 * molality / litres
    return float(conductivity_us_cm(_ions(K=amount, Cl=amount), temperature)[0])


def _kcl_molar(rest: str) -> float:
    molarity, temperature = (float(part) for part in rest.split(":"))
    ions = _ions(K=1000 * molarity, Cl=1000 * molarity)
    return float(conductivity_us_cm(ions, temperature)[0])


def _equivalent(rest: str) -> float:
    formula, normality = rest.split(":")
    labels = {"CaCl2": "CaCl2·2H2O", "MgCl2": "MgCl2·6H2O", "Na2SO4": "Na2SO4 anhydrous"}
    one = salt(labels.get(formula, formula)).vector
    equivalents = float(np.abs(one[:4] * [2, 2, 1, 1]).sum())
    milliequivalents = 1000 * float(normality)
    return float(conductivity_us_cm(one * milliequivalents / equivalents)[0] / milliequivalents)


def _gypsum(rest: str) -> float:
    pure = Totals.of_ions(_ions())
    full = equilibrate(pure, float(rest), mineral="gypsum").settled
    calcium = float(full.components[0, 1]) * density_kg_l(float(rest))
    return calcium * molar_mass("CaSO4·2H2O")


def _steel(rest: str) -> float:
    grade, chloride = rest.split(":")
    guidance = steel_guidance(float(chloride))
    limit = guidance.steel_304_to_c if grade == "304" else guidance.steel_316_to_c
    return math.nan if limit is None else limit


def _salts(rest: str) -> float:
    """An ion of a water of 80 mg/L hardness whose share of sulfate is asked for (mg/L)."""
    share, ion = rest.split(":")
    target = Target(
        mg_share=0.5,
        hardness_mg_l_caco3=80,
        alkalinity_mg_l_caco3=0,
        sulfate_share=float(share),
    )
    labels = ("CaCl2·2H2O", "MgCl2·6H2O", "CaSO4·2H2O", "MgSO4·7H2O")
    made = weigh_out(target, list(map(salt, labels)), volume_l=1000, balance_g=0.001)
    return made.reached.ions_mg_l[ion]


def _pure_in_air(rest: str) -> float:
    if rest == "pH":
        return float(equilibrate(Totals.of_ions(_ions()), co2_atm=AIR_CO2_ATM).ph[0])
    return float(conductivity_us_cm(_ions(), co2_atm=AIR_CO2_ATM)[0])


_PUBLISHED: dict[str, Callable[[str], float]] = {
    "mass": molar_mass,
    "salt mass": lambda rest: salt(rest).molar_mass_g_mol,
    "strength": lambda rest: strength_needed_g_l(salt=salt(rest)),
    "factor": lambda rest: CACO3_G_MOL / molar_mass(rest),
    "hardness": lambda rest: hardness_in(Water(calcium_mmol_l=1.0).hardness_mg_l_caco3, rest),
    "degree": lambda rest: hardness_from(1.0, rest),
    "alkalinity": lambda rest: alkalinity_in(
        Water(bicarbonate_mmol_l=1.0).alkalinity_mg_l_caco3, rest
    ),
    "kcl_molal": _kcl_molal,
    "kcl_molar": _kcl_molar,
    "equivalent": _equivalent,
    "air": _pure_in_air,
    "gypsum": _gypsum,
    "steel": _steel,
    "salts": _salts,
    "tasted": lambda rest: TASTED_FROM[rest].level_mg_l,
    "density": lambda rest: density_kg_l(float(rest)),
    "viscosity": lambda rest: viscosity_mpa_s(float(rest)),
}


def shared_bottles(folder: Path) -> Iterator[Comparison]:
    """Saturation of shared bottles, of ``bottle_pairs.csv``."""
    for row in read_references(folder, "bottle_pairs.csv"):
        times = float(row["times_single_strength"])
        vector = np.zeros(len(IONS))
        names = [name for name in (row["salt"], row["other_salt"]) if name]
        for name in names:
            part = Concentrate.of_strength(salt=salt(name), strength_mg_l_caco3_per_ml=times)
            vector += part.vector
        found = {one.mineral: one for one in bottle_saturation(vector)}[row["mineral"]]
        label = f"{' + '.join(names)} at {times:g} times, {row['mineral']}"
        for column, ours, tolerance, unit in (
            ("index_closed", found.index_closed, 0.05, ""),
            ("index_open", found.index_open, 0.05, ""),
            ("lost_closed_percent", found.lost_closed_percent, 2.0, "% of the metal"),
            ("lost_open_percent", found.lost_open_percent, 2.0, "% of the metal"),
        ):
            if row.get(column):
                yield Comparison(
                    group="shared bottles",
                    quantity=f"{label}: {column.replace('_', ' ')}",
                    ours=ours,
                    reference=float(row[column]),
                    unit=unit,
                    tolerance=tolerance,
                    source=row["source"],
                )


def water_of_row(row: dict[str, str]) -> np.ndarray:
    """Ion vector (mmol/L) of a row of ``reference_waters.csv``, from its salts."""
    vector = np.zeros(len(IONS))
    for column, amount in row.items():
        if column.endswith("_mmol_l") and float(amount or 0):
            formula = column.removesuffix("_mmol_l")
            label = f"{formula} anhydrous" if formula[:2] in ("Ca", "Mg") else formula
            vector += float(amount) * salt_by_formula(label).vector
    return vector


def reference_waters(folder: Path) -> Iterator[Comparison]:
    """The twelve waters of ``reference_waters.csv``."""
    rows = read_references(folder, "reference_waters.csv")
    table = WaterTable(ions_mmol_l=np.array([water_of_row(row) for row in rows]))
    yield from _composition(rows, table)
    conductivity = table.conductivity_us_cm()
    for tag, (tolerance, source) in _CONDUCTIVITY_PERCENT.items():
        column = f"conductivity_25c_{tag}_us_cm"
        group = "conductivity of waters"
        yield from _column(rows, column, conductivity, group, "µS/cm", tolerance, source)
    sets: tuple[tuple[ConstantSet, str, str], ...] = (
        ("1982", "pq373", PQ373),
        ("2024", "pq386", PQ386),
    )
    for constants, tag, source in sets:
        totals = Totals.of_ions(table.ions_mmol_l)
        for state, co2 in (("closed", None), ("air", AIR_CO2_ATM)):
            ph = equilibrate(totals, constants=constants, co2_atm=co2).ph
            yield from _column(rows, f"ph_{state}_{tag}", ph, "pH", "", 0.02, source)
        for temperature in TEMPERATURES_C:
            columns = scale_columns(table.ions_mmol_l, temperature, constants=constants)
            for name, ours in columns.items():
                index = name.startswith("index")
                stem = name.removesuffix("_mg_l")
                column = f"{stem}_{temperature:g}c_{tag}" + ("" if index else "_mg_l")
                group, unit = ("saturation index", "") if index else ("scale", "mg/L")
                yield from _column(rows, column, ours, group, unit, 0.05 if index else 2.0, source)


def _composition(rows: list[dict[str, str]], table: WaterTable) -> Iterator[Comparison]:
    columns = table.composition()
    # The table prints three decimals for ions, two for the rest: half a digit more is allowed.
    for number, row in enumerate(rows):
        water = table.water(number)
        ours = {f"{symbol}_mg_l": water.ions_mg_l.get(symbol, 0.0) for symbol in INDEX}
        ours |= {name: float(values[number]) for name, values in columns.items()}
        ours["calcium_hardness_mg_l_caco3"] = water.calcium_hardness_mg_l_caco3
        for name, value in ours.items():
            if name in row:
                reference = float(row[name])
                yield Comparison(
                    group="composition",
                    quantity=f"{row['id']} {name}",
                    ours=value,
                    reference=reference,
                    unit="meq/L" if name.endswith("_meq_l") else "mg/L",
                    tolerance=0.001 * abs(reference) + 0.005,
                    source="closed forms, IUPAC 2021 weights",
                )


def random_waters(folder: Path) -> Iterator[Comparison]:
    """Waters drawn at random, of ``random_waters.csv``, under both sets of constants."""
    rows = read_references(folder, "random_waters.csv")
    vectors = np.zeros((len(rows), len(IONS)))
    for number, row in enumerate(rows):
        for symbol, place in INDEX.items():
            vectors[number, place] = float(row.get(f"{symbol}_mmol_l") or 0.0)
    conductivity = conductivity_us_cm(vectors)
    column, group = "conductivity_25c_us_cm_pq386", "conductivity of random waters"
    tolerance, source = _CONDUCTIVITY_PERCENT["pq386"]
    yield from _column(rows, column, conductivity, group, "µS/cm", tolerance, source)
    sets: tuple[tuple[ConstantSet, str, str], ...] = (
        ("1982", "pq386_wateq4f", WATEQ),
        ("2024", "pq386", PQ386),
    )
    totals = Totals.of_ions(vectors)
    for constants, tag, source in sets:
        for state, co2 in (("closed", None), ("air", AIR_CO2_ATM)):
            ph = equilibrate(totals, constants=constants, co2_atm=co2).ph
            group = "pH of random waters"
            yield from _column(rows, f"ph_{state}_{tag}", ph, group, "", 0.02, source)
        for temperature in TEMPERATURES_C:
            index = scale_columns(vectors, temperature, constants=constants)["index_closed"]
            column = f"calcite_index_{temperature:g}c_{tag}"
            group = "saturation index of random waters"
            yield from _column(rows, column, index, group, "", 0.05, source)


def _column(
    rows: list[dict[str, str]],
    column: str,
    values: np.ndarray,
    group: str,
    unit: str,
    tolerance: float,
    source: str,
) -> Iterator[Comparison]:
    for row, ours in zip(rows, values, strict=True):
        if row.get(column):
            yield Comparison(
                group=group,
                quantity=f"{row['id']} {column}",
                ours=float(ours),
                reference=float(row[column]),
                unit=unit,
                tolerance=tolerance,
                source=source,
                in_percent=unit == "µS/cm",
            )
