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
    SALT_SHARES,
    Target,
    Water,
    amount,
    as_coordinates,
    describe,
    find_water,
    levels_of,
    salt_shares_of,
    same_water,
    water_numbers,
    water_order,
)


def test_the_table_names_what_a_target_has():
    assert tuple(field.name for field in fields(Target)) == (*COORDINATES, *SALT_SHARES)


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


def of_salts(sulfate=None, potassium=None):
    return Target(
        mg_share=0.5,
        hardness_mg_l_caco3=80,
        alkalinity_mg_l_caco3=40,
        sulfate_share=sulfate,
        potassium_share=potassium,
    )


def test_waters_of_other_salts_are_other_waters_of_the_same_coordinates():
    waters = [of_salts(), of_salts(0), of_salts(0.5), of_salts(0.5, 1), of_salts(0.503)]

    assert water_numbers(waters).tolist() == [0, 1, 2, 3, 2]  # to half of the last digit
    assert same_water(of_salts(), (0.5, 80, 40))
    assert not same_water(of_salts(0), (0.5, 80, 40))  # asked for is not left to the bottles
    assert find_water(of_salts(0.5, 1), waters) == 3
    assert len(np.unique(as_coordinates(waters), axis=0)) == 1
    assert sorted(waters, key=water_order)[:2] == [of_salts(), of_salts(0)]


def test_shares_asked_of_salts_come_from_objects_and_frames():
    frame = pd.DataFrame([[0.5, 80, 40, 0.25, np.nan]], columns=[*COORDINATES, *SALT_SHARES])
    expected = [[0.25, np.nan]]

    for waters in (of_salts(0.25), [of_salts(0.25)], frame, next(frame.itertuples())):
        np.testing.assert_array_equal(salt_shares_of(waters), expected)
    # A water at hand has shares, and nothing is asked of it.
    at_hand = Water.of_ions({"Ca": 1.0, "Cl": 1.0, "SO4": 0.5})
    assert at_hand.salt_shares == {"sulfate_share": 0.5}
    assert np.isnan(salt_shares_of(at_hand)).all()
    assert np.isnan(salt_shares_of(np.array([[0.5, 80, 40]]))).all()


@pytest.mark.parametrize("share", [-0.01, 1.01, 50, float("nan"), "half"])
def test_a_share_of_salts_outside_0_to_1_is_refused(share):
    with pytest.raises(WaterError, match=r"all chloride.* 1 \(all sulfate\)") as refused:
        of_salts(share)
    assert refused.value.field == "sulfate_share"
