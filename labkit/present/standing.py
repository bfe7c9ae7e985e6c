"""Where the work on a coffee stands, in one sentence, and what the button for what is next says."""

from __future__ import annotations

from labkit.analysis import Level, Recommendation, Verdict, VerdictKind
from labkit.present.asked import say
from labkit.water import COORDINATE
from labkit.workflow import Findings, NextThing, Standing, Step

_DIALS = {
    "mg_share": "ratio sweep",
    "hardness_mg_l_caco3": "hardness dial",
    "alkalinity_mg_l_caco3": "alkalinity dial",
}

_STEPS = {
    Step.BOTTLES: "Bottles",
    Step.PLAN: "Plan",
    Step.TASTE: "Taste",
    Step.VERDICT: "Verdict",
    Step.HAND_OVER: "Hand over",
    Step.ALL_COFFEES: "All coffees",
}


def step_words(step: Step) -> str:
    """What a step is called.

    Parameters
    ----------
    step : Step
        A step of the work.
    """
    return _STEPS[step]


def book_words(name: str) -> str:
    """What a lab book is called: nothing of the folders or the server that it lies on.

    Parameters
    ----------
    name : str
        Its path, or its URL without the password.
    """
    return name.replace("\\", "/").rpartition("/")[2].removesuffix(".db")


def button_words(standing: Standing) -> str:
    """What the button for what is next says, such as ``'Mix flight 2'``.

    Parameters
    ----------
    standing : Standing
        Where the work stands.
    """
    flight = f"flight {standing.flight}"
    waiting = flight if standing.n_flights == 1 else f"{standing.n_flights} flights"
    return {
        NextThing.CHOOSE_BOOK: "Choose a lab book",
        NextThing.ADD_COFFEE: "Add a coffee",
        NextThing.WEIGH_BOTTLES: "Weigh the bottles",
        NextThing.PLAN_FIRST: "Plan a ratio sweep",
        NextThing.MIX_FLIGHT: f"Mix {flight}",
        NextThing.TAKE_SCORES: f"{standing.n_scored} of {_people(standing.n_tasters)} scored",
        NextThing.LOCK_ALONE: f"Lock {flight}",
        NextThing.LOCK_FLIGHT: f"Lock and open {waiting}",
        NextThing.OPEN_KEY: f"Open {waiting}",
        NextThing.READ_VERDICT: "Read the verdict",
        NextThing.PLAN_DIAL: f"Plan the {_DIALS.get(standing.dial, 'next dial')}",
        NextThing.PLAN_NEXT_FLIGHT: "Plan the next flight",
        NextThing.CONFIRM: "Confirm",
        NextThing.MAKE_CARD: "Make the card",
    }[standing.next]


@say.register
def _standing(standing: Standing) -> str:
    thing, flight = standing.next, f"Flight {standing.flight}"
    if thing is NextThing.CHOOSE_BOOK:
        return "No lab book is open."
    if not standing.coffee:
        return (
            "No coffee is in the lab book yet."
            if thing is NextThing.ADD_COFFEE
            else _bottles(standing)
        )
    so_far = f"{_so_far(standing)} ".lstrip()
    if thing is NextThing.MIX_FLIGHT:
        return f"{so_far}{flight} of '{standing.session}' is sealed and waits to be mixed."
    if thing is NextThing.TAKE_SCORES:
        return (
            f"{so_far}{flight} of '{standing.session}': {standing.n_scored} of "
            f"{_people(standing.n_tasters)} scored."
        )
    if thing in (NextThing.LOCK_ALONE, NextThing.LOCK_FLIGHT):
        which = flight if standing.n_flights == 1 else "All flights"
        return f"{so_far}{which} of '{standing.session}': every cup has its scores."
    if thing is NextThing.OPEN_KEY:
        if standing.n_flights > 1:
            return (
                f"{so_far}{standing.n_flights} flights of '{standing.session}' are locked; their "
                "keys are closed."
            )
        return f"{so_far}{flight} of '{standing.session}' is locked; its key is closed."
    if so_far:
        return so_far.strip()
    if standing.n_opened:
        what = "1 flight is" if standing.n_opened == 1 else f"{standing.n_opened} flights are"
        return f"{what} open; the scores have not been read on this page yet."
    return _bottles(standing) if standing.missing_bottles else "Nothing has been tasted yet."


def _so_far(standing: Standing) -> str:
    """What is known of the best water; empty if nothing was read."""
    if standing.found is not None:
        return best_so_far(standing.found)
    if standing.recommended is None or standing.verdict is None:
        return ""
    return _best(standing.recommended, standing.verdict)


def best_so_far(found: Findings) -> str:
    """The recommended water in one short sentence, and what of it is not told.

    Parameters
    ----------
    found : Findings
        What the scores of a coffee say.
    """
    reading = found.reading
    if reading is None:
        return "Only tests of two waters are open."
    recommended = reading.recommended
    if reading.verdict.unread is not None or recommended is None:
        return say(reading)
    return _best(recommended, reading.verdict)


def _best(recommended: Recommendation, verdict: Verdict) -> str:
    if verdict.kind is not VerdictKind.FOUND:
        return "No difference seen yet between these waters."
    told = [_level(recommended, one.factor) for one in recommended.coordinates if one.is_told]
    untold = [_words(one.factor) for one in recommended.untold]
    best = f"Best so far {', '.join(told)}" if told else "Which water is best is not told"
    parts = [best, f"{' and '.join(untold)} not told" if untold and told else ""]
    return f"{'; '.join(filter(None, [*parts, _beside_control(recommended)]))}."


def _level(recommended: Recommendation, factor: str) -> str:
    if factor == "mg_share":
        return f"Ca:Mg {recommended.water.ca_mg_ratio_text}"
    return f"{_words(factor)} {getattr(recommended.water, factor):.{COORDINATE[factor].digits}f}"


def _words(factor: str) -> str:
    return "Ca:Mg" if factor == "mg_share" else COORDINATE[factor].words


def _beside_control(recommended: Recommendation) -> str:
    if recommended.control is None:
        return ""
    if recommended.is_control:
        return "that is the control"
    return {
        Level.SETTLED: "better than the control",
        Level.LIKELY: "probably better than the control",
        Level.OPEN: "control not beaten",
        Level.NO_WATER_MATTERS: "no water is much better than the control",
    }[recommended.level]


def _bottles(standing: Standing) -> str:
    if not standing.missing_bottles:
        return "The bottles are on the shelf."
    return f"No bottle on the shelf gives {' or '.join(standing.missing_bottles)}."


def _people(n: int) -> str:
    return "1 taster has" if n == 1 else f"{n} tasters have"
