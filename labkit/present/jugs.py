"""What is said of a jug: what meter and drops should read, and what went wrong if they do not."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

from labkit.present.asked import say, to_html
from labkit.present.html import notes, table
from labkit.water import (
    ABOUT_AS_WELL,
    DropCount,
    ExpectedDrops,
    ExpectedMeter,
    JugCheck,
    Kind,
    Mistake,
    NextCheck,
    OtherUnit,
    Slip,
    conductivity_us_cm,
    expected_meter,
    figure,
    percent,
)

_SHOWN: Final = 6

_LEAST_ODDS: Final = 0.01
"""Below which odds are said to be less."""


@to_html.register
def _meter(meter: ExpectedMeter) -> str:
    rows = [
        (f"the meter should show, {meter.unit}", figure(meter.shown)),
        ("readings that agree", f"{figure(meter.low)} to {figure(meter.high)}"),
        ("water at", f"{meter.temperature_c:.0f} °C"),
        ("true conductivity there, µS/cm", figure(meter.conductivity_us_cm)),
        ("at 25 °C, µS/cm", figure(meter.conductivity_25c_us_cm)),
    ]
    return table("Conductivity check", ("", "value"), rows) + notes(
        ["A reading outside the band means a mixing mistake or a meter that needs calibration."]
    )


@to_html.register
def _drops(drops: ExpectedDrops) -> str:
    band = f"{drops.low}" if drops.low == drops.high else f"{drops.low} to {drops.high}"
    per_drop = drops.kit.per_drop(drops.sample_ml)
    rows = [
        ("drops that agree", band),
        ("one drop is, mg/L as CaCO3", figure(per_drop)),
        ("expected, mg/L as CaCO3", figure(drops.expected_mg_l_caco3)),
        ("half a drop is", f"{figure(drops.half_drop_percent, 2)} %"),
    ]
    hint = []
    if drops.half_drop_percent > 10:
        hint = ["A sample of twice the size halves what a drop is worth."]
    return table(
        f"{drops.quantity.capitalize()}: {drops.kit.name}, sample {drops.sample_ml:g} mL",
        ("", "value"),
        rows,
    ) + notes(hint)


@say.register
def _mistake(mistake: Mistake) -> str:
    amount = f"{figure(mistake.amount, 4)} {mistake.unit}"
    match mistake.kind:
        case Kind.DOUBLED | Kind.SKIPPED:
            return f"{amount} of {mistake.source} {mistake.kind}"
        case Kind.OTHER_BOTTLE:
            return f"{amount} taken from {mistake.other} instead of {mistake.source}"
        case Kind.EXCHANGED:
            return f"the doses of {mistake.source} and {mistake.other} exchanged"
        case Kind.OTHER_BASE:
            return f"filled up with {mistake.other}"
        case Kind.OTHER_VOLUME if mistake.volume_l is not None:
            return f"the doses for {mistake.volume_l:g} L taken"
        case Kind.OTHER_VOLUME if mistake.times > 1:
            return "all doses doubled, as for twice the volume"
        case Kind.OTHER_VOLUME:
            return "all doses halved, as for half the volume"


@say.register
def _slip(slip: Slip) -> str:
    return ", and ".join(map(say, slip.parts)) or "as the recipe says"


@say.register
def _next_check(check: NextCheck) -> str:
    if check.quantity is None:
        return "No meter or drop test here tells these apart."
    if check.quantity == "conductivity":
        return "To tell these apart, take the conductivity."
    what = f"a drop test of {check.quantity}"
    if check.sample_ml is not None and check.mg_l_caco3_per_drop is not None:
        what += (
            f" in a sample of {check.sample_ml:g} mL, where a drop is "
            f"{figure(check.mg_l_caco3_per_drop, 2)} mg/L as CaCO3"
        )
    return f"To tell these apart, take {what}."


@say.register
def _other_unit(unit: OtherUnit) -> str:
    if unit.tds_factor is None:
        return (
            f"Or the meter shows mS/cm: {unit.shown:g} mS/cm are {1000 * unit.shown:.0f} "
            "µS/cm, which is right; type that."
        )
    return (
        "Or the meter shows TDS in mg/L or ppm, not µS/cm: with a factor of "
        f"{unit.tds_factor:.2f} the reading is right; look up its factor and type it."
    )


@say.register
def _verdict(check: JugCheck) -> str:
    """The answer in a sentence or two."""
    found = check.explanations
    single = [slip for slip in found if not slip.is_double]
    double = [slip for slip in found if slip.is_double]
    then = "" if check.next_check is None else say(check.next_check)
    if check.meant.agrees:
        text = "The jug reads as the recipe says it should."
        if single:
            text += f" These readings cannot exclude: {_listed(single)}."
        return f"{text} {then}".strip()
    text = "The jug is not as the recipe says"
    if not found and not check.slips:
        text += "."
    elif not found:
        text += (
            f", and no single slip explains it, nor do two at once; the nearest, "
            f"{say(check.slips[0])}, is still off. Check the meter on a standard and the "
            "bottles' strengths."
        )
    elif not single:
        text += f", and no single slip explains it. Two at once do: {_with_odds(double)}."
    elif len(single) == 1 and (double or check.meant.explains):
        text += f". Of single slips only this one explains it: {say(single[0])}."
    elif len(single) == 1:
        text += f". One single slip explains it: {say(single[0])}."
    else:
        text += f". {len(single)} single slips explain it about equally well: "
        text += f"{_with_odds(single)}."
    if single and double:
        text += f" Two slips at once would do too, in {_times(len(double))}, such as "
        in_all = len(single) == 1 and all(single[0].parts[0] in slip.parts for slip in double)
        text += f"{say(double[0])}{' (it is in all of them)' if in_all else ''}."
    if check.meant.explains:
        text += " It is only just outside the band: read again before anything else."
    if check.other_unit is not None:
        text += f" {say(check.other_unit)} If it does not, pour the jug away and mix again."
    else:
        text += " Pour it away and mix again."
    return f"{text} {then}".strip()


@to_html.register
def _check(check: JugCheck) -> str:
    """The verdict, what was read, and the ways that come nearest."""
    first, _, more = say(check).partition(". ")
    ways = (check.meant, *check.slips[:_SHOWN])
    fits = [("what you read", *_read(check), "", ""), *(_row(way) for way in ways if way.explains)]
    others = [_row(way) for way in ways if not way.explains]
    head = ("the jug", "µS/cm", "hardness", "alkalinity", "off, % of its band", "odds")
    return (
        f"<p style='margin:.6rem 0'><b>{escape(first)}.</b> {escape(more)}</p>"
        + table("What you read, and what fits it", head, fits)
        + (table("What does not fit", head, others) if others else "")
        + "<p>µS/cm at 25 °C; hardness and alkalinity in mg/L as CaCO3. Off: how far the worst "
        "of your readings lies from that water; up to 100 % it agrees, and up to "
        f"{100 * ABOUT_AS_WELL:.0f} % it cannot be excluded. Odds: how likely each is if one "
        "of these slips was made, by how well all readings fit, two at once being rare.</p>"
    )


def _read(check: JugCheck) -> tuple[str, str, str]:
    """The readings in the units of the table; an empty cell for what was not read."""
    cells = {"meter": "", "hardness": "", "alkalinity": ""}
    for one in check.checks:
        if isinstance(one, DropCount):
            worth = one.kit.per_drop(one.sample_ml or one.kit.sample_ml)
            cells[one.quantity] = figure(one.drops * worth, 2)
        else:
            expected = expected_meter(
                check.meant.water,
                temperature_c=one.temperature_c,
                tds_factor=one.tds_factor,
                compensation_percent_per_c=one.compensation_percent_per_c,
            )
            us_cm = one.shown * expected.conductivity_25c_us_cm / expected.shown
            cells["meter"] = figure(us_cm) if us_cm < 1 else f"{us_cm:.0f}"
    return cells["meter"], cells["hardness"], cells["alkalinity"]


def _row(way: Slip) -> tuple[str, str, str, str, str, str]:
    us_cm, water = float(conductivity_us_cm(way.water.vector)[0]), way.water
    found = water.hardness_mg_l_caco3, water.alkalinity_mg_l_caco3
    off = f"{100 * way.distance:.0f}"
    return say(way), f"{us_cm:.0f}", figure(found[0], 2), figure(found[1], 2), off, _odds(way)


def _odds(way: Slip) -> str:
    """Odds in whole percent; none of what is no slip."""
    if way.odds is None:
        return ""
    return percent(way.odds) if way.odds >= _LEAST_ODDS else f"< {percent(_LEAST_ODDS)}"


def _times(ways: int) -> str:
    return "one way" if ways == 1 else f"{ways} ways"


def _with_odds(slips: Sequence[Slip]) -> str:
    return _listed(slips, [f" ({_odds(slip)})" for slip in slips])


def _listed(slips: Sequence[Slip], odds: Sequence[str] = ()) -> str:
    beside = odds or [""] * len(slips)
    words = [f"{say(slip)}{each}" for slip, each in zip(slips, beside, strict=True)][:_SHOWN]
    more = len(slips) - len(words)
    return "; ".join(words) + (f"; and {more} more" if more else "")
