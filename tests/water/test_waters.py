"""Waters and targets: units, composition, blending."""

import pytest

from labkit.errors import WaterError
from labkit.water import PURE_WATER, Target, Water, blend


def test_hardness_follows_the_standard_methods_factors():
    """Standard Methods 2340 B: hardness = 2.497 Ca + 4.118 Mg, mg/L."""
    water = Water(calcium_mmol_l=1.0, magnesium_mmol_l=0.5)
    ions = water.ions_mg_l
    assert water.hardness_mg_l_caco3 == pytest.approx(
        2.497 * ions["Ca"] + 4.118 * ions["Mg"], rel=2e-4
    )


def test_one_mmol_of_hardness_in_every_unit():
    """Computed from the definitions: DIN 38409-6 (10 mg/L CaO), 1 °fH, US grain and gallon."""
    water = Water(calcium_mmol_l=1.0)
    assert water.hardness_in("°dH") == pytest.approx(5.608, abs=1e-3)
    assert water.hardness_in("°fH") == pytest.approx(10.009, abs=1e-3)
    assert water.hardness_in("gr/US gal") == pytest.approx(5.847, abs=1e-3)
    assert water.hardness_in("meq/L") == pytest.approx(2.0)
    assert water.hardness_in("mmol/L") == pytest.approx(1.0)


def test_bicarbonate_and_calcium_carbonate_are_not_mixed_up():
    water = Water(bicarbonate_mmol_l=1.0)
    assert water.alkalinity_mg_l_caco3 == pytest.approx(50.043)
    assert water.alkalinity_in("mg/L HCO3") == pytest.approx(61.016)


def test_a_bare_ppm_is_refused():
    with pytest.raises(WaterError, match="does not say ppm of what"):
        Water().hardness_in("ppm")


def test_blending_is_linear():
    hard = Water(calcium_mmol_l=2.0, chloride_mmol_l=4.0)
    assert blend([(hard, 1), (PURE_WATER, 3)]).calcium_mmol_l == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: Water(sodium_mmol_l=-0.1), "sodium_mmol_l must be .* at least 0"),
        (lambda: Water.of_ions({"Xe": 1.0}), "ion 'Xe' is not known"),
        (lambda: blend([(PURE_WATER, 0)]), "not all 0"),
        (
            lambda: Target(mg_share=25, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40),
            "mg_share must be between 0",
        ),
        (
            lambda: Target(mg_share=0.5, hardness_mg_l_caco3=-80, alkalinity_mg_l_caco3=40),
            "hardness_mg_l_caco3 must be between",
        ),
    ],
)
def test_impossible_waters_are_refused(make, sentence):
    with pytest.raises(WaterError, match=sentence):
        make()


@pytest.mark.parametrize(
    ("share", "text"),
    [(0, "all Ca"), (1, "all Mg"), (0.5, "1:1"), (0.25, "3:1"), (0.4, "3:2"), (0.17, "4.9:1")],
)
def test_ratios_read_as_at_the_bench(share, text):
    target = Target(mg_share=share, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    assert target.ca_mg_ratio_text == text
