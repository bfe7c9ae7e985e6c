"""What is said of words, of just-about-right answers and of the balance of acidity."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from labkit.analysis import (
    ENOUGH_TASTERS,
    FACTOR,
    Balance,
    BalanceKind,
    CheckedTerms,
    Note,
    SayingVerdict,
    WhyUnlinked,
    WordReadings,
)
from labkit.noted import noted
from labkit.present import remarks, say, side_of_right, to_html


def row(**change):
    return {
        "word": "fruity",
        "words": "fruity; floral",
        "named": "fruity; floral; jammy",
        "saying": "more magnesium, more fruit",
        "verdict": SayingVerdict.UNKNOWN,
        "factor": "mg_share",
        "p_adjusted": 0.01,
        "low": 0.0,
        "high": 1.0,
        "share_low": 0.2,
        "share_high": 0.6,
        "why": "",
        "few": 0,
    } | change


def found(words, sayings=()):
    sayings = pd.DataFrame(list(sayings), columns=list(row()))
    return WordReadings(words=pd.DataFrame(words), sayings=sayings, n_tasters=1, n_cups=9)


def test_a_word_is_said_at_both_ends_of_what_was_tasted():
    page = to_html(found([row()], [row(verdict=SayingVerdict.SUPPORTED)]))

    ends = "on 20 % of cups at Mg share 0.00, on 60 % at Mg share 1.00."
    assert f"<li>&#x27;fruity&#x27; {ends}</li>" in page
    assert (
        "<b>supported</b>: more magnesium, more fruit. &#x27;fruity&#x27; or &#x27;floral" in page
    )
    assert remarks(found([row()]))[0].startswith("One taster checked words on 9 cups.")


def test_a_saying_that_is_borne_out_does_not_stand_beside_its_denial():
    none = [row(p_adjusted=0.3)]

    alone = to_html(found(none, [row()]))
    beside = to_html(found(none, [row(verdict=SayingVerdict.SUPPORTED)]))

    assert "None of 1 words can be tied to a mineral.</li>" in alone
    assert "tied to a mineral by itself, only those of a saying taken together" in beside


@pytest.mark.parametrize(
    ("why", "few", "said"),
    [
        (WhyUnlinked.FEW_CUPS, 0, "0 cups with or without it are too few to tell."),
        (WhyUnlinked.FEW_TASTERS, 2, "2 tasters are too few to tell their differences from"),
        (WhyUnlinked.FEW_TASTERS, 1, "one taster is too few"),
        (WhyUnlinked.NOT_VARIED, 0, "no coordinate of the water varied."),
        (WhyUnlinked.TOGETHER, 0, "coordinates moved together"),
        (WhyUnlinked.SPLIT, 0, "split without a single exception"),
        (WhyUnlinked.NOT_OFFERED, 0, "None of its words (fruity, floral, jammy) was on the list."),
        (WhyUnlinked.FACTOR_NOT_VARIED, 0, "Mg share did not vary."),
    ],
)
def test_every_reason_why_a_saying_is_unknown_has_its_sentence(why, few, said):
    assert said in to_html(found([row()], [row(why=why, few=few)]))


def test_checked_terms_name_those_that_tell_waters_apart():
    terms = pd.DataFrame({"term": ["floral", "nutty"], "p_adjusted": [0.01, 0.4]})
    none = pd.DataFrame()

    assert say(CheckedTerms(shares=none, terms=terms, pairs=none)) == (
        "The waters differ in floral by more than chance."
    )
    assert "None of 1 words is checked" in say(
        CheckedTerms(shares=none, terms=terms[1:], pairs=none)
    )


def test_a_side_of_just_about_right_says_its_cost_and_what_that_rests_on():
    side = {"side": "too much", "share": 0.4, "drop": 1.24, "n_tasters": 6}

    assert side_of_right(side) == (
        "40 % say too much; those score liking 1.2 points lower than 'just right' on average (they "
        "go together, one need not cause the other); with 6 tasters that is not enough to rely on."
    )
    assert "rely" not in side_of_right(side | {"n_tasters": ENOUGH_TASTERS})
    assert side_of_right(side | {"drop": np.nan}) == "40 % say too much."


def penalty(**change):
    one = {"side": "too sharp", "share": 0.3, "drop": 2.0, "drop_lo": 1.0, "drop_hi": 3.0}
    return pd.DataFrame([one | change])


BALANCE = Balance(
    coffee="Osmeni",
    attribute="acidity",
    shares=pd.DataFrame(),
    penalties=penalty(),
    curve=pd.DataFrame({FACTOR: [10.0, 55.0]}),
    alkalinity_mg_l_caco3=32.0,
    lo=25.0,
    hi=40.0,
    kind=BalanceKind.TOLD,
    crossing=32.0,
    share_sharp=0.3,
    share_flat=0.2,
    n_tasters=6,
    cannot_tell=(),
)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            {},
            "Too sharp and too flat balance at alkalinity 32 mg/L (25 to 40). Of all answers 30 % "
            "say too sharp, 20 % too flat.",
        ),
        ({"lo": np.nan}, "(up to 40; how low it may lie is not known)"),
        ({"hi": np.nan}, "(from 25 on; how high it may lie is not known)"),
        ({"kind": BalanceKind.ANY_LEVEL}, "any between 10 and 55 mg/L could (the curve crosses at"),
        ({"kind": BalanceKind.LIES_ABOVE}, "Mostly too sharp between 10 and 55 mg/L: a balance"),
        ({"kind": BalanceKind.LIES_BELOW}, "Mostly too flat between 10 and 55 mg/L: a balance"),
        ({"kind": BalanceKind.NOT_TOLD}, "do not tell which alkalinity between 10 and 55 mg/L"),
        ({"kind": BalanceKind.NO_CURVE}, "do not tell which alkalinity balances the acidity."),
        ({"kind": BalanceKind.NO_CURVE, "share_sharp": 1}, "Every answer is too sharp."),
        ({"kind": BalanceKind.NO_CURVE, "share_flat": 1}, "Every answer is too flat."),
        (
            {"kind": BalanceKind.NO_CURVE, "share_sharp": 0, "share_flat": 0},
            "Every answer is just right.",
        ),
    ],
)
def test_the_balance_is_said_as_far_as_it_is_told(change, said):
    assert said in say(replace(BALANCE, **change))


@pytest.mark.parametrize(
    ("change", "people", "said"),
    [
        ({}, 30, "their liking is 2.0 points below that of &#x27;just right&#x27; (penalty 1.0 to"),
        ({"drop": -1}, 30, "1.0 points above"),
        ({"drop_lo": np.nan}, 1, "&#x27;just right&#x27;. The two go together; one need not cause"),
        ({}, 1, "One taster is too few to rely on it."),
        ({"drop": np.nan}, 30, "what it costs is not known without liking of these cups."),
        ({"share": 0.1}, 30, "10 % say too sharp: fewer than 20 %"),
        ({"share": 0.196}, 30, "20 % say too sharp (19.6 %): fewer than 20 %"),
        ({"side": "just right"}, 30, "30 % say just right."),
    ],
)
def test_what_a_side_of_acidity_costs_is_said_with_its_limits(change, people, said):
    assert said in to_html(replace(BALANCE, penalties=penalty(**change), n_tasters=people))


def test_a_panel_speaks_for_tasters_like_them():
    assert remarks(
        replace(BALANCE, n_tasters=1, cannot_tell=(noted(Note.NO_CURVE, why="Too few cups."),))
    ) == (
        "No curve could be fitted: Too few cups.",
        "One taster speaks for tasters like them, not for guests.",
    )
