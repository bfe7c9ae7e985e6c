"""The reader's language: English is the source text, message catalogues say it in others.

Only what tasters see is said in other languages. ``python -m tests.catalogues`` keeps the
catalogues in ``locale/`` in step with the source.
"""

from __future__ import annotations

import gettext as catalogues
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Final

CATALOGUES: Final = Path(__file__).parent / "locale"
DOMAIN: Final = "labkit"


def N_(message: str) -> str:  # noqa: N802 (what gettext calls it)
    """Mark a message for the catalogues where it is written down, to be said somewhere else."""
    return message


@dataclass(frozen=True, slots=True, kw_only=True)
class Language:
    """A language that tasters can read."""

    code: str
    """By ISO 639, such as "de"."""

    def gettext(self, message: str) -> str:
        """A message in this language; in English where the catalogue lacks it."""
        return _catalogue(self.code).gettext(message)

    def ngettext(self, one: str, many: str, number: int) -> str:
        """The form of a message that goes with a number."""
        return _catalogue(self.code).ngettext(one, many, number)

    @property
    def name(self) -> str:
        """What its readers call it."""
        return self.gettext(N_("English"))

    def number(self, value: float) -> str:
        """A number as its readers write it, with at most six digits behind the comma."""
        from babel.numbers import format_decimal  # only paper needs it

        return format_decimal(value, format="0.######", locale=self.code)


ENGLISH: Final = Language(code="en")

LANGUAGES: Final[Mapping[str, Language]] = MappingProxyType(
    {
        "en": ENGLISH,
        **{
            file.parts[-3]: Language(code=file.parts[-3])
            for file in sorted(CATALOGUES.glob(f"*/LC_MESSAGES/{DOMAIN}.mo"))
        },
    }
)
"""Languages that there are, by code; a catalogue in its folder adds one."""


def preferred(accept_language: str) -> Language:
    """The language that a browser would rather have, of those that there are.

    Parameters
    ----------
    accept_language : str
        The header that it sends (RFC 9110, 12.5.4), such as "de-AT,de;q=0.9,en;q=0.5".

    Returns
    -------
    Language
        English where there is none of them.
    """
    wanted = []
    for part in accept_language.split(",")[:20]:
        tag, _, quality = part.partition(";")
        try:
            weight = float(quality.strip().removeprefix("q=")) if quality.strip() else 1.0
        except ValueError:
            continue
        code = tag.strip().lower().partition("-")[0]
        if code in LANGUAGES and weight > 0:
            wanted.append((weight, code))
    best = max(wanted, key=lambda each: each[0], default=(0.0, ENGLISH.code))
    return LANGUAGES[best[1]]


@cache
def _catalogue(code: str) -> catalogues.NullTranslations:
    return catalogues.translation(DOMAIN, CATALOGUES, [code], fallback=True)
