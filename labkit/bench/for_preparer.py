"""Sheets for whoever mixes, brews and codes: doses by jug, and salts to weigh.

They join codes to waters, so they are made from opened flights only and belong to the preparer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pandas as pd

from labkit.bench.sheet import Sheet, render
from labkit.errors import SheetError
from labkit.tasting import KeyRow, OpenedFlight
from labkit.water import CAUTIONS, PURE_WATER, Concentrate, Mixing, Water, mix

_JUG_COLUMNS = ("flight", "jug", "water", "wanted", "codes", "is_control", "is_duplicate")


def to_step(value: float, step: float) -> str:
    """A number with the decimals that the balance or pipette shows.

    >>> to_step(60.0, 0.1), to_step(1.4688, 0.01), to_step(880.0, 5)
    ('60.0', '1.47', '880')
    """
    rounded = round(value / step) * step
    return f"{rounded:.{max(0, math.ceil(-math.log10(step) - 1e-9))}f}"


def jug_table(
    opened: Sequence[OpenedFlight],
    concentrates: Sequence[Concentrate],
    *,
    jug_volume_ml: float,
    base: Water = PURE_WATER,
    pipette_ml: float = 0.1,
) -> pd.DataFrame:
    """One row a jug: flight, jug, water, wanted, codes, both flags, ``mixing``.

    Raises
    ------
    DosingError
        If a water cannot be made from these bottles.
    """
    records: list[dict[str, Any]] = []
    for flight in opened:
        jugs: dict[str, list[KeyRow]] = {}
        for row in flight.rows:
            jugs.setdefault(row.jug, []).append(row)
        for jug in sorted(jugs, key=_jug_order):
            first = jugs[jug][0]
            mixing = mix(
                first.target,
                concentrates,
                volume_ml=jug_volume_ml,
                base=base,
                pipette_ml=pipette_ml,
            )
            records.append(
                {
                    "flight": flight.flight,
                    "jug": jug,
                    "water": first.water,
                    "wanted": first.target,
                    "codes": tuple(sorted(row.blind_code for row in jugs[jug])),
                    "is_control": first.is_control,
                    "is_duplicate": first.is_duplicate,
                    "mixing": mixing,
                }
            )
    return pd.DataFrame.from_records(records, columns=[*_JUG_COLUMNS, "mixing"])


def bench_sheet(
    opened: Sequence[OpenedFlight],
    concentrates: Sequence[Concentrate],
    *,
    jug_volume_ml: float,
    base: Water = PURE_WATER,
    base_name: str = "pure water",
    pipette_ml: float = 0.1,
    lab_book: str = "",
) -> Sheet:
    """What to pour into each jug and which code each jug gets, a page a flight.

    Parameters
    ----------
    opened : sequence of OpenedFlight
        Opened by the preparer with their passphrase.
    concentrates : sequence of Concentrate
        The bottles at hand.
    jug_volume_ml : float
        Finished volume of each jug (mL).
    base, base_name : Water, str
        What the doses go into, and what it is called at the bench.
    pipette_ml : float
        Step of the pipette or syringe (mL).
    lab_book : str
        Name of the lab book, for the footer.

    Raises
    ------
    SheetError
        If no flight is given, or flights of two sessions.
    DosingError
        If a water cannot be made from these bottles.
    """
    sessions = sorted({flight.session for flight in opened})
    if len(sessions) != 1:
        raise SheetError(
            f"opened must hold flights of one session, got {', '.join(sessions) or 'none'}. "
            "Print one bench sheet a session."
        )
    jugs = jug_table(
        opened, concentrates, jug_volume_ml=jug_volume_ml, base=base, pipette_ml=pipette_ml
    )
    used = _used(jugs["mixing"].tolist(), concentrates)
    pages = [_bench_page(int(str(n)), rows, used, pipette_ml) for n, rows in jugs.groupby("flight")]
    return render(
        "bench.html",
        title=f"Bench sheet, session {sessions[0]}: preparer only",
        session=sessions[0],
        lab_book=lab_book,
        values={
            "pages_of": pages,
            "bottles": [concentrates[i].name for i in used],
            "base_name": base_name,
            "jug_volume": f"{jug_volume_ml:g}",
            "pipette": f"{pipette_ml:g}",
            "steps": _mixing_steps([concentrates[i] for i in used], base_name),
            "mixing_cautions": CAUTIONS["mixing"],
            "heating_caution": CAUTIONS["machine"][-1],
            "total": _totals(jugs["mixing"].tolist(), used, pipette_ml),
            "n_jugs": len(jugs),
        },
    )


def _jug_order(jug: str) -> tuple[int | str, ...]:
    """Sort J1.10 after J1.9."""
    return tuple(int(part) if part.isdigit() else part for part in jug.replace("J", "").split("."))


def _used(mixings: Sequence[Mixing], concentrates: Sequence[Concentrate]) -> list[int]:
    """Bottles that are dosed at all: hardness first, alkalinity last, as they are poured."""
    used = [
        i
        for i in range(len(concentrates))
        if any(mixing.doses[i].volume_ml > 0 for mixing in mixings)
    ]
    return sorted(used, key=lambda i: concentrates[i].alkalinity_mg_l_caco3_per_ml > 0)


def _totals(mixings: Sequence[Mixing], used: Sequence[int], step: float) -> dict[str, Any]:
    return {
        "doses": [to_step(sum(m.doses[i].volume_ml for m in mixings), step) for i in used],
        "base": f"{sum(m.base_ml for m in mixings):.0f}",
    }


def _bench_page(
    flight: int, rows: pd.DataFrame, used: Sequence[int], step: float
) -> dict[str, Any]:
    mixings: list[Mixing] = rows["mixing"].tolist()
    jugs = []
    for row, mixing in zip(rows.to_dict("records"), mixings, strict=True):
        jugs.append(
            {
                "jug": row["jug"],
                "water": row["water"],
                "ratio": mixing.target.ca_mg_ratio_text,
                "hardness": f"{mixing.reached.hardness_mg_l_caco3:.0f}",
                "alkalinity": f"{mixing.reached.alkalinity_mg_l_caco3:.0f}",
                "remark": ", ".join(
                    word
                    for word, is_so in (
                        ("control", row["is_control"]),
                        ("mix and brew anew", row["is_duplicate"]),
                    )
                    if is_so
                ),
                "codes": row["codes"],
                "doses": [
                    to_step(mixing.doses[i].volume_ml, step) if mixing.doses[i].volume_ml else ""
                    for i in used
                ],
                "base": f"{mixing.base_ml:.0f}",
            }
        )
    return {"flight": flight, "jugs": jugs, "total": _totals(mixings, used, step)}


def _mixing_steps(bottles: Sequence[Concentrate], base_name: str) -> list[str]:
    """The order of work at the bench (common practice)."""
    hard = [b.name for b in bottles if not b.alkalinity_mg_l_caco3_per_ml]
    soft = [b.name for b in bottles if b.alkalinity_mg_l_caco3_per_ml]
    steps = [
        "Rinse every jug, and write its label on it: J1.1 is the first jug of flight 1.",
        f"Pour about three quarters of the {base_name} into each jug.",
    ]
    if hard:
        steps.append(f"Dose {', then '.join(hard)}, jug by jug, ticking each box; swirl.")
    if soft:
        steps.append(f"Dose {', then '.join(soft)} last, into the diluted jug; swirl.")
    steps += [
        f"Fill up with the rest of the {base_name}, close, and turn over ten times.",
        "Read the conductivity at the temperature the meter corrects to. A jug that is off is "
        "poured away and mixed again, never mended.",
        "A jug marked 'mix and brew anew' is made from the bottles like any other, not filled "
        "from its twin.",
        "Brew, then stick each code on the cup filled from its jug. Put this sheet away before "
        "the tasters come in.",
    ]
    return steps


def weighing_sheet(
    bottles: Sequence[Concentrate],
    *,
    volume_ml: float = 1000.0,
    balance_g: float = 0.01,
    lab_book: str = "",
) -> Sheet:
    """Grams of each salt to weigh, with room for what was really weighed.

    Parameters
    ----------
    bottles : sequence of Concentrate
        The concentrates to make up, each as strong as it shall be.
    volume_ml : float
        Finished volume of each bottle (mL).
    balance_g : float
        Step of the balance (g).
    lab_book : str
        Name of the lab book, for the footer.

    Raises
    ------
    SheetError
        If there is no bottle, or a mass is too small for the balance.
    """
    if not bottles:
        raise SheetError("bottles must hold at least one concentrate, got none. Choose a salt.")
    rows = []
    for bottle in bottles:
        grams = bottle.strength_g_l * volume_ml / 1000
        if round(grams / balance_g) < 1:
            raise SheetError(
                f"mass of {bottle.salt.label} must be at least one step of the balance "
                f"({balance_g:g} g), got {grams:.3g} g. Make a larger or stronger bottle, or use a "
                "finer balance."
            )
        rows.append(
            {
                "name": bottle.name,
                "salt": bottle.salt.label,
                "purity": f"{100 * bottle.purity:.4g} %",
                "grams": to_step(grams, balance_g),
                "about": _about(bottle, balance_g / 2 / grams),
            }
        )
    return render(
        "weighing.html",
        title="Weighing sheet for concentrates",
        session="",
        lab_book=lab_book,
        values={
            "rows": rows,
            "volume": f"{volume_ml:g}",
            "balance": f"{balance_g:g}",
            "weighing_cautions": CAUTIONS["weighing"],
        },
    )


def _about(bottle: Concentrate, half_step_share: float) -> str:
    """What the bottle does, how exact the balance makes it, and what to mind."""
    salt = bottle.salt
    sentences = [
        salt.name,
        f"1 mL in 1 L adds {bottle.strength_mg_l_caco3_per_ml:.3g} mg/L as CaCO3",
        f"Half a step of the balance is {100 * half_step_share:.1g} % of the mass",
        salt.hazard,
        salt.keeping,
        salt.keep_apart_from and f"Keep apart from {salt.keep_apart_from}",
    ]
    return " ".join(f"{one[0].upper()}{one[1:].rstrip('.')}." for one in sentences if one)
