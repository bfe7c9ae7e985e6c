"""What is said of one water for several coffees."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from labkit.analysis import CoffeeLoss, LossStatus, OneWater, Tasted, VerdictKind, read_across
from labkit.present import say, table_in_words, to_html
from labkit.water import Target, as_coordinates
from tests.analysis.conftest import tasted

WATER = Target(mg_share=0.5, hardness_mg_l_caco3=120, alkalinity_mg_l_caco3=20)


@pytest.fixture(scope="module")
def across():
    cups = tasted().assign(client="one", coffee="<Low>")
    about = pd.DataFrame({"client": ["one"], "coffee": ["Waiting"]})
    return read_across(cups, about)


def loss(reading, **change):
    one = CoffeeLoss(reading=reading, share=0.5, status=LossStatus.UNTOLD, scale="liking 1-9")
    return replace(one, **change)


def test_every_coffee_says_what_it_loses_or_why_that_is_not_known(across):
    low = next(one for one in across.readings if one.coffee == "<Low>")
    waiting = next(one for one in across.readings if one.coffee == "Waiting")
    known = {"status": LossStatus.KNOWN, "loss": 0.42, "lo": 0.1, "hi": 0.9, "loss_with_own": 0.2}
    flat = replace(low, verdict=replace(low.verdict, kind=VerdictKind.NOTHING))
    hard = Tasted(factor="hardness_mg_l_caco3", low=40, high=119)
    share = Tasted(factor="mg_share", low=0.5, high=0.5)

    assert say(loss(low, **known)) == (
        "<Low>: loses 0.4 points (0.1 to 0.9), 0.2 of them also with its own best water so far."
    )
    assert "do not tell which alkalinity is best" in say(
        loss(low, **known, untold=("alkalinity_mg_l_caco3",))
    )
    assert say(loss(flat, **known)).endswith("so this is mostly chance.")
    assert say(loss(low, status=LossStatus.UNREACHED, only_at=(hard, share))) == (
        "<Low>: loss unknown; it was tasted only at hardness 40 to 119 mg/L and Mg share 0.50."
    )
    assert say(loss(waiting)) == f"Waiting: not known. {say(waiting)}"
    assert "another scale than 'liking 1-9'" in say(loss(low, status=LossStatus.OTHER_SCALE))


def test_the_water_says_for_how_many_coffees_it_speaks(across):
    low, waiting = sorted(across.readings, key=lambda one: one.coffee)
    coffees = (loss(low, status=LossStatus.KNOWN, loss=0.4, lo=0.1, hi=0.9), loss(waiting))
    one = OneWater(
        target=WATER,
        loss=0.4,
        lo=0.1,
        hi=0.9,
        coffees=coffees,
        candidates=pd.DataFrame(),
        as_good=as_coordinates([WATER, (0.6, 140, 20)]),
    )

    assert say(one) == (
        f"Least loss: {WATER.text}. The average cup loses 0.4 points (0.1 to 0.9). This speaks for "
        "1 of 2 coffees; not known here: Waiting. 2 waters lose at most 0.1 points more; they "
        "lie between Mg share 0.50, hardness 120 mg/L, alkalinity 20 mg/L and Mg share 0.60, "
        "hardness 140 mg/L, alkalinity 20 mg/L."
    )
    assert "&lt;Low&gt;: loses" in to_html(one)


def test_the_table_of_many_coffees_has_their_words(across):
    table = table_in_words(across).set_index("coffee")

    assert table.loc["Waiting", "says"] == (
        "No flight of this coffee has been scored and opened yet."
    )
    assert "Every cup had hardness 80" in table.loc["<Low>", "cannot_tell"]
