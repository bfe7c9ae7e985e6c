"""The bench sheet's volumes make the waters, jug by jug and bottle by bottle."""

import pytest

from labkit.errors import DosingError, PlanError, SweepError
from labkit.tasting import bench_plan, check_reachable, plan_tasting, ratio_sweep
from labkit.water import Concentrate, Water, salt

PASSPHRASE = "copper kettle, seven spoons"
BOTTLES = [
    Concentrate.of_strength(salt=salt(formula), name=name)
    for formula, name in (
        ("KHCO3", "bicarbonate"),
        ("CaCl2·2H2O", "calcium"),
        ("MgCl2·6H2O", "magnesium"),
    )
]
SWEEP = ratio_sweep((0, 0.25, 0.5, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)


def _opened(rng, targets=SWEEP.targets, **more):
    plan = plan_tasting(
        targets, ["Ada", "Bo"], session="spring", passphrase=PASSPHRASE, seed=rng, **more
    )
    return plan, [plan.sealed[flight].open(PASSPHRASE) for flight in plan.flights]


def test_doses_are_those_of_the_common_strength(rng):
    """1 mL of a bottle of 1000 mg/L as CaCO3 adds 1 mg/L to a litre (common practice)."""
    _, opened = _opened(rng)

    sheet = bench_plan(opened, BOTTLES, jug_volume_ml=1500)

    for jug in sheet.jugs:
        doses = {dose.concentrate.name: dose.volume_ml for dose in jug.mixing.doses}
        share = jug.mixing.target.mg_share
        assert doses["calcium"] == pytest.approx(1.5 * 80 * (1 - share), abs=0.051)
        assert doses["magnesium"] == pytest.approx(1.5 * 80 * share, abs=0.051)
        assert doses["bicarbonate"] == pytest.approx(1.5 * 30, abs=0.051)
        assert sum(doses.values()) + jug.mixing.base_ml == pytest.approx(1500)


def test_doses_leave_out_what_the_base_water_brings(rng):
    """By hand: 0.4 mmol/L of calcium and of bicarbonate are 40.03 and 20.02 mg/L as CaCO3.

    With 1 mg/L as CaCO3 from each mL in a litre, doses and base together must give 80 and 30.
    """
    sweep = ratio_sweep((0, 0.25, 0.5), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)
    _, opened = _opened(rng, targets=sweep.targets)
    tap = Water.of_ions({"Ca": 0.4, "HCO3": 0.4, "Cl": 0.4})

    sheet = bench_plan(opened, BOTTLES, jug_volume_ml=1000, base=tap)

    all_calcium = [jug for jug in sheet.jugs if jug.mixing.target.mg_share == 0]
    assert all_calcium
    for jug in all_calcium:
        doses = {dose.concentrate.name: dose.volume_ml for dose in jug.mixing.doses}
        litres = jug.mixing.base_ml / 1000
        assert doses["calcium"] + 40.03 * litres == pytest.approx(80, abs=0.1)
        assert doses["bicarbonate"] + 20.02 * litres == pytest.approx(30, abs=0.1)
        assert doses["calcium"] < 45  # 80 from pure water


def test_a_base_that_holds_too_much_names_the_blend_that_serves_all_waters():
    """By hand: 60 mg/L of calcium hardness in the base, 20 wanted at Mg share 0.75: a third."""
    base = Water.of_ions({"Ca": 0.5995, "Cl": 1.199})
    sweep = ratio_sweep((0, 0.5, 0.75), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)

    with pytest.raises(SweepError, match=r"2 of the 3 waters") as refused:
        check_reachable(sweep, BOTTLES, base=base)

    assert "at least 66.7 % pure water (at most 33.3 % of this base)" in str(refused.value)
    thinned = Water.of_ions({"Ca": 0.333 * 0.5995, "Cl": 0.333 * 1.199})
    assert len(check_reachable(sweep, BOTTLES, base=thinned)) == 3


def test_totals_are_the_sums_of_the_jugs_with_bicarbonate_dosed_last(rng):
    _, opened = _opened(rng)

    sheet = bench_plan(opened, BOTTLES, jug_volume_ml=1000)
    totals = sheet.totals().set_index("what")["volume_ml"]

    assert list(totals.index) == ["calcium", "magnesium", "bicarbonate", "base water"]
    assert totals["bicarbonate"] == pytest.approx(5 * 30)
    assert totals.sum() == pytest.approx(5 * 1000)
    assert len(sheet.to_frame()) == 5


def test_a_duplicate_is_mixed_anew_and_every_code_has_a_jug(rng):
    plan, opened = _opened(rng, serving="a cup each")

    sheet = bench_plan(opened, BOTTLES, jug_volume_ml=500)

    assert sum(jug.is_duplicate for jug in sheet.jugs) == 1
    assert sorted(code for jug in sheet.jugs for code in jug.codes) == list(plan.codes(1))
    assert all(len(jug.codes) == 2 for jug in sheet.jugs)
    assert [jug.jug for jug in sheet.jugs] == ["J1.1", "J1.2", "J1.3", "J1.4", "J1.5"]


def test_jug_numbers_tell_nothing_of_the_recipe(rng):
    """Over many plans each water is as often jug 1: mean rank within 4 standard errors."""
    firsts = []
    for _ in range(200):
        _, opened = _opened(rng, control="none", duplicates=0)
        firsts.append(next(r.target.mg_share for r in opened[0].rows if r.jug == "J1.1"))

    assert sum(firsts) / 200 == pytest.approx(0.4375, abs=4 * 0.37 / 200**0.5)


def test_flights_of_two_sessions_make_no_sheet():
    with pytest.raises(PlanError, match="opened_flights must be of one session, got none"):
        bench_plan([], BOTTLES, jug_volume_ml=500)


def test_two_bottles_of_one_name_are_refused(rng):
    _, opened = _opened(rng)
    with pytest.raises(PlanError, match="concentrates must have different names, got 'calcium'"):
        bench_plan(opened, [*BOTTLES, BOTTLES[1]], jug_volume_ml=500)


def test_a_sweep_is_checked_against_the_bottles():
    assert len(check_reachable(SWEEP, BOTTLES)) == 4

    with pytest.raises(SweepError, match="3 of the 4 waters of this ratio sweep cannot be made"):
        check_reachable(SWEEP, BOTTLES[:2])


def test_a_jug_that_cannot_be_mixed_is_said(rng):
    _, opened = _opened(rng)
    with pytest.raises(DosingError):
        bench_plan(opened, BOTTLES[:2], jug_volume_ml=500)
