"""Everything on a recipe card as one long table: what to take, what comes out, what to read."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import pandas as pd

from labkit.errors import SheetError
from labkit.water import (
    CYCLES,
    SALT_SHARE,
    Concentrate,
    DropKit,
    Mixing,
    Portrait,
    Recipe,
    SharedBottle,
    Spread,
    TankMixing,
    drops_of,
    ion_table,
    measured_ml,
    meter_of,
    portray,
)

COLUMNS: Final = ("part", "item", "volume_l", "value", "low", "high", "unit")
"""Columns of the table, in CSV and in JSON."""

UNITS: Final = ("mg/L CaCO3", "mmol/L", "°dH", "°fH")
"""In which hardness and alkalinity are given; °dH and °fH are German and French degrees."""


def recipe_frame(
    recipes: Sequence[Recipe], *, kits: Sequence[DropKit] = (), tds_factor: float | None = None
) -> pd.DataFrame:
    """Everything on a card as a long table, for CSV and JSON.

    Parameters
    ----------
    recipes : sequence of Recipe
        One water in one volume or several, as from :func:`labkit.workflow.make_recipes`.
    kits : sequence of DropKit
        The drop kits at that place.
    tds_factor : float, optional
        Factor of a meter that shows dissolved solids.

    Returns
    -------
    DataFrame
        ``part, item, volume_l, value, low, high, unit``. Parts are ``make`` (doses, and the litres
        of each water to pour), what a mL of each bottle adds to a litre or how pure a salt is
        (``from``), what rounding costs (``rounding``), how well the water is known
        (``uncertainty``, k = 2), ``water``, ``check`` (low and high bound what agrees) and
        ``machine`` (low and high are the two sets of constants).

    Raises
    ------
    SheetError
        If the recipes are of different waters.
    """
    check_recipes(recipes)
    return table_of(recipes, portray(recipes[-1].reached), kits=kits, tds_factor=tds_factor)


def table_of(
    recipes: Sequence[Recipe],
    portrait: Portrait,
    *,
    kits: Sequence[DropKit],
    tds_factor: float | None,
) -> pd.DataFrame:
    """The table of :func:`recipe_frame` with the portrait of its water, which takes a while."""
    rows: list[tuple[Any, ...]] = []
    none = (None, None)
    for recipe in recipes:
        for item, amount, unit in amounts(recipe):
            rows.append(("make", item, recipe.volume_l, amount, None, None, unit))
        for item, amount in recipe.base_parts:
            rows.append(("make", item, recipe.volume_l, measured_ml(amount) / 1000, *none, "L"))
    rows += _source_rows(recipes[-1])
    for recipe in recipes:
        rows += _spread_rows("rounding", recipe.volume_l, recipe.rounding)
        rows += _spread_rows("uncertainty", recipe.volume_l, recipe.uncertainty)
    rows += _water_rows(recipes[-1])
    for recipe in recipes:
        rows += _check_rows(recipe, kits, tds_factor)
    rows += _machine_rows(portrait)
    return pd.DataFrame(rows, columns=list(COLUMNS))


def check_recipes(recipes: Sequence[Recipe]) -> None:
    """Raise :class:`SheetError` unless all are of one water."""
    targets = {recipe.target for recipe in recipes}
    if len(targets) != 1:
        raise SheetError(
            f"recipes must be of one water, got {len(targets)}. Make a card for each water.",
            field="recipes",
        )


def amounts(recipe: Recipe) -> list[tuple[str, float, str]]:
    """What is dosed or weighed: item, amount and unit."""
    if isinstance(recipe, TankMixing):
        return [(p.salt.label, p.mass_g, "g") for p in recipe.portions if p.exact_g]
    return [(d.concentrate.name, d.volume_ml, "mL") for d in recipe.doses if d.exact_ml]


def right_if(low: float, high: float) -> str:
    """Whole readings that the check at the bench calls right; in tenths where there is none."""
    first, last = math.ceil(low - 1e-9), math.floor(high + 1e-9)
    if first > last:
        return f"{low:.1f} to {high:.1f}"
    return f"{first} to {last}" if first < last else f"{first}"


def made_of(recipe: Recipe) -> dict[str, str]:
    """What each bottle holds, as on its label, or each salt by its name and purity.

    Grams are of the salt as labelled, impurities left out.
    """
    if isinstance(recipe, TankMixing):
        return {
            p.salt.label: f"{p.salt.name}, counted as {100 * p.purity:g} % pure"
            for p in recipe.portions
        }
    held: dict[str, list[str]] = {}
    for bottle, salt_label, what, strength in _bottle_rows(recipe):
        held.setdefault(bottle, [salt_label]).append(f"{strength:.3g} mg/L {what}")
    weighed = {
        dose.concentrate.name: f"{dose.concentrate.strength_g_l * dose.concentrate.purity:.3f} g/L"
        for dose in recipe.doses
        if isinstance(dose.concentrate, Concentrate)
    }
    return {
        name: ", ".join(filter(None, [salts * (salts != name), weighed.get(name)]))
        + "; " * (salts != name or name in weighed)
        + f"1 mL in 1 L adds {' and '.join(adds)}"
        for name, (salts, *adds) in held.items()
    }


def dosed(recipe: Recipe) -> frozenset[str]:
    """What is dosed, whatever the base brings: hardness, alkalinity, both or neither."""
    if not isinstance(recipe, TankMixing):
        return frozenset(what for _bottle, _salts, what, _adds in _bottle_rows(recipe))
    salts = [p.salt for p in recipe.portions if p.exact_g]
    hardens = any(one.hardness_mg_caco3_per_g for one in salts)
    buffers = any(one.alkalinity_mg_caco3_per_g for one in salts)
    return frozenset(["hardness"] * hardens + ["alkalinity"] * buffers)


def _bottle_rows(recipe: Mixing) -> list[tuple[str, str, str, float]]:
    """Bottle, salts in it, and the hardness and alkalinity of 1 mL in 1 L (mg/L as CaCO3)."""
    rows = []
    for bottle in (dose.concentrate for dose in recipe.doses if dose.exact_ml):
        parts = bottle.parts if isinstance(bottle, SharedBottle) else (bottle,)
        salts = " + ".join(part.salt.label for part in parts)
        for what, adds in (
            ("hardness", sum(part.hardness_mg_l_caco3_per_ml for part in parts)),
            ("alkalinity", sum(part.alkalinity_mg_l_caco3_per_ml for part in parts)),
        ):
            if adds:
                rows.append((bottle.name, salts, what, adds))
    return rows


def tool_of(recipe: Recipe) -> tuple[str, float, str]:
    """What doses are rounded to: the tool, its step and its unit."""
    if isinstance(recipe, Mixing):
        return "pipette", recipe.pipette_ml, "mL"
    return "balance", recipe.balance_g, "g"


def _source_rows(recipe: Recipe) -> list[tuple[Any, ...]]:
    if isinstance(recipe, TankMixing):
        return [
            ("from", f"{p.salt.label}, purity", None, p.purity, None, None, "1")
            for p in recipe.portions
            if p.exact_g
        ]
    return [
        ("from", f"{bottle}: {salts}, {what}", None, adds, None, None, f"{UNITS[0]} per mL in 1 L")
        for bottle, salts, what, adds in _bottle_rows(recipe)
    ]


def _spread_rows(part: str, volume_l: float, spread: Spread) -> list[tuple[Any, ...]]:
    figures = (
        ("hardness", spread.hardness_mg_l_caco3, UNITS[0]),
        ("alkalinity", spread.alkalinity_mg_l_caco3, UNITS[0]),
        ("Mg share of hardness", spread.mg_share, "1"),
    )
    return [(part, item, volume_l, value, None, None, unit) for item, value, unit in figures]


def _water_rows(recipe: Recipe) -> list[tuple[Any, ...]]:
    water = recipe.reached
    rows: list[tuple[Any, ...]] = []
    for quantity, found in (("hardness", water.hardness_in), ("alkalinity", water.alkalinity_in)):
        rows += [("water", quantity, None, found(unit), None, None, unit) for unit in UNITS]
    rows.append(("water", "Mg share of hardness", None, water.mg_share, None, None, "1"))
    for share in recipe.target.salt_shares:
        got = water.salt_shares[share]
        rows.append(("water", SALT_SHARE[share].title, None, got, None, None, "1"))
    for symbol, mg_l in water.ions_mg_l.items():
        name = ion_table()[symbol].name
        rows.append(("water", name, None, mg_l, None, None, "mg/L"))
        rows.append(("water", name, None, water.ions_mmol_l[symbol], None, None, "mmol/L"))
    return rows


def _check_rows(
    recipe: Recipe, kits: Sequence[DropKit], tds_factor: float | None
) -> list[tuple[Any, ...]]:
    volume = recipe.volume_l
    meter = meter_of(recipe)
    rows: list[tuple[Any, ...]] = [
        ("check", "conductivity", volume, meter.shown, meter.low, meter.high, "µS/cm, 25 °C")
    ]
    if tds_factor is not None:
        tds = meter_of(recipe, tds_factor=tds_factor)
        rows.append(("check", "dissolved solids", volume, tds.shown, tds.low, tds.high, tds.unit))
    for kit in kits:
        for what in ("hardness", "alkalinity"):
            drops = drops_of(recipe, what, kit=kit)
            item = f"{what} kit, {kit.name}"
            rows.append(("check", item, volume, drops.exact, drops.low, drops.high, "drops"))
    return rows


def _machine_rows(portrait: Portrait) -> list[tuple[Any, ...]]:
    """Range of pH, chloride where steam leaves it behind, and calcite where water is heated."""
    low, high = sorted((portrait.ph_closed, portrait.ph_air))
    bounded: list[tuple[str, str, float, float, str]] = [
        ("water", "pH, closed to open to air", low, high, "1")
    ]
    for place in portrait.scaling:
        where = f"{place.place}, {place.temperature_c:.0f} °C"
        index, scale = place.index_closed, place.scale_degassed_mg_l
        bounded += [
            ("machine", f"calcite index, {where}", index.low, index.high, "1"),
            ("machine", f"calcite that can fall out, {where}", scale.low, scale.high, UNITS[0]),
        ]
    steel = [
        (
            "machine",
            f"chloride, {_cycles(cycles)}: steel 304 to {_to(each.steel_304_to_c)}, "
            f"316 to {_to(each.steel_316_to_c)}",
            None,
            each.chloride_mg_l,
            None,
            None,
            "mg/L",
        )
        for cycles, each in zip(CYCLES, portrait.steel, strict=True)
    ]
    scale_rows = [
        (part, item, None, None, low, high, unit) for part, item, low, high, unit in bounded
    ]
    return [*scale_rows, *steel]


def _cycles(cycles: float) -> str:
    return "as fed" if cycles == 1 else f"boiled down {cycles:g} times"


def _to(limit_c: float | None) -> str:
    return "none" if limit_c is None else f"{limit_c:.0f} °C"
