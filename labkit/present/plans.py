"""What is said of a plan: its waters, its cups, how even and how telling it is, what changed."""

from __future__ import annotations

import math
from html import escape
from typing import Final

from labkit.present.asked import say, to_html
from labkit.present.html import with_index
from labkit.tasting import BalanceTables, Change, ChangeKind, CupPlan, PlanPower, Sweep
from labkit.water import COORDINATE

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
    held = ", ".join(f"{COORDINATE[name].title} {level:g}" for name, level in sweep.held.items())
    titles = {name: one.title for name, one in COORDINATE.items()}
    frame = sweep.to_frame().rename(columns=titles | {"ca_mg_ratio": "Ca : Mg"})
    return f"<p>{sweep.kind}; held: {held or 'nothing'}</p>{with_index(frame.round(3))}"


@to_html.register
def _plan(plan: CupPlan) -> str:
    """Codes by taster and flight, then how even the plan is; no water anywhere."""
    wide = plan.servings.pivot(index=["flight", "taster"], columns="position", values="blind_code")
    wide = wide.rename(columns=lambda position: f"cup {position}").fillna("")
    wide.columns.name = None
    notes = "".join(f"<li>{escape(note)}</li>" for note in plan.notes)
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
    return f"{frame.to_html(index=False)}<p>Noise: {power.noise.source}</p>"


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
