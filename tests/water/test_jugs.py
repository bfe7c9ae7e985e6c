"""The band within which a jug is right: strengths, pipette or balance, base and meter in it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.errors import WaterError
from labkit.water import DROP_KITS, Concentrate, Target, Water, expected_meter, mix, salt, weigh_out
from labkit.water.chemistry.conductivity import conductivity_us_cm
from labkit.water.jugs.doses import doses_of, drops_of, meter_of
from labkit.water.jugs.mistakes import Kind, Mistake
from labkit.water.jugs.slips import DropCount, MeterReading, check_jug

WANTED = Target(mg_share=0.25, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
LABELS = ("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3")
SALTS = [salt(label) for label in LABELS]
BOTTLES = [Concentrate.of_strength(salt=one) for one in SALTS]
ROUGH = [
    Concentrate.from_weighing(salt=one, weighed_g=grams, volume_ml=100, balance_g=0.01)
    for one, grams in zip(SALTS, (0.15, 0.20, 0.20), strict=True)
]
KIT = DROP_KITS["20 mg/L as CaCO3 a drop in 5 mL"]
TAP = Water(calcium_mmol_l=0.4, magnesium_mmol_l=0.1, bicarbonate_mmol_l=0.6, chloride_mmol_l=0.4)
"""Hardness 50, alkalinity 30 mg/L as CaCO3."""

RECIPES = {
    "strong litre": mix(WANTED, BOTTLES),
    "weak weighing": mix(WANTED, ROUGH),
    "coarse pipette": mix(WANTED, BOTTLES, volume_ml=500, pipette_ml=5),
    "tank of salts": weigh_out(WANTED, SALTS, volume_l=5, balance_g=0.1),
    "jug of tap": mix(WANTED, BOTTLES, base=TAP),
    "tank of tap": weigh_out(WANTED, SALTS, volume_l=20, base=TAP),
}


@pytest.mark.parametrize("name", RECIPES)
def test_the_spread_of_hardness_is_the_one_that_the_mixing_states(name):
    """Two ways to the same figure: by ions here, by coordinates in the mixing itself."""
    recipe = RECIPES[name]
    drops = drops_of(recipe, "hardness", kit=KIT)
    stated = recipe.uncertainty.hardness_mg_l_caco3
    assert drops.spread_mg_l_caco3 == pytest.approx(stated, rel=1e-9)


def test_one_strength_in_doubt_moves_the_drops_by_hand():
    """60 mL of a bottle that is good to 10 % adds 60 ± 6 mg/L: with 5 % of drops, ± 6.7."""
    bottle = Concentrate(
        salt=SALTS[0], strength_g_l=1.4688, weighing_uncertainty_percent=10, name="calcium"
    )
    aim = Target(mg_share=0, hardness_mg_l_caco3=60, alkalinity_mg_l_caco3=0)
    drops = drops_of(mix(aim, [bottle]), "hardness", kit=KIT, sample_ml=25)
    assert drops.spread_mg_l_caco3 == pytest.approx(6.0, abs=0.02)
    assert drops.doubt_mg_l_caco3 == pytest.approx(math.hypot(3, 6), abs=0.02)
    # One drop is 4 mg/L in 25 mL: 53.3 is 13.3 drops, 66.7 is 16.7.
    assert (drops.low, drops.high) == (13, 17)


def test_half_a_drop_is_said_in_percent_of_all():
    """80 mg/L are 4 drops of 20 mg/L in 5 mL: half a drop is an eighth."""
    drops = drops_of(mix(WANTED, BOTTLES), "hardness", kit=KIT, sample_ml=5)

    assert drops.half_drop_percent == pytest.approx(12.5, abs=0.01)


def test_no_band_reaches_below_zero():
    meter = expected_meter(Water())

    assert meter.low == 0 < meter.high


@pytest.mark.parametrize("temperature", [-0.5, 50.5])
def test_a_meter_is_believed_between_0_and_50_degrees(temperature):
    with pytest.raises(WaterError, match="temperature_c"):
        expected_meter(TAP, temperature_c=temperature)


def test_a_sample_must_hold_something():
    with pytest.raises(WaterError, match="sample_ml"):
        drops_of(mix(WANTED, BOTTLES), "hardness", kit=KIT, sample_ml=0)


def test_an_analysis_in_doubt_moves_the_drops_by_hand():
    """Half a litre of 80 mg/L ± 5 % and half a litre of a bottle of 100 mg/L ± 1 %: 40 ± 2 and
    50 ± 0.5, both rectangular, are 90 ± 2.4 mg/L (k = 2)."""
    base = Water(calcium_mmol_l=80 / 100.087, chloride_mmol_l=160 / 100.087)
    weak = Concentrate(salt=SALTS[0], strength_g_l=0.14688, name="100 mg/L")
    aim = Target(mg_share=0, hardness_mg_l_caco3=90, alkalinity_mg_l_caco3=0)
    recipe = mix(aim, [weak], base=base)
    assert recipe.base_ml == pytest.approx(500, abs=1)
    by_hand = math.hypot(40 * 0.05, 50 * 0.01) / math.sqrt(3) * 2
    assert recipe.uncertainty.hardness_mg_l_caco3 == pytest.approx(by_hand, rel=0.01)
    found = drops_of(recipe, "hardness", kit=KIT).spread_mg_l_caco3
    assert found == pytest.approx(by_hand, rel=0.01)


def test_pure_water_is_in_no_doubt():
    """Of a litre of 100 mg/L from one bottle only bottle and pipette are: 1 % / √3 x 2."""
    pure = mix(Target(mg_share=0, hardness_mg_l_caco3=100, alkalinity_mg_l_caco3=0), BOTTLES[:1])
    stated = pure.uncertainty.hardness_mg_l_caco3
    assert stated == pytest.approx(2 / math.sqrt(3), rel=0.01)


@pytest.mark.parametrize("name", RECIPES)
def test_nineteen_of_twenty_right_jugs_lie_in_the_band_of_the_meter(name):
    """Monte Carlo (JCGM 101:2008): draw each input from what is stated, count what agrees."""
    recipe, rng, n = RECIPES[name], np.random.default_rng(4), 4000
    doses = doses_of(recipe)
    strength = 1 + doses.strengths / 2 * rng.standard_normal((n, len(doses.sources)))
    taken = doses.amounts + doses.steps * rng.uniform(-0.5, 0.5, strength.shape)
    taken = np.where(doses.amounts > 0, taken, 0.0)
    solutes = (taken * strength) @ doses.adds
    base = doses.finished - taken.sum(axis=1, keepdims=True) if doses.displaces else doses.finished
    analysed = base * rng.uniform(0.95, 1.05, (n, 1)) * doses.base.vector
    waters = (solutes + analysed) / doses.finished
    true = conductivity_us_cm(waters) * (1 + rng.uniform(-0.05, 0.05, n))
    shown = true * (1 + rng.uniform(-0.02, 0.02, n))
    band = meter_of(recipe)
    inside = np.mean((band.low <= shown) & (shown <= band.high))
    assert 0.94 <= inside <= 0.999


def test_the_band_is_wider_than_rounding_and_than_the_meter_alone():
    meter_alone = expected_meter(RECIPES["weak weighing"].reached)
    assert meter_of(RECIPES["weak weighing"]).slack > 1.2 * meter_alone.slack
    assert meter_of(RECIPES["strong litre"]).slack > meter_alone.slack
    assert meter_of(RECIPES["coarse pipette"]).slack > meter_of(RECIPES["strong litre"]).slack


@pytest.mark.parametrize("name", RECIPES)
@pytest.mark.parametrize("tds_factor", [None, 0.5])
def test_card_and_bench_check_call_the_same_readings_right(name, tds_factor):
    recipe = RECIPES[name]
    band = meter_of(recipe, tds_factor=tds_factor)
    past_an_end = np.add.outer([band.low, band.high], [-3, -1, -0.01, 0.01, 1, 3]).ravel()
    for reading in [*past_an_end.tolist(), (band.low + band.high) / 2]:
        check = MeterReading(shown=reading, tds_factor=tds_factor)
        assert check_jug(recipe, [check]).meant.agrees == band.agrees(reading)


@pytest.mark.parametrize("name", RECIPES)
def test_card_and_bench_check_call_the_same_drops_right(name):
    recipe = RECIPES[name]
    for quantity in ("hardness", "alkalinity"):
        expected = drops_of(recipe, quantity, kit=KIT)
        for drops in range(10):
            counted = DropCount(quantity=quantity, kit=KIT, drops=drops)
            assert check_jug(recipe, [counted]).meant.agrees == expected.agrees(drops)


def test_the_purity_of_weighed_salts_is_in_what_the_jug_should_be():
    tank = weigh_out(WANTED, SALTS, volume_l=20, purities={"CaCl2·2H2O": 0.8})
    meant = check_jug(tank, [MeterReading(shown=280)]).meant.water
    assert meant.hardness_mg_l_caco3 == pytest.approx(tank.reached.hardness_mg_l_caco3)


def test_a_bottle_beside_the_recipe_may_have_been_the_wrong_one():
    """60 mL from a bottle of twice the calcium: 120 + 20 of hardness instead of 80."""
    double = Concentrate.of_strength(
        salt=SALTS[0], strength_mg_l_caco3_per_ml=2.0, name="calcium, double"
    )
    jug = RECIPES["strong litre"]
    made = jug.reached.vector + 60 / 1000 * (double.vector - BOTTLES[0].vector)
    shown = expected_meter(Water.of_vector(made)).shown
    checks = [MeterReading(shown=shown), DropCount(quantity="hardness", kit=KIT, drops=7)]
    thought_of = [one for slip in check_jug(jug, checks).slips for one in slip.parts]
    assert "calcium, double" not in {one.other for one in thought_of}
    found = check_jug(jug, checks, other_bottles=[double, *BOTTLES])
    mistaken = Mistake(
        kind=Kind.OTHER_BOTTLE,
        source="CaCl2·2H2O",
        other="calcium, double",
        amount=60,
        unit="mL",
    )
    assert (mistaken,) in [slip.parts for slip in found.explanations]
    assert len({slip.parts for slip in found.slips}) == len(found.slips)
