"""The nearest water within reach, and what another salt changes."""

import numpy as np
import pytest
from scipy.optimize import lsq_linear, minimize

from labkit.errors import DosingError
from labkit.water import PURE_WATER, Concentrate, Target, Water, mix, salt, weigh_out
from labkit.water.dosing.nearest import differences, within_reach

WANTED = Target(mg_share=0.25, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
USUAL = [salt(label) for label in ("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3")]
HARD = Water.of_ions({"Ca": 2.0, "Mg": 0.3, "HCO3": 4.0, "Cl": 0.6})


def test_a_water_within_reach_is_left_as_it_is():
    found = within_reach(WANTED, USUAL)
    assert found.is_exact
    assert found.base == PURE_WATER


def test_epsom_salt_and_baking_soda_reach_the_same_three_figures():
    """By hand: 20 mg/L Mg as CaCO3 is 0.2 mmol/L, so 0.2 × 96.06 = 19.2 mg/L sulfate and
    0.4 × 35.45 = 14.2 mg/L chloride less; 40 mg/L alkalinity is 0.8 meq/L, so
    0.8 × 22.99 = 18.4 mg/L sodium and 0.8 × 39.10 = 31.3 mg/L potassium less."""
    swapped = [salt(label) for label in ("CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3")]
    assert within_reach(WANTED, swapped).is_exact
    made = weigh_out(WANTED, swapped, volume_l=1000).reached
    tasted = weigh_out(WANTED, USUAL, volume_l=1000).reached
    sulfate, sodium = differences(tasted, made)
    assert (sulfate.symbol, sulfate.instead_of.symbol) == ("SO4", "Cl")
    assert sulfate.after_mg_l - sulfate.before_mg_l == pytest.approx(19.2, abs=0.1)
    lost = sulfate.instead_of
    assert lost.before_mg_l - lost.after_mg_l == pytest.approx(14.2, abs=0.1)
    assert (sodium.symbol, sodium.instead_of.symbol) == ("Na", "K")
    assert sodium.after_mg_l - sodium.before_mg_l == pytest.approx(18.4, abs=0.1)
    assert sodium.instead_of.before_mg_l == pytest.approx(31.3, abs=0.1)
    assert sodium.instead_of.after_mg_l == 0


def test_nothing_differs_from_the_same_water():
    made = weigh_out(WANTED, USUAL, volume_l=10).reached
    assert differences(made, made) == ()


def test_without_magnesium_the_nearest_keeps_calcium():
    found = within_reach(WANTED, [USUAL[0], USUAL[2]])
    assert found.target.hardness_mg_l_caco3 == pytest.approx(60)
    assert found.target.mg_share == 0
    assert not found.is_exact
    assert weigh_out(found.target, [USUAL[0], USUAL[2]], volume_l=10).reached.mg_share == 0


@pytest.mark.parametrize("seed", range(20))
def test_the_nearest_water_can_be_made_and_none_made_lies_nearer(seed):
    """Against SciPy's L-BFGS-B on the same distance."""
    rng = np.random.default_rng(seed)
    labels = ("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3", "CaSO4·2H2O", "NaHCO3")
    some = [
        salt(label) for label in rng.choice(labels, size=int(rng.integers(1, 4)), replace=False)
    ]
    aim = Target(
        mg_share=float(rng.uniform()),
        hardness_mg_l_caco3=float(rng.uniform(20, 200)),
        alkalinity_mg_l_caco3=float(rng.uniform(0, 100)),
    )
    bottles = [Concentrate.of_strength(salt=one) for one in some]
    found = within_reach(aim, bottles, base=HARD, blend_with_pure=False)
    made = mix(found.target, bottles, base=HARD, pipette_ml=0.001).reached

    def three(water):
        calcium = water.hardness_mg_l_caco3 * (1 - water.mg_share)
        return np.array([calcium, water.hardness_mg_l_caco3 - calcium, water.alkalinity_mg_l_caco3])

    wanted = three(aim)

    def away(shares):
        poured = sum(x * bottle.vector for x, bottle in zip(shares, bottles, strict=True))
        mixed = Water.of_vector(poured + (1 - sum(shares)) * HARD.vector)
        return float(((three(mixed) - wanted) ** 2).sum())

    least = minimize(away, np.full(len(some), 0.05), bounds=[(0, 0.5)] * len(some)).fun
    assert ((three(found.target) - wanted) ** 2).sum() <= least + 1e-3 * max(1, least)
    assert three(made) == pytest.approx(three(found.target), abs=0.01)


def test_a_base_that_holds_too_much_is_thinned_by_whole_per_cent():
    """By hand: 40 mg/L of the base's 200 mg/L alkalinity is 20 %; its 30 mg/L Mg is 20 of 30."""
    found = within_reach(WANTED, USUAL, base=HARD)
    assert found.base_share == pytest.approx(0.19, abs=0.011)
    assert found.is_exact
    assert found.base.alkalinity_mg_l_caco3 <= 40
    assert mix(
        WANTED, [Concentrate.of_strength(salt=one) for one in USUAL], base=found.base
    ).reached.alkalinity_mg_l_caco3 == pytest.approx(40, abs=0.2)


@pytest.mark.parametrize("seed", range(20))
def test_no_other_blend_with_pure_water_lies_nearer(seed):
    """Against SciPy's bounded least squares with the base as one more source. A base with some
    magnesium was thinned away whole for an all-calcium water, its calcium with it."""
    rng = np.random.default_rng(seed)
    labels = ("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3", "MgSO4·7H2O", "NaHCO3")
    some = [salt(one) for one in rng.choice(labels, size=int(rng.integers(1, 3)), replace=False)]
    aim = Target(
        mg_share=float(rng.choice([0.0, rng.uniform()])),
        hardness_mg_l_caco3=float(rng.uniform(20, 200)),
        alkalinity_mg_l_caco3=float(rng.uniform(0, 100)),
    )
    found = within_reach(aim, some, base=HARD)

    def three(water):
        calcium = water.calcium_hardness_mg_l_caco3
        return np.array([calcium, water.hardness_mg_l_caco3 - calcium, water.alkalinity_mg_l_caco3])

    sources = np.array([three(HARD), *(three(Water.of_vector(one.vector)) for one in some)]).T
    share, hardness = aim.mg_share, aim.hardness_mg_l_caco3
    wanted = np.array([(1 - share) * hardness, share * hardness, aim.alkalinity_mg_l_caco3])
    most = [1.0, *[np.inf] * len(some)]
    least = lsq_linear(sources, wanted, bounds=(0, most)).x
    share, hardness = found.target.mg_share, found.target.hardness_mg_l_caco3
    got = np.array([(1 - share) * hardness, share * hardness, found.target.alkalinity_mg_l_caco3])
    step = 0.005 * np.linalg.norm(three(HARD))  # the base is thinned by whole per cent
    assert np.linalg.norm(got - wanted) <= np.linalg.norm(sources @ least - wanted) + step
    made = weigh_out(found.target, some, volume_l=1000, base=found.base, balance_g=0.001).reached
    assert three(made) == pytest.approx(got, abs=0.01)


def test_nothing_to_add_is_refused():
    with pytest.raises(DosingError, match="sources must hold at least one"):
        within_reach(WANTED, [])


def test_a_days_batch_is_each_jug_alone_poured_bottle_by_bottle():
    """The least rinsing: every bottle is taken up once, and what is alkaline comes last."""
    from labkit.errors import DosingError
    from labkit.present import to_html
    from labkit.water import Concentrate, StartWater, Target, Water, mix, mix_batch, salt

    bottles = tuple(
        Concentrate.of_strength(salt=salt(one)) for one in ("KHCO3", "MgCl2·6H2O", "CaCl2·2H2O")
    )
    tap = StartWater(name="tap", base=Water.of_ions({"Ca": 0.2, "Cl": 0.4}), share_percent=25)
    waters = {
        name: (Target(mg_share=share, hardness_mg_l_caco3=h, alkalinity_mg_l_caco3=30), volume)
        for name, share, h, volume in (
            ("A", 0.5, 80, 2000),
            ("B", 0, 60, 900),
            ("C", 0.9, 95, 5000),
        )
    }
    day = mix_batch(waters, bottles, base=tap, pipette_ml=0.05)
    assert {
        name: mix(target, bottles, volume_ml=ml, base=tap, pipette_ml=0.05)
        for name, (target, ml) in waters.items()
    } == dict(day.jugs)
    assert [one.bottle.name for one in day.rounds] == ["MgCl2·6H2O", "CaCl2·2H2O", "KHCO3"]
    assert day.rinses == 2
    assert [name for name, _ in day.rounds[0].doses] == ["A", "C"]  # none in B, smallest first
    (_, tap_ml), (_, pure_ml) = day.base_parts
    everything = tap_ml + pure_ml + sum(one.total_ml for one in day.rounds)
    assert everything == pytest.approx(7900)
    assert "rinse the pipette before the next: 2 times" in to_html(day)
    with pytest.raises(DosingError, match="waters must hold"):
        mix_batch({}, bottles)
