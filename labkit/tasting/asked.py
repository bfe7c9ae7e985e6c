"""What is asked of tasters, said in their language; what the lead typed stays as typed."""

from __future__ import annotations

from typing import Final, Protocol

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.language import N_, Language
from labkit.tasting.methods import METHODS
from labkit.tasting.scales import USUAL_NAMES, Scale, is_own_scale

JUST_RIGHT: Final = N_("{attribute}: just right?")
"""What the question is called whether something is too weak, right or too strong."""


class Asked(Protocol):
    """Something that is scored, as far as its title needs it."""

    @property
    def name(self) -> str:
        """Its name in the lab book."""

    @property
    def scale(self) -> Scale | None:
        """What it is scored on; None for words and notes."""


@checked(PlanError)
def title_of(asked: Asked, language: Language) -> str:
    """The name of what is scored, for display; the lab book's own name does not change.

    Parameters
    ----------
    asked : Asked
        An attribute; labkit's own names and questions are said in the language.
    language : Language
        What the taster reads.
    """
    if asked.name in USUAL_NAMES:
        return language.gettext(asked.name)
    method = METHODS.get(asked.scale.name) if asked.scale else None
    question = method.question if method else JUST_RIGHT
    before, braces, after = question.partition("{attribute}")
    about = asked.name[len(before) : len(asked.name) - len(after)] if braces else ""
    if asked.name != before + about + after:
        return asked.name
    about = language.gettext(about) if about in USUAL_NAMES else about
    return language.gettext(question).replace("{attribute}", about)


@checked(PlanError)
def words_of(scale: Scale, language: Language) -> tuple[tuple[float, str], ...]:
    """Scores that carry words, with the words for display.

    Parameters
    ----------
    scale : Scale
        Only labkit's own words are said in the language.
    language : Language
        What the taster reads.
    """
    if not is_own_scale(scale):
        return scale.words
    return tuple((score, language.gettext(word)) for score, word in scale.words)
