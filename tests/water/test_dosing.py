"""Dosing: doses, the water reached, choices, refusals."""

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.errors import ConcentrateError, DosingError
from labkit.water import (
    PREFERENCES,
    PURE_WATER,
    Concentrate,
    SharedBottle,
    StartWater,
    Supply,
    Target,
    Water,
    blend,
    largest_base_share,
    mix,
    pure_water,
    salt,
    salt_by_formula,
    weigh_out,
)
from labkit.water.dosing.spread import dosing_spread, rounding_bound
from tests.water.recipes import FIVE, HARD_TAP, SALT_WATERS, TARGETS, THREE, bottles, wanted

QUICK = settings(max_examples=60, deadline=None)
STRONG = bottles("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3", strength=5.0)


def test_one_ml_a_litre_adds_one_mg_and_the_doses_count():
    """A water of 80 and 40 takes 120 mL of single-strength bottles a litre."""
    mixing = mix(wanted(0.25, 80, 40), THREE)
    assert [dose.volume_ml for dose in mixing.doses] == pytest.approx([60, 20, 40])
    assert mixing.base_ml == pytest.approx(880)
    assert mixing.reached.hardness_mg_l_caco3 == pytest.approx(80)
    assert mixing.reached.alkalinity_mg_l_caco3 == pytest.approx(40)
    assert mixing.reached.mg_share == pytest.approx(0.25)


def test_doses_of_120_ml_poured_on_top_would_be_weak_by_a_tenth():
    """-D / (1 + D) = -10.7 % if the volume of the doses is forgotten (computed)."""
    made_up = mix(wanted(0.25, 80, 40), THREE)
    on_top = sum(dose.volume_ml for dose in made_up.doses)
    forgotten = blend([(made_up.reached, 1000.0), (PURE_WATER, on_top)])
    assert forgotten.hardness_mg_l_caco3 / 80 - 1 == pytest.approx(-0.107, abs=5e-4)


def test_dosing_on_top_counts_its_own_volume():
    mixing = mix(wanted(0.25, 80, 40), THREE, filling="added to", pipette_ml=0.001)
    assert mixing.base_ml == 1000
    assert mixing.volume_ml == pytest.approx(1000 / (1 - 0.12), rel=1e-5)
    assert mixing.reached.hardness_mg_l_caco3 == pytest.approx(80, abs=1e-3)


@given(target=TARGETS, base=SALT_WATERS, order=st.permutations(range(3)))
@QUICK
def test_doses_then_composition_then_doses_returns_the_doses(target, base, order):
    dilute = blend([(base, largest_base_share(target, base) * 0.9), (PURE_WATER, 1.0)])
    first = mix(target, STRONG, base=dilute, pipette_ml=0.01)
    again = mix(
        Target.of_water(first.reached), [STRONG[n] for n in order], base=dilute, pipette_ml=0.01
    )
    doses = [dose.volume_ml for dose in first.doses]
    assert [dose.exact_ml for dose in again.doses] == pytest.approx(
        [doses[n] for n in order], abs=1e-7
    )


@given(target=TARGETS, base=SALT_WATERS)
@QUICK
def test_charges_cancel_after_any_mixing(target, base):
    dilute = blend([(base, largest_base_share(target, base) * 0.9), (PURE_WATER, 1.0)])
    mixing = mix(target, STRONG, base=dilute)
    assert mixing.reached.charge_balance_meq_l == pytest.approx(0, abs=1e-9)


@given(waters=st.lists(SALT_WATERS, min_size=2, max_size=4), data=st.data())
@QUICK
def test_mixing_is_linear_and_forgets_its_order(waters, data):
    volumes = data.draw(st.lists(st.floats(0.1, 10), min_size=len(waters), max_size=len(waters)))
    pairs = list(zip(waters, volumes, strict=True))
    together = blend(pairs)
    expected = np.sum([w.vector * v for w, v in pairs], axis=0) / sum(volumes)
    np.testing.assert_allclose(together.vector, expected, atol=1e-12)
    for shuffled in itertools.permutations(pairs):
        np.testing.assert_allclose(blend(shuffled).vector, together.vector, atol=1e-12)
    one_by_one, poured = pairs[0]
    for water, volume in pairs[1:]:
        one_by_one = blend([(one_by_one, poured), (water, volume)])
        poured += volume
    np.testing.assert_allclose(one_by_one.vector, together.vector, atol=1e-12)


@given(
    target=TARGETS,
    step=st.sampled_from([0.01, 0.1, 0.5, 1.0]),
    volume=st.floats(200, 5000),
    filling=st.sampled_from(["made up to", "added to"]),
)
@QUICK
def test_rounding_never_exceeds_what_is_stated(target, step, volume, filling):
    mixing = mix(target, STRONG, volume_ml=volume, pipette_ml=step, filling=filling)
    reached, bound = mixing.reached, mixing.rounding
    assert (
        abs(reached.hardness_mg_l_caco3 - target.hardness_mg_l_caco3)
        <= bound.hardness_mg_l_caco3 + 1e-9
    )
    assert (
        abs(reached.alkalinity_mg_l_caco3 - target.alkalinity_mg_l_caco3)
        <= bound.alkalinity_mg_l_caco3 + 1e-9
    )
    if target.hardness_mg_l_caco3 and reached.hardness_mg_l_caco3:
        assert abs(reached.mg_share - target.mg_share) <= bound.mg_share + 1e-9


@given(target=TARGETS, digit=st.sampled_from([0.001, 0.01, 0.1]), litres=st.floats(1, 50))
@QUICK
def test_rounding_to_the_balance_never_exceeds_what_is_stated(target, digit, litres):
    tank = weigh_out(target, [bottle.salt for bottle in THREE], volume_l=litres, balance_g=digit)
    miss = abs(tank.reached.hardness_mg_l_caco3 - target.hardness_mg_l_caco3)
    assert miss <= tank.rounding.hardness_mg_l_caco3 + 1e-9
    miss = abs(tank.reached.alkalinity_mg_l_caco3 - target.alkalinity_mg_l_caco3)
    assert miss <= tank.rounding.alkalinity_mg_l_caco3 + 1e-9


@pytest.mark.parametrize("litres", [0.2, 1.0, 50.0])
@pytest.mark.parametrize("traces", [(0.0, 4e-8), (0.0, 1e-12), (4e-8, 0.0), (400.0, 4e-8)])
def test_a_water_of_next_to_nothing_lies_within_what_is_stated(traces, litres):
    """No dose follows 4e-8 mg/L as CaCO3: what is left out must be in the bound, not 0."""
    target = wanted(0.0, *traces)
    for made in (
        mix(target, FIVE, volume_ml=1000 * litres),
        weigh_out(target, [bottle.salt for bottle in FIVE], volume_l=litres),
    ):
        miss = abs(made.reached.alkalinity_mg_l_caco3 - target.alkalinity_mg_l_caco3)
        assert miss <= made.rounding.alkalinity_mg_l_caco3 * (1 + 1e-9) + 1e-12
        miss = abs(made.reached.hardness_mg_l_caco3 - target.hardness_mg_l_caco3)
        assert miss <= made.rounding.hardness_mg_l_caco3 * (1 + 1e-9) + 1e-12


def test_rounding_to_the_pipette_is_seen_in_the_water_reached():
    mixing = mix(wanted(0.5, 33.3, 20), THREE, volume_ml=250, pipette_ml=1.0)
    assert all(dose.volume_ml == round(dose.volume_ml) for dose in mixing.doses)
    assert mixing.reached.hardness_mg_l_caco3 == pytest.approx(8 / 250 * 1000)
    worst = max(mixing.coarse, key=mixing.step_percent)
    assert mixing.step_percent(worst) == pytest.approx(25)  # 1 mL of 4


def test_a_dose_below_the_pipette_is_lost():
    mixing = mix(wanted(0.001, 80, 40), THREE, pipette_ml=0.5)
    (lost,) = mixing.coarse
    assert lost.exact_ml > lost.volume_ml == 0


def test_doses_on_a_balance_are_whole_digits():
    mixing = mix(wanted(0.25, 80, 40), STRONG, volume_ml=250, balance_g=0.01)
    for dose in mixing.doses:
        assert dose.mass_g == pytest.approx(round(dose.mass_g, 2), abs=1e-9)
        assert dose.mass_g / dose.volume_ml == pytest.approx(1.0, abs=0.01)


def test_uncertainty_comes_from_strength_and_pipette():
    """Strength ± 1.15 % (k = 2) on two bottles of 40 each: 0.65 mg/L; GUM 5.1.2."""
    mixing = mix(wanted(0.5, 80, 0), THREE, pipette_ml=0.001)
    strength = THREE[0].uncertainty_percent / 100
    assert mixing.uncertainty.hardness_mg_l_caco3 == pytest.approx(40 * strength * 2**0.5, rel=1e-3)
    coarse = mix(wanted(0.5, 80, 0), THREE, pipette_ml=1.0)
    assert coarse.uncertainty.hardness_mg_l_caco3 > mixing.uncertainty.hardness_mg_l_caco3


@pytest.mark.parametrize(
    ("prefer", "ion"),
    [
        ("least sodium", "Na"),
        ("least potassium", "K"),
        ("least chloride", "Cl"),
        ("least sulfate", "SO4"),
    ],
)
def test_what_is_preferred_is_the_least_of_all_ways(prefer, ion):
    """Against every way with three of the five bottles: a linear programme ends in a corner."""
    target = wanted(0.5, 80, 40)
    best = mix(target, FIVE, prefer=prefer).reached.ions_mmol_l.get(ion, 0.0)
    ways = []
    for three in itertools.combinations(FIVE, 3):
        try:
            ways.append(mix(target, three).reached.ions_mmol_l.get(ion, 0.0))
        except DosingError:
            continue
    assert len(ways) == 4
    assert best == pytest.approx(min(ways), abs=1e-9)


def test_few_bottles_are_few_and_the_first_named_win():
    doses = mix(wanted(0.5, 80, 40), FIVE).doses
    assert [dose.volume_ml for dose in doses] == pytest.approx([40, 40, 40, 0, 0])
    both = bottles("MgSO4·7H2O", "KHCO3", "CaCl2·2H2O", "MgCl2·6H2O")
    doses = mix(wanted(0.5, 80, 40), both).doses
    assert [dose.volume_ml for dose in doses] == pytest.approx([40, 40, 40, 0])


def test_one_bottle_that_gives_two_things_saves_one():
    twin = Concentrate.of_strength(salt=salt_by_formula("Mg(HCO3)2"))
    doses = mix(wanted(0.5, 80, 40), [*THREE, twin]).doses
    assert [dose.volume_ml for dose in doses] == pytest.approx([40, 0, 0, 40])


@pytest.mark.parametrize("prefer", PREFERENCES)
def test_every_preference_reaches_the_target(prefer):
    reached = mix(wanted(0.37, 123, 71), FIVE, prefer=prefer, pipette_ml=1e-6).reached
    assert reached.hardness_mg_l_caco3 == pytest.approx(123, abs=1e-4)
    assert reached.alkalinity_mg_l_caco3 == pytest.approx(71, abs=1e-4)
    assert reached.mg_share == pytest.approx(0.37, abs=1e-6)


def test_a_full_jug_changes_to_the_stronger_bottles():
    weak_and_strong = [*THREE, *bottles("KHCO3", strength=10.0)]
    mixing = mix(wanted(0.5, 700, 400), weak_and_strong, prefer="least sodium")
    assert mixing.doses[3].volume_ml == pytest.approx(40)


def test_a_full_jug_takes_a_little_of_the_strong_bottle():
    """Hardness 700 and alkalinity 400 in 1 L: d + e <= 300 and d + 10 e = 400 bind at once."""
    cheap = [*THREE, *bottles("NaHCO3", strength=10.0)]
    doses = mix(wanted(0.5, 700, 400), cheap, prefer="least sodium", pipette_ml=1e-6).doses
    assert sum(dose.volume_ml for dose in doses) == pytest.approx(1000, abs=1e-5)
    assert doses[3].volume_ml == pytest.approx(100 / 9, abs=1e-5)


def test_a_bottle_that_adds_neither_stays_unused():
    table_salt = Concentrate(salt=salt("NaCl"), strength_g_l=10.0)
    doses = mix(wanted(0.5, 80, 40), [*FIVE, table_salt]).doses
    assert doses[5].volume_ml == 0
    only = mix(wanted(0, 0, 0), [table_salt])
    assert only.reached == PURE_WATER
    with pytest.raises(DosingError, match="nothing there adds calcium"):
        mix(wanted(0, 80, 0), [table_salt])


def test_a_jug_may_be_filled_by_doses_alone_but_not_beyond():
    full = mix(wanted(0.5, 600, 400), THREE)
    assert full.base_ml == 0
    with pytest.raises(DosingError, match="leave no room for base water"):
        mix(wanted(0.5, 599.98, 399.98), THREE, volume_ml=999.96, pipette_ml=0.7)


def test_shared_bottles_can_be_dosed():
    shared = SharedBottle(parts=(THREE[0], THREE[1]), name="hardness")
    doses = mix(wanted(0.5, 80, 40), [shared, THREE[2]]).doses
    assert [dose.volume_ml for dose in doses] == pytest.approx([40, 40])


def test_a_target_below_its_base_names_the_smallest_blend_and_the_blend_works():
    target = wanted(0.25, 80, 40)
    with pytest.raises(DosingError, match=r"alkalinity of 224 mg/L.*at least 82\.2 % pure"):
        mix(target, THREE, base=HARD_TAP)
    share = largest_base_share(target, HARD_TAP)
    assert share == pytest.approx(40 / HARD_TAP.alkalinity_mg_l_caco3)
    blended = blend([(HARD_TAP, 0.178), (PURE_WATER, 0.822)])
    reached = mix(target, THREE, base=blended, pipette_ml=0.001).reached
    assert reached.alkalinity_mg_l_caco3 == pytest.approx(40, abs=0.01)


@pytest.mark.parametrize("reading", [0.5, 20.0])
def test_pure_water_and_supplies_are_bases_as_they_are(reading):
    target = wanted(0.25, 80, 40)
    pure = pure_water(conductivity_25c_us_cm=reading)
    assert mix(target, THREE, base=pure) == mix(target, THREE)
    supply = Supply(name="tap", water=HARD_TAP, analysed=HARD_TAP)
    high = wanted(0.2, 400, 230)
    assert mix(high, THREE, base=supply) == mix(high, THREE, base=HARD_TAP)


def test_direct_weighing_warns_below_a_hundred_digits_and_names_the_tank_that_mends():
    salts = [bottle.salt for bottle in THREE]
    small = weigh_out(wanted(0.25, 80, 40), salts, volume_l=1)
    assert small.mending_volume_l == pytest.approx(24.6, abs=0.1)
    assert small.smallest.salt.label == "MgCl2·6H2O"
    large = weigh_out(wanted(0.25, 80, 40), salts, volume_l=30)
    assert large.mending_volume_l is None
    assert [portion.mass_g for portion in large.portions] == pytest.approx([2.64, 1.22, 2.40])


def test_the_uncertainty_of_a_mixed_water_is_the_gums_propagation():
    """JCGM 100:2008, 5.1.2, with slopes by differences in place of our formulas.

    Two bottles, one of them of both metals, and a base water: five independent inputs (strengths,
    readings, the base's analysis, which moves all that it brings together).
    """
    holds = np.array([[1.0, 0.3], [0.0, 0.8], [0.0, 1.5]])
    doses, steps = np.array([20.0, 30.0]), np.array([0.5, 2.0])
    strengths, base = np.array([0.02, 0.03]), np.array([0.4, 0.1, 0.6])

    def made(inputs):
        strong, read, thick = inputs[:2], inputs[2:4], inputs[4]
        return holds @ ((doses + read) * (1 + strong)) / 100 + base * (1 + thick)

    def told(inputs):
        calcium, magnesium, alkalinity = made(inputs)
        hardness = 100.086 * (calcium + magnesium)
        return np.array([hardness, 50.043 * alkalinity, magnesium / (calcium + magnesium)])

    standard = np.concatenate([strengths / 2, steps / 12**0.5, [0.05 / 3**0.5]])
    slopes = [(told(1e-6 * one) - told(-1e-6 * one)) / 2e-6 for one in np.eye(5)]
    by_hand = 2 * np.sqrt(((np.array(slopes).T * standard) ** 2).sum(axis=1))
    found = dosing_spread(
        *(holds, doses, strengths, steps), finished=100, reached=made(np.zeros(5)), from_base=base
    )

    stated = [found.hardness_mg_l_caco3, found.alkalinity_mg_l_caco3, found.mg_share]
    assert stated == pytest.approx(by_hand, rel=1e-4)


def test_where_no_metal_is_reached_its_share_is_beyond_doubt():
    none = np.zeros((3, 0)), np.zeros(0), np.zeros(0), np.zeros(0)
    found = dosing_spread(*none, finished=1, reached=np.zeros(3), from_base=np.zeros(3))

    assert (found.hardness_mg_l_caco3, found.mg_share) == (0, 0)


@pytest.mark.parametrize(("base", "name"), [(Water(), "pure water"), (HARD_TAP, "base water")])
def test_a_base_without_a_name_is_called_what_it_is(base, name):
    target = wanted(0.2, 400, 300)
    tank = weigh_out(target, [one.salt for one in THREE], volume_l=5, base=base)

    assert tank.base_parts == ((name, 5000.0),)
    assert mix(target, THREE, base=base, filling="added to").base_parts == ((name, 1000.0),)


def test_the_share_is_bounded_by_both_metals_moving_apart():
    """The largest Mg / (Ca + Mg) that 3 and 2 mmol/L reach when either moves by .3 and .1."""
    adds = np.diag([0.3, 0.1, 0.4])
    ends = [m / (m + c) for c in (2.7, 3.3) for m in (1.9, 2.1)]
    bound = rounding_bound(
        *(adds, np.full(3, 2.0)), finished=1, wanted=np.array([3.0, 2.0, 1.0]), left=np.zeros(3),
        made_up=True,
    )  # fmt: skip

    assert bound.hardness_mg_l_caco3 == pytest.approx(0.4 * 100.086)
    assert bound.alkalinity_mg_l_caco3 == pytest.approx(0.4 * 50.043)
    farthest = max(abs(end - 0.4) for end in ends)
    assert farthest <= bound.mg_share <= 1.2 * farthest


def test_a_thinned_base_is_counted_as_it_is_measured_whatever_the_volume():
    """20.06 % of 5 L are 1003 mL, measured as 1000: the tank is reckoned with these."""
    tap = StartWater(name="tap", base=Water.of_ions({"Ca": 1.2, "Cl": 2.4}), share_percent=20.06)
    tank = weigh_out(
        wanted(0.5, 80, 40), [one.salt for one in THREE], volume_l=5, base=tap, balance_g=1e-6
    )

    assert tank.base_parts == (("tap", 1000.0), ("pure water", 4000.0))
    assert tank.base.calcium_mmol_l == pytest.approx(1.2 / 5)
    # Half a step of 10 mL in 5 L, of 1.2 mmol/L of calcium.
    by_hand = 100.086 * 1.2 * 0.005 / 5
    assert tank.rounding.hardness_mg_l_caco3 == pytest.approx(by_hand, rel=0.1)
    tap = replace(tap, share_percent=20.46)  # 1023 mL, measured as 1020
    tank = weigh_out(wanted(0.5, 80, 40), [one.salt for one in THREE], volume_l=5, base=tap)
    assert tank.base.calcium_mmol_l == pytest.approx(1.2 * 1020 / 5000)
    tap = replace(tap, share_percent=20.06)
    jug = mix(
        wanted(0.5, 80, 40), THREE, volume_ml=5000, filling="added to", base=tap, pipette_ml=1e-6
    )
    assert jug.base.calcium_mmol_l == pytest.approx(1.2 / 5)
    assert jug.rounding.hardness_mg_l_caco3 == pytest.approx(by_hand, rel=0.2)


@pytest.mark.parametrize(("strength", "mended_ml"), [(1.0, 2000.0), (2.5, 5000.0)])
def test_coarse_doses_name_the_volume_that_mends_them(strength, mended_ml):
    """1 mg/L in a litre takes 1 mL of single strength: steps of 0.1 mL are 10 % of it, not 5."""
    (bottle,) = bottles("CaCl2·2H2O", strength=strength)
    water = mix(wanted(0, 1, 0), [bottle], volume_ml=1000)

    assert [dose.exact_ml for dose in water.coarse] == [pytest.approx(1 / strength)]
    assert water.mending_volume_ml == mended_ml
    assert mix(wanted(0, 1, 0), [bottle], volume_ml=mended_ml).mending_volume_ml is None


def test_bottles_too_thin_are_said_to_thin_the_base():
    (weak,) = bottles("CaCl2·2H2O", strength=0.1)
    with pytest.raises(DosingError, match="hold too little beside the base water"):
        mix(wanted(0, 130, 0), [weak], base=Water.of_ions({"Ca": 1.2, "Cl": 2.4}))


def test_impure_salt_needs_more_of_it():
    salts = [bottle.salt for bottle in THREE]
    pure = weigh_out(wanted(0, 80, 40), salts, volume_l=10)
    poor = weigh_out(wanted(0, 80, 40), salts, volume_l=10, purities={"CaCl2·2H2O": 0.9})
    ratio = poor.portions[0].exact_g / pure.portions[0].exact_g
    assert ratio == pytest.approx(1 / 0.9)


@pytest.mark.parametrize(
    ("make", "error", "sentence"),
    [
        (
            lambda: mix(wanted(0.5, 80, 40), THREE[:1]),
            DosingError,
            r"nothing there adds magnesium and alkalinity\. Add a bottle of MgCl2",
        ),
        (lambda: mix(wanted(0.5, 80, 40), []), DosingError, "at least one bottle"),
        (lambda: mix(wanted(0.5, 80, 40), THREE, volume_ml=0), DosingError, "volume_ml must be"),
        (lambda: mix(wanted(0.5, 80, 40), THREE, pipette_ml=-1), DosingError, "pipette_ml must"),
        (lambda: mix(wanted(0.5, 80, 40), THREE, balance_g=0), DosingError, "balance_g must"),
        (lambda: mix(wanted(0.5, 900, 400), THREE), DosingError, r"1\.3 times as strong"),
        (
            lambda: mix(wanted(0.5, 900, 400), THREE, filling="added to"),
            DosingError,
            r"too weak to be poured on top: .* 1300 mL of them. Make them more than 1\.3 times",
        ),
        (
            lambda: mix(wanted(0, 80, 40), bottles("CaCl2·2H2O"), filling="poured"),
            DosingError,
            "filling must be",
        ),
        (lambda: mix(wanted(0.5, 80, 40), FIVE, prefer="cheap"), DosingError, "prefer must be"),
        (
            lambda: mix(
                wanted(0, 80, 40), [Concentrate.of_strength(salt=salt_by_formula("Ca(HCO3)2"))]
            ),
            DosingError,
            r"the nearest they make is Ca:Mg all Ca \(Ca 48, Mg 0\), hardness 48",
        ),
        (
            lambda: mix(wanted(0.25, 80, 0), THREE, base=HARD_TAP),
            DosingError,
            "start from pure water",
        ),
        (
            lambda: weigh_out(wanted(0, 2000, 0), [salt("CaSO4·2H2O"), salt("KHCO3")], volume_l=1),
            DosingError,
            "more than the 2.55 g/L that dissolve",
        ),
        (lambda: weigh_out(wanted(0, 80, 0), [], volume_l=1), DosingError, "at least one salt"),
        (
            lambda: weigh_out(
                wanted(0, 80, 0), [salt("CaCl2·2H2O")], volume_l=1, purities={"KCl": 1}
            ),
            DosingError,
            "purities names 'KCl'",
        ),
        (
            lambda: weigh_out(
                wanted(0, 80, 0), [salt("CaCl2·2H2O")], volume_l=1, purities={"CaCl2·2H2O": 98}
            ),
            ConcentrateError,
            "give 98 % as 0.98",
        ),
    ],
)
def test_waters_out_of_reach_are_refused_with_a_sentence(make, error, sentence):
    with pytest.raises(error, match=sentence):
        make()


@pytest.mark.parametrize("filling", ["made up to", "added to"])
@pytest.mark.parametrize("strength", [0.05, 0.1, 0.15])
def test_bottles_weaker_than_the_water_are_called_weak_and_not_empty(strength, filling):
    """'Nothing there adds calcium' was said of a bottle of calcium: it held less than the base."""
    tap = Water.of_ions({"Ca": 1.0, "HCO3": 2.0})
    weak = bottles("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3", strength=strength)
    aim = wanted(0.1, 150, 120)
    with pytest.raises(DosingError, match="hold too little beside the") as refused:
        mix(aim, weak, base=tap, filling=filling)
    times = float(re.search(r"at least ([\d.]+) times as strong", str(refused.value))[1])
    stronger = bottles("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3", strength=times * strength)
    made = mix(aim, stronger, base=tap, filling=filling)
    assert made.reached.hardness_mg_l_caco3 == pytest.approx(150, abs=0.5)
    too_few = bottles("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3", strength=(times - 0.3) * strength)
    with pytest.raises(DosingError):
        mix(aim, too_few, base=tap, filling=filling)


def test_what_no_strength_mends_is_still_said_to_be_missing():
    tap = Water.of_ions({"Ca": 1.0, "HCO3": 2.0})
    with pytest.raises(DosingError, match="nothing there adds magnesium"):
        mix(wanted(0.1, 150, 120), bottles("CaCl2·2H2O", "KHCO3", strength=0.05), base=tap)


def test_a_water_that_may_cloud_is_found():
    """CaCl2 + KHCO3 at 100 and 100: calcite +0.4, metastable for days (IPhreeqc 3.8.6)."""
    (found,) = mix(wanted(0, 100, 100), THREE).clouding
    assert found.mineral == "calcite"
    assert found.index_closed == pytest.approx(0.4, abs=0.05)
    assert mix(wanted(0, 50, 20), THREE).clouding == ()


def test_nothing_wanted_is_the_base_alone():
    mixing = mix(wanted(0.5, 0, 0), THREE)
    assert mixing.base_ml == 1000
    assert mixing.reached == PURE_WATER
    assert Target.of_water(Water()).ca_mg_ratio_text == "no hardness"


def test_salts_at_the_table_are_the_salts_in_the_jug():
    """Hand calculation: 1 L of 80 mg/L as CaCO3 from CaCl2·2H2O takes 0.8 mmol, 117.5 mg."""
    tank = weigh_out(wanted(0, 80, 0), [salt("CaCl2·2H2O")], volume_l=1, balance_g=0.0001)
    assert tank.portions[0].mass_g == pytest.approx(80 / 100.086 * 147.008 / 1000, abs=1e-4)


def test_doses_stand_in_the_order_of_pouring():
    """Calcium and bicarbonate meet only in a full jug (common practice): what is alkaline last."""
    mixing = mix(wanted(0.25, 80, 40), THREE[::-1])
    assert [dose.concentrate.salt.label for dose in mixing.in_order][-1] == "KHCO3"
    assert len(mixing.in_order) == 3


@pytest.mark.parametrize("filling", ["made up to", "added to"])
def test_no_stronger_bottles_are_advised_where_the_base_holds_too_much(filling):
    """Weak bottles push the base out; stronger ones would leave its alkalinity above what is
    wanted, and were refused in their turn."""
    weak = bottles("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3", strength=0.2)
    soft = Water.of_ions({"Ca": 0.4, "Mg": 0.1, "Na": 0.3, "Cl": 0.3, "HCO3": 0.9, "SO4": 0.05})
    with pytest.raises(DosingError, match="alkalinity of 45 mg/L as CaCO3 lies above the 10"):
        mix(wanted(0.9, 193, 10), weak, base=soft, filling=filling)
