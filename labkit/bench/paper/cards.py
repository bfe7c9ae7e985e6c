"""Recipe cards: one water for whoever makes it next, from concentrates or straight from salts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import pandas as pd

from labkit.bench.paper.card_table import (
    UNITS,
    amounts,
    dosed,
    made_of,
    right_if,
    tool_of,
)
from labkit.bench.paper.sheet import Sheet, render
from labkit.present import (
    CAUTIONS,
    cautions_for,
    from_to,
    made_figures,
    ph_range,
    qr_svg,
    remarks,
    say,
)
from labkit.release import made_with
from labkit.water import (
    ANALYSIS_HALF_WIDTH_PERCENT,
    BASE,
    CYCLES,
    PURE,
    PURE_WATER,
    SOURCE,
    Portrait,
    Recipe,
    TankMixing,
    digits_of,
    figure,
    litres,
    up,
)

CALCITE_SOURCE = (
    "calcite by Plummer & Busenberg 1982 and by phreeqc.dat 2024, above 90 °C extrapolated"
)
"""Where the solubility behind the scale figures comes from."""


_READINGS_ABREAST = 4
"""Readings side by side that a phone's page holds."""

_LOG_ROWS = 14
"""Batches that the log's page holds, with room to write by hand."""

MOST_IN_QR = 1273
"""Bytes of text that are still drawn coarsely enough for a phone's camera: with little to spare
that is version 25 (ISO/IEC 18004), whose 125 modules with their quiet zone are 0.4 mm each on the
card; what cameras read is common practice."""


def card_page(
    recipes: Sequence[Recipe],
    portrait: Portrait,
    frame: pd.DataFrame,
    *,
    name: str,
    made_for: str,
    base_name: str,
    page: Literal["A4", "phone"],
    differs: Sequence[str],
    known: Sequence[str],
    lab_book: str,
) -> Sheet:
    """A card that any barista can follow, for paper or the width of a phone.

    Of its table and its water's portrait, which are made before as they take a while. On paper a
    log for the batches made by it follows; the QR code there holds the fullest of
    :func:`card_texts` that it can.
    """
    last = recipes[-1]
    base_name = base_name or usual_base_name(last)
    salts = isinstance(last, TankMixing)
    texts = card_texts(recipes, frame, name=name, made_for=made_for, base_name=base_name)
    scanned = next((one for one in texts if len(one.encode()) <= MOST_IN_QR), "")
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
            "known": known,
            "volumes": [f"{recipe.volume_l:g} L" for recipe in recipes],
            "pour": pour_rows(recipes, base_name),
            "made": made_rows(recipes),
            "reached": last.reached,
            "stated": made_figures(last.reached),
            "salts": last.target.salts_text,
            "unit": "g" if salts else "mL",
            "from_salts": salts,
            "steps": steps_of(last, base_name),
            **_check_values(frame),
            "bands": _first_checks(frame),
            "log_rows": _LOG_ROWS,
            "qr": qr_svg(scanned, spare="little") if scanned and page == "A4" else "",
            "units": UNITS,
            "hardness": _values(frame, "hardness"),
            "alkalinity": _values(frame, "alkalinity"),
            "ions": _ion_rows(frame),
            "doubts": _doubts(last, base_name),
            "rounding": _rounding_words(recipes),
            "mixing_remarks": remarks(min(recipes, key=lambda one: one.volume_l)),
            "remarks": remarks(portrait),
            "ph": ph_range(portrait),
            "scale": _scale_rows(portrait),
            "scale_source": CALCITE_SOURCE,
            "chloride": f"{portrait.steel[0].chloride_mg_l:.0f}",
            "steel": list(zip(CYCLES, map(say, portrait.steel), strict=True)),
            "steel_source": SOURCE,
            "testing_cautions": CAUTIONS["testing"],
            "machine_cautions": CAUTIONS["machine"],
            "handling_cautions": cautions_for("tank" if salts else "mixing", [last]),
        },
    )


def usual_base_name(recipe: Recipe) -> str:
    """What the base is called where nobody named it."""
    return PURE if recipe.base == PURE_WATER else BASE


def steps_of(recipe: Recipe, base_name: str) -> list[str]:
    """What to do one after the other, whatever the volume."""
    bicarbonate_last = len(dosed(recipe)) == 2
    if isinstance(recipe, TankMixing):
        half = f"Half fill the tank with {base_name}. "
        if bicarbonate_last:
            dissolve = "Dissolve hardness salts and bicarbonate apart, each in a jug of it."
            add = "Add the hardness salts, stir, add the bicarbonate last, stir."
        else:
            dissolve, add = "Dissolve the salts in a jug of it.", "Add them, stir."
        return [half + dissolve, add, "Fill up to the volume, stir well, check as below."]
    return [
        f"Start with about three quarters of the {base_name}.",
        "Dose the hardness bottles, mix; dose the bicarbonate last, mix."
        if bicarbonate_last
        else "Dose the bottles, mix.",
        f"Fill up to the volume with {base_name}, mix well, check as below.",
    ]


def card_texts(
    recipes: Sequence[Recipe], frame: pd.DataFrame, *, name: str, made_for: str, base_name: str
) -> list[str]:
    """The card as plain text, which a phone shows from a QR code without any server.

    What to pour, how, what to read, and what to mind; then the same in ever fewer words, for cards
    with more on them than a code holds: cautions and rarer readings stand on the paper itself.
    """
    last = recipes[-1]
    base_name = base_name or usual_base_name(last)
    salts = isinstance(last, TankMixing)
    made = made_figures(last.reached)
    cautions = cautions_for("tank" if salts else "mixing", [last])
    on_paper = ("Read the cautions on the card before you weigh or pour.",)
    first = [
        name,
        *([f"for {made_for}"] if made_for else []),
        f"Ca:Mg {last.reached.ca_mg_ratio_text}; {last.reached.ca_mg_text}; "
        f"hardness {made['hardness']}, alkalinity {made['alkalinity']} mg/L as CaCO3"
        f"{last.target.salts_text and f'; {last.target.salts_text}'}",
        f"{'WEIGH, g' if salts else 'POUR, mL'}, to make "
        + " | ".join(f"{recipe.volume_l:g} L" for recipe in recipes),
        *(f"{row['item']}: {' | '.join(row['amounts'])}" for row in pour_rows(recipes, base_name)),
        *steps_of(last, base_name),
    ]
    every = bands_of(frame)
    return [
        "\n".join(
            (
                *first,
                "CHECK: expect (right if)",
                *(f"{item}: {band}" for item, band in bands),
                "TAKE CARE",
                *mind,
                made_with(),
            )
        )
        for bands, mind in (
            (every, cautions),
            (_first_checks(frame), cautions),
            (_first_checks(frame), on_paper),
            (every[:1], on_paper),
        )
    ]


def _first_checks(frame: pd.DataFrame) -> list[tuple[str, str]]:
    """What is read of every batch: the meter, and hardness and alkalinity by one kit."""
    every = bands_of(frame)
    drops = [one for one in every if one[0].endswith(", drops")]
    return [every[0], *drops[:2]]


def bands_of(frame: pd.DataFrame) -> list[tuple[str, str]]:
    """Each reading with what to expect and the band that is right, by volume where these differ."""
    said = []
    for (item, unit), found in _readings(frame).items():
        volumes: dict[tuple[str, str], list[str]] = {}
        for volume, values in found.items():
            volumes.setdefault(values, []).append(volume)
        texts = [
            (f"{', '.join(litres)} L: " if len(volumes) > 1 else "") + f"{expected} ({band})"
            for (expected, band), litres in volumes.items()
        ]
        said.append((f"{item}, {unit}", "; ".join(texts)))
    return said


def pour_rows(recipes: Sequence[Recipe], base_name: str) -> list[dict[str, Any]]:
    """A row for each bottle or salt with its amount in every volume, then one for each water."""
    rows: dict[str, list[str]] = {}

    def put(item: str, at: int, text: str) -> None:
        rows.setdefault(item, ["0"] * len(recipes))[at] = text

    for at, recipe in enumerate(recipes):
        digits = digits_of(tool_of(recipe)[1])
        for item, amount, _ in amounts(recipe):
            put(item, at, f"{amount:.{digits}f}")
        parts = recipe.base_parts
        for name, volume_ml in parts:  # nobody works out shares at the tap
            put(name if len(parts) > 1 else base_name, at, litres(volume_ml))
    held = made_of(recipes[-1])
    return [
        {"item": item, "held": held.get(item, ""), "amounts": amounts}
        for item, amounts in rows.items()
    ]


def made_rows(recipes: Sequence[Recipe]) -> list[tuple[str, ...]]:
    """What the doses of each volume make: a row a quantity, as made_figures states it."""
    made = [made_figures(recipe.reached) for recipe in recipes]
    heads = {
        "hardness": "makes hardness, mg/L as CaCO3",
        "alkalinity": "makes alkalinity, mg/L as CaCO3",
    }
    return [(head, *(one[what] for one in made)) for what, head in heads.items()]


def _readings(frame: pd.DataFrame) -> dict[tuple[str, str], dict[str, tuple[str, str]]]:
    """Item and unit -> volume -> what to expect, and the band that is right, as on the card."""
    readings: dict[tuple[str, str], dict[str, tuple[str, str]]] = {}
    for row in frame[frame["part"] == "check"].to_dict("records"):
        expected = f"{row['value']:.{1 if row['unit'] == 'drops' else 0}f}"
        band = right_if(row["low"], row["high"])
        readings.setdefault((row["item"], row["unit"]), {})[f"{row['volume_l']:g}"] = expected, band
    return readings


def _check_values(frame: pd.DataFrame) -> dict[str, Any]:
    """One row a reading; where rounding moves a band, one row a volume instead, a few at a time."""
    readings = _readings(frame)
    if all(len({band for _, band in found.values()}) == 1 for found in readings.values()):
        rows = []
        for (item, unit), found in readings.items():
            expected, band = list(found.values())[-1]
            drops = unit == "drops"
            rows.append(
                {
                    "item": item if drops else f"{item}, {unit}",
                    "expected": expected,
                    "band": f"{band} drops" if drops else band,
                }
            )
        return {"checks": rows, "by_volume": []}
    tables = []
    all_readings = list(readings.items())
    for first in range(0, len(all_readings), _READINGS_ABREAST):
        some = all_readings[first : first + _READINGS_ABREAST]
        merged: dict[tuple[tuple[str, str], ...], list[str]] = {}
        for volume in some[0][1]:
            merged.setdefault(tuple(found[volume] for _, found in some), []).append(volume)
        heads = [item if unit == "drops" else f"{item}, {unit}" for (item, unit), _ in some]
        body = [(f"{', '.join(volumes)} L", bands) for bands, volumes in merged.items()]
        tables.append({"heads": heads, "rows": body})
    return {"checks": [], "by_volume": tables}


def _values(frame: pd.DataFrame, item: str) -> list[str]:
    some = frame[(frame["part"] == "water") & (frame["item"] == item)].set_index("unit")["value"]
    digits = {"mg/L CaCO3": 1, "mmol/L": 2, "°dH": 1, "°fH": 1}
    return [f"{float(some[unit]):.{digits[unit]}f}" for unit in UNITS]


def _ion_rows(frame: pd.DataFrame) -> list[dict[str, str]]:
    water = frame[frame["part"] == "water"]
    ions = water[water["unit"] == "mg/L"].set_index("item")["value"]
    moles = water[water["unit"] == "mmol/L"].set_index("item")["value"]
    return [
        {"ion": str(ion), "mg_l": f"{mg_l:.1f}", "mmol_l": f"{float(moles[str(ion)]):.2f}"}
        for ion, mg_l in ions.items()
    ]


def _doubts(recipe: Recipe, base_name: str) -> str:
    """What the bands of the readings leave room for, in words."""
    tool = tool_of(recipe)[0]
    strengths = "purities" if isinstance(recipe, TankMixing) else "the bottles' strengths"
    of_base = (
        ""
        if recipe.base == PURE_WATER
        else f", {base_name} {ANALYSIS_HALF_WIDTH_PERCENT:g} % weaker or stronger than analysed"
    )
    return f"the uncertainty of {strengths}, {tool}{of_base}, and meter or drops"


def _rounding_words(recipes: Sequence[Recipe]) -> str:
    """What rounding to pipette or balance costs, in the smallest volume, where it is largest."""
    first = min(recipes, key=lambda one: one.volume_l)
    tool, step, unit = tool_of(first)
    most, doubt = first.rounding, first.uncertainty
    base = "" if first.base == PURE_WATER else " and base water"
    return (
        f"Rounded to the {tool} ({step:g} {unit}): in {first.volume_l:g} L that moves hardness by "
        f"at most {_up(most.hardness_mg_l_caco3)} and alkalinity by at most "
        f"{_up(most.alkalinity_mg_l_caco3)} mg/L as CaCO3, and the Mg share by at most "
        f"{_up(100 * most.mg_share)} %. Allowing for strength, {tool}{base}, hardness is good to "
        f"± {_up(doubt.hardness_mg_l_caco3)} and alkalinity to ± "
        f"{_up(doubt.alkalinity_mg_l_caco3)}."
    )


def _up(bound: float) -> str:
    """Two figures of a bound, rounded away from 0: less would hide some of it.

    >>> _up(0.0912), _up(9.95), _up(12.34), _up(0.0), _up(123.0)
    ('0.092', '10', '13', '0', '130')
    """
    return figure(up(bound), 2)


def _scale_rows(portrait: Portrait) -> list[dict[str, str]]:
    return [
        {
            "place": f"{each.place}, {each.temperature_c:.0f} °C",
            "index": from_to(each.index_closed, signed=True),
            "grams": from_to(each.scale_degassed_mg_l, 0),
        }
        for each in portrait.scaling
    ]
