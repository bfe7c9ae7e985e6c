"""Passphrases: one drawn at random to offer, and how hard a chosen one is to guess.

The estimate counts the guesses of somebody who knows this code: words of our list, the commonest
passwords, rows of a keyboard, counting up, repeats, years. It is on the low side on purpose.
"""

from __future__ import annotations

import math
import re
import secrets
import unicodedata
from functools import cache
from importlib.resources import files
from typing import Final

from labkit.boundary import checked
from labkit.errors import SealError

N_WORDS: Final = 5
"""Words of a passphrase that is offered; each is worth log2 of the list's length in bits."""

PASSPHRASE_LENGTH: Final = 8
"""Shortest passphrase that seals, in characters."""

LEAST_BITS: Final = 20.0
"""What seals must withstand a million guesses (2 to the power of 20)."""

SECONDS_A_GUESS: Final = 0.35
"""Of one core, at the cost that :mod:`labkit.tasting.seal` asks for."""

_COMMON_BITS: Final = 8.0
_RUNS: Final = (
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890",
    "qwertyuiop",
    "qwertzuiop",
    "azertyuiop",
    "asdfghjkl",
    "zxcvbnm",
    "yxcvbnm",
    "1qaz2wsx3edc4rfv5tgb6yhn7ujm8ik9ol0p",
    "1q2w3e4r5t6y7u8i9o0p",
    "1q2w3e4r5t6z7u8i9o0p",
)
_DISGUISE: Final = str.maketrans("0134578@$!", "oieastbasi")
_LETTER_BITS: Final = math.log2(26)
_YEAR: Final = re.compile(r"(?:19|20)\d\d")
_DAY: Final = re.compile(
    r"(?:19|20)?\d\d([-./]?)(?:0\d|1[0-2])\1[0-3]\d|[0-3]\d([-./]?)(?:0\d|1[0-2])\2(?:19|20)?\d\d"
)
_DAY_BITS: Final = math.log2(100 * 365 * 4)
"""A century of days, in four ways of writing one."""


@cache
def words() -> tuple[str, ...]:
    """The list that is drawn from: short, common English words, our own choice."""
    return _listed("words.txt")


@cache
def _common() -> frozenset[str]:
    """From memory: what anyone tries first, and what this trade would try."""
    return frozenset(_listed("common_passwords.txt"))


def _listed(name: str) -> tuple[str, ...]:
    return tuple(files("labkit.tasting").joinpath(name).read_text("utf-8").split())


def draw_passphrase() -> str:
    """Several words drawn at random by the system's own source of chance."""
    return " ".join(secrets.choice(words()) for _ in range(N_WORDS))


def drawn_bits() -> float:
    """Worth of a passphrase that was drawn, in bits: exact, since every draw is as likely."""
    return N_WORDS * math.log2(len(words()))


def normal(passphrase: str) -> str:
    """One spelling for what looks the same, whatever keyboard typed it."""
    return unicodedata.normalize("NFKC", passphrase).strip()


@checked(SealError)
def strength_bits(passphrase: str) -> float:
    """How many guesses it withstands at least, as a power of two.

    Parameters
    ----------
    passphrase : str
        As it would be typed.

    Examples
    --------
    >>> strength_bits("12345678") < LEAST_BITS < strength_bits("four dry teaspoons")
    True
    """
    text = normal(passphrase)[:64]  # more cannot be needed
    capitals = sum(sign.isupper() for sign in text)
    case_bits = 0.0 if not capitals else 1.0 if text[0].isupper() or text.isupper() else 2.0
    try:
        return bits_of(text.lower()) + case_bits
    finally:
        bits_of.cache_clear()  # no passphrase stays in memory for longer than it is needed


def check_passphrase(passphrase: str) -> None:
    """Raise SealError unless it may seal a key; what was typed is not in the message."""
    length = len(normal(passphrase))
    if length < PASSPHRASE_LENGTH:
        raise SealError(
            f"passphrase must have at least {PASSPHRASE_LENGTH} characters, got {length}. Take a "
            "few words that only the preparer knows.",
            field="passphrase",
        )
    if strength_bits(passphrase) < LEAST_BITS:
        raise SealError(
            "passphrase must be harder to guess: this one is among the first million that anybody "
            "would try. Take several words that do not belong together.",
            field="passphrase",
        )


@checked(SealError)
def strength_in_words(bits: float) -> str:
    """What so many guesses mean, in one sentence.

    Parameters
    ----------
    bits : float
        As :func:`strength_bits` gives them.
    """
    seconds = 2.0**bits / 2 * SECONDS_A_GUESS / 1000
    return (
        f"worth about {_number(2.0**bits)} guesses: a thousand laptops would find it in "
        f"{_time(seconds)}."
    )


@cache
def bits_of(text: str) -> float:
    """Fewest bits by which the text can be told, piece by piece."""
    if not text:
        return 0.0
    best = [0.0, *[math.inf] * len(text)]
    for start in range(len(text)):
        for end in range(start + 1, len(text) + 1):
            piece = best[start] + _piece_bits(text[start:end])
            best[end] = min(best[end], piece)
    return min(best[-1], _repeated(text))


def _piece_bits(piece: str) -> float:
    """Bits of a piece that is told as one."""
    told = [math.inf]
    undisguised = piece.translate(_DISGUISE)
    for spelled, extra in ((piece, 0.0), (undisguised, 1.0)):
        if spelled in _common():
            told.append(_COMMON_BITS + extra)
        if spelled in _known():
            told.append(math.log2(len(words())) + extra)
    if len(piece) == 1:
        told.append(_sign_bits(piece))
    elif piece.isalpha():
        # A word that is in no list of ours is worth one in a list of sixteen thousand, and more
        # if it is long: it may be several.
        told.append(min(_LETTER_BITS * len(piece), 3 * _LETTER_BITS + 1.5 * (len(piece) - 3)))
    elif _YEAR.fullmatch(piece):
        told.append(7.0)
    elif _DAY.fullmatch(piece):
        told.append(_DAY_BITS)
    if len(piece) >= 3:
        if piece[::2] == piece[1::2]:
            told.append(bits_of(piece[::2]) + 1)
        if any(piece in row or piece in row[::-1] for row in _RUNS):
            told.append(5.0 + math.log2(len(piece)))
        told.append(_repeated(piece))
    return min(told)


def _sign_bits(sign: str) -> float:
    if sign in " -_.,":
        return 1.0
    return math.log2(10) if sign.isdigit() else _LETTER_BITS if sign.isalpha() else 5.0


def _repeated(piece: str) -> float:
    """Bits of what is one piece over and over."""
    for length in range(1, len(piece) // 2 + 1):
        if piece == (piece[:length] * (len(piece) // length + 1))[: len(piece)]:
            return bits_of(piece[:length]) + math.log2(len(piece) / length) + 1
    return math.inf


@cache
def _known() -> frozenset[str]:
    return frozenset(words())


def _number(many: float) -> str:
    for size, word in ((1e15, " million billion"), (1e9, " billion"), (1e6, " million")):
        if many >= size:
            return f"{_two_digits(many / size):,}{word}"
    return f"{_two_digits(many):,}"


def _time(seconds: float) -> str:
    for size, word in ((31_557_600, "year"), (86_400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= size:
            number = _two_digits(min(seconds / size, 1e9))
            return f"about {number:,} {word}{'s' * (number != 1)}"
    return "seconds"


def _two_digits(value: float) -> int:
    return round(float(f"{value:.2g}"))
