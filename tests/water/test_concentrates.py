"""Concentrates: strength, masses, weighing."""

import pytest

from labkit.errors import ConcentrateError
from labkit.water import Concentrate, grams_to_weigh, salt


@pytest.mark.parametrize(
    ("formula", "grams"),
    [
        ("CaCl2·2H2O", 1.469),
        ("MgCl2·6H2O", 2.031),
        ("KHCO3", 2.001),
        ("MgSO4·7H2O", 2.4625),
        ("NaHCO3", 1.6787),
    ],
)
def test_the_usual_bottles_weigh_what_practice_says(formula, grams):
    """Common practice: 1 mL in a litre adds 1 mg/L as CaCO3 (masses computed from IUPAC 2021)."""
    assert grams_to_weigh(salt=salt(formula), volume_ml=1000) == pytest.approx(grams, abs=6e-4)


def test_what_was_weighed_gives_the_actual_strength():
    bottle = Concentrate.from_weighing(
        salt=salt("CaCl2·2H2O"), weighed_g=1.50, volume_ml=1000, purity=0.98
    )
    assert bottle.strength_g_l == pytest.approx(1.5)
    assert bottle.strength_mg_l_caco3_per_ml == pytest.approx(1.5 * 0.98 / 1.46882, rel=1e-4)


def test_impure_salt_needs_more_grams():
    pure = grams_to_weigh(salt=salt("KHCO3"), volume_ml=500)
    assert grams_to_weigh(salt=salt("KHCO3"), volume_ml=500, purity=0.98) == pytest.approx(
        pure / 0.98
    )


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"volume_ml": 0}, "volume_ml must be above 0, got 0"),
        ({"volume_ml": float("nan")}, "volume_ml must be above 0"),
        ({"strength_mg_l_caco3_per_ml": -1}, "must be above 0, got -1"),
        ({"purity": 98}, "purity must be between"),
        ({"salt": salt("NaCl")}, "cannot be given as CaCO3"),
    ],
)
def test_impossible_bottles_are_refused(change, sentence):
    asked = {"salt": salt("KHCO3"), "volume_ml": 1000} | change
    with pytest.raises(ConcentrateError, match=sentence):
        grams_to_weigh(**asked)
