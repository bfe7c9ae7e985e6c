"""What is said of a base water: what a meter reading can hide, how good an analysis is."""

from __future__ import annotations

from typing import Final

from labkit.present.asked import remarks, say, to_html
from labkit.present.doses import made_figures
from labkit.present.html import notes, table
from labkit.water import (
    DayVerdict,
    DayWater,
    PureWater,
    StartWater,
    Supply,
    figure,
    ion_table,
)


@say.register
def _start_said(start: StartWater) -> str:
    return start.text


@remarks.register
def _pure_remarks(pure: PureWater) -> tuple[str, ...]:
    said = [
        f"Taken as water with nothing in it. {figure(pure.conductivity_25c_us_cm)} µS/cm can "
        f"hide up to {figure(pure.hidden_alkalinity_mg_l_caco3, 2)} mg/L alkalinity or "
        f"{figure(pure.hidden_hardness_mg_l_caco3, 2)} mg/L hardness, each as CaCO3, or be "
        f"{figure(pure.hidden_sodium_chloride_mg_l, 2)} mg/L sodium chloride, which is neither."
    ]
    if pure.is_as_pure_as_air_allows:
        said.append("CO2 from air alone gives pure water about 1 µS/cm.")
    elif pure.wants_analysis:
        said.append(
            "Titrate its alkalinity and hardness once, and give it by analysis, before a "
            "recipe of low alkalinity is built on it."
        )
    return tuple(said)


@to_html.register
def _pure(pure: PureWater) -> str:
    hidden = pure.hidden_alkalinity_mg_l_caco3, pure.hidden_hardness_mg_l_caco3
    rows = [
        ("reading at 25 °C, µS/cm", figure(pure.conductivity_25c_us_cm)),
        ("can hide alkalinity up to, mg/L as CaCO3", figure(hidden[0], 2)),
        ("can hide hardness up to, mg/L as CaCO3", figure(hidden[1], 2)),
    ]
    return table("Pure water", ("", "value"), rows) + notes(remarks(pure))


@remarks.register
def _supply_remarks(supply: Supply) -> tuple[str, ...]:
    said = []
    gap = f"{supply.charge_gap_meq_l:+.2f} meq/L ({supply.charge_gap_percent:+.1f} %)"
    if supply.filled_with is not None:
        filled = ion_table()[supply.filled_with].name
        said.append(f"The charge gap of {gap} was filled with {filled}: an assumption.")
    elif supply.gap_is_notable:
        said.append(
            f"Cations and anions differ by {gap}, more than the "
            f"{supply.gap_allowed_meq_l:.2f} meq/L of a good analysis: an ion is missing, or a "
            "unit is mixed up (alkalinity as HCO3 or as CaCO3?)."
        )
    off = supply.conductivity_off_percent
    if off is not None:
        said.append(
            f"The ions give {supply.expected_conductivity_25c_us_cm:.0f} µS/cm at 25 °C, "
            f"{abs(off):.0f} % {'more' if off > 0 else 'less'} than the "
            f"{supply.conductivity_25c_us_cm:.0f} µS/cm stated: check the units, or the "
            "temperature of that figure."
        )
    return tuple(said)


@to_html.register
def _supply(supply: Supply) -> str:
    gap = [
        ("cations minus anions, meq/L", f"{supply.charge_gap_meq_l:+.2f}"),
        ("of their sum", f"{supply.charge_gap_percent:+.1f} %"),
    ]
    if supply.ph is not None:
        gap.append(("stated pH", f"{supply.ph:.1f}"))
    return (
        to_html(supply.water)
        + table(f"Charge balance of {supply.name or 'the analysis'}", ("", "value"), gap)
        + notes(remarks(supply))
    )


_READ: Final = {
    "conductivity_25c_us_cm": "conductivity",
    "hardness_mg_l_caco3": "hardness",
    "alkalinity_mg_l_caco3": "alkalinity",
}


@say.register
def _of_day(today: DayWater) -> str:
    name = today.analysed.name or "the analysis"
    far = "; ".join(
        f"{_READ[field]} {abs(off):.0f} % {'above' if off > 0 else 'below'} it"
        for field, (off, _doubt) in today.off_percent.items()
    )
    doubt = max(doubt for _off, doubt in today.off_percent.values())
    match today.verdict:
        case DayVerdict.HOLDS:
            return (
                f"Today's reading agrees with {name} within its doubt of {doubt:.0f} %: the "
                "analysis is used as it is."
            )
        case DayVerdict.SCALED:
            way = "thicker" if today.factor > 1 else "thinner"
            return (
                f"Today against {name}: {far}. All ions are taken as {figure(today.factor)} times "
                f"those analysed, as of the same water, only {way}: an assumption. Hardness and "
                "alkalinity by drops would tell."
            )
        case DayVerdict.TITRATED:
            return (
                f"Today against {name}: {far}. Calcium and magnesium follow today's hardness in "
                "the ratio of the analysis, bicarbonate today's alkalinity; chloride or sodium "
                "closes the charges: an assumption."
            )
        case DayVerdict.ANOTHER:
            return (
                f"Today against {name}: {far}. That is too far, or does not fit together, for the "
                "same water thinned or thickened: the analysis is not changed and should not be "
                "used. Count drops for both hardness and alkalinity, or have it analysed."
            )


@remarks.register
def _day_remarks(today: DayWater) -> tuple[str, ...]:
    off = today.meter_off_percent
    if off is None:
        return ()
    return (
        f"The meter reads {abs(off):.0f} % {'more' if off > 0 else 'less'} than these ions give: "
        "sodium, chloride or sulfate changed too, or a reading is wrong. Take it again.",
    )


@to_html.register
def _day_water(today: DayWater) -> str:
    before, now = made_figures(today.analysed.water), made_figures(today.water)
    rows = [(what, before[what], now[what]) for what in before]
    shown = (
        ""
        if today.verdict is DayVerdict.ANOTHER
        else table("Of today", ("mg/L as CaCO3", "analysed", "today"), rows)
    )
    return notes([say(today), *remarks(today)]) + shown
