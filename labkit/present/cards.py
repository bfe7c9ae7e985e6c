"""What is said of a recipe card: how its water differs from the one that was tasted."""

from __future__ import annotations

from labkit.present.asked import remarks
from labkit.present.doses import taste_may_differ
from labkit.workflow import Card


@remarks.register
def _card_remarks(card: Card) -> tuple[str, ...]:
    """What is out of reach, and what other salts change."""
    return (*remarks(card.reach), *taste_may_differ(card.changes))
