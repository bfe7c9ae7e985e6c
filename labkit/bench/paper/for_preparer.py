"""Sheets for whoever mixes, brews and codes: doses by jug, and salts to weigh.

The bench sheet joins codes to waters: it is made from opened flights only, for the preparer only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from labkit.bench.paper.sheet import Sheet, render
from labkit.boundary import checked
from labkit.errors import SheetError
from labkit.present import CAUTIONS, cautions_for, grams_of, made_figures, ml_of, remarks
from labkit.tasting import JugToMix, OpenedFlight, bench_plan
from labkit.water import (
    PURE,
    Concentrate,
    Dose,
    Mixing,
    StartWater,
    Weighing,
    conductivity_us_cm,
    digits_of,
    measured_ml,
    meter_of,
)

_SPARE = 1.05
"""Blend a little more base than the jugs take."""

_BESIDE = 4
"""Up to so many bottles, the cautions stand beside the doses; with more, right below."""


@checked(SheetError)
def bench_sheet(
    opened_flights: Sequence[OpenedFlight],
    concentrates: Sequence[Concentrate],
    *,
    jug_volume_ml: float,
    start: StartWater | None = None,
    pipette_ml: float = 0.1,
    lab_book: str = "",
) -> Sheet:
    """What to pour into each jug and which code each jug gets, a page a flight.

    Parameters
    ----------
    opened_flights : sequence of OpenedFlight
        Flights of one session that the preparer opened.
    concentrates : sequence of Concentrate
        The bottles at hand, each under its own name.
    jug_volume_ml : float
        Finished volume of each jug (mL).
    start : StartWater, optional
        What the doses go into, under its name; pure water if not given.
    pipette_ml : float
        Step to which doses are rounded (mL).
    lab_book : str
        Name of the lab book, for the footer.

    Raises
    ------
    PlanError
        If there is no flight, flights are of two sessions, or two bottles share a name.
    DosingError
        If a water cannot be made from these bottles.
    """
    start = start or StartWater()
    plan = bench_plan(
        opened_flights,
        concentrates,
        jug_volume_ml=jug_volume_ml,
        base=start.water,
        pipette_ml=pipette_ml,
    )
    mixings = [jug.mixing for jug in plan.jugs]
    used = [b for b in plan.bottles if any(_dose(mixing, b).volume_ml for mixing in mixings)]
    base_name = "base blend" if start.is_blend else start.name
    flights = sorted({jug.flight for jug in plan.jugs})
    pages = []
    for flight in flights:
        jugs = [jug for jug in plan.jugs if jug.flight == flight]
        pages.append(
            {
                "flight": flight,
                "jugs": [_jug_row(jug, used) for jug in jugs],
                "total": _totals([jug.mixing for jug in jugs], used),
                "blend": _blend(start, sum(jug.mixing.base_ml for jug in jugs)),
            }
        )
    return render(
        "bench.html",
        title=f"Bench sheet, session {plan.session}: preparer only",
        session=plan.session,
        lab_book=lab_book,
        values={
            "pages_of": pages,
            "bottles": [bottle.name for bottle in used],
            "base_name": base_name,
            "base": _base_facts(start),
            "jug_volume": f"{jug_volume_ml:g}",
            "pipette": f"{pipette_ml:g}",
            "steps": _mixing_steps(used, base_name),
            "mixing_cautions": cautions_for("mixing", mixings),
            "heating_cautions": (CAUTIONS["machine"][-1], CAUTIONS["brewing"][0]),
            "remarks": sorted({remark for mixing in mixings for remark in remarks(mixing)}),
            "total": _totals(mixings, used),
            "n_jugs": len(plan.jugs),
            "beside": len(used) <= _BESIDE,
            "meter_percent": f"{_meter_percent(mixings):.0f}",
        },
    )


def _meter_percent(mixings: Sequence[Mixing]) -> float:
    """The widest band of these jugs (%); of all but pure water a meter tells nothing."""
    bands = [meter_of(mixing) for mixing in mixings]
    return max([100 * one.slack / max(one.shown, 2 * one.slack) for one in bands])


def _dose(mixing: Mixing, bottle: Concentrate) -> Dose:
    return next(dose for dose in mixing.doses if dose.concentrate.name == bottle.name)


def _jug_row(jug: JugToMix, used: Sequence[Concentrate]) -> dict[str, Any]:
    mixing, made = jug.mixing, made_figures(jug.mixing.reached)
    doses = [_dose(mixing, bottle) for bottle in used]
    marks = (("control", jug.is_control), ("mix and brew separately", jug.is_duplicate))
    return {
        "jug": jug.jug,
        "codes": jug.codes,
        "water": jug.water,
        "ratio": mixing.target.ca_mg_ratio_text,
        "salts": mixing.target.salts_text,
        "ca_mg": mixing.reached.ca_mg_text,
        "hardness": made["hardness"],
        "alkalinity": made["alkalinity"],
        "remark": ", ".join(word for word, is_so in marks if is_so),
        "doses": [ml_of(mixing, dose) if dose.volume_ml else "" for dose in doses],
        "base": f"{measured_ml(mixing.base_ml):.0f}",
        "conductivity": f"{float(conductivity_us_cm(mixing.reached.vector)[0]):.0f}",
    }


def _totals(mixings: Sequence[Mixing], used: Sequence[Concentrate]) -> dict[str, Any]:
    digits = digits_of(mixings[0].pipette_ml)
    sums = [sum(_dose(mixing, bottle).volume_ml for mixing in mixings) for bottle in used]
    return {
        "doses": [f"{total:.{digits}f}" for total in sums],
        "base": f"{sum(measured_ml(mixing.base_ml) for mixing in mixings):.0f}",
    }


def _base_facts(start: StartWater) -> str:
    """What the meter and the analysis say of the base; empty for pure water."""
    if start.name == PURE:
        return ""
    water = start.water
    return (
        f"{start.text}: hardness {water.hardness_mg_l_caco3:.0f} and alkalinity "
        f"{water.alkalinity_mg_l_caco3:.0f} mg/L as CaCO3, "
        f"{float(conductivity_us_cm(water.vector)[0]):.0f} µS/cm"
    )


def _blend(start: StartWater, needed_ml: float) -> str:
    """How to make enough of a thinned base for one flight; empty if it is poured as it comes."""
    if not start.is_blend:
        return ""
    enough_ml = math.ceil(_SPARE * needed_ml / 100) * 100
    of_base = enough_ml * start.share_percent / 100
    return f"{of_base:.0f} mL of {start.name} with {enough_ml - of_base:.0f} mL of {PURE}"


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
        "poured away and mixed again, never corrected.",
        "A jug marked 'mix and brew separately' is made from the bottles like any other, not "
        "filled from its twin.",
        "Brew, then stick each code on the cup filled from its jug (underneath, and shuffle, if "
        "you taste alone). Put this sheet away before the tasters come in.",
    ]
    return steps


@checked(SheetError)
def weighing_sheet(weighings: Sequence[Weighing], *, lab_book: str = "") -> Sheet:
    """Grams of each salt to weigh, with room for what was really weighed.

    Parameters
    ----------
    weighings : sequence of Weighing
        One for each bottle, from :func:`labkit.water.plan_weighing`.
    lab_book : str
        Name of the lab book, for the footer.

    Raises
    ------
    SheetError
        If there is nothing to weigh.
    """
    if not weighings:
        raise SheetError(
            "weighings must hold at least one bottle, got none. Choose a salt.", field="weighings"
        )
    balances = sorted({f"{weighing.balance_g:g} g" for weighing in weighings})
    rows = [
        {
            "salt": weighing.salt.label,
            "purity": f"{100 * weighing.purity:.4g} %",
            "volume": f"{weighing.volume_ml:g}",
            "grams": grams_of(weighing),
            "about": _about(weighing),
            "remarks": remarks(weighing),
        }
        for weighing in weighings
    ]
    return render(
        "weighing.html",
        title="Weighing sheet for concentrates",
        session="",
        lab_book=lab_book,
        values={
            "rows": rows,
            "balance": " and ".join(balances),
            "weighing_cautions": cautions_for("weighing", [w.salt for w in weighings]),
        },
    )


def _about(weighing: Weighing) -> str:
    """What the bottle does, how exact the balance makes it, and what to mind."""
    salt, bottle = weighing.salt, weighing.bottle
    sentences = [
        salt.name,
        f"{bottle.strength_g_l:.3f} g/L; 1 mL in 1 L adds "
        f"{bottle.strength_mg_l_caco3_per_ml:.3g} mg/L as CaCO3",
        f"One digit of the balance is {weighing.error_percent:.1g} % of the mass",
        salt.hazard,
        salt.keeping,
        salt.keep_apart_from and f"Keep apart from {salt.keep_apart_from}",
    ]
    return " ".join(f"{one[0].upper()}{one[1:].rstrip('.')}." for one in sentences if one)
