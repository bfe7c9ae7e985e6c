"""What is said of what the verbs give: readings, next flights and cards of a lab book."""

from __future__ import annotations

from labkit.analysis import compares_salts
from labkit.book import LeftOut
from labkit.present.asked import remarks, say, to_html
from labkit.present.doses import taste_may_differ
from labkit.present.html import notes
from labkit.present.recommended import how_sure, not_told, source_of
from labkit.water import counted
from labkit.workflow import Card, Findings, NextFlight


@to_html.register
def _findings(found: Findings) -> str:
    shown = (found.reading, found.words, *found.tests)
    return "".join(to_html(one) for one in shown if one is not None)


@say.register
def _left_out(choice: LeftOut) -> str:
    """Who and what is left out, since when and why; empty if nothing is."""
    if not choice.names or choice.recorded_at is None:
        return ""
    return (
        f"Left out by choice, as recorded on {choice.recorded_at:%Y-%m-%d}: "
        f"{', '.join(choice.names)}. Why: {choice.reason}"
    )


@to_html.register
def _next(found: NextFlight) -> str:
    walk = notes([say(found.step)]) if found.step is not None else ""
    shown = (found.advice, found.suggestion)
    return "".join(to_html(one) for one in shown if one is not None) + walk


@to_html.register
def _card(card: Card) -> str:
    recipes = "".join(to_html(recipe) for recipe in card.recipes)
    return recipes + notes([*known_of(card.found), *remarks(card)])


@remarks.register
def _card_remarks(card: Card) -> tuple[str, ...]:
    """What is out of reach, and what other salts change."""
    return (*remarks(card.reach), *taste_may_differ(card.changes))


def known_of(found: Findings | None) -> tuple[str, ...]:
    """What is known of the recommended water and what is not, as a card has it.

    How sure it is, what is not told, where the water comes from, what a confirming test of it said,
    and whether its salts matter.

    Parameters
    ----------
    found : Findings, optional
        What the scores say; a water that is nobody's recommended one has none.
    """
    if found is None or found.reading is None:
        return ()
    one, salts = found.reading.recommended, _said_of_salts(found)
    if one is None:
        return salts
    sure = how_sure(one) if found.answer is None else say(found.answer)
    return tuple(filter(None, [sure, not_told(one), source_of(one), *salts]))


def sure_of(found: Findings) -> tuple[str, ...]:
    """How sure the recommended water is by the scores, and how many they are, as a client reads it.

    Parameters
    ----------
    found : Findings
        What the scores say.
    """
    scores = found.scores[found.scores["attribute"] == found.attribute]
    apart = compares_salts(scores)
    scores = scores[apart if apart.all() else ~apart]
    people, days = scores["taster"].nunique(), scores["session"].nunique()
    rests = (
        f"It rests on {counted(len(scores), 'blind score')} by {counted(people, 'taster')} in "
        f"{counted(days, 'session')}."
    )
    one = None if found.reading is None else found.reading.recommended
    said = () if one is None else (how_sure(one), source_of(one))
    return tuple(filter(None, [*said, rests, *_said_of_salts(found)]))


def _said_of_salts(found: Findings) -> tuple[str, ...]:
    """What comparisons of salts say, and whether they were made in another water than this."""
    said = tuple(map(say, found.salts))
    if not found.salts_from_elsewhere:
        return said
    return (*said, "The salts are taken from there: in just this water they were not compared.")


def confirmation_of(found: Findings) -> tuple[str, ...]:
    """What a test of the recommended water against the control said; that there was none, if so.

    Parameters
    ----------
    found : Findings
        What the scores say, and the tests of two waters; the latest of other waters is said too.
    """
    if found.answer is not None:
        return (say(found.answer),)
    none = (
        "No test of the recommended water against the control was served: it rests on the scores "
        "alone."
    )
    return (none, *(f"{test.session}: {say(test)}" for test in found.tests[-1:]))
