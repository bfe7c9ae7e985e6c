"""How it is said what words, just-about-right answers and checked terms tell."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

import numpy as np

from labkit.analysis import (
    ENOUGH_SHARE,
    ENOUGH_TASTERS,
    FLAT,
    RIGHT,
    SHARP,
    Balance,
    BalanceKind,
    CheckedTerms,
    SayingVerdict,
    WhyUnlinked,
    WordReadings,
)
from labkit.present.asked import remarks, say, to_html
from labkit.present.html import notes
from labkit.water import COORDINATE, amount, counted, percent


@to_html.register
def _words(found: WordReadings) -> str:
    sayings = [
        f"<li><b>{escape(row['verdict'])}</b>: {escape(row['saying'])}. "
        f"{escape(_of_words(row, row['words'].split('; ')))}</li>"
        for row in found.sayings.to_dict("records")
    ]
    said = (
        f"<p>What the trade says, on these cups:</p><ul>{''.join(sayings)}</ul>" if sayings else ""
    )
    linked = [_of_words(row, [row["word"]]) for row in found.linked.to_dict("records")]
    return (
        f"{said}<p>Words that go with a mineral:</p>{notes(linked or [_none_linked(found)])}"
        f"<p>Note:</p>{notes(remarks(found))}"
    )


def _none_linked(found: WordReadings) -> str:
    text = f"None of {found.words['word'].nunique()} words can be tied to a mineral"
    told = found.sayings["verdict"] != SayingVerdict.UNKNOWN
    if told.any():
        return f"{text} by itself, only those of a saying taken together: that rests on more cups."
    return f"{text}."


@remarks.register
def _of_reading(found: WordReadings) -> tuple[str, ...]:
    who = "One taster" if found.n_tasters == 1 else f"{found.n_tasters} tasters"
    return (
        f"{who} checked words on {found.n_cups} cups. A link says that words and water went "
        "together on these cups, not that guests would find the same.",
        "Many tests are made at once: chances are corrected for that (Benjamini-Hochberg over "
        "words, Holm over sayings). 'Unknown' means not told apart from chance, not false.",
    )


def _of_words(row: Mapping[Any, Any], words: list[str]) -> str:
    """How often words are checked at both ends of a coordinate, or why that is not told."""
    what = " or ".join(f"'{word}'" for word in words)
    if not row["why"]:
        factor = row["factor"]
        return (
            f"{what} on {percent(row['share_low'])} of cups at {amount(factor, row['low'])}, on "
            f"{percent(row['share_high'])} at {amount(factor, row['high'])}."
        )
    why, few = WhyUnlinked(row["why"]), int(row["few"])
    if why is WhyUnlinked.NOT_OFFERED:
        return f"None of its words ({row['named'].replace(';', ',')}) was on the list."
    if why is WhyUnlinked.FACTOR_NOT_VARIED:
        return f"{COORDINATE[row['factor']].words.capitalize()} did not vary."
    who = "one taster is" if few == 1 else f"{few} tasters are"
    reasons = {
        WhyUnlinked.FEW_CUPS: f"{few} cups with or without it are too few to tell",
        WhyUnlinked.FEW_TASTERS: f"{who} too few to tell their differences from the water's",
        WhyUnlinked.NOT_VARIED: "no coordinate of the water varied",
        WhyUnlinked.TOGETHER: "coordinates moved together, so their effects cannot be separated",
        WhyUnlinked.SPLIT: (
            "its cups are split without a single exception, which this model cannot put a size to"
        ),
    }
    return f"{what}: {reasons[why]}."


@say.register
def _checked(found: CheckedTerms) -> str:
    """Which words tell the waters apart."""
    if not found.apart:
        return (
            f"None of {len(found.terms)} words is checked for one water more than for another by "
            "more than chance."
        )
    return f"The waters differ in {', '.join(found.apart)} by more than chance."


@to_html.register
def _checked_page(found: CheckedTerms) -> str:
    return f"<p><strong>{escape(say(found))}</strong></p>"


def side_of_right(row: Mapping[Any, Any]) -> str:
    """One side of a just-about-right question for one water, a row of `just_about_right`.

    Parameters
    ----------
    row : mapping
        A row of the table, by its columns.
    """
    text, people = f"{percent(row['share'])} say {row['side']}", row["n_tasters"]
    if row["side"] == RIGHT or np.isnan(row["drop"]):
        return f"{text}."
    few = f"; with {counted(people, 'taster')} that is not enough to rely on"
    return (
        f"{text}; those score liking {row['drop']:.1f} points lower than 'just right' on average "
        f"(they go together, one need not cause the other){few if people < ENOUGH_TASTERS else ''}."
    )


@to_html.register
def _balance_page(found: Balance) -> str:
    costs = [_penalty(row, found.n_tasters) for row in found.penalties.to_dict("records")]
    return f"<p><strong>{escape(say(found))}</strong></p>{notes([*costs, *remarks(found)])}"


@remarks.register
def _of_balance(found: Balance) -> tuple[str, ...]:
    who = "One taster speaks" if found.n_tasters == 1 else f"{found.n_tasters} tasters speak"
    return (*map(say, found.cannot_tell), f"{who} for tasters like them, not for guests.")


@say.register
def _balance(found: Balance) -> str:
    if found.kind is BalanceKind.NO_CURVE:
        for share, side in ((found.share_sharp, SHARP), (found.share_flat, FLAT)):
            if share == 1:
                return f"Every answer is {side}."
        if not found.share_sharp and not found.share_flat:
            return f"Every answer is {RIGHT}."
        return "These cups do not tell which alkalinity balances the acidity."
    levels = found.curve.iloc[:, 0]
    tasted = f"between {levels.iloc[0]:.0f} and {levels.iloc[-1]:.0f} mg/L"
    if found.kind is BalanceKind.LIES_ABOVE:
        return f"Mostly too sharp {tasted}: a balance, if there is one, lies above."
    if found.kind is BalanceKind.LIES_BELOW:
        return f"Mostly too flat {tasted}: a balance, if there is one, lies below."
    if found.kind is BalanceKind.NOT_TOLD:
        return f"These cups do not tell which alkalinity {tasted} balances the acidity."
    if found.kind is BalanceKind.ANY_LEVEL:
        return (
            f"These cups do not tell which alkalinity balances the acidity: any {tasted} could "
            f"(the curve crosses at {found.crossing:.0f})."
        )
    if np.isnan(found.lo):
        ends = f"up to {found.hi:.0f}; how low it may lie is not known"
    elif np.isnan(found.hi):
        ends = f"from {found.lo:.0f} on; how high it may lie is not known"
    else:
        ends = f"{found.lo:.0f} to {found.hi:.0f}"
    return (
        f"Too sharp and too flat balance at alkalinity {found.alkalinity_mg_l_caco3:.0f} mg/L "
        f"({ends}). Of all answers {percent(found.share_sharp)} say too sharp, "
        f"{percent(found.share_flat)} too flat."
    )


def _penalty(row: Mapping[Any, Any], people: int) -> str:
    """What one side of the scale costs."""
    text = f"{percent(row['share'])} say {row['side']}"
    if row["side"] == RIGHT:
        return f"{text}."
    if row["share"] < ENOUGH_SHARE:
        just = f" ({100 * row['share']:.1f} %)" if text.startswith(percent(ENOUGH_SHARE)) else ""
        return (
            f"{text}{just}: fewer than {percent(ENOUGH_SHARE)}, so what it costs is not counted "
            "(common practice)."
        )
    if np.isnan(row["drop"]):
        return f"{text}; what it costs is not known without liking of these cups."
    way = "below" if row["drop"] >= 0 else "above"
    span = (
        ""
        if np.isnan(row["drop_lo"])
        else f" (penalty {row['drop_lo']:.1f} to {row['drop_hi']:.1f})"
    )
    few = ""
    if people < ENOUGH_TASTERS:
        who = "One taster is" if people == 1 else f"{people} tasters are"
        few = f" {who} too few to rely on it."
    return (
        f"{text}; their liking is {abs(row['drop']):.1f} points {way} that of 'just right'{span}. "
        f"The two go together; one need not cause the other.{few}"
    )
