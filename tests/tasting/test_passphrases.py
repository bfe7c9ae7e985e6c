"""Passphrases: what is drawn, what is refused, and what a chosen one is said to be worth."""

from __future__ import annotations

import math
from collections import Counter

import pytest

from labkit.errors import SealError
from labkit.tasting import passphrases
from labkit.tasting.passphrases import (
    LEAST_BITS,
    N_WORDS,
    check_passphrase,
    draw_passphrase,
    drawn_bits,
    strength_bits,
    strength_in_words,
    words,
)


def test_the_list_is_of_short_plain_words_each_once():
    assert len(set(words())) == len(words()) >= 1024
    assert all(word.isascii() and word.isalpha() and word.islower() for word in words())
    assert max(map(len, words())) <= 9


def test_a_drawn_passphrase_is_of_listed_words_by_the_systems_chance(monkeypatch):
    drawn = [draw_passphrase().split() for _ in range(200)]

    assert {len(one) for one in drawn} == {N_WORDS}
    assert {word for one in drawn for word in one} <= set(words())
    assert Counter(word for one in drawn for word in one).most_common(1)[0][1] < 12
    monkeypatch.setattr(passphrases.secrets, "choice", lambda listed: listed[7])
    assert draw_passphrase() == " ".join([words()[7]] * N_WORDS)


def test_a_drawn_passphrase_is_worth_the_logarithm_of_all_that_could_be_drawn():
    """By hand: five draws out of n are n**5 equally likely passphrases."""
    assert drawn_bits() == pytest.approx(math.log2(float(len(words())) ** 5))
    assert drawn_bits() > 50
    for _ in range(20):
        check_passphrase(draw_passphrase())


@pytest.mark.parametrize(
    "weak",
    [
        "password",
        "Password1",
        "P@ssw0rd!",
        "12345678",
        "87654321",
        "aaaaaaaa",
        "abababab",
        "11223344",
        "passpasspass",
        "qwertyuiop",
        "1q2w3e4r",
        "abcd1234",
        "letmein1",
        "19871987",
        "20261128",
        "28.11.2026",
        "espresso",
        "coffee2026",
        "tasting water",
        "  password  ",
        "\uff50assword",  # a full-width p
    ],
)
def test_the_commonest_and_the_patterned_do_not_seal_and_are_not_repeated(weak):
    with pytest.raises(SealError, match="passphrase must be harder to guess") as caught:
        check_passphrase(weak)

    assert weak.strip() not in str(caught.value)


@pytest.mark.parametrize(
    "good", ["quillmoor demo", "copper kettle, seven spoons", "x7Kq9vLp2", "caf\u00e9 in the rain"]
)
def test_several_words_and_random_signs_seal(good):
    check_passphrase(good)


def test_a_short_one_is_told_its_length():
    with pytest.raises(SealError, match="must have at least 8 characters, got 5"):
        check_passphrase(" short ")


def test_more_of_the_same_adds_little_and_another_word_adds_a_word():
    assert strength_bits("kettle" * 4) < strength_bits("kettle") + 4
    assert strength_bits("kettle spoon") == pytest.approx(2 * math.log2(len(words())) + 1)
    assert strength_bits("a" * 5000) < LEAST_BITS


@pytest.mark.parametrize(
    ("bits", "said"),
    [
        (8, "about 260 guesses: a thousand laptops would find it in seconds."),
        (20, "about 1 million guesses: a thousand laptops would find it in about 3 minutes."),
        (40, "about 1,100 billion guesses: a thousand laptops would find it in about 6 years."),
    ],
)
def test_what_it_is_worth_is_said_in_guesses_and_time(bits, said):
    """By hand: half of 2**bits guesses of 0.35 s, shared by a thousand."""
    assert strength_in_words(bits) == f"worth {said}"


def test_no_passphrase_stays_in_memory():
    strength_bits("copper kettle, seven spoons")

    assert passphrases.bits_of.cache_info().currsize == 0
