"""How the recommended water is said: where it comes from, and what of it the cups do not tell."""

from __future__ import annotations

from labkit.analysis import Recommendation, SecondOpinion, Told
from labkit.present.asked import say
from labkit.water import COORDINATE, amount, percent


def said_of_coordinate(told: Told, recommended: Recommendation) -> str:
    """``'Alkalinity is not told; kept at 15 mg/L, ...'``; empty if the coordinate is told.

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
    text = f"{words[0].upper()}{words[1:]} is not told; kept at {kept}"
    if not told.was_varied:
        return f"{text}, where all cups had it."
    control = recommended.control
    if control is not None and getattr(control, told.factor) != told.level:
        text += " as in the water that was confirmed"
    return f"{text}, which may cost {told.may_cost:.1f} points."


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
    if not any(one.is_told for one in recommended.coordinates):
        return "No change from the water held so far is likely enough to improve the cup: it stays."
    text = (
        "This water has the highest expected score within what was tasted, averaged over many "
        "possible shapes of liking; the next flight is chosen by the same estimate."
    )
    if recommended.n_older:
        text += f" The {recommended.n_older} cups of the earliest flights are not counted in."
    return text if recommended.was_tasted else f"{text} No cup of just this water was poured yet."


@say.register
def _second_opinion(second: SecondOpinion) -> str:
    if second.is_same:
        return "The second-order surface alone chooses the same recipe."
    text = (
        f"The second-order surface alone would choose {second.leader.text} ({second.expected:.2f})"
    )
    if second.disagrees:
        return (
            f"{text}, and the two ways of reading the scores disagree: this one is "
            f"{percent(second.ours)} sure of its own, the surface {percent(second.theirs)}. Taste "
            "both side by side."
        )
    return (
        f"{text}; neither is sure of its own ({percent(second.ours)} and {percent(second.theirs)})."
    )
