"""How it is said what the scores tell of those who gave them."""

from __future__ import annotations

from typing import Final

from labkit.analysis import PanelCheck, PanelHistory, PanelKind, TasterKind, WithDoubt
from labkit.present.asked import remarks, say, to_html
from labkit.present.html import notes, p_text, table
from labkit.water import counted, percent

MOST_NAMED: Final = 6
"""Tasters who are named in a sentence; of more their number is said."""

_ORDER: Final = {
    "first cup": "the first cup of a flight",
    "each later place": "each later place",
    "cup before": "each point of the cup before",
}


@say.register
def _panel(check: PanelCheck) -> str:
    tasters = check.tasters
    seeing = sum(one.kind is TasterKind.SEES for one in tasters)
    alone = (
        f"{seeing} of {len(tasters)} tasters tell the waters apart on their own too."
        if seeing
        else "no taster is sure to tell the waters apart on their own."
    )
    if check.kind is PanelKind.ALONE:
        return "One taster: there is no panel to judge."
    if check.kind is PanelKind.DISAGREES:
        against = [one.taster for one in tasters if one.kind is TasterKind.DISAGREES]
        verb = "tastes" if len(against) == 1 else "taste"
        return (
            f"The panel {check.kind}: {seeing} of {len(tasters)} tasters agree, "
            f"{' and '.join(against)} {verb} differently. Leaving a taster out is your choice."
        )
    if check.kind is PanelKind.SEES:
        return f"The panel {check.kind}: {alone}"
    if check.kind is PanelKind.UNKNOWN:
        return f"Whether the panel sees differences: {check.kind}."
    return f"Taster by taster: {alone}"


def order_effects(check: PanelCheck) -> str:
    """Whether a cup's place or the cup before it changed its score; empty if it is not told.

    Parameters
    ----------
    check : PanelCheck
        What the scores tell of the panel.
    """
    if not len(check.order):
        return ""
    seen = check.order[check.order["p"] < 0.05]
    if not len(seen):
        return "Neither a cup's place in the flight nor the cup before it moved the scores."
    parts = [
        f"{_ORDER[row['effect']]} ({row['estimate']:+.1f} points, {p_text(row['p'])})"
        for row in seen.to_dict("records")
    ]
    return (
        f"The order of cups moved the scores: {' and '.join(parts)}. The balanced orders even "
        "that out."
    )


@remarks.register
def _of_panel(check: PanelCheck) -> tuple[str, ...]:
    """What could not be told of the panel."""
    said = []
    if len(check.tasters) >= 2 and check.n_shared < 2:
        said.append("Fewer than two waters were scored by everyone: agreement is not known.")
    elif len(check.tasters) >= 2 and check.n_shared < check.n_waters:
        said.append(
            f"Agreement is worked out over the {check.n_shared} of {check.n_waters} waters that "
            "everyone scored."
        )
    if not any(one.n_repeats for one in check.tasters):
        said.append(
            "No taster scored the same water twice: repeatability is not known. Serve a hidden "
            "duplicate."
        )
    return tuple(said)


@say.register
def _history(history: PanelHistory) -> str:
    """Whose noise it is, and on how much it rests."""
    if history.is_usual:
        return (
            "Nothing is known of these tasters yet: the usual noise of practised tasters is taken."
        )
    noise = history.noise
    names = [one.taster for one in history.tasters]
    who = ", ".join(names) if len(names) <= MOST_NAMED else counted(len(names), "taster")
    return (
        f"The noise of {who}, over {counted(history.n_coffees, 'coffee')}: "
        f"{noise.repeat_sd:.2f} points between scores of the same cup."
    )


@remarks.register
def _of_history(history: PanelHistory) -> tuple[str, ...]:
    if history.is_usual or not history.unknown:
        return ()
    return (f"Of {', '.join(history.unknown)} nothing is known yet: taken to be like the others.",)


@to_html.register
def _history_table(history: PanelHistory) -> str:
    if history.is_usual:
        return notes(["No taster has scored a cup beside others, or a water twice, yet."])
    rows = [
        (
            one.taster,
            one.n_coffees,
            _between(one.level, "{:+z.1f}"),
            _between(one.slope, "{:.2f}"),
            _between(one.repeat_sd, "{:.2f}"),
            f"{percent(one.tells_apart.value)} ({percent(one.tells_apart.low)} to "
            f"{percent(one.tells_apart.high)})",
        )
        for one in history.tasters
    ]
    head = (
        *("taster", "coffees", "scores higher by", "answers, 1 as the panel"),
        *("repeats within", "tells a point apart"),
    )
    told = (
        f"In points of {history.scale.name}; in brackets where it lies with 90 %. Few scores draw "
        "a taster towards the panel and the panel towards what is usual.",
        '"Tells a point apart": how often the better of two cups gets the higher score, if they '
        "lie a point of a 1-9 scale apart. It describes: leaving a taster out is your choice.",
        *remarks(history),
    )
    listed = table("Each taster over all coffees", head, rows)
    return f'<div style="overflow-x:auto">{listed}</div>{notes(told)}'


def _between(told: WithDoubt, as_text: str) -> str:
    value, low, high = map(as_text.format, (told.value, told.low, told.high))
    return f"{value} ({low} to {high})"
