"""Recipe cards: one water for whoever makes it next, from concentrates or straight from salts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

import pandas as pd

from labkit.bench.sheet import Sheet, render
from labkit.errors import SheetError
from labkit.water import (
    CAUTIONS,
    DROP_KITS,
    PURE_WATER,
    Concentrate,
    DropKit,
    Mixing,
    Portrait,
    Preference,
    Salt,
    TankMixing,
    Target,
    Water,
    expected_drops,
    expected_meter,
    mix,
    portray,
    weigh_out,
)
from labkit.water.ions import ion_table
from labkit.water.steel import CYCLES, SOURCE
from labkit.water.weighing import digits_of

Recipe = Mixing | TankMixing
"""One water in one volume, from concentrates or straight from salts."""

VOLUMES_L = (1.0, 5.0, 10.0, 20.0)
"""Volumes on a card unless others are asked for (L)."""

CALCITE_SOURCE = (
    "calcite by Plummer & Busenberg 1982 and by phreeqc.dat 2024, above 90 °C extrapolated"
)
"""Where the solubility behind the scale figures comes from."""

_UNITS = ("mg/L CaCO3", "mmol/L", "°dH", "°fH")
_COLUMNS = ("part", "item", "volume_l", "value", "low", "high", "unit")


def make_recipes(
    target: Target,
    *,
    concentrates: Sequence[Concentrate] = (),
    salts: Sequence[Salt] = (),
    volumes_l: Sequence[float] = VOLUMES_L,
    base: Water = PURE_WATER,
    pipette_ml: float = 0.1,
    balance_g: float = 0.01,
    purities: Mapping[str, float] | None = None,
    prefer: Preference = "few bottles",
) -> tuple[Recipe, ...]:
    """The same water in several volumes, from bottles or from salts, never both.

    Parameters
    ----------
    target : Target
        The water wanted.
    concentrates : sequence of Concentrate
        Bottles at hand, dosed to the pipette.
    salts : sequence of Salt
        Salts at hand, weighed to the balance straight into the tank.
    volumes_l : sequence of float
        Finished volumes (L).
    base : Water
        What they go into.
    pipette_ml, balance_g : float
        Steps of the pipette (mL) and the balance (g).
    purities : mapping, optional
        Salt label -> share of the weighed mass that is the salt as labelled.
    prefer : Preference
        What to keep small where there is more than one way.

    Raises
    ------
    SheetError
        If neither or both ways are given, or no volume.
    DosingError
        If that water cannot be made.
    """
    if bool(concentrates) == bool(salts):
        raise SheetError(
            "concentrates or salts must be given, one of the two, got "
            f"{'both' if salts else 'neither'}. Make a card for each way."
        )
    if not volumes_l:
        raise SheetError("volumes_l must hold at least one volume, got none. Ask for 1 L, say.")
    if concentrates:
        return tuple(
            mix(
                target,
                concentrates,
                volume_ml=1000 * litres,
                base=base,
                pipette_ml=pipette_ml,
                prefer=prefer,
            )
            for litres in volumes_l
        )
    return tuple(
        weigh_out(
            target,
            salts,
            volume_l=litres,
            base=base,
            balance_g=balance_g,
            purities=purities,
            prefer=prefer,
        )
        for litres in volumes_l
    )


def recipe_frame(
    recipes: Sequence[Recipe], *, kits: Sequence[DropKit] = (), tds_factor: float | None = None
) -> pd.DataFrame:
    """Everything on a card as a long table, for CSV and JSON.

    Parameters
    ----------
    recipes : sequence of Recipe
        One water in one volume or several, as from :func:`make_recipes`.
    kits : sequence of DropKit
        The drop kits at that place.
    tds_factor : float, optional
        Factor of a meter that shows dissolved solids.

    Returns
    -------
    DataFrame
        ``part, item, volume_l, value, low, high, unit``; low and high bound what agrees, where
        something is to be read.

    Raises
    ------
    SheetError
        If the recipes are of different waters.
    """
    _check_recipes(recipes)
    rows: list[tuple[Any, ...]] = []
    for recipe in recipes:
        for item, amount, unit in _amounts(recipe):
            rows.append(("make", item, _litres(recipe), amount, None, None, unit))
    water = recipes[-1].reached
    for quantity, found in (("hardness", water.hardness_in), ("alkalinity", water.alkalinity_in)):
        rows += [("water", quantity, None, found(unit), None, None, unit) for unit in _UNITS]
    rows.append(("water", "Mg share of hardness", None, water.mg_share, None, None, "1"))
    for symbol, mg_l in water.ions_mg_l.items():
        name = ion_table()[symbol].name
        rows.append(("water", name, None, mg_l, None, None, "mg/L"))
        rows.append(("water", name, None, water.ions_mmol_l[symbol], None, None, "mmol/L"))
    meter = expected_meter(water)
    rows.append(("check", "conductivity", None, meter.shown, meter.low, meter.high, "µS/cm, 25 °C"))
    if tds_factor is not None:
        tds = expected_meter(water, tds_factor=tds_factor)
        rows.append(("check", "dissolved solids", None, tds.shown, tds.low, tds.high, tds.unit))
    for kit in kits:
        for what in ("hardness", "alkalinity"):
            drops = expected_drops(water, what, kit=kit)
            item = f"{what} kit, {kit.name}"
            rows.append(("check", item, None, drops.exact, drops.low, drops.high, "drops"))
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def recipe_card(
    recipes: Sequence[Recipe],
    *,
    name: str,
    made_for: str = "",
    base_name: str = "",
    kits: Sequence[DropKit] | None = None,
    tds_factor: float | None = None,
    page: Literal["A4", "phone"] = "A4",
    differs: Sequence[str] = (),
    lab_book: str = "",
) -> Sheet:
    """A card that any barista can follow, for A4 paper or the width of a phone.

    Parameters
    ----------
    recipes : sequence of Recipe
        One water in one volume or several, as from :func:`make_recipes`.
    name : str
        What to call the water.
    made_for : str
        Coffee, client or machine it is for.
    base_name : str
        What the base water is called there; pure or base water if not given.
    kits : sequence of DropKit, optional
        The drop kits at that place; one of 1 °dH a drop if not given.
    tds_factor : float, optional
        Factor of a meter that shows dissolved solids (mg/L per µS/cm), from its manual.
    page : {"A4", "phone"}
        What it is laid out for.
    differs : sequence of str
        How this water differs from the one that was tasted, in sentences.
    lab_book : str
        Name of the lab book, for the footer.

    Raises
    ------
    SheetError
        If the recipes are of different waters, or the page is unknown.
    """
    if page not in ("A4", "phone"):
        raise SheetError(f"page must be 'A4' or 'phone', got {page!r}. Choose one of them.")
    chosen = [next(iter(DROP_KITS.values()))] if kits is None else list(kits)
    frame = recipe_frame(recipes, kits=chosen, tds_factor=tds_factor)
    last = recipes[-1]
    if not base_name:
        base_name = "pure water" if last.base == PURE_WATER else "base water"
    salts = isinstance(last, TankMixing)
    portrait = portray(last.reached)
    return render(
        "card.html",
        title=f"Recipe card: {name}",
        session="",
        lab_book=lab_book,
        values={
            "name": name,
            "made_for": made_for,
            "page": page,
            "differs": differs,
            "target": last.target,
            "volumes": [f"{_litres(recipe):g} L" for recipe in recipes],
            "pour": _pour_rows(recipes, base_name),
            "unit": "g" if salts else "mL",
            "from_salts": salts,
            "base_name": base_name,
            "checks": [_check_row(row) for row in frame[frame["part"] == "check"].itertuples()],
            "units": _UNITS,
            "hardness": _values(frame, "hardness"),
            "alkalinity": _values(frame, "alkalinity"),
            "ions": _ion_rows(frame),
            "rounding": _rounding_words(recipes),
            "remarks": [*min(recipes, key=_litres).remarks, *portrait.remarks],
            "ph": portrait.ph_text,
            "scale": _scale_rows(portrait),
            "scale_source": CALCITE_SOURCE,
            "chloride": f"{portrait.steel[0].chloride_mg_l:.0f}",
            "steel": list(zip(CYCLES, (each.text for each in portrait.steel), strict=True)),
            "steel_source": SOURCE,
            "machine_cautions": CAUTIONS["machine"],
            "handling_cautions": CAUTIONS["weighing" if salts else "mixing"],
        },
    )


def _check_recipes(recipes: Sequence[Recipe]) -> None:
    targets = {recipe.target for recipe in recipes}
    if len(targets) != 1:
        raise SheetError(
            f"recipes must be of one water, got {len(targets)}. Make a card for each water."
        )


def _litres(recipe: Recipe) -> float:
    return recipe.volume_l if isinstance(recipe, TankMixing) else recipe.volume_ml / 1000


def _amounts(recipe: Recipe) -> list[tuple[str, float, str]]:
    """What goes in: item, amount and unit, the base water last."""
    if isinstance(recipe, TankMixing):
        return [(p.salt.label, p.mass_g, "g") for p in recipe.portions if p.exact_g]
    doses = [(d.concentrate.name, d.volume_ml, "mL") for d in recipe.doses if d.exact_ml]
    return [*doses, ("base water", recipe.base_ml, "mL")]


def _pour_rows(recipes: Sequence[Recipe], base_name: str) -> list[dict[str, Any]]:
    """A row for each bottle or salt with its amount in every volume; base water in litres."""
    rows: dict[str, list[str]] = {}
    for recipe in recipes:
        tank = isinstance(recipe, TankMixing)
        step = recipe.balance_g if isinstance(recipe, TankMixing) else recipe.pipette_ml
        for item, amount, _ in _amounts(recipe):
            is_base = not tank and item == "base water"
            text = f"{amount / 1000:.3g} L" if is_base else f"{amount:.{digits_of(step)}f}"
            rows.setdefault(base_name if is_base else item, []).append(text)
    return [{"item": item, "amounts": amounts} for item, amounts in rows.items()]


def _check_row(row: Any) -> dict[str, str]:
    drops = row.unit == "drops"
    band = f"{row.low:.0f} to {row.high:.0f}" if row.low != row.high else f"{row.low:.0f}"
    return {
        "item": row.item,
        "expected": "" if drops else f"{row.value:.0f}",
        "band": band,
        "unit": row.unit,
    }


def _values(frame: pd.DataFrame, item: str) -> list[str]:
    some = frame[(frame["part"] == "water") & (frame["item"] == item)].set_index("unit")["value"]
    digits = {"mg/L CaCO3": 0, "mmol/L": 2, "°dH": 1, "°fH": 1}
    return [f"{float(some[unit]):.{digits[unit]}f}" for unit in _UNITS]


def _ion_rows(frame: pd.DataFrame) -> list[dict[str, str]]:
    water = frame[frame["part"] == "water"]
    ions = water[water["unit"] == "mg/L"].set_index("item")["value"]
    moles = water[water["unit"] == "mmol/L"].set_index("item")["value"]
    return [
        {"ion": str(ion), "mg_l": f"{mg_l:.1f}", "mmol_l": f"{float(moles[str(ion)]):.2f}"}
        for ion, mg_l in ions.items()
    ]


def _rounding_words(recipes: Sequence[Recipe]) -> str:
    """What rounding to pipette or balance costs, in the smallest volume, where it is largest."""
    first = min(recipes, key=_litres)
    tool = "balance" if isinstance(first, TankMixing) else "pipette"
    step = first.balance_g if isinstance(first, TankMixing) else first.pipette_ml
    unit = "g" if isinstance(first, TankMixing) else "mL"
    most, doubt = first.rounding, first.uncertainty
    return (
        f"Rounded to the {tool} ({step:g} {unit}): in {_litres(first):g} L that moves hardness by "
        f"at most {most.hardness_mg_l_caco3:.2g} and alkalinity by {most.alkalinity_mg_l_caco3:.2g}"
        f" mg/L as CaCO3. With strength and {tool} in doubt, hardness is good to "
        f"± {doubt.hardness_mg_l_caco3:.2g} and alkalinity to ± {doubt.alkalinity_mg_l_caco3:.2g}."
    )


def _scale_rows(portrait: Portrait) -> list[dict[str, str]]:
    return [
        {
            "place": f"{each.place}, {each.temperature_c:.0f} °C",
            "index": each.index_closed.text(1, signed=True),
            "grams": each.scale_degassed_mg_l.text(0),
        }
        for each in portrait.scaling
    ]
