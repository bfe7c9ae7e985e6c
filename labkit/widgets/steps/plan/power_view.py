"""What a plan costs and would likely see, and how evenly it serves, before anything is sealed."""

from __future__ import annotations

import math
from collections.abc import Callable
from html import escape

import numpy as np

from labkit.present import MINUTES, number_or_none, say, to_html
from labkit.tasting import (
    BalanceTables,
    Design,
    PlanPower,
    Scale,
    Sweep,
    TasterNoise,
    Vessels,
    plan_notes,
    plan_power,
    preview_balance,
)
from labkit.water import COORDINATE, SALT_SHARE, counted, percent

_FALL = 1 / 8
_MORE = 4
_TABLES = (
    "<style>.lk-fold table{border-collapse:collapse;border:0}.lk-fold td,.lk-fold th"
    "{border:0;border-bottom:1px solid #8886;padding:.15rem .7rem .15rem 0;text-align:left;"
    "line-height:1.4}</style>"
)


def view_plan(
    n_waters: int,
    n_tasters: int,
    *,
    noise: TasterNoise,
    scale: Scale,
    sweep: Sweep | None,
    has_control: bool,
    free_control: bool,
    duplicates: int,
    cups_per_flight: int,
    flights: int | None,
    repeats: int | None = None,
    serving: Vessels,
    alone: bool,
    stages: int,
    vessel_ml: float,
    jug_volume_ml: float,
) -> str:
    """HTML of a plan's cost, what it would likely see, its checks and its imbalance.

    Parameters as in :func:`labkit.tasting.plan_power` and
    :func:`labkit.tasting.plan_notes`.

    Raises
    ------
    PlanError
        If the plan does not fit.
    """
    span = scale.highest - scale.lowest

    def planned(tasters: int, rounds: int | None) -> PlanPower:
        return plan_power(
            n_waters,
            tasters,
            noise=noise,
            has_control=has_control,
            duplicates=duplicates,
            cups_per_flight=cups_per_flight,
            flights=rounds,
            repeats=repeats if rounds == flights else None,
            serving=serving,
            stages=stages,
            vessel_ml=vessel_ml,
            sweep=sweep,
            fall=_FALL * span,
            span=span,
        )

    power = planned(n_tasters, flights)
    # A fixed seed, as in the power: the same question must give the same answer twice.
    design, balance = preview_balance(
        n_waters,
        n_tasters,
        has_control=has_control,
        duplicates=duplicates,
        cups_per_flight=cups_per_flight,
        flights=flights,
        repeats=repeats,
        seed=np.random.default_rng(1),
    )
    notes = plan_notes(design, serving, alone=alone, free_control=free_control)
    listed = "".join(f"<li>{escape(say(note))}</li>" for note in notes)
    return (
        f'{_TABLES}<div role="status" style="max-width:46rem;line-height:1.45">'
        f"<p>{_cost(power, vessel_ml, jug_volume_ml)}</p>"
        f"<p>{_seen(power, scale, sweep, planned)}</p>"
        f"<ul>{listed}</ul></div>"
        f"{_folded('The numbers, and the noise they rest on', _table(power))}"
        f"{_folded('How even it would be', _evenness(design, balance))}"
    )


def _cost(power: PlanPower, vessel_ml: float, jug_volume_ml: float) -> str:
    sizes, people = power.sizes, power.n_tasters
    cups = sizes.flights * sizes.cups
    said = (
        f"<b>{cups * people} cups to taste</b>: {counted(people, 'taster')}, "
        f"{counted(sizes.flights, 'flight')} of {sizes.cups} cups, about {power.minutes:.0f} "
        f"minutes at the table. {power.jugs} jugs; {power.water_each_ml:.0f} mL of each water, "
        f"{power.water_ml:.0f} mL in all."
    )
    need = power.water_ml / power.jugs
    if jug_volume_ml and need > jug_volume_ml:
        said += (
            f" <b>A jug of {jug_volume_ml:g} mL is too small</b>: it must fill "
            f"{counted(round(need / vessel_ml), 'vessel')}, {need:.0f} mL."
        )
    return said


def _seen(
    power: PlanPower,
    scale: Scale,
    sweep: Sweep | None,
    planned: Callable[[int, int | None], PlanPower],
) -> str:
    if not power.degrees_of_freedom:
        return (
            "<b>This plan would tell no difference</b>: nothing in it says how much one score "
            "differs from the next. Add a taster, a flight or a duplicate."
        )
    if not math.isfinite(power.difference_of_any):
        said = (
            f"<b>This plan cannot show any difference</b> on a scale of {_points(power.span)} "
            f"({scale.name}) {percent(power.chance)} of the time. {_what_would(power, planned)}"
        )
        return f"{said} <small>Noise: {escape(say(power.noise.source))}.</small>"
    said = (
        f"Likely seen, {percent(power.chance)} of the time: <b>a difference of "
        f"{power.difference_of_any:.1f} points</b> ({scale.name}) between any two waters, "
        f"{power.difference:.1f} between two named beforehand."
    )
    for factor in sweep.varied if sweep is not None else ():
        width, tried = dict(power.region)[factor.name], factor.high - factor.low
        title = escape(factor.title)
        if width >= 0.999 * tried:
            said += f" The best {title} would not be narrowed down."
        else:
            said += (
                f" Narrowest best region: {width:.2g} wide out of {tried:.3g} in {title}, where "
                f"the score falls by {_points(_FALL * (scale.highest - scale.lowest))} to either "
                "end."
            )
    return f"{said} <small>Noise: {escape(say(power.noise.source))}.</small>"


def _what_would(power: PlanPower, planned: Callable[[int, int | None], PlanPower]) -> str:
    """The fewest more tasters, or flights, with which a difference fits on the scale."""
    people, flights = power.n_tasters, power.sizes.flights
    found = []
    for more in range(1, _MORE + 1):
        size = planned(people + more, flights).difference_of_any
        if math.isfinite(size):
            found.append(f"with {counted(people + more, 'taster')}, {size:.1f} points")
            break
    for more in range(1, _MORE + 1):
        size = planned(people, flights + more).difference_of_any
        if math.isfinite(size):
            found.append(f"with {counted(flights + more, 'flight')}, {size:.1f} points")
            break
    if not found:
        return "Add tasters, and flights of the same waters."
    return f"This would be seen: {'; '.join(found)}."


_TITLED = {**COORDINATE, **SALT_SHARE}


def _table(power: PlanPower) -> str:
    frame = power.to_frame()
    frame["value"] = [number_or_none(value) for value in frame["value"]]
    frame["what"] = [
        next((what.replace(n, one.title) for n, one in _TITLED.items() if n in what), what)
        for what in frame["what"]
    ]
    return f"{frame.to_html(index=False)}<p>{MINUTES}</p>"


def _evenness(design: Design, balance: BalanceTables) -> str:
    return design.to_frame().to_html(index=False) + to_html(balance)


def _folded(title: str, content: str) -> str:
    return (
        f'<details><summary style="padding:.6rem 0;cursor:pointer">{title}</summary>'
        f'<div class="lk-fold" style="overflow-x:auto">{content}</div></details>'
    )


def _points(number: float) -> str:
    return f"{number:.2g} point{'s' * (round(number, 2) != 1)}"
