"""Dosing: doses, the water reached, refusals."""

import pytest

from labkit.errors import DosingError
from labkit.water import Concentrate, Target, Water, mix, salt


def bottles(*formulas, strength=1.0):
    return [
        Concentrate.of_strength(salt=salt(formula), strength_mg_l_caco3_per_ml=strength)
        for formula in formulas
    ]


THREE = bottles("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3")


def wanted(share, hardness, alkalinity):
    return Target(mg_share=share, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=alkalinity)


def test_one_ml_a_litre_adds_one_mg_and_the_doses_count():
    """A water of 80 and 40 takes 120 mL of single-strength bottles a litre."""
    mixing = mix(wanted(0.25, 80, 40), THREE)
    assert [dose.volume_ml for dose in mixing.doses] == pytest.approx([60, 20, 40])
    assert mixing.base_ml == pytest.approx(880)
    assert mixing.reached.hardness_mg_l_caco3 == pytest.approx(80)
    assert mixing.reached.alkalinity_mg_l_caco3 == pytest.approx(40)
    assert mixing.reached.mg_share == pytest.approx(0.25)
    assert mixing.reached.charge_balance_meq_l == pytest.approx(0, abs=1e-9)


def test_rounding_to_the_pipette_is_seen_in_the_water_reached():
    mixing = mix(wanted(0.5, 33.3, 20), THREE, volume_ml=250, pipette_ml=1.0)
    assert all(dose.volume_ml == round(dose.volume_ml) for dose in mixing.doses)
    assert mixing.reached.hardness_mg_l_caco3 == pytest.approx(8 / 250 * 1000)


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: mix(wanted(0.5, 80, 40), THREE[:1]), "cannot be made from CaCl2·2H2O"),
        (lambda: mix(wanted(0.5, 80, 40), []), "at least one bottle"),
        (lambda: mix(wanted(0.5, 80, 40), THREE, volume_ml=0), "volume_ml must be above 0"),
        (lambda: mix(wanted(0.5, 900, 400), THREE), "1.3 times as strong"),
        (
            lambda: mix(
                wanted(0.5, 80, 40),
                THREE,
                base=Water(bicarbonate_mmol_l=4.0, sodium_mmol_l=4.0),
            ),
            "cannot be made",
        ),
    ],
)
def test_waters_out_of_reach_are_refused_with_a_sentence(make, sentence):
    with pytest.raises(DosingError, match=sentence):
        make()
