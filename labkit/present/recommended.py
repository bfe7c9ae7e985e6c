"""How the recommended water is said: where it comes from, and what of it the cups do not tell."""

from __future__ import annotations

import math
from typing import Final

from labkit.analysis import Level, Recommendation, SecondOpinion, Told
from labkit.present.asked import say
from labkit.water import COORDINATE, amount

LEAST_SAID: Final = 0.05
"""Points below which the digit that is said would read as nothing."""


def how_sure(recommended: Recommendation) -> str:
    """How sure it is that the water beats the control, in one sentence; empty without a control.

    Parameters
    ----------
    recommended : Recommendation
        The recommended water.
    """
    chance, over = recommended.chance_above_control, recommended.over_control
    if recommended.level is Level.NO_WATER_MATTERS and recommended.most_to_gain is not None:
        return (
            "No water within what was tasted is better than the control by more than "
            f"{at_most(recommended.most_to_gain)} points, with a chance of 90 %."
        )
    if recommended.is_control:
        sure = recommended.level is Level.SETTLED
        return (
            "The control itself is the water to serve"
            f"{'' if sure else ' for now; more flights must show whether another one beats it'}."
        )
    if chance is None or over is None:
        return ""
    points, low, high = (round(one, 1) + 0.0 for one in over)
    said = (
        f"better than the control with a chance of {whole_percent(chance)}, by {points:.1f} points "
        f"({low:.1f} to {high:.1f}){plain_means(recommended)}"
    )
    if recommended.level is Level.OPEN:
        return f"Open: it is {said} as far as these cups go; more flights must show it."
    return f"{str(recommended.level).capitalize()}: it is {said}."


def plain_means(recommended: Recommendation | None) -> str:
    """The plain means of the scores of the water and the control, to stand beside the estimate.

    Parameters
    ----------
    recommended : Recommendation, optional
        The recommended water; empty without one, or unless both were scored.
    """
    if recommended is None or recommended.plain_means is None:
        return ""
    mine, theirs = recommended.plain_means
    return f"; plain means {mine:.1f} and {theirs:.1f}"


def at_most(points: float) -> str:
    """Points that are not exceeded, rounded up: 0.42 is not yet within 0.4.

    Parameters
    ----------
    points : float
        What is not exceeded.
    """
    return f"{math.ceil(10 * points - 1e-9) / 10:.1f}"


def whole_percent(chance: float) -> str:
    """A chance rounded down: 96.9 is not yet 97, and nothing is ever sure.

    Parameters
    ----------
    chance : float
        Between 0 and 1.
    """
    whole = int(100 * chance + 1e-9)
    return f"{whole} %" if whole < 100 else "more than 99 %"


def said_of_coordinate(told: Told, recommended: Recommendation) -> str:
    """``'Alkalinity is not told; kept at 15 mg/L, ...'``; empty if the coordinate is told.

    One that is moved all the same is said to be so: keeping it would likely give away more.

    Parameters
    ----------
    told : Told
        What the cups say of the coordinate.
    recommended : Recommendation
        The recommended water that it belongs to.
    """
    if told.is_told:
        return ""
    words = COORDINATE[told.factor].words
    kept = amount(told.factor, told.level).removeprefix(f"{words} ")
    is_kept = recommended.is_kept(told.factor)
    text = f"{words[0].upper()}{words[1:]} is not told"
    if not is_kept:
        text += (
            f" (any level tasted may be the best); set to {kept}, where the expected score is "
            "highest"
        )
    else:
        text += f"; kept at {kept}"
    if not told.was_varied:
        return f"{text}, where all cups had it."
    control = recommended.control
    if is_kept and control is not None and getattr(control, told.factor) != told.level:
        text += " as in the water that was confirmed"
    cost = told.may_cost or 0.0
    points = (
        f"{cost:.1f} points" if cost >= LEAST_SAID else f"less than {2 * LEAST_SAID:.1f} points"
    )
    return f"{text}, which may cost {points}."


def not_told(recommended: Recommendation) -> str:
    """A sentence for each coordinate that is not told; empty if all are.

    Parameters
    ----------
    recommended : Recommendation
        The recommended water.
    """
    return " ".join(said_of_coordinate(one, recommended) for one in recommended.untold)


def source_of(recommended: Recommendation) -> str:
    """Where the water comes from, in one sentence.

    Parameters
    ----------
    recommended : Recommendation
        The recommended water.
    """
    kept = [one for one in recommended.untold if recommended.is_kept(one.factor)]
    if len(kept) == len(recommended.coordinates):
        return "No change from the water held so far is likely enough to improve the cup: it stays."
    varied = any(one.may_cost is not None for one in kept)
    begins = "With what is not told kept, this" if varied else "This"
    text = (
        f"{begins} water has the highest expected score within what was tasted, averaged over many "
        "possible shapes of liking; the next flight is chosen by the same estimate."
    )
    if recommended.n_older:
        text += f" The {recommended.n_older} cups of the earliest flights are not included."
    return text if recommended.was_tasted else f"{text} This very water has not been poured yet."


@say.register
def _second_opinion(second: SecondOpinion) -> str:
    if second.is_same:
        return "The second-order surface alone chooses the same recipe."
    text = (
        f"The second-order surface alone would choose {second.leader.text} ({second.expected:.2f})"
    )
    ours, theirs = whole_percent(second.ours), whole_percent(second.theirs)
    if second.disagrees:
        return (
            f"{text}, and the two ways of reading the scores disagree: this one is {ours} sure of "
            f"its own, the surface {theirs}. Taste both side by side."
        )
    return f"{text}; neither is sure of its own ({ours} and {theirs})."
