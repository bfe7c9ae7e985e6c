"""Scales and what does not lie on them."""

import pytest

from labkit.errors import ScaleError
from labkit.tasting import SCALES, Scale, scale


@pytest.mark.parametrize(
    ("name", "levels"),
    [("liking 1-9", 9), ("quality 6-10", 17), ("intensity 0-15", 31), ("just about right", 5)],
)
def test_scales_have_the_levels_of_practice(name, levels):
    """Peryam & Pilgrim (1957) for nine points; the others common practice."""
    assert len(SCALES[name].options) == levels


@pytest.mark.parametrize(
    "score", [5.75, 10.25, 7.1, float("nan"), float("inf"), "much", None, 10**400]
)
def test_a_score_off_the_scale_is_refused(score):
    with pytest.raises(ScaleError, match=r"score must be between 6 and 10 in steps of 0\.25"):
        SCALES["quality 6-10"].check(score)


def test_a_score_on_the_scale_is_kept_as_it_stands():
    assert SCALES["quality 6-10"].check(7.25) == 7.25
    assert SCALES["liking 1-9"].check(9) == 9
    assert SCALES["intensity 0-15"].check("12.5") == 12.5


def test_every_option_checks():
    for each in SCALES.values():
        assert [each.check(option) for option in each.options] == list(each.options)


def test_an_unknown_scale_names_those_known():
    with pytest.raises(ScaleError, match=r"scale must be one of 'liking 1-9'.* got 'stars'"):
        scale("stars")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"name": " "}, "name must not be empty"),
        ({"highest": 1}, "lowest must be below highest"),
        ({"step": 0.3}, "step must divide"),
        ({"step": 0}, "step must divide"),
        ({"step": 1e-12}, "step must leave at most 10000 steps"),
        ({"highest": 1e12}, "highest must be a number of at most 1e.06, got 1000000000000.0"),
        ({"lowest": float("nan")}, "lowest must be a number of at most 1e.06, got nan"),
        ({"step": "1"}, "step must be a number of at most 1e.06, got '1'"),
        ({"words": ((11, "too good"),)}, "score must be between 1 and 5"),
    ],
)
def test_an_impossible_scale_is_refused(change, message):
    given = {"name": "own", "lowest": 1, "highest": 5, "step": 1, "words": ()} | change
    with pytest.raises(ScaleError, match=message):
        Scale(**given)
