"""How it is said what the scores tell of those who gave them."""

from __future__ import annotations

from typing import Final

from labkit.analysis import PanelCheck, PanelKind, TasterKind
from labkit.present.asked import remarks, say
from labkit.present.html import p_text

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
