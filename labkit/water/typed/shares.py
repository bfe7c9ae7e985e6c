"""What a typed water says of its salts: chloride or sulfate, sodium or potassium."""

from __future__ import annotations

import re
from typing import Final

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.water.coordinates import SALT_SHARE
from labkit.water.typed.numbers import NUMBER, only_reading, tidy
from labkit.water.waters.targets import share_text

_WORDS: Final = {
    "chloride": ("sulfate_share", True),
    "cl": ("sulfate_share", True),
    "sulfate": ("sulfate_share", False),
    "sulphate": ("sulfate_share", False),
    "so4": ("sulfate_share", False),
    "sodium": ("potassium_share", True),
    "na": ("potassium_share", True),
    "potassium": ("potassium_share", False),
    "k": ("potassium_share", False),
}
"""Which share a word is of, and whether of the other ion: a share of chloride is the rest."""

_ION: Final = r"(?P<{name}>chloride|sulfate|sulphate|SO4|Cl|sodium|potassium|Na|K)(?![A-Za-z0-9])"
_SAID: Final = re.compile(
    rf"\ball\s+{_ION.format(name='all')}"
    rf"|(?<![\d.])(?P<before>{NUMBER})\s*%\s*(?:of\s+)?{_ION.format(name='after_percent')}"
    rf"|\b{_ION.format(name='percent_of')}(?:\s+share)?\s*[:=]?\s*(?P<percent>{NUMBER})\s*%"
    rf"|\b{_ION.format(name='share_of')}\s+share\s*[:=]?\s*(?P<share>{NUMBER})(?!\s*[%\d])",
    re.IGNORECASE,
)


_ALONE: Final = re.compile(
    r"(?<![A-Za-z0-9])(?:chloride|sulfate|sulphate|SO4|sodium|potassium)(?![A-Za-z0-9])",
    re.IGNORECASE,
)
_PAIR_OF: Final = {
    "sulfate_share": "chloride and sulfate",
    "potassium_share": "sodium and potassium",
}


def take_shares(text: str, field: str) -> tuple[str, dict[str, float]]:
    """A text without what it says of its salts, and that.

    Parameters
    ----------
    text : str
        One reading of a water, its commas settled.
    field : str
        What the sentence of an error calls it.

    Raises
    ------
    WaterError
        If a share is above 1, stated twice, or not stated.

    Examples
    --------
    >>> take_shares("Ca 40, Mg 40, alk 40, 25 % sulfate, all potassium", "water")
    ('Ca 40, Mg 40, alk 40, , ', {'sulfate_share': 0.25, 'potassium_share': 1.0})
    """
    found: dict[str, float] = {}
    for match in _SAID.finditer(text):
        ion = next(
            match[name]
            for name in ("all", "after_percent", "percent_of", "share_of")
            if match[name] is not None
        )
        number = 1.0
        if match["share"]:
            number = float(match["share"])
        elif match["before"] or match["percent"]:
            number = float(match["before"] or match["percent"]) / 100
        name, share = _as_share(ion, number, match[0], field)
        if name in found and abs(found[name] - share) > SALT_SHARE[name].tolerance:
            raise WaterError(
                f"{field} states its {SALT_SHARE[name].words} twice, "
                f"{share_text(name, found[name])} and {share_text(name, share)}. State it once.",
                field=field,
            )
        found.setdefault(name, share)
    rest = _SAID.sub("", text)
    alone = _ALONE.search(rest)
    if alone:
        raise WaterError(
            f"{field} names {alone[0]} without its share, got {text!r}. Write all {alone[0]}, or "
            f"50 % {alone[0]}: by charge, of {_PAIR_OF[_WORDS[alone[0].lower()][0]]}.",
            field=field,
        )
    return rest, found


@checked(WaterError, but=("text",))
def read_salt_shares(text: str, name: str, field: str | None = None) -> tuple[float, ...]:
    """Levels of one share of the salts, for a sweep.

    Parameters
    ----------
    text : str
        Such as ``all chloride, 50 % sulfate, all sulfate`` or ``0 0.5 1``, with spaces or commas
        between; nothing typed is no level.
    name : str
        One of ``SALT_SHARES``.
    field : str, optional
        What the sentence of an error calls it, and its ``field``; the name if not given.

    Raises
    ------
    WaterError
        If something is no such share, or a comma can be read in two ways.

    Examples
    --------
    >>> read_salt_shares("all chloride, 50 % sulfate, all sulfate", "sulfate_share")
    (0.0, 0.5, 1.0)
    >>> read_salt_shares("0 0.25 1", "potassium_share")
    (0.0, 0.25, 1.0)
    """
    called = field or name
    plain = tidy(text, called)

    def read(one: str) -> tuple[float, ...]:
        return tuple(_level(part, name, plain, called) for part in _PARTS.findall(one))

    def said(levels: tuple[float, ...]) -> str:
        return " and ".join(f"{level:.4g}" for level in levels)

    return only_reading(plain, called, read, said)


_PARTS: Final = re.compile(
    rf"all\s+\w+|{NUMBER}\s*%(?:\s*(?:of\s+)?(?!all\b)[A-Za-z]\w*)?|[A-Za-z]\w*\s+{NUMBER}\s*%|[^\s,;]+",
    re.IGNORECASE,
)


def _level(part: str, name: str, text: str, field: str) -> float:
    none, whole = share_text(name, 0), share_text(name, 1)
    wrong = WaterError(
        f"{field} must be shares from 0 ({none}) to 1 ({whole}) with spaces between them, got "
        f"{text!r}. Write 0 0.5 1, or {none}, 50 %, {whole}.",
        field=field,
    )
    number = re.fullmatch(rf"({NUMBER})\s*(%?)", part)
    if number:
        share = float(number[1]) / (100 if number[2] else 1)
    else:
        rest, found = take_shares(part, field)
        if rest.strip() or name not in found:
            raise wrong
        share = found[name]
    if share > 1:
        raise wrong
    return share


def _as_share(ion: str, number: float, text: str, field: str) -> tuple[str, float]:
    if number > 1:
        raise WaterError(
            f"{field} must have a share between 0 and 1, got {text!r}. Write 0.6, or 60 %.",
            field=field,
        )
    name, is_other = _WORDS[ion.lower()]
    return name, 1 - number if is_other else number
