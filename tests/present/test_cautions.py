"""A caution stands only where it applies."""

from __future__ import annotations

import pytest

from labkit.errors import SheetError
from labkit.present import CAUTIONS, cautions_for, figures_html, to_html
from labkit.water import Water, mix, plan_weighing, salt, weigh_out
from tests.water.recipes import THREE, wanted

CALCIUM, MAGNESIUM, BICARBONATE = (bottle.salt for bottle in THREE)


def about(word, cautions):
    return [one for one in cautions if word in one]


def test_no_caution_of_bicarbonate_without_bicarbonate():
    without = mix(wanted(0.5, 80, 0), THREE)
    with_it = mix(wanted(0.5, 80, 40), THREE)

    assert about("bicarbonate", cautions_for("mixing", [with_it])) == about(
        "bicarbonate", CAUTIONS["mixing"]
    )
    assert about("bicarbonate", cautions_for("mixing", [without])) == []
    assert "bicarbonate bottle" not in to_html(without)
    assert "bicarbonate bottle" in to_html(with_it)


def test_calcium_and_bicarbonate_are_kept_apart_only_where_both_are_poured():
    magnesium_only = mix(wanted(1, 80, 40), THREE)

    assert about("Calcium and", cautions_for("mixing", [magnesium_only])) == []
    assert about("feeds bacteria", cautions_for("mixing", [magnesium_only]))


def test_calcium_chloride_warms_and_no_other_salt_is_said_to():
    for one, warms in ((CALCIUM, True), (MAGNESIUM, False), (BICARBONATE, False)):
        weighing = to_html(plan_weighing(salt=one, volume_ml=1000))
        assert ("Calcium chloride warms" in weighing) is warms
        assert "Do not raise dust" in weighing
    gypsum = cautions_for("weighing", [salt("CaSO4·2H2O")])
    assert about("Calcium chloride", gypsum) == []


def test_sodium_and_potassium_are_spoken_of_where_one_drinks_them():
    without = weigh_out(wanted(0.5, 80, 0), [CALCIUM, MAGNESIUM], volume_l=10)
    in_base = mix(wanted(0.5, 80, 0), THREE, base=Water.of_ions({"Na": 0.5, "Cl": 0.5}))

    assert about("Sodium", cautions_for("tank", [without])) == []
    assert about("Sodium", cautions_for("mixing", [in_base]))
    assert about("Sodium", cautions_for("tank", [BICARBONATE]))


def test_figures_alone_carry_no_caution_and_miss_no_figure():
    weighing = plan_weighing(salt=CALCIUM, volume_ml=1000)

    assert figures_html(weighing) in to_html(weighing)
    assert "dust" not in figures_html(weighing)


def test_an_unknown_situation_is_refused():
    with pytest.raises(SheetError, match="situation must be one of weighing"):
        cautions_for("flying", [])
