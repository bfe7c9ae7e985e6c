"""The coordinates of a water: one table, and one rule of the same water."""

from dataclasses import fields
from itertools import permutations

import numpy as np
import pandas as pd
import pytest

from labkit.errors import WaterError
from labkit.water import (
    COORDINATE,
    COORDINATES,
    Target,
    amount,
    as_coordinates,
    describe,
    find_water,
    levels_of,
    same_water,
    water_numbers,
)


def test_the_table_names_what_a_target_has():
    assert tuple(field.name for field in fields(Target)) == COORDINATES


def test_waters_come_as_objects_frames_or_arrays():
    frame = pd.DataFrame([[0.5, 100, 30]], columns=list(COORDINATES))
    row = next(frame.itertuples())

    for waters in (frame, row, [row], [(0.5, 100, 30)], np.array([0.5, 100, 30])):
        assert as_coordinates(waters).tolist() == [[0.5, 100, 30]]


@pytest.mark.parametrize(
    "waters", [[(0.5, 100)], pd.DataFrame({"mg_share": [0.5]}), np.ones((2, 4))]
)
def test_what_is_no_water_is_refused(waters):
    with pytest.raises(WaterError, match="three coordinates"):
        as_coordinates(waters)


@pytest.mark.parametrize(
    ("other", "same"),
    [
        ((0.333, 80, 30), True),  # as a form shows it
        ((0.33, 80, 30), True),
        ((0.34, 80, 30), False),
        ((1 / 3, 80.5, 30), True),
        ((1 / 3, 81, 30), False),
        ((1 / 3, 80, 30.6), False),
    ],
)
def test_waters_are_the_same_to_half_of_the_last_digit_stated(other, same):
    assert same_water((1 / 3, 80, 30), other) is same
    assert same_water(other, (1 / 3, 80, 30)) is same


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_a_chain_of_near_waters_is_held_against_the_first(order):
    """Nearness is no equivalence: each water is held against those that were first."""
    chain = np.array([(0.5, 80.0, 30), (0.5, 80.4, 30), (0.5, 80.8, 30)])[list(order)]

    numbers = water_numbers(chain)

    assert numbers[0] == 0
    for place, first in enumerate(numbers):
        assert same_water(chain[place], chain[first])
        assert numbers[first] == first


def test_numbers_follow_the_order_in_which_waters_came():
    waters = [(0.7, 80, 30), (0.2, 80, 30), (0.7, 80.2, 30), (0.2, 80, 30), (0.1, 60, 0)]

    assert water_numbers(waters).tolist() == [0, 1, 0, 1, 4]


def test_a_water_is_found_among_others():
    others = [(0.2, 80, 30), (0.7, 80, 30)]

    assert find_water((0.7, 80.3, 30), others) == 1
    assert find_water((0.5, 80, 30), others) is None
    assert find_water((0.5, 80, 30), []) is None


def test_a_level_is_stated_to_the_digits_of_its_coordinate():
    target = Target(mg_share=1 / 3, hardness_mg_l_caco3=88.4, alkalinity_mg_l_caco3=15)

    assert levels_of(target) == (1 / 3, 88.4, 15.0)
    assert COORDINATE["mg_share"].state(1 / 3) == "0.33"
    assert amount("hardness_mg_l_caco3", 88.4) == "hardness 88 mg/L"
    assert describe(levels_of(target), ["mg_share", "alkalinity_mg_l_caco3"]) == (
        "Mg share 0.33, alkalinity 15 mg/L"
    )
