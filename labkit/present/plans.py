"""What is said of a plan: its waters, its cups, how even and how telling it is, what changed."""

from __future__ import annotations

import math
from html import escape
from typing import Final

from labkit.present.asked import say, to_html
from labkit.present.html import notes, with_index
from labkit.tasting import (
    BalanceTables,
    Change,
    ChangeKind,
    CupPlan,
    PlanChoice,
    PlanChoices,
    PlanPower,
    Sweep,
)
from labkit.water import COORDINATE, SALT_SHARE, counted

_WORDS: Final[dict[str, str]] = {
    "brew_method": "brew method",
    "serving": "serving",
    "roast_date": "roast date",
    "dose_g": "dose (g)",
    "brew_ratio_g_l": "brew ratio (g/L)",
    "grind": "grind",
    "water_temperature_c": "water temperature (°C)",
    "contact_time_s": "contact time (s)",
    "vessel": "vessel",
    "base_water": "base water",
    "base_share_percent": "share of the base water (%)",
    "lead": "lead",
    "preparer": "preparer",
}

_MEANING: Final = {
    "apart": "these sessions are never read together",
    "block": "a difference between the sessions may come from it and not from the water",
    "note": "the tasting may have felt different",
}


@to_html.register
def _sweep(sweep: Sweep) -> str:
    """The table of waters under a line that says what is held."""
    titles = {name: one.title for name, one in {**COORDINATE, **SALT_SHARE}.items()}
    held = ", ".join(f"{titles[name]} {level:g}" for name, level in sweep.held.items())
    frame = sweep.to_frame().rename(columns=titles | {"ca_mg_ratio": "Ca : Mg"})
    return f"<p>{sweep.kind}; held: {held or 'nothing'}</p>{with_index(frame.round(3))}"


@to_html.register
def _plan(plan: CupPlan) -> str:
    """Codes by taster and flight, then how even the plan is; no water anywhere."""
    wide = plan.servings.pivot(index=["flight", "taster"], columns="position", values="blind_code")
    wide = wide.rename(columns=lambda position: f"cup {position}").fillna("")
    wide.columns.name = None
    notes = "".join(f"<li>{escape(say(note))}</li>" for note in plan.notes)
    return (
        f"<p>Session {escape(plan.session)}, {escape(plan.design.kind)}, "
        f"{escape(plan.serving)}, {len(plan.cups)} cups to taste</p>"
        f"{with_index(wide)}{plan.design.to_frame().to_html(index=False)}<ul>{notes}</ul>"
    )


@to_html.register
def _balance(tables: BalanceTables) -> str:
    return "".join(
        f"<p>{words}</p>{with_index(frame)}"
        for words, frame in (
            ("Times at each position", tables.positions),
            ("Times tasted directly before (row) another (column)", tables.follows),
            ("Flights of a taster in which two meet", tables.meetings),
        )
    )


@to_html.register
def _power(power: PlanPower) -> str:
    """The table, then where the noise is from."""
    frame = power.to_frame()
    frame["value"] = [number_or_none(value) for value in frame["value"]]
    return f"{frame.to_html(index=False)}<p>Noise: {escape(say(power.noise.source))}</p>"


MINUTES: Final = (
    "Minutes are an estimate by common practice: 2 for each cup and scoring, 12 for each flight to "
    "be brewed and to cool, 10 of rest between flights."
)


@say.register
def _choice(choice: PlanChoice) -> str:
    """Its cups, minutes, what it shows, in a line to choose by."""
    return f"{choice.cups} cups, {choice.minutes:.0f} minutes, {_shows(choice)}"


def what_it_buys(choice: PlanChoice, instead_of: PlanChoice, *, minutes: float = math.inf) -> str:
    """What a plan costs and shows beside the recommended one, in a line to choose by.

    Parameters
    ----------
    choice, instead_of : PlanChoice
        The plan, and the recommended one.
    minutes : float
        The time there is; a plan that takes longer says so.
    """
    cups, time = choice.cups - instead_of.cups, choice.minutes - instead_of.minutes
    cost = [f"{counted(abs(cups), 'cup')} {_more(cups)}"] if cups else []
    cost += [f"{abs(time):.0f} minutes {_more(time)}"] if round(time) else []
    if len(cost) == 2 and (cups > 0) == (time > 0):
        cost = [f"{counted(abs(cups), 'cup')} and {cost[1]}"]
    told = f"{', '.join(cost) or 'As many cups'}: {_shows(choice, instead_of)}"
    for has, had, what in (
        (choice.has_control, instead_of.has_control, "control"),
        (choice.has_duplicate, instead_of.has_duplicate, "duplicate"),
    ):
        if has != had:
            told += f", {'with a' if has else 'no'} hidden {what}"
    return told + f"; longer than {minutes:g} minutes" * (choice.minutes > minutes)


def _shows(choice: PlanChoice, instead_of: PlanChoice | None = None) -> str:
    """The difference of any two waters, or where none fits on the scale of two named before."""
    now, before = choice.difference, math.inf
    if instead_of is not None:
        before = instead_of.difference
    named = ""
    if not math.isfinite(now) and not math.isfinite(before):
        now = choice.power.difference
        before = math.inf if instead_of is None else instead_of.power.difference
        named = " between two waters named beforehand"
    if not math.isfinite(now):
        return "cannot show any difference"
    if instead_of is None or not math.isfinite(before):
        return f"shows {now:.1f} points{named}"
    if round(now, 1) == round(before, 1):
        return "shows as much"
    return f"shows {now:.1f} instead of {before:.1f} points{named}"


def _more(change: float) -> str:
    return "more" if change > 0 else "less"


@say.register
def _choices(choices: PlanChoices) -> str:
    """The recommended plan in words."""
    one = choices.recommended
    flights = counted(one.flights, "flight")
    checks = [
        what
        for what, has in (("control", one.has_control), ("duplicate", one.has_duplicate))
        if has
    ]
    hidden = f", hidden {' and '.join(checks)}" if checks else ", no hidden check"
    late = (
        ""
        if choices.fits
        else f" No plan fits into {choices.minutes:g} minutes; this one is as short as any."
    )
    return f"{flights} of {one.cups_side_by_side} cups{hidden}: {say(one)}.{late}"


@to_html.register
def _choices_html(choices: PlanChoices) -> str:
    """The recommended plan, what others would buy, all that none is better than."""
    others = [
        what_it_buys(one, choices.recommended, minutes=choices.minutes)
        for one in choices.alternatives
    ]
    frame = choices.to_frame().rename(columns=lambda name: str(name).replace("_", " "))
    frame["difference"] = [number_or_none(one) for one in frame["difference"]]
    return (
        f"<p><b>{escape(say(choices))}</b></p>{notes(others)}"
        f"{frame.to_html(index=False, float_format='{:g}'.format)}<p>{MINUTES}</p>"
    )


def number_or_none(value: float) -> str:
    """A number of the table in words; what no difference on the scale would reach is none.

    Parameters
    ----------
    value : float
        The number; infinite or NaN if there is none.
    """
    if not math.isfinite(value):
        return "none"
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


@say.register
def _change(change: Change) -> str:
    words = _WORDS.get(change.field, change.field.replace("_", " "))
    words = words[:1].upper() + words[1:]  # units keep their capitals
    match change.kind:
        case ChangeKind.UNRECORDED:
            return (
                f"{words}: not recorded in '{change.unrecorded_in}', so that a change would not "
                "be seen."
            )
        case ChangeKind.AGED:
            return (
                f"The same roast had rested {change.before} days in '{change.earlier}' and "
                f"{change.now} in '{change.later}': a difference between the sessions may come "
                "from its age."
            )
        case ChangeKind.CHANGED:
            return (
                f"{words} changed from {_level(change.before)} in '{change.earlier}' to "
                f"{_level(change.now)} in '{change.later}': {_MEANING[change.weight]}."
            )


def _level(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
