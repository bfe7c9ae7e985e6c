"""How the answer of one coffee is said: the verdict, the best water, and where it may lie."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np

from labkit.analysis import (
    LIKELY,
    Best,
    CoffeeReading,
    FactorRange,
    Lead,
    Level,
    Reading,
    Recommendation,
    Shape,
    Unread,
    Verdict,
    VerdictKind,
    WhyUnread,
)
from labkit.present.asked import say
from labkit.present.recommended import LEAST_SAID, how_sure, not_told, plain_means, whole_percent
from labkit.water import COORDINATE, as_coordinates, describe, percent

AnyReading: TypeAlias = Reading | CoffeeReading
"""What was read of one coffee, alone or among others."""


@say.register
def _reading(reading: Reading) -> str:
    return _verdict(reading)


@say.register
def _coffee(reading: CoffeeReading) -> str:
    return _verdict(reading)


def _verdict(reading: AnyReading) -> str:
    """The verdict in words and numbers, for the lead of the tasting."""
    verdict = reading.verdict
    if isinstance(reading, Reading) and reading.has_only_salts:
        return f"{' '.join(map(say, reading.salts))} {say(verdict.unread)}"
    if verdict.unread is not None:
        return say(verdict.unread)
    if verdict.kind is VerdictKind.FOUND and reading.best is not None:
        return _found(verdict, reading.best, reading.recommended)
    return " ".join(filter(None, [_nothing(verdict), _likeliest(reading)]))


@say.register
def _unread(unread: Unread) -> str:
    if unread.why is WhyUnread.REFUSED:
        return unread.error or ""
    if unread.why is WhyUnread.ONE_WATER and unread.water is not None:
        return (
            f"Only one water was scored ({describe(as_coordinates(unread.water)[0])}; mean "
            f"{unread.mean:.2f}): nothing to compare it with."
        )
    sentences = {
        WhyUnread.NOT_OPEN: "No flight of this coffee has been scored and opened yet.",
        WhyUnread.EACH_ALIKE: (
            "All scores of each taster are identical, so no water can be told from another."
        ),
        WhyUnread.ONLY_SALTS: (
            "Ca:Mg, hardness and alkalinity were the same in all cups compared, so nothing is told "
            "of them: taste a ratio sweep or a dial for that."
        ),
        WhyUnread.NO_CURVE: "No curve could be fitted to these cups: read the single waters.",
        WhyUnread.NOT_TESTED: ("These cups cannot tell one water from another."),
    }
    if unread.why is WhyUnread.MIDDLE_IS_BEST:
        return (
            f"{percent(unread.share_right or 0.0)} of the answers are 'just right'. A mean of such "
            "answers says nothing, so no curve is drawn: read the shares of too little and too "
            "much."
        )
    if unread.why is WhyUnread.ALL_ALIKE:
        return f"All scores are identical ({unread.mean:g}), so no water can be told from another."
    if unread.why is WhyUnread.TOO_FEW:
        return (
            f"{unread.n_scores} scores for {unread.n_waters} waters are too few to tell a "
            "difference from chance."
        )
    return sentences[unread.why]


def _nothing(verdict: Verdict) -> str:
    size = verdict.detectable_points
    if size is None or not np.isfinite(size):
        whole = (
            f", not even of the scale's whole {verdict.span:g} points"
            if np.isfinite(verdict.span)
            else ""
        )
        return (
            f"No difference seen, but these cups are too few to show one{whole}. "
            f"{_what_would(verdict)}"
        )
    who = "this taster" if verdict.n_tasters == 1 else "this panel"
    return (
        f"No difference that {who} can see between these waters. With these cups, a difference of "
        f"{size:.1f} points between any two of them would have been seen with 80 % chance; "
        "none was seen. Smaller ones may be there."
    )


def _likeliest(reading: AnyReading) -> str:
    """What all cups together speak for where the test shows no difference; empty if for little."""
    recommended, best = reading.recommended, reading.best
    if recommended is None or best is None or recommended.is_control:
        return ""
    chance, over = recommended.chance_above_control, recommended.over_control
    if recommended.level is Level.NO_WATER_MATTERS:
        return how_sure(recommended)
    if chance is None or over is None or chance < LIKELY or over[0] < LEAST_SAID:
        return ""
    names = [one.factor for one in best.factor_ranges]
    water = describe(as_coordinates(recommended.water)[0], names)
    return (
        "That test knows nothing of the shapes that liking usually takes; with these allowed for, "
        f"{water} stands out. {how_sure(recommended)}"
    )


def _what_would(verdict: Verdict) -> str:
    if verdict.n_tasters == 1:
        return "Taste another flight of the same waters."
    if verdict.enlarged is None:
        return "Taste with more tasters, and serve each water more often."
    more = verdict.enlarged.more_tasters
    extra = "one more taster" if more == 1 else f"{more} more tasters"
    points = f"{verdict.enlarged.points:.0f}"
    return f"With {extra}, about {points} points would show; further flights help too."


def _found(verdict: Verdict, best: Best, recommended: Recommendation | None) -> str:
    text = f"{best_sentence(best, recommended)} Expected score {best.mean:.1f}"
    names = [one.factor for one in best.factor_ranges]
    if verdict.over_worst is not None:
        worst = describe(as_coordinates(verdict.over_worst.over)[0], names)
        text += f": {_lead(verdict.over_worst)} above the worst water tasted ({worst})"
    over = verdict.over_control
    if over is not None and over.lo > 0 and over.points >= LEAST_SAID:
        text += f", {_lead(over)} above the control{plain_means(recommended)}"
    elif over is not None:
        text += _beside_the_control(over, recommended)
    return f"{text}. The best could be anywhere in {ranges_of(best)}."


def _beside_the_control(over: Lead, recommended: Recommendation | None) -> str:
    """A lead that may be none: its chance where that is likely, as the stop states it."""
    chance = None if recommended is None else recommended.chance_above_control
    if recommended is not None and chance is not None and chance >= LIKELY:
        if recommended.level not in (Level.LIKELY, Level.SETTLED):
            return "; more flights must show whether it beats the control"
        sure = whole_percent(chance)
        return (
            f"; better than the control with a chance of {sure}, by {_lead(over)}"
            f"{plain_means(recommended)}"
        )
    return f"; the control may be as good (at most {max(over.hi, 0.1):.1f} points below)"


def _lead(lead: Lead) -> str:
    return f"{lead.points:.1f} points ({lead.lo:.1f} to {lead.hi:.1f})"


def best_of(reading: AnyReading) -> str:
    """Which water is best within what was tasted, in a sentence; empty without a surface.

    Parameters
    ----------
    reading : AnyReading
        What the scores say of one attribute.
    """
    return "" if reading.best is None else best_sentence(reading.best, reading.recommended)


def best_sentence(best: Best, recommended: Recommendation | None = None) -> str:
    """The same of a best water by itself, or of the recommended one.

    Parameters
    ----------
    best : Best
        The best water within what was tasted.
    recommended : Recommendation, optional
        What is recommended instead, if anything is.
    """
    told = [one.factor for one in best.factor_ranges if one.is_told]
    text = _best(best, told) if told else "These cups do not tell which water is best"
    if recommended is not None:
        return " ".join(filter(None, [f"{text}.", not_told(recommended)]))
    untold = [COORDINATE[one.factor].words for one in best.factor_ranges if not one.is_told]
    if untold and told:
        text += f"; these cups do not tell which {' or '.join(untold)} is best"
    return f"{text}."


def _best(best: Best, told: list[str]) -> str:
    target = best.target
    said = describe(as_coordinates(target)[0], told)
    if "mg_share" in told:
        # How much of each is as little known as the hardness.
        untold = {one.factor for one in best.factor_ranges} - set(told)
        known = "hardness_mg_l_caco3" not in untold
        amounts = f"; {target.ca_mg_text} mg/L as CaCO3" if known else ""
        said = said.replace(
            f"Mg share {target.mg_share:.2f}",
            f"Mg share {target.mg_share:.2f} (Ca:Mg {target.ca_mg_ratio_text}{amounts})",
        )
    text = f"Best within what was tasted: {said}"
    if not best.is_makeable:
        text += " (none of the waters that can be made lies within what was tasted)"
    if not best.was_tasted_near:
        text += ", though no cup was tasted near it"
    beyond = [tasted_range(one) for one in best.factor_ranges if one.open_end]
    if beyond:
        text += f"; that is the end of the range tasted for {' and '.join(beyond)}, so better "
        text += "may lie beyond"
    elif best.stationary.kind is Shape.RIDGE and len(told) == len(best.factor_ranges):
        text += ", on a ridge: along it waters score alike"
    return text


def ranges_of(best: Best) -> str:
    """``'Mg share from 0.10 to 0.40 and hardness of 80 mg/L'``: where the best may lie.

    Parameters
    ----------
    best : Best
        The best water within what was tasted.
    """
    return " and ".join(map(best_range, best.factor_ranges))


def best_range(found: FactorRange) -> str:
    """``'Mg share from 0.10 to 0.40'``, or ``'Mg share of 0.10'`` where both ends read so.

    Parameters
    ----------
    found : FactorRange
        One coordinate's range.
    """
    low, high, unit = _ends(found.factor, found.lo, found.hi)
    span = f"of {low}" if low == high else f"from {low} to {high}"
    return f"{COORDINATE[found.factor].words} {span}{unit}"


def tasted_range(found: FactorRange) -> str:
    """``'alkalinity (0 to 60 mg/L)'``: the range that was tasted, of the scores read.

    Parameters
    ----------
    found : FactorRange
        One coordinate's range.
    """
    low, high, unit = _ends(found.factor, found.tasted_lo, found.tasted_hi)
    return f"{COORDINATE[found.factor].words} ({low} to {high}{unit})"


def _ends(factor: str, low: float, high: float) -> tuple[str, str, str]:
    one = COORDINATE[factor]
    unit = f" {one.unit}".rstrip()
    return f"{low:.{one.digits}f}", f"{high:.{one.digits}f}", unit
