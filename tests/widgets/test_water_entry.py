"""The field for a water: text and sliders lead and follow, and nothing is rounded unasked."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.errors import WaterError
from labkit.water import COORDINATES, Target
from labkit.widgets.parts.fields import Form
from labkit.widgets.parts.water_entry import WaterEntry

FOUND = Target(mg_share=0.37123, hardness_mg_l_caco3=84.713, alkalinity_mg_l_caco3=14.912)


def drag(entry, **moved):
    """As the page does it: the slider's levels as they stand, one of them changed."""
    levels = dict(zip(COORDINATES, entry.levels, strict=True)) | moved
    entry.set_state({"levels": list(levels.values())})


def let_go(entry):
    entry.set_state({"taken": entry.taken + 1})


def test_what_is_typed_shows_in_the_other_ways_at_once_and_counts_when_it_is_meant():
    entry = WaterEntry()
    form = Form({"water": entry})
    seen = []
    form.compute_with(lambda water: seen.append(water) or "")

    entry.set_state({"text": "1:3 at 100, alk 15"})
    assert entry.line.startswith("= Ca 25, Mg 75, alk 15 mg/L as CaCO3; Ca:Mg 1:3 at 100; 5.6 °dH")
    assert entry.levels == [0.75, 100, 15]
    assert seen == ["Ca 40, Mg 40, alk 40"]
    let_go(entry)
    assert seen[1:] == ["1:3 at 100, alk 15"]
    assert entry.target == Target(mg_share=0.75, hardness_mg_l_caco3=100, alkalinity_mg_l_caco3=15)


def test_a_slider_writes_the_water_in_the_way_it_was_typed():
    entry = WaterEntry()
    entry.value = "1:3 at 100, alk 15"

    for hardness in (101.0, 110.0, 120.0):
        drag(entry, hardness_mg_l_caco3=hardness)
    assert (entry.text, entry.value) == ("1:3 at 120, alk 15", "1:3 at 100, alk 15")
    let_go(entry)
    assert entry.value == "1:3 at 120, alk 15"
    assert entry.target.mg_share == 0.75


def test_text_levels_and_the_last_touch_may_come_in_one_message():
    entry = WaterEntry()

    entry.set_state({"taken": 1, "text": "3:1 at 60, alk 10"})
    assert entry.value == "3:1 at 60, alk 10"
    entry.set_state({"levels": [0.25, 60.0, 12.0], "taken": 2})
    assert entry.value == "3:1 at 60, alk 12"


def test_a_water_filled_in_stays_exact_and_so_does_what_of_it_is_left():
    entry = WaterEntry()
    entry.fill(FOUND)
    assert entry.target == FOUND
    assert entry.levels == [0.37, 85, 15]

    drag(entry, alkalinity_mg_l_caco3=20.0)
    let_go(entry)
    assert entry.target == Target(
        mg_share=0.37123, hardness_mg_l_caco3=84.713, alkalinity_mg_l_caco3=20.0
    )
    drag(entry, alkalinity_mg_l_caco3=15.0)
    let_go(entry)
    assert entry.target == FOUND
    entry.value = "3:1 at 85, alk 15"
    assert entry.target.hardness_mg_l_caco3 == 85  # typed, not left


@given(
    waters=st.lists(
        st.tuples(
            st.integers(0, 100).map(lambda share: share / 100),
            st.integers(5, 200).map(float),
            st.integers(0, 60).map(float),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_sliders_come_to_rest_where_they_were_put(waters):
    entry = WaterEntry()

    for levels in waters:
        for name, level in zip(COORDINATES, levels, strict=True):
            drag(entry, **{name: level})
        let_go(entry)
        assert tuple(entry.levels) == levels
        assert [getattr(entry.target, name) for name in COORDINATES] == pytest.approx(levels)


def test_what_cannot_be_read_is_said_beside_the_field_and_stays():
    entry = WaterEntry("Wanted water")
    form = Form({"water": entry})
    form.compute_with(lambda water: entry.target.text)

    entry.value = "60 40"
    assert "Wanted water can be read in two ways" in form.notes["water"].value
    assert (form.result.value, entry.text, entry.line) == ("", "60 40", "")
    with pytest.raises(WaterError, match="water can be read"):
        entry.target  # noqa: B018
    drag(entry, hardness_mg_l_caco3=100.0)  # from where it began
    let_go(entry)
    assert "hardness 100" in form.result.value


def test_what_was_left_out_is_said():
    entry = WaterEntry()

    entry.value = "hardness 5 °dH, alk 2 °dH"

    assert "Ca:Mg was not said: 1:1 is taken." in entry.line
    entry.value = "Ca 400, Mg 100, alk 90"
    assert entry.tops == [1.0, 500.0, 90.0]  # a slider reaches what was typed
