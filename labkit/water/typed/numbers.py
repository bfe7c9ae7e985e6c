"""Numbers as people type them: a point or a comma for decimals, and lists of them."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Final, TypeVar

from labkit.boundary import checked
from labkit.errors import WaterError

MOST_SIGNS: Final = 300
"""Longest text that is read as a water or as levels."""

NUMBER: Final = r"(?:\d+(?:\.\d+)?|\.\d+)(?![\d.])"
"""A number once it is settled what its commas mean."""

_BETWEEN: Final = re.compile(r"(?<=\d),(?=\d)")
_THOUSANDS: Final = re.compile(r"(?<![\d.,])[1-9]\d{0,2}(?:,\d{3})+(?![\d,])")
_WATER: Final = re.compile(r"\.(\d*(?:\.\d+)?H2O)", re.IGNORECASE)
"""The water of a hydrate behind a point, which is no decimal point."""

_SIGNS: Final = str.maketrans(
    {"\u00a0": " ", "\u202f": " ", "\u2236": ":", "º": "°", "˚": "°"}
    | dict(zip("₀₁₂₃₄₅₆₇₈₉⁺⁻²", "0123456789+-2", strict=True))
)

_T = TypeVar("_T")


def tidy(text: object, field: str) -> str:
    """The text with plain spaces, colons and digits.

    Raises
    ------
    WaterError
        If there is nothing, or far too much.
    """
    plain = " ".join(str(text).translate(_SIGNS).split())
    plain = _WATER.sub(r"·\1", plain)
    if len(plain) > MOST_SIGNS:
        raise WaterError(
            f"{field} must be at most {MOST_SIGNS} signs long, got {len(plain)}. "
            "Write one water, such as Ca 60, Mg 40, alk 15.",
            field=field,
        )
    return plain


def comma_readings(text: str) -> tuple[str, ...]:
    """The text in each way that its commas between digits may be meant.

    All are decimal commas, or all separate, or those before three digits mark thousands. Next to
    a decimal point no comma is one.

    Examples
    --------
    >>> comma_readings("80,4"), comma_readings("0.5,1"), comma_readings("40,80,120")
    (('80.4', '80, 4'), ('0.5, 1',), ('40, 80, 120',))
    """
    if not _BETWEEN.search(text):
        return (text,)
    readings = [_BETWEEN.sub(", ", text)]
    if not re.search(r"\d,\d+,\d|\d\.\d", text):
        readings.insert(0, _BETWEEN.sub(".", text))
    if _THOUSANDS.search(text):
        whole = _THOUSANDS.sub(lambda found: found[0].replace(",", ""), text)
        readings.append(_BETWEEN.sub(", ", whole))
    return tuple(readings)


def only_reading(text: str, field: str, read: Callable[[str], _T], say: Callable[[_T], str]) -> _T:
    """What a text can only mean, whatever its commas are.

    Raises
    ------
    WaterError
        If no reading makes sense, or two that do differ.
    """
    found: list[_T] = []
    refused: list[WaterError] = []
    for one in comma_readings(text):
        try:
            meant = read(one)
        except WaterError as error:
            refused.append(error)
        else:
            if meant not in found:
                found.append(meant)
    if len(found) > 1:
        raise two_ways(field, text, [say(one) for one in found])
    if not found:
        raise refused[0]
    return found[0]


def two_ways(field: str, text: str, readings: Sequence[str]) -> WaterError:
    """The refusal of what can be read in two ways, which says both."""
    return WaterError(
        f"{field} can be read in two ways, got {text!r}: as {readings[0]}, or as {readings[1]}. "
        "Put a space after a comma that separates, and write a point for decimals.",
        field=field,
    )


@checked(WaterError, but=("text",))
def read_numbers(text: str, field: str) -> tuple[float, ...]:
    """Numbers typed with spaces, commas or semicolons between them.

    Parameters
    ----------
    text : str
        As typed; nothing typed is no number. Write a point for decimals: a comma between two
        digits could also part two numbers.
    field : str
        What the sentence of an error calls it, and its ``field``.

    Returns
    -------
    tuple of float
        In the order typed.

    Raises
    ------
    WaterError
        If something is no number, or a comma can be read in two ways.

    Examples
    --------
    >>> read_numbers("0; 0.5,1  0.25", "levels")
    (0.0, 0.5, 1.0, 0.25)
    """
    plain = tidy(text, field)

    def read(one: str) -> tuple[float, ...]:
        parts = [part for part in re.split(r"[;,\s]+", one) if part]
        if not all(re.fullmatch(NUMBER, part) for part in parts):
            raise WaterError(
                f"{field} must be numbers with spaces between them, got {text!r}. "
                "Write a point for decimals, such as 0.25 0.5 0.75.",
                field=field,
            )
        return tuple(map(float, parts))

    return only_reading(plain, field, read, lambda found: " and ".join(f"{n:g}" for n in found))


@checked(WaterError, but=("text",))
def read_number(text: str, field: str) -> float:
    """One number, with a point or a comma for decimals.

    Parameters
    ----------
    text : str
        As typed.
    field : str
        What the sentence of an error calls it, and its ``field``.

    Raises
    ------
    WaterError
        If it is no single number, or its comma may mark thousands.

    Examples
    --------
    >>> read_number("60,5", "Ca"), read_number(" 60.5 ", "Ca")
    (60.5, 60.5)
    """
    plain = tidy(text, field)

    def read(one: str) -> float:
        if not re.fullmatch(NUMBER, one):
            raise WaterError(
                f"{field} must be a number of at least 0, got {text!r}. Write 60 or 60.5.",
                field=field,
            )
        return float(one)

    return only_reading(plain, field, read, lambda found: f"{found:g}")
