"""Where the work stands, in words: the sentence, and what the button says."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from labkit.analysis import Level
from labkit.book import LeftOut
from labkit.present import best_so_far, button_words, say, step_words
from labkit.workflow import Findings, NextThing, Standing, Step

COFFEE = {"client": "Client A", "coffee": "Coffee A"}
FLIGHT = COFFEE | {"session": "Monday", "flight": 2, "n_scored": 2, "n_tasters": 4}


def found(reading):
    return Findings(
        **COFFEE,
        attribute="overall",
        left_out=LeftOut(),
        scores=pd.DataFrame(),
        reading=reading,
        words=None,
        tests=(),
        answer=None,
        effect=None,
        no_effect="",
    )


@pytest.mark.parametrize(
    ("standing", "button", "sentence"),
    [
        ({"next": NextThing.CHOOSE_BOOK}, "Choose a lab book", "No lab book is open."),
        ({"next": NextThing.ADD_COFFEE}, "Add a coffee", "No coffee is in the lab book yet."),
        (
            {"next": NextThing.WEIGH_BOTTLES, "missing_bottles": ("calcium", "alkalinity")},
            "Weigh the bottles",
            "No bottle on the shelf gives calcium or alkalinity.",
        ),
        (
            {"next": NextThing.PLAN_FIRST, **COFFEE},
            "Plan a ratio sweep",
            "Nothing has been tasted yet.",
        ),
        (
            {"next": NextThing.MIX_FLIGHT, **FLIGHT},
            "Mix flight 2",
            "Flight 2 of 'Monday' is sealed and waits to be mixed.",
        ),
        (
            {"next": NextThing.TAKE_SCORES, **FLIGHT},
            "2 of 4 tasters have scored",
            "Flight 2 of 'Monday': 2 of 4 tasters have scored.",
        ),
        (
            {"next": NextThing.LOCK_FLIGHT, **FLIGHT},
            "Lock and open flight 2",
            "Flight 2 of 'Monday': every cup has its scores.",
        ),
        (
            {"next": NextThing.LOCK_FLIGHT, **FLIGHT, "n_flights": 2},
            "Lock and open 2 flights",
            "All flights of 'Monday': every cup has its scores.",
        ),
        (
            {"next": NextThing.LOCK_ALONE, **FLIGHT},
            "Lock flight 2",
            "Flight 2 of 'Monday': every cup has its scores.",
        ),
        (
            {"next": NextThing.OPEN_KEY, **FLIGHT, "n_flights": 2},
            "Open 2 flights",
            "2 flights of 'Monday' are locked; their keys are closed.",
        ),
        (
            {"next": NextThing.OPEN_KEY, **FLIGHT},
            "Open flight 2",
            "Flight 2 of 'Monday' is locked; its key is closed.",
        ),
        (
            {"next": NextThing.READ_VERDICT, **COFFEE, "n_opened": 1},
            "Read the verdict",
            "1 flight is open; the scores have not been read on this page yet.",
        ),
    ],
)
def test_each_state_has_a_sentence_and_a_button(standing, button, sentence):
    one = Standing(**standing)

    assert button_words(one) == button
    assert say(one) == sentence


def test_what_comes_after_a_reading_is_called_by_its_name():
    def words(thing, **more):
        return button_words(Standing(next=thing, **COFFEE, **more))

    assert words(NextThing.PLAN_DIAL, dial="hardness_mg_l_caco3") == "Plan the hardness dial"
    assert words(NextThing.PLAN_DIAL, dial="alkalinity_mg_l_caco3") == "Plan the alkalinity dial"
    assert words(NextThing.PLAN_NEXT_FLIGHT) == "Plan the next flight"
    assert words(NextThing.CONFIRM) == "Confirm"
    assert words(NextThing.MAKE_CARD) == "Make the card"
    assert [step_words(step) for step in Step] == [
        "Bottles",
        "Plan",
        "Taste",
        "Verdict",
        "Hand over",
        "All coffees",
    ]


def test_the_best_so_far_is_the_recommended_water_with_what_is_not_told(ratio):
    water = ratio.recommended.water
    said = best_so_far(found(ratio))
    standing = Standing(next=NextThing.PLAN_DIAL, **COFFEE, n_opened=3, found=found(ratio))

    assert said.startswith(f"Best so far Ca:Mg {water.ca_mg_ratio_text}; hardness and alkalinity")
    assert "; hardness and alkalinity not told" in said
    assert say(standing) == said


def test_what_is_known_of_the_control_is_said_as_sure_as_it_is(ratio):
    def said(level):
        one = replace(ratio.recommended, level=level, control=replace(ratio.recommended.water))
        other = replace(one.control, hardness_mg_l_caco3=55)
        return best_so_far(
            found(replace(ratio, recommended=replace(one, control=other)))
        ).rpartition("; ")[2]

    assert said(Level.OPEN) == "control not beaten."
    assert said(Level.LIKELY) == "probably better than the control."
    assert said(Level.SETTLED) == "better than the control."
    assert said(Level.NO_WATER_MATTERS) == "no water is much better than the control."
    held = replace(ratio.recommended, control=ratio.recommended.water)
    assert best_so_far(found(replace(ratio, recommended=held))).endswith("; that is the control.")


def test_without_a_difference_no_water_is_called_best(flat):
    assert best_so_far(found(flat)) == "No difference seen yet between these waters."
    assert best_so_far(found(None)) == "Only tests of two waters are open."
