"""The plan that is proposed: never dominated, within the time, and drawn exactly as stated."""

from __future__ import annotations

import math
from contextlib import suppress
from itertools import product

import numpy as np
import pytest

from labkit.errors import PlanError
from labkit.tasting import (
    SCALES,
    choose_plan,
    plan_power,
    plan_tasting,
    practised_noise,
    ratio_sweep,
)
from labkit.tasting.sizes import size_flights
from tests.tasted import at_shares

LIKING = SCALES["liking 1-9"]
NOISE = practised_noise(LIKING)


def waters(n):
    return at_shares(*np.linspace(0, 1, n).round(3).tolist())


def every_plan(n_waters, n_tasters, most_cups):
    """All that the form's fields can ask for, by trying each combination of them."""
    sizes = {}
    numbers = product((None, 1, 2, 3, 4), (None, 1, 2, 3, 4), range(4), range(2, most_cups + 1))
    for (flights, repeats, duplicates, cups), control in product(numbers, (True, False)):
        asked = {"flights": flights, "repeats": repeats, "duplicates": duplicates}
        asked |= {"has_control": control, "cups_per_flight": cups}
        others = n_waters - control  # the middle water has a cup anyway
        with suppress(PlanError):
            sizes.setdefault(size_flights(others, **asked), (others, asked))
    return [
        Tried(plan_power(others, n_tasters, noise=NOISE, span=8, **asked))
        for others, asked in sizes.values()
    ]


class Tried:
    """A plan by what it is judged by, each reckoned once."""

    def __init__(self, power):
        self.cups = power.sizes.flights * power.sizes.cups * power.n_tasters
        self.minutes = power.minutes
        self.checks = (power.sizes.has_control, power.sizes.duplicates > 0)
        self.seen = (power.difference_of_any, power.difference, power.error_sd)

    def is_better(self, other, measure):
        """Whether this is no worse in anything, and better in something."""
        mine, theirs = (
            (one.cups, one.minutes, one.seen[measure], *(not kept for kept in one.checks))
            for one in (self, other)
        )
        return mine != theirs and all(a <= b for a, b in zip(mine, theirs, strict=True))


@pytest.mark.parametrize(
    ("n_waters", "n_tasters", "most_cups"),
    [
        (2, 4, 4),
        (2, 1, 6),
        (3, 4, 4),
        (3, 2, 6),
        (5, 1, 4),
        (5, 2, 6),
        (5, 4, 5),
        (5, 4, 6),
        (6, 3, 5),
        (9, 4, 6),
    ],
)
def test_nothing_that_can_be_planned_is_better_than_what_is_proposed(
    n_waters, n_tasters, most_cups
):
    plans = every_plan(n_waters, n_tasters, most_cups)
    shortest = min(one.minutes for one in plans)
    for minutes in (20, 45, 120):
        found = choose_plan(
            n_waters,
            n_tasters,
            minutes=minutes,
            noise=NOISE,
            cups_per_flight=most_cups,
            free_control=True,
            span=8,
        )
        # A difference that no plan in time could show on the scale compares no plans.
        pool = [one for one in plans if one.minutes <= max(minutes, shortest)]
        measure = next(i for i in range(3) if any(math.isfinite(one.seen[i]) for one in pool))
        for chosen in (found.recommended, *found.alternatives):
            taken = Tried(chosen.power)
            assert not [one for one in plans if one.is_better(taken, measure)], (minutes, chosen)
        assert found.fits == (shortest <= minutes)


@pytest.mark.parametrize("serving", ["shared bowls", "a cup each"])
@pytest.mark.parametrize(
    ("n_waters", "n_tasters", "minutes"), [(3, 2, 30), (5, 4, 45), (5, 4, 60), (8, 3, 90)]
)
def test_what_is_drawn_has_the_cups_and_jugs_that_were_said(n_waters, n_tasters, minutes, serving):
    found = choose_plan(
        n_waters, n_tasters, minutes=minutes, noise=NOISE, free_control=True, serving=serving
    )
    for one in (found.recommended, *found.alternatives):
        plan = plan_tasting(
            waters(n_waters),
            [f"taster {n}" for n in range(n_tasters)],
            session="as proposed",
            passphrase="seven small spoons",
            serving=serving,
            **one.asked,
        )

        assert len(plan.cups) == one.cups
        assert plan.design.jugs == one.jugs
        assert plan.design.cups_per_flight == one.cups_side_by_side
        assert plan.design.flights == one.flights
        assert bool(plan.design.control_cups) == one.has_control
        assert bool(plan.design.duplicate_cups) == one.has_duplicate


def test_five_waters_and_four_tasters_in_45_minutes_are_one_flight_of_six():
    """Two flights of four, proposed until now, cost 32 cups and 50 minutes and show less."""
    sweep = ratio_sweep((0, 0.25, 0.5, 0.75, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    found = choose_plan(5, 4, minutes=45, noise=NOISE, free_control=True, sweep=sweep, span=8)

    one = found.recommended
    assert (one.cups, one.jugs, one.minutes, one.flights) == (24, 6, 24.0, 1)
    assert one.has_control
    assert one.has_duplicate
    assert found.fits
    fewer, more = found.alternatives
    assert (fewer.cups, fewer.has_duplicate) == (20, False)
    assert (more.cups, more.minutes) == (48, 58.0)  # for who has more time
    assert more.difference < one.difference == fewer.difference


def test_with_more_time_more_is_seen_until_it_no_longer_pays():
    seen = [
        choose_plan(5, 4, minutes=m, noise=NOISE, free_control=True).recommended
        for m in (20, 45, 60, 240)
    ]

    assert [one.flights for one in seen] == [1, 1, 2, 3]
    assert seen[-1].difference < seen[0].difference


def test_where_there_is_no_time_for_any_the_shortest_is_proposed_and_says_so():
    found = choose_plan(5, 4, minutes=10, noise=NOISE, free_control=True)

    assert not found.fits
    assert found.recommended.minutes == min(one.minutes for one in found.undominated)


def test_a_control_that_is_wanted_or_not_is_kept_or_left_out_everywhere():
    for control in (True, False):
        found = choose_plan(4, 4, noise=NOISE, control=control)
        assert {one.has_control for one in found.undominated} == {control}


def test_the_table_holds_each_plan_that_none_is_better_than():
    found = choose_plan(5, 4, noise=NOISE, free_control=True)
    frame = found.to_frame()

    assert len(frame) == len(found.undominated)
    assert (frame["choice"] == "recommended").sum() == 1
    assert (frame["choice"] == "alternative").sum() == len(found.alternatives)
    (taken,) = frame[frame["choice"] == "recommended"].itertuples()
    assert taken.cups == found.recommended.cups


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"minutes": 0}, "minutes"),
        ({"minutes": math.nan}, "minutes"),
        ({"minutes": 1e9}, "minutes"),
        ({"cups_per_flight": 7}, "cups_per_flight"),
        ({"cups_per_flight": 1}, "cups_per_flight"),
    ],
)
def test_what_makes_no_sense_is_named(given, field):
    with pytest.raises(PlanError) as error:
        choose_plan(5, 4, noise=NOISE, **given)

    assert error.value.field == field


def test_many_waters_get_the_flights_they_need():
    found = choose_plan(30, 4, minutes=60, noise=NOISE)

    assert found.recommended.flights * found.recommended.cups_side_by_side >= 30
