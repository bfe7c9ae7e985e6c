"""Blind codes: unique, without a pattern, and rested where the pool allows."""

from collections import Counter
from datetime import date, timedelta

import numpy as np
import pytest

from labkit.errors import PlanError
from labkit.tasting import PlanNote
from labkit.tasting.codes import CODE_POOL, draw_codes, is_monotone

DAY = date(2026, 3, 14)


def test_pool_holds_codes_without_doubles_and_runs():
    """Counted by hand: 648 codes with three different digits, less runs of steps 1 to 4.

    Upwards from 1..9: 7 + 5 + 3 + 1 runs; downwards to 0: 8 + 6 + 4 + 2. Of the digits 0, 1, 6, 8,
    9 alone, which read as a number upside down, there are 4 * 4 * 3 codes and no run.
    """
    assert len(CODE_POOL) == 648 - (7 + 5 + 3 + 1) - (8 + 6 + 4 + 2) - 48
    assert not {"123", "135", "987", "111", "122", "121", "210", "099"} & set(CODE_POOL)
    assert not {"196", "961", "689", "108"} & set(CODE_POOL)


def test_codes_are_unique_over_all_groups(rng):
    draw = draw_codes([6] * 36, rng=rng)

    codes = [code for group in draw.groups for code in group]

    assert len(codes) == len(set(codes)) == 216
    assert set(codes) <= set(CODE_POOL)
    assert draw.notes == ()


def test_codes_of_a_group_differ_in_their_first_digit(rng):
    for _ in range(50):
        for group in draw_codes([6, 6, 6], rng=rng).groups:
            assert len({code[0] for code in group}) == 6


def test_no_first_digit_belongs_to_a_group(rng):
    """Over many draws each first digit falls as often to each place: chi-squared, 8 degrees."""
    first = Counter(draw_codes([5, 5], rng=rng).groups[0][0][0] for _ in range(1800))

    expected = Counter(code[0] for code in CODE_POOL)
    chi2 = sum(
        (first[d] - 1800 * n / len(CODE_POOL)) ** 2 / (1800 * n / len(CODE_POOL))
        for d, n in expected.items()
    )
    assert chi2 < 26.1  # 0.999 quantile of chi-squared with 8 degrees of freedom


def test_codes_rest_for_a_fortnight(rng):
    recent = dict.fromkeys(CODE_POOL[:500], DAY - timedelta(days=13))
    recent |= dict.fromkeys(CODE_POOL[500:550], DAY - timedelta(days=14))

    draw = draw_codes([6, 6], recent=recent, on=DAY, rng=rng)

    assert not set(CODE_POOL[:500]) & {code for group in draw.groups for code in group}
    assert draw.notes == ()


def test_when_all_rest_the_oldest_return_first_and_it_says_so(rng):
    ages = {code: DAY - timedelta(days=1 + i // 100) for i, code in enumerate(CODE_POOL)}

    draw = draw_codes([6], recent=ages, on=DAY, rng=rng)

    oldest = min(ages.values())
    assert {ages[code] for group in draw.groups for code in group} == {oldest}
    (note,) = draw.notes
    assert note.kind is PlanNote.CODES_RETURN
    assert (note["n"], note["of"], note["day"], note["rested"]) == (6, 6, DAY.isoformat(), 0)
    assert note["last"] == oldest.isoformat()


def test_more_cups_than_codes_are_refused(rng):
    with pytest.raises(PlanError, match=r"codes must be at most 564 .* got a plan for 700"):
        draw_codes([7] * 100, rng=rng)


def test_codes_taken_in_the_session_are_never_given_again(rng):
    draw = draw_codes([6], taken=CODE_POOL[:-6], rng=rng)

    assert {code for group in draw.groups for code in group} == set(CODE_POOL[-6:])


def test_a_run_of_codes_is_noticed():
    assert is_monotone(["214", "359", "871"])
    assert not is_monotone(["214", "871", "359"])


def test_codes_without_a_seed_differ():
    assert draw_codes([6], rng=np.random.default_rng()) != draw_codes(
        [6], rng=np.random.default_rng()
    )
