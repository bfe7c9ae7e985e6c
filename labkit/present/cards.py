"""What is said of a recipe card: how its water differs from the one that was tasted."""

from __future__ import annotations

from labkit.present.asked import remarks, say
from labkit.present.doses import taste_may_differ
from labkit.present.recommended import not_told, source_of
from labkit.workflow import Card, Findings


@remarks.register
def _card_remarks(card: Card) -> tuple[str, ...]:
    """What is out of reach, and what other salts change."""
    return (*remarks(card.reach), *taste_may_differ(card.changes))


def known_of(found: Findings | None) -> tuple[str, ...]:
    """What is known of the recommended water and what is not, as a card has it.

    What is not told, where the water comes from, what a confirming test of it said.

    Parameters
    ----------
    found : Findings, optional
        What the scores say; a water that is nobody's recommended one has none.
    """
    if found is None or found.reading is None or found.reading.recommended is None:
        return ()
    one = found.reading.recommended
    answered = "" if found.answer is None else say(found.answer)
    return tuple(filter(None, [not_told(one), source_of(one), answered]))
