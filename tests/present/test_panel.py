"""What is said of the tasters, of single waters and of how far to trust the curve."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from labkit.analysis import (
    LIKING,
    Ordinal,
    OrdinalCheck,
    PanelHistory,
    PanelKind,
    PanelNoise,
    TasterKind,
    WithDoubt,
)
from labkit.analysis.across.panel_history import TasterHistory
from labkit.present import order_effects, remarks, say, to_html, trust_in, warnings_of
from labkit.present.curve import water_by_water


def with_kinds(check, *kinds):
    tasters = [replace(one, kind=kind) for one, kind in zip(check.tasters, kinds, strict=True)]
    return replace(check, tasters=tuple(tasters))


def test_the_panel_is_said_as_the_verdict_goes(ratio):
    sees, unknown, against = TasterKind.SEES, TasterKind.UNKNOWN, TasterKind.DISAGREES
    two = with_kinds(ratio.panel, sees, sees, unknown, unknown)
    none = with_kinds(ratio.panel, *[unknown] * 4)
    odd = with_kinds(ratio.panel, sees, sees, unknown, against)

    assert say(replace(two, kind=PanelKind.SEES)) == (
        "The panel sees differences: 2 of 4 tasters tell the waters apart on their own too."
    )
    assert say(replace(none, kind=PanelKind.NOT_FOUND)) == (
        "Taster by taster: no taster is sure to tell the waters apart on their own."
    )
    assert say(replace(none, kind=PanelKind.UNKNOWN)) == (
        "Whether the panel sees differences: cannot tell yet."
    )
    assert say(replace(odd, kind=PanelKind.DISAGREES)) == (
        "The panel repeats but disagrees: 2 of 4 tasters agree, D tastes differently. "
        "Leaving a taster out is your choice."
    )
    assert say(replace(none, kind=PanelKind.ALONE)) == "One taster: there is no panel to judge."


def test_what_could_not_be_told_of_the_panel_is_said(ratio):
    tasters = tuple(replace(one, n_repeats=0) for one in ratio.panel.tasters)

    assert remarks(ratio.panel) == ()
    assert "Serve a hidden duplicate." in remarks(replace(ratio.panel, tasters=tasters))[0]
    assert remarks(replace(ratio.panel, n_shared=4)) == (
        "Agreement is worked out over the 4 of 6 waters that everyone scored.",
    )
    assert "Fewer than two waters" in remarks(replace(ratio.panel, n_shared=1))[0]


def test_the_order_of_cups_is_said_only_where_it_was_seen(ratio):
    table = pd.DataFrame(
        {"effect": ["first cup", "cup before"], "estimate": [0.6, 0.1], "p": [0.01, 0.4]}
    )

    assert order_effects(replace(ratio.panel, order=table)).startswith(
        "The order of cups moved the scores: the first cup of a flight (+0.6 points"
    )
    assert order_effects(replace(ratio.panel, order=table[1:])).startswith("Neither a cup's place")
    assert order_effects(replace(ratio.panel, order=table[:0])) == ""


def test_single_waters_never_contradict_the_verdict(ratio, flat):
    """They may differ by chance where the reading as a whole sees nothing."""
    pairs = ratio.waters.pairs
    seen = replace(flat, waters=ratio.waters)

    assert say(ratio.waters).startswith(f"{ratio.waters.apart.iloc[0]['recipe']} (Mg share ")
    assert water_by_water(ratio) == say(ratio.waters)
    assert water_by_water(seen).endswith("serve these two again before you rely on it.")
    assert water_by_water(replace(flat, waters=None)) == ""
    assert say(replace(ratio.waters, pairs=pairs[:0])) == (
        "No two waters can be told apart when all are compared at once."
    )


def test_what_to_mind_of_the_curve_is_said(ratio):
    checks = ratio.diagnostics
    own = pd.DataFrame({"recipe": ["W10", "W2", "W3"], "own_share": [0.95, 0.9, 0.5]})
    odd = replace(
        checks,
        lack_of_fit=replace(checks.lack_of_fit, statistic=99.0),
        at_highest=0.4,
        leverage=own,
    )
    said = warnings_of(replace(ratio, diagnostics=odd))

    assert warnings_of(ratio) == ()
    assert said[0].startswith("The curve misses something")
    assert said[1].startswith("40 % of the scores are the highest of the scale")
    assert said[2].startswith("At W2, W10 the curve rests on that water's cups alone")
    assert trust_in(ratio)[0].startswith("Single waters against the curve (lack of fit): p")
    assert trust_in(ratio)[-1].startswith("The curve rests most on W")


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        (Ordinal.STAYS, "The best water stays where it is"),
        (Ordinal.MOVES, "the best water moves to Mg share 0.40: check how the scale was used."),
        (Ordinal.NOT_MADE, "2 different scores: no ordinal check is made."),
        (Ordinal.NOT_SETTLED, "did not converge"),
    ],
)
def test_the_check_of_the_scale_is_said(outcome, said):
    check = OrdinalCheck(
        best=np.array([0.4, 80, 20]), moved=0.3, outcome=outcome, n_levels=2, factors=("mg_share",)
    )

    assert said in say(check)


def test_a_history_names_its_tasters_and_never_says_minus_nothing():
    told = WithDoubt(value=-0.01, low=-0.04, high=0.02)
    sure = WithDoubt(value=0.7, low=0.6, high=0.8)
    one = TasterHistory(
        taster="Ines", n_coffees=3, n_scores=40, level=told, slope=sure, repeat_sd=sure,
        tells_apart=sure,
    )  # fmt: skip
    history = PanelHistory(
        tasters=(one,), unknown=("Dov",), n_coffees=3, scale=LIKING, noise=PanelNoise()
    )

    assert "+0.0 (+0.0 to +0.0)" in to_html(history)
    assert "Ines, over 3 coffees" in say(history)
    assert "Dov" in " ".join(remarks(history))
    assert "usual" in say(replace(history, tasters=()))
