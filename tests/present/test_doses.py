"""Each sentence about weighing, bottles and doses, once."""

import re

import pytest

from labkit.present import remarks, say, to_html
from labkit.present.doses import taste_may_differ
from labkit.water import (
    Concentrate,
    SharedBottle,
    differences,
    mix,
    plan_weighing,
    salt,
    strength_by_titration,
    weigh_out,
    within_reach,
)
from tests.water.recipes import THREE, bottles, wanted

AIM = wanted(0.25, 80, 40)
SALTS = [bottle.salt for bottle in THREE]


def test_a_balance_too_coarse_for_the_mass_is_said_with_the_batch_that_mends():
    (said,) = remarks(plan_weighing(salt=salt("CaCl2·2H2O"), volume_ml=100))
    assert said.startswith(
        "One digit of the balance (0.01 g) is 6.8 % of 0.15 g: make at least 700"
    )
    assert remarks(plan_weighing(salt=salt("CaCl2·2H2O"), volume_ml=1000)) == ()


def test_what_is_said_of_a_bottle():
    tested = strength_by_titration(
        THREE[0], reading_mg_l_caco3=90, step_mg_l_caco3=2, concentrate_ml=10, diluted_to_ml=100
    )
    assert remarks(tested)[0].startswith("The test found 10 % less than weighed")
    gypsum = Concentrate.of_strength(salt=salt("CaSO4·2H2O"))
    assert remarks(gypsum)[0].startswith("At 67 % of saturation it dissolves slowly")
    assert remarks(THREE[0]) == ()


def test_a_shared_bottle_that_is_near_saturation_says_so():
    (said,) = remarks(SharedBottle(parts=tuple(bottles("MgSO4·7H2O", "NaHCO3"))))
    assert "is near saturation" in said
    alone = SharedBottle(parts=(THREE[0],))
    assert "None of its ions form a mineral" in to_html(alone)


def test_a_pipette_too_coarse_for_a_dose_is_said():
    said = remarks(mix(wanted(0.5, 33.3, 20), THREE, volume_ml=250, pipette_ml=1.0))
    assert any(one.startswith("One step of the pipette is 25 % of the dose") for one in said)
    (lost,) = remarks(mix(wanted(0.001, 80, 40), THREE, pipette_ml=0.5))
    assert "below the pipette's step" in lost


def test_a_water_that_may_cloud_is_said():
    assert remarks(mix(wanted(0, 100, 100), THREE))[0].startswith("Calcite is above saturation")
    assert remarks(mix(wanted(0, 50, 20), THREE)) == ()


def test_a_mix_is_listed_in_the_order_it_is_poured_with_its_cautions_in_sight():
    html = to_html(mix(AIM, THREE[::-1]))
    poured = [html.index(f">{bottle.name}<") for bottle in THREE]

    assert poured[-1] == max(poured)
    assert "bicarbonate last" in html
    assert "A concentrate is no drink" in html
    assert "<details" not in html  # a caution that is folded away is not at the hand


@pytest.mark.parametrize("hardness", [109, 111, 60, 87])
def test_a_tank_as_large_as_advised_is_warned_about_no_more(hardness):
    """17.06 L were called 17, at which the warning stood again."""
    (said,) = remarks(weigh_out(wanted(0.26, hardness, 40), SALTS, volume_l=5))
    litres = float(re.search(r"at least ([\d.]+) L", said)[1])
    again = weigh_out(wanted(0.26, hardness, 40), SALTS, volume_l=litres)
    assert again.mending_volume_l is None
    assert remarks(again) == ()


def test_the_nearest_water_within_reach_says_what_it_lacks():
    (said,) = remarks(within_reach(AIM, [SALTS[0], SALTS[2]]))
    assert "hardness 60 mg/L as CaCO3, 20 less than the 80 wanted" in said
    assert "Mg share 0 % instead of 25 %" in said
    assert remarks(within_reach(AIM, SALTS)) == ()


def test_what_another_salt_changes_is_said_with_the_taste_last():
    swapped = [salt(label) for label in ("CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3")]
    tasted, made = (weigh_out(AIM, salts, volume_l=1000).reached for salts in (SALTS, swapped))
    changes = differences(tasted, made)
    assert [say(one) for one in changes] == [
        "Sulfate instead of chloride: sulfate 0 to 19 mg/L, chloride 57 to 43 mg/L.",
        "Sodium instead of potassium: sodium 0 to 18 mg/L, potassium 31 to 0 mg/L.",
    ]
    assert taste_may_differ(changes)[-1].startswith("The two waters were not tasted")
    assert taste_may_differ(()) == ()
