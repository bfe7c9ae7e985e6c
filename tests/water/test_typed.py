"""Waters as the trade says them, read and written back."""

from __future__ import annotations

import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from labkit.errors import LabkitError, WaterError
from labkit.present import say
from labkit.water import (
    COORDINATES,
    PURE_WATER,
    SALTS,
    Target,
    Way,
    read_levels,
    read_numbers,
    read_salt_shares,
    read_shares,
    read_water,
    read_waters,
    weigh_out,
    write_water,
)

FIRST = {"mg_share": 0.5, "hardness_mg_l_caco3": 80.0, "alkalinity_mg_l_caco3": 40.0}


def levels(text, **otherwise):
    """Share, hardness and alkalinity of a water as typed."""
    target = read_water(text, otherwise=otherwise or None).target
    return tuple(getattr(target, name) for name in COORDINATES)


@pytest.mark.parametrize(
    ("typed", "share", "hardness", "alkalinity"),
    [
        ("Ca 60, Mg 40, alk 15", 0.4, 100, 15),
        ("alk 15; 40 Mg; 60 Ca", 0.4, 100, 15),
        ("60 Ca 40 Mg 15 alk", 0.4, 100, 15),
        ("calcium=60 magnesium=40 KH=15", 0.4, 100, 15),
        ("ca 60 mg 40 alk 15", 0.4, 100, 15),
        ("1:3 at 100, alk 15", 0.75, 100, 15),
        ("1:3 at 100, 15", 0.75, 100, 15),
        ("alk 15, 1:3 at 100", 0.75, 100, 15),
        ("Mg:Ca 3:1 at 100, alk 15", 0.75, 100, 15),
        ("1:3 100 alk 15", 0.75, 100, 15),
        ("3:1 80 40", 0.25, 80, 40),
        ("Mg share 0.6, 80, 40", 0.6, 80, 40),
        ("Mg share 60 %, hardness 80, alk 40", 0.6, 80, 40),
        ("0.35 140 55", 0.35, 140, 55),
        ("all Ca at 80, alk 10", 0.0, 80, 10),
        ("Ca 60, hardness 100, alk 15", 0.4, 100, 15),
        ("Ca 25, 1:3, alk 15", 0.75, 100, 15),
        ("1:2,2 at 80, alk 12,5", 2.2 / 3.2, 80, 12.5),
        ("Ca 60,5; Mg 39,5; alk 15", 0.395, 100, 15),
        # The standards' own factors, from memory: 10 mg/L CaO (DIN 38409-6), 10 mg/L CaCO3.
        ("1:1 at 1 °dH, alk 1 °dH", 0.5, 17.848, 17.848),
        ("1:1 at 1 °fH, alk 1 °fH", 0.5, 10.0, 10.0),
        ("1:1 at 1 mmol/L, alk 1 mmol/L", 0.5, 100.086, 50.043),
        # Standard Methods 2340 B: 2.497 Ca + 4.118 Mg, in mg/L of the ions.
        ("Ca 24 mg/L Ca, Mg 10 as Mg, alk 0 mg/L as CaCO3", 0.4073, 59.928 + 41.18, 0),
        # A laboratory's 61.016 mg/L of bicarbonate is a meq/L.
        ("1:1 at 50 mg/L, HCO3 61.016 mg/L", 0.5, 50, 50.043),
    ],
)
def test_a_water_is_read_in_each_way(typed, share, hardness, alkalinity):
    assert levels(typed) == pytest.approx((share, hardness, alkalinity), rel=2e-4)


def test_grams_weighed_make_the_water_that_weigh_out_weighs_for():
    """And 0.118 g of calcium chloride dihydrate is 0.118 / 147.01 mol, times 100.09."""
    typed = "CaCl2·2H2O 0.118 g, MgSO4·7H2O 0.197 g, NaHCO3 0.067 g in 1 L"
    share, hardness, alkalinity = levels(typed)

    assert (1 - share) * hardness == pytest.approx(118 / 147.008 * 100.086, rel=1e-4)
    assert share * hardness == pytest.approx(197 / 246.466 * 100.086, rel=1e-4)
    assert alkalinity == pytest.approx(67 / 84.006 * 50.043, rel=1e-4)
    salts = [SALTS[label] for label in ("CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3")]
    tank = weigh_out(read_water(typed).target, salts, volume_l=1.0, base=PURE_WATER)
    assert [one.exact_g for one in tank.portions] == pytest.approx([0.118, 0.197, 0.067])
    for same in (
        "NaHCO3 0,335 g; CaCl2.2H2O 0,59 g; MgSO4.7H2O 0,985 g in 5 L",
        "0.118 g/L CaCl2·2H2O, 0.197 g/L MgSO4·7H2O, 67 mg of sodium bicarbonate per litre",
    ):
        assert levels(same) == pytest.approx((share, hardness, alkalinity))


@pytest.mark.parametrize(
    ("typed", "both"),
    [
        ("3:1 80,40", ("hardness 80.4", "hardness 80, alkalinity 40")),
        ("Ca 1,000 Mg 40", ("Ca 1,", "Ca 1000,")),
        ("60 40 15", ("as Ca and Mg", "Mg share, hardness and alkalinity")),
        ("80 40", ("as Ca and Mg", "hardness and alkalinity")),
        ("Ca 24 mg/L, Mg 10 mg/L of Mg", ("24 mg/L as CaCO3", "59.9 as CaCO3")),
        ("1:1 at 80, alk 61 mg/L", ("61 mg/L as CaCO3", "50 as CaCO3")),
        ("1:1 at 80, HCO3 61", ("50 as CaCO3", "61 as CaCO3")),
        ("hardness 80, alk 2 °dH", ("mg/L as CaCO3", "°dH")),
        ("Ca 60, alk 15", ("there may be none", "left out")),
    ],
)
def test_what_can_be_read_in_two_ways_is_refused_and_both_are_said(typed, both):
    with pytest.raises(WaterError) as refused:
        read_water(typed, otherwise=FIRST, field="include")

    assert refused.value.field == "include"
    assert all(one in str(refused.value) for one in both)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("", "got nothing"),
        ("hello", "'hello'"),
        (",", "got ','"),
        ("Ca -5", "'-5'"),
        ("Ca 1500, Mg 1500, alk 1", "got 3000"),
        ("Ca 60, Mg 40, hardness 120", "hardness 120, but its Ca and Mg make 100"),
        ("Ca 60, hardness 40, alk 3", "less than its Ca of 60"),
        ("Ca 60, Ca 30, Mg 3", "must say what each number is"),
        ("Mg share 60, 80, 40", "between 0 and 1"),
        ("0:0 at 80", "0:0"),
        ("Ca 60 °C", "'°C'"),
        ("1:1 at 9000", "between 0 and 2000"),
        ("CaCl2 0.1 g in 1 L", "hydrate"),
        ("sugar 3 g in 1 L", "not in the table"),
        ("CaCl2·2H2O 0.1 g", "how much water"),
        ("NaHCO3 200 g in 1 L", "dissolve"),
        ("x" * 400, "at most 300"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(typed, says):
    with pytest.raises(WaterError, match="water") as refused:
        read_water(typed, otherwise=FIRST)

    assert says in str(refused.value)
    assert refused.value.field == "water"


def test_what_was_not_said_is_taken_only_where_it_is_offered_and_said():
    read = read_water("hardness 5 °dH, alk 2 °dH", otherwise={"mg_share": 0.25})

    assert read.taken == ("mg_share",)
    assert read.target.mg_share == 0.25
    assert "Ca:Mg was not said: 3:1 is taken" in say(read)
    assert say(read_water("3:1 80 40")) == ""
    with pytest.raises(WaterError, match="must say its alkalinity"):
        read_water("3:1 at 80")


def test_what_labkit_says_of_a_water_is_read_back():
    wanted = Target(mg_share=5 / 16, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)

    assert levels(say(wanted)) == pytest.approx((5 / 16, 80, 40))


WATERS = st.builds(
    Target,
    mg_share=st.floats(0, 1).map(lambda share: round(share, 4)),
    hardness_mg_l_caco3=st.floats(5, 1999),  # the highest may not be exceeded by rounding
    alkalinity_mg_l_caco3=st.floats(0, 1999).map(lambda level: round(level, 3)),
)


@pytest.mark.parametrize("way", list(Way))
@given(water=WATERS)
def test_a_water_said_and_read_is_the_same(way, water):
    """To the half of the last of five digits."""
    typed = read_water(write_water(water, way))
    read = typed.target

    assert typed.way is way
    assert read.hardness_mg_l_caco3 == pytest.approx(water.hardness_mg_l_caco3, rel=2e-4)
    assert read.mg_share == pytest.approx(water.mg_share, abs=1e-4)
    assert read.alkalinity_mg_l_caco3 == pytest.approx(
        water.alkalinity_mg_l_caco3, rel=2e-4, abs=1e-6
    )


@given(water=WATERS, way=st.sampled_from([Way.CA_MG, Way.IONS, Way.MMOL]), order=st.randoms())
def test_the_order_is_free_and_a_decimal_comma_is_one(water, way, order):
    parts = write_water(water, way).split(", ")
    order.shuffle(parts)

    assert read_water("; ".join(parts)) == read_water(write_water(water, way))
    if way is Way.MMOL:  # a unit behind each number leaves its comma one meaning
        commas = "; ".join(parts).replace(".", ",")
        assert read_water(commas) == read_water(write_water(water, way))


PIECES = re.split(
    r"\|",
    "Ca|Mg|alk|hardness|Mg share|1:3|3:1|60|0,5|1,000|0.4|,|;|at|°dH|mg/L|as CaCO3|mmol/L|%|g|"
    "in 1 L|CaCl2·2H2O|all Ca|:|=|HCO3|(|and|of Ca|Ca:Mg",
)


@given(
    typed=st.one_of(
        st.text(max_size=40),
        st.lists(st.sampled_from(PIECES), max_size=12).map(" ".join),
        st.none(),
        st.integers(),
    )
)
@example("1:0, " * 50)
@example("3 Ca " * 50)
def test_nonsense_is_one_sentence_with_its_field_and_never_another_error(typed):
    for read in (read_water, read_waters, read_shares, read_levels, read_numbers):
        refused = None
        try:
            read(typed, field="typed")
        except LabkitError as error:
            refused = error
        assert refused is None or refused.field == "typed"
        assert refused is None or "typed" in str(refused)


@pytest.mark.parametrize(
    ("typed", "shares"),
    [
        ("3:1 1:1 1:3", (0.25, 0.5, 0.75)),
        ("3:1, 1:1, 1:3", (0.25, 0.5, 0.75)),
        ("3:1,1:1,1:3", (0.25, 0.5, 0.75)),
        ("all Ca, 1:1, all Mg", (0.0, 0.5, 1.0)),
        ("Mg:Ca 3:1 1:1", (0.75, 0.5)),
        ("0 0.25 0.5 0.75 1", (0, 0.25, 0.5, 0.75, 1)),
        ("0,25 0,5", (0.25, 0.5)),
        ("25 % 50 %", (0.25, 0.5)),
        ("1:2,2", (0.6875,)),
        ("", ()),
    ],
)
def test_a_sweep_may_be_typed_in_ratios(typed, shares):
    assert read_shares(typed) == pytest.approx(shares)


def test_levels_of_a_sweep_may_have_a_unit():
    assert read_levels("40 80, 120") == (40, 80, 120)
    assert read_levels("2 4 °dH") == pytest.approx((35.696, 71.392), abs=0.001)
    assert read_levels("0.5 1 mmol/L", "alkalinity") == pytest.approx((25.02, 50.04), abs=0.01)
    assert read_numbers("0; 0.5,1  0.25", "mg_share") == (0, 0.5, 1, 0.25)


@pytest.mark.parametrize(
    ("read", "typed", "says"),
    [
        (read_shares, "0,1", "as 0.1, or as 0 and 1"),
        (read_shares, "half", "must be ratios"),
        (read_shares, "3", "must be ratios"),
        (read_levels, "40,80", "as 40.8, or as 40 and 80"),
        (read_levels, "soft", "must be numbers"),
        (read_levels, "5 °dH 80", "must be numbers"),
    ],
)
def test_a_sweep_that_cannot_be_read_is_a_sentence(read, typed, says):
    with pytest.raises(WaterError, match="levels") as refused:
        read(typed, field="levels")

    assert says in str(refused.value)


@pytest.mark.parametrize(
    ("typed", "shares"),
    [
        ("Ca 40, Mg 40, alk 40, all sulfate", {"sulfate_share": 1}),
        ("1:1 at 80, alk 40, all Chloride, all K", {"sulfate_share": 0, "potassium_share": 1}),
        ("1:1 at 80, alk 40, 50 % sulphate", {"sulfate_share": 0.5}),
        ("1:1 at 80, alk 40, sulfate 12,5 %", {"sulfate_share": 0.125}),
        ("25 % of potassium; 1:1 at 80, alk 40", {"potassium_share": 0.25}),
        ("1:1 at 80, alk 40, sodium share 0.25", {"potassium_share": 0.75}),
        ("Mg 40 %, 80, 40, all SO4", {"sulfate_share": 1}),
        ("1:1 at 80, alk 40", {}),
        ("1:1, GH 80, KH 40", {}),  # KH is no potassium
    ],
)
def test_the_salts_of_a_water_are_read_and_written_back(typed, shares):
    read = read_water(typed)

    assert read.target.salt_shares == pytest.approx(shares)
    for way in Way:
        again = read_water(write_water(read.target, way)).target
        assert again.salt_shares == pytest.approx(shares)


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ("1:1 at 80, alk 40, sulfate 50", r"sulfate without its share.*all sulfate, or 50 %"),
        ("1:1 at 80, alk 40, sodium", "sodium without its share"),
        ("1:1 at 80, alk 40, 150 % sulfate", "between 0 and 1"),
        ("1:1 at 80, alk 40, all sulfate, 50 % chloride", "sulfate share twice"),
    ],
)
def test_salts_that_say_too_little_or_too_much_are_refused(typed, why):
    with pytest.raises(WaterError, match=why) as refused:
        read_water(typed)
    assert refused.value.field == "water"


@pytest.mark.parametrize(
    ("typed", "name", "shares"),
    [
        ("all chloride, 50 %, all sulfate", "sulfate_share", (0, 0.5, 1)),
        ("all chloride 50% all sulfate", "sulfate_share", (0, 0.5, 1)),
        ("0 0.25 1", "potassium_share", (0, 0.25, 1)),
        ("0,25 0,5", "potassium_share", (0.25, 0.5)),
        ("all sodium, 30 % potassium, potassium 60 %", "potassium_share", (0, 0.3, 0.6)),
        ("", "sulfate_share", ()),
    ],
)
def test_levels_of_a_share_are_read_as_they_are_said(typed, name, shares):
    assert read_salt_shares(typed, name) == pytest.approx(shares)


@pytest.mark.parametrize("typed", ["0 50 100", "all sodium", "half", "1.5", "all sulfate, Ca"])
def test_what_is_no_share_of_sulfate_is_refused(typed):
    with pytest.raises(WaterError, match=r"all chloride.*all sulfate") as refused:
        read_salt_shares(typed, "sulfate_share")
    assert refused.value.field == "sulfate_share"
