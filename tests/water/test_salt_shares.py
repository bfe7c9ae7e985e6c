"""Waters of the same hardness and alkalinity from other salts.

Expected doses are worked by hand: molar masses from the IUPAC standard atomic weights (abridged
values of 2021: Ca 40.078, Mg 24.305, Na 22.990, K 39.098, Cl 35.45, S 32.06, O 15.999, C 12.011,
H 1.0080), and charges that must balance.
"""

from itertools import pairwise

import numpy as np
import pytest

from labkit.errors import ConcentrateError, DosingError
from labkit.water import (
    PURE_WATER,
    Concentrate,
    StartWater,
    Target,
    Water,
    mix,
    salt,
    thinned_for,
    weigh_out,
    within_reach,
)

CA, MG, NA, K, CL, SULFUR, OXYGEN, C, H = (
    40.078,
    24.305,
    22.990,
    39.098,
    35.45,
    32.06,
    15.999,
    12.011,
    1.0080,
)
SO4, HCO3, H2O, CACO3 = SULFUR + 4 * OXYGEN, H + C + 3 * OXYGEN, 2 * H + OXYGEN, CA + C + 3 * OXYGEN


def bottles(*labels):
    """A millilitre in a litre adds 1 mg/L as CaCO3."""
    return [
        Concentrate.of_strength(salt=salt(one), strength_mg_l_caco3_per_ml=1.0) for one in labels
    ]


ALL = ("CaCl2·2H2O", "MgCl2·6H2O", "CaSO4·2H2O", "MgSO4·7H2O", "NaHCO3", "KHCO3")


def wanted(sulfate=None, potassium=None, **others):
    levels = {"mg_share": 0.5, "hardness_mg_l_caco3": 80, "alkalinity_mg_l_caco3": 40} | others
    return Target(**levels, sulfate_share=sulfate, potassium_share=potassium)


@pytest.mark.parametrize("sulfate", [0, 0.25, 0.5, 0.8, 1])
@pytest.mark.parametrize("potassium", [0, 0.5, 1])
def test_only_the_salts_differ_and_the_charges_balance(sulfate, potassium):
    mixing = mix(wanted(sulfate, potassium), bottles(*ALL), pipette_ml=0.01)

    meq = mixing.reached.ions_meq_l
    # 40 mg/L of each as CaCO3, a millimole being 100.086 mg: 2 x 0.3997 meq/L of each metal.
    each = 2 * 40 / CACO3
    assert meq["Ca"] == pytest.approx(each, rel=1e-3)
    assert meq["Mg"] == pytest.approx(each, rel=1e-3)
    assert meq["HCO3"] == pytest.approx(each, rel=1e-3)
    # What balances them: sodium and potassium as much as bicarbonate, anions as much as metals.
    assert meq.get("Na", 0) == pytest.approx(each * (1 - potassium), abs=1e-3)
    assert meq.get("K", 0) == pytest.approx(each * potassium, abs=1e-3)
    assert meq.get("SO4", 0) == pytest.approx(2 * each * sulfate, abs=1e-3)
    assert meq.get("Cl", 0) == pytest.approx(2 * each * (1 - sulfate), abs=1e-3)
    assert mixing.reached.charge_balance_meq_l == pytest.approx(0, abs=1e-9)


def test_the_grams_are_those_of_stoichiometry():
    tank = weigh_out(wanted(1, 1), [salt(one) for one in ALL], volume_l=100, balance_g=0.001)
    mmol = 100 * 40 / CACO3  # of calcium, and of magnesium, in 100 L
    expected = {
        "CaSO4·2H2O": mmol * (CA + SO4 + 2 * H2O) / 1000,
        "MgSO4·7H2O": mmol * (MG + SO4 + 7 * H2O) / 1000,
        "KHCO3": 2 * mmol * (K + HCO3) / 1000,
    }

    weighed = {one.salt.label: one.mass_g for one in tank.portions if one.mass_g}

    assert weighed == pytest.approx(expected, rel=3e-4)


def test_sodium_and_chloride_do_not_come_with_the_experiment_where_it_can_be_done_without():
    """A sweep of anions by sodium sulfate would be one of sodium too."""
    have = bottles(*ALL)
    have += [Concentrate(salt=salt(one), strength_g_l=1.0) for one in ("Na2SO4 anhydrous", "NaCl")]

    sodium = [mix(wanted(share, 0), have).reached.ions_mg_l["Na"] for share in (0, 0.3, 0.6, 1)]

    assert np.ptp(sodium) < 0.05
    # Without a sulfate of calcium or magnesium there is no other way, and it is gone.
    less = [one for one in have if one.name not in ("CaSO4·2H2O", "MgSO4·7H2O")]
    forced = mix(wanted(0.5, 0), less).reached
    assert forced.salt_shares["sulfate_share"] == pytest.approx(0.5, abs=0.005)
    assert forced.ions_mg_l["Na"] > 2 * sodium[0]


@pytest.mark.parametrize("filling", ["made up to", "added to"])
def test_the_ions_of_the_base_count(filling):
    tap = Water.of_ions({"Ca": 0.2, "Mg": 0.1, "Na": 0.3, "HCO3": 0.5, "Cl": 0.2, "SO4": 0.1})

    reached = mix(
        wanted(0.4, 0.5), bottles(*ALL), base=tap, filling=filling, pipette_ml=0.01
    ).reached

    assert reached.salt_shares == pytest.approx(
        {"sulfate_share": 0.4, "potassium_share": 0.5}, abs=0.002
    )
    assert reached.hardness_mg_l_caco3 == pytest.approx(80, abs=0.1)
    assert reached.alkalinity_mg_l_caco3 == pytest.approx(40, abs=0.1)


@pytest.mark.parametrize(
    ("have", "target", "nearest", "bring"),
    [
        # All magnesium as sulfate is half of the anions; calcium's half is missing.
        (("CaCl2·2H2O", "MgCl2·6H2O", "MgSO4·7H2O", "NaHCO3"), wanted(1), 0.5, "CaSO4·2H2O"),
        (("CaCl2·2H2O", "MgCl2·6H2O", "NaHCO3"), wanted(0.5), 0.0, "MgSO4·7H2O"),
        (("CaSO4·2H2O", "MgSO4·7H2O", "NaHCO3"), wanted(0.25), 1.0, "CaCl2·2H2O"),
        (("CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3"), wanted(0.25), 0.5, "MgCl2·6H2O"),
        (("CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3"), wanted(None, 1), 0.0, "KHCO3"),
        (("CaCl2·2H2O", "MgSO4·7H2O", "KHCO3"), wanted(0.5, 0.5), 1.0, "NaHCO3"),
    ],
)
def test_salts_out_of_reach_are_refused_with_the_nearest_share_and_the_bottle(
    have, target, nearest, bring
):
    with pytest.raises(DosingError) as refused:
        mix(target, bottles(*have))

    assert f"({nearest:.2f})" in str(refused.value)
    assert bring in str(refused.value)
    assert refused.value.field in target.salt_shares
    asked = {refused.value.field: nearest}
    mix(
        wanted(**{name.removesuffix("_share"): share for name, share in asked.items()}),
        bottles(*have),
    )  # what is said to be in reach is


def test_a_salt_that_is_there_is_not_asked_for_again():
    """Sulfate comes with magnesium already; calcium's half is missing."""
    with pytest.raises(DosingError, match="add a bottle of CaSO4·2H2O") as refused:
        mix(wanted(1), bottles("CaCl2·2H2O", "MgCl2·6H2O", "MgSO4·7H2O", "NaHCO3"))

    assert "of MgSO4" not in str(refused.value).partition("add a bottle")[2]


def test_a_base_with_chloride_is_thinned_for_a_water_of_sulfate():
    tap = StartWater(name="tap", base=Water.of_ions({"Ca": 0.3, "Na": 0.2, "Cl": 0.8}))
    target = wanted(0.9)

    with pytest.raises(DosingError, match="start from pure water"):
        mix(target, bottles(*ALL), base=tap)
    thinned = thinned_for([target], bottles(*ALL), start=tap)

    assert thinned is not None
    assert 0 < thinned.share_percent < 100
    share = mix(target, bottles(*ALL), base=thinned, pipette_ml=0.01).reached.salt_shares
    assert share["sulfate_share"] == pytest.approx(0.9, abs=0.003)


def test_a_share_of_nothing_is_refused():
    with pytest.raises(DosingError, match="neither chloride nor sulfate"):
        mix(wanted(0.5, hardness_mg_l_caco3=0), bottles("KHCO3", "MgSO4·7H2O"))


def test_the_nearest_share_is_offered_where_salts_are_chosen_for_a_card():
    found = within_reach(wanted(1), [salt("CaCl2·2H2O"), salt("MgSO4·7H2O"), salt("KHCO3")])

    assert not found.is_exact
    assert found.target.sulfate_share == pytest.approx(0.5)
    assert within_reach(wanted(0.5), [salt(one) for one in ALL]).is_exact


def test_gypsum_is_dosed_from_a_weak_bottle_and_refused_a_strong_one():
    """0.202 g of CaSO4 in 100 g of solution at 20 °C (CRC Handbook) is 2.55 g/L of gypsum: a bottle
    of 1 mg/L as CaCO3 a mL holds 1.72 g/L of it, one of twice the strength cannot be made."""
    (weak,) = bottles("CaSO4·2H2O")
    assert weak.strength_g_l == pytest.approx((CA + SO4 + 2 * H2O) / CACO3, rel=1e-4)
    with pytest.raises(ConcentrateError, match=r"at most 2\.55 for CaSO4·2H2O"):
        Concentrate.of_strength(salt=salt("CaSO4·2H2O"), strength_mg_l_caco3_per_ml=2.0)


def test_every_share_of_a_reachable_range_is_reached():
    """The range comes from two linear programmes; every dosing within it from others."""
    have = bottles("CaCl2·2H2O", "MgCl2·6H2O", "MgSO4·7H2O", "KHCO3")
    with pytest.raises(DosingError, match=r"0\.00 to 0\.30") as refused:
        mix(wanted(0.9, mg_share=0.3), have)
    assert refused.value.field == "sulfate_share"
    got = [
        mix(wanted(share, mg_share=0.3), have, pipette_ml=0.01).reached.salt_shares["sulfate_share"]
        for share in np.linspace(0, 0.3, 7)
    ]
    assert got == pytest.approx(np.linspace(0, 0.3, 7), abs=0.001)
    assert all(later > earlier for earlier, later in pairwise(got))
    assert PURE_WATER.salt_shares == {}
