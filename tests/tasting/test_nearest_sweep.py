"""Where a water is out of reach: the share of the base that serves, and the nearest sweep."""

from __future__ import annotations

import pytest

from labkit.errors import SweepError
from labkit.tasting import check_reachable, nearest_sweep, ratio_hardness_grid, ratio_sweep
from labkit.water import Concentrate, StartWater, Water, mix, salt, thinned_for, weigh_out

BOTTLES = [
    Concentrate.of_strength(salt=salt(formula), name=name)
    for formula, name in (
        ("CaCl2·2H2O", "calcium"),
        ("MgCl2·6H2O", "magnesium"),
        ("KHCO3", "bicarbonate"),
    )
]
TAP = StartWater(name="tap", base=Water.of_ions({"Ca": 0.6, "HCO3": 0.6, "Cl": 0.6}))
"""By hand: 0.6 mmol/L of calcium are 60.05 mg/L as CaCO3, so that of 90 at most a third is Mg."""

SWEEP = ratio_sweep((0, 0.25, 0.5, 0.75), hardness_mg_l_caco3=90, alkalinity_mg_l_caco3=40)


def test_the_nearest_sweep_is_made_and_ends_where_the_base_ends():
    with pytest.raises(SweepError):
        check_reachable(SWEEP, BOTTLES, base=TAP.water)
    found = nearest_sweep(SWEEP, BOTTLES, base=TAP.water)
    shares = [target.mg_share for target in found.targets]
    assert len(check_reachable(found, BOTTLES, base=TAP.water)) == 4
    assert (min(shares), found.varied[0].low) == (0, 0)
    # 60.05 of 90 are calcium of the tap, less what the doses displace of it (about 4 %)
    assert 1 - 60.05 / 90 - 0.03 <= max(shares) <= 1 - 60.05 / 90 + 0.05
    assert {target.hardness_mg_l_caco3 for target in found.targets} == {90}


def test_what_is_within_reach_stays_and_what_is_not_at_all_is_none():
    assert nearest_sweep(SWEEP, BOTTLES) is SWEEP
    assert nearest_sweep(SWEEP, BOTTLES[:1]) is None


def test_a_grid_is_narrowed_in_what_is_varied_first():
    grid = ratio_hardness_grid((0, 0.5, 1), (90, 120), alkalinity_mg_l_caco3=40)
    found = nearest_sweep(grid, BOTTLES, base=TAP.water)
    check_reachable(found, BOTTLES, base=TAP.water)
    assert {target.hardness_mg_l_caco3 for target in found.targets} == {90, 120}
    assert len(found.targets) == 6


def test_the_share_found_makes_all_waters_and_one_per_cent_more_passes_one():
    found = thinned_for(SWEEP.targets, BOTTLES, start=TAP)
    check_reachable(SWEEP, BOTTLES, base=found.water)
    # By hand: the water of 22.5 calcium bears 22.5 / 60.05 of the tap.
    assert found.share_percent == 37
    all_magnesium = ratio_sweep((0, 1), hardness_mg_l_caco3=90, alkalinity_mg_l_caco3=40)
    assert thinned_for(all_magnesium.targets, BOTTLES, start=TAP).text == "pure water"
    assert thinned_for(SWEEP.targets, BOTTLES[:1], start=TAP) is None


def test_a_blend_is_poured_in_parts_that_make_up_the_whole():
    blend = StartWater(name="tap", base=TAP.base, share_percent=30)
    mixed = mix(SWEEP.targets[1], BOTTLES, volume_ml=3000, base=blend)
    (tap, tap_ml), (pure, pure_ml) = mixed.base_parts
    assert (tap, pure) == ("tap", "pure water")
    assert tap_ml + pure_ml == pytest.approx(mixed.base_ml, abs=1e-9)
    assert tap_ml == round(0.3 * mixed.base_ml)  # as it is measured, so that nothing is "804.75"
    dosed = sum(dose.volume_ml * dose.concentrate.vector for dose in mixed.doses)
    by_hand = (dosed + tap_ml * TAP.base.vector) / 3000
    assert mixed.reached.vector == pytest.approx(by_hand, abs=1e-9)
    tank = weigh_out(SWEEP.targets[1], [b.salt for b in BOTTLES], volume_l=20, base=blend)
    assert tank.start.parts(20_000) == (("tap", 6000.0), ("pure water", 14_000.0))


def test_a_jug_too_small_to_dose_says_how_large_it_must_be():
    small = ratio_sweep((0.01, 0.5), hardness_mg_l_caco3=90, alkalinity_mg_l_caco3=40).targets[0]
    jug = mix(small, BOTTLES, volume_ml=280)
    # By hand: 0.9 mL a litre; 5 % of a dose are a step of 0.1 mL where the dose is 2 mL.
    assert jug.mending_volume_ml == pytest.approx(2000 / 0.9, abs=10)
    assert mix(small, BOTTLES, volume_ml=jug.mending_volume_ml).mending_volume_ml is None
