"""Each sentence about a plan, once."""

import math
from html import escape

import pytest

from labkit.present import number_or_none, say, to_html, what_it_buys
from labkit.tasting import (
    SCALES,
    Change,
    ChangeKind,
    choose_plan,
    hardness_dial,
    plan_power,
    practised_noise,
    preview_balance,
    ratio_sweep,
)

SESSIONS = {"earlier": "one", "later": "two"}


def test_a_sweep_shows_itself_with_what_it_holds():
    html = to_html(hardness_dial((40, 80), mg_share=0.6, alkalinity_mg_l_caco3=30))

    assert "hardness dial; held: Mg share of hardness 0.6, Alkalinity" in html


@pytest.mark.parametrize(
    ("value", "said"), [(math.inf, "none"), (1468.8, "1469"), (0.1234, "0.123")]
)
def test_a_difference_beyond_the_scale_is_none(value, said):
    assert number_or_none(value) == said


def test_a_power_says_where_its_noise_is_from():
    noise = practised_noise(SCALES["liking 1-9"])
    assert escape(say(noise.source)) in to_html(plan_power(3, 4, noise=noise))


def test_the_balance_has_three_tables():
    assert to_html(preview_balance(4, 5, cups_per_flight=6)[1]).count("<table") == 3


def test_a_proposal_says_what_it_is_and_what_others_buy():
    """Common practice in the minutes: 12 a flight, 2 a cup, 10 between flights."""
    noise = practised_noise(SCALES["liking 1-9"])
    sweep = ratio_sweep((0, 0.25, 0.5, 0.75, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    found = choose_plan(5, 4, minutes=45, noise=noise, free_control=True, sweep=sweep, span=8)
    lines = [what_it_buys(one, found.recommended, minutes=45) for one in found.alternatives]

    assert say(found) == (
        "1 flight of 6 cups, hidden control and duplicate: 24 cups, 24 minutes, shows 3.9 points."
    )
    assert lines == [
        "4 cups and 2 minutes less: shows as much, no hidden duplicate",
        "24 cups and 34 minutes more: shows 3.1 instead of 3.9 points; longer than 45 minutes",
    ]
    html = to_html(found)
    assert all(line in html for line in lines)
    assert "common practice" in html
    assert html == found._repr_html_()


def test_a_proposal_that_cannot_show_any_difference_or_has_no_time_says_so():
    noise = practised_noise(SCALES["liking 1-9"])
    alone = choose_plan(5, 1, minutes=45, noise=noise, free_control=True, span=8)
    hurried = choose_plan(5, 4, minutes=10, noise=noise, free_control=True)
    two = choose_plan(5, 2, minutes=45, noise=noise, free_control=True, span=8)

    assert "cannot show any difference" in say(alone)
    assert "No plan fits into 10 minutes" in say(hurried)
    assert "between two waters named beforehand" in say(two)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            Change(
                field="dose_g",
                kind=ChangeKind.CHANGED,
                weight="block",
                before=12.0,
                now=11.5,
                **SESSIONS,
            ),
            "Dose (g) changed from 12 in 'one' to 11.5 in 'two': a difference between the "
            "sessions may come from it and not from the water.",
        ),
        (
            Change(
                field="water_temperature_c",
                kind=ChangeKind.UNRECORDED,
                weight="note",
                before=None,
                now=93.0,
                earlier="Monday's",
                later="two",
            ),
            # Units and names were put in small letters.
            "Water temperature (°C): not recorded in 'Monday's', so that a change would not be "
            "seen.",
        ),
        (
            Change(
                field="brew_method",
                kind=ChangeKind.CHANGED,
                weight="apart",
                before="cupping",
                now="espresso",
                **SESSIONS,
            ),
            "Brew method changed from cupping in 'one' to espresso in 'two': these sessions are "
            "never read together.",
        ),
        (
            Change(
                field="grind",
                kind=ChangeKind.UNRECORDED,
                weight="note",
                before="22 clicks",
                now="",
                **SESSIONS,
            ),
            "Grind: not recorded in 'two', so that a change would not be seen.",
        ),
        (
            Change(
                field="tasted_on",
                kind=ChangeKind.AGED,
                weight="block",
                before=9,
                now=29,
                **SESSIONS,
            ),
            "The same roast had rested 9 days in 'one' and 29 in 'two': a difference between the "
            "sessions may come from its age.",
        ),
    ],
)
def test_what_was_not_held_is_said_with_what_it_means(change, said):
    assert say(change) == said
