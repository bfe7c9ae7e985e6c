"""Each sentence about a jug that was read, once."""

import pytest

from labkit.present import say, to_html
from labkit.water import (
    PURE_WATER,
    DropCount,
    Kind,
    MeterReading,
    Mistake,
    NextCheck,
    OtherUnit,
    Target,
    check_jug,
    mix,
)
from tests.water.test_slips import BOTTLES, JUG, KIT, by_hand, dose, reading


@pytest.mark.parametrize(
    ("mistake", "said"),
    [
        (dose(Kind.DOUBLED, "calcium", 60), "60 mL of calcium doubled"),
        (dose(Kind.SKIPPED, "KHCO3", 40), "40 mL of KHCO3 skipped"),
        (dose(Kind.OTHER_BOTTLE, "Mg", 20, "Ca"), "20 mL taken from Ca instead of Mg"),
        (
            Mistake(kind=Kind.EXCHANGED, source="Ca", other="Mg"),
            "the doses of Ca and Mg exchanged",
        ),
        (Mistake(kind=Kind.OTHER_BASE, other="tap"), "filled up with tap"),
        (
            Mistake(kind=Kind.OTHER_VOLUME, times=2),
            "all doses doubled, as for twice the volume",
        ),
        (
            Mistake(kind=Kind.OTHER_VOLUME, times=0.5),
            "all doses halved, as for half the volume",
        ),
        (Mistake(kind=Kind.OTHER_VOLUME, times=0.2, volume_l=1), "the doses for 1 L taken"),
    ],
)
def test_each_slip_in_words(mistake, said):
    assert say(mistake) == said


@pytest.mark.parametrize(
    ("check", "said"),
    [
        (NextCheck(quantity=None), "No meter or drop test here tells these apart."),
        (NextCheck(quantity="conductivity"), "To tell these apart, take the conductivity."),
        (
            NextCheck(quantity="hardness", sample_ml=20.0, mg_l_caco3_per_drop=5.0),
            "To tell these apart, take a drop test of hardness in a sample of 20 mL, where a drop "
            "is 5 mg/L as CaCO3.",
        ),
    ],
)
def test_what_to_measure_next(check, said):
    assert say(check) == said


def test_another_unit_of_the_meter():
    assert "0.25 mS/cm are 250 µS/cm" in say(OtherUnit(shown=0.25, tds_factor=None))
    assert "with a factor of 0.70 the reading" in say(OtherUnit(shown=175, tds_factor=0.7))


def test_a_right_jug_is_said_to_be_right_with_what_is_not_excluded():
    said = say(check_jug(JUG, [reading(JUG.reached)]))
    assert said.startswith("The jug reads as the recipe says it should. These readings cannot")
    nothing = Target(mg_share=0, hardness_mg_l_caco3=0, alkalinity_mg_l_caco3=0)
    found = check_jug(mix(nothing, BOTTLES), [MeterReading(shown=0)])
    assert say(found) == "The jug reads as the recipe says it should."


def test_how_a_jug_went_wrong_is_said_as_surely_as_it_is_known():
    one = mix(Target(mg_share=0, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=0), BOTTLES[:1])
    sure = say(check_jug(one, [MeterReading(shown=1)]))
    assert "One single slip explains it: 80 mL of CaCl2·2H2O skipped." in sure
    assert sure.endswith("Pour it away and mix again.")

    equal = mix(Target(mg_share=0.5, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40), BOTTLES)
    several = say(check_jug(equal, [reading(by_hand(80, 40, 40))]))
    assert "explain it about equally well" in several

    assert "no single slip explains it, nor do two" in say(
        check_jug(JUG, [MeterReading(shown=2000)])
    )

    drops = [
        DropCount(quantity=what, kit=KIT, sample_ml=10, drops=drops)
        for what, drops in (("hardness", 14), ("alkalinity", 0))
    ]
    two = say(check_jug(JUG, [reading(by_hand(120, 20, 0)), *drops]))
    assert "no single slip explains it. Two at once do: " in two
    assert "60 mL of CaCl2·2H2O doubled, and 40 mL of KHCO3 skipped" in two


def test_a_right_jug_read_in_another_unit_is_not_poured_away_unasked():
    said = say(check_jug(JUG, [MeterReading(shown=0.5 * reading(JUG.reached).shown)]))
    assert "TDS in mg/L or ppm" in said
    assert said.endswith("If it does not, pour the jug away and mix again.") or (
        "If it does not, pour the jug away and mix again. " in said
    )


def test_the_readings_stand_above_what_fits_them_in_the_same_units():
    """Four drops of 20 mg/L in twice the kit's sample: 40 mg/L as CaCO3."""
    checks = [
        MeterReading(shown=100, tds_factor=0.5),
        DropCount(quantity="alkalinity", kit=KIT, sample_ml=10, drops=4),
    ]
    shown = to_html(check_jug(JUG, checks))
    read = shown[shown.index("what you read") :]
    cells = [cell.split("<")[0] for cell in read.split(';white-space:nowrap">')[1:4]]
    assert cells == ["200", "", "40"]


def test_each_slip_stands_with_its_odds_and_the_jug_as_meant_without():
    equal = mix(Target(mg_share=0.5, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40), BOTTLES)
    found = check_jug(equal, [reading(by_hand(80, 40, 40))])
    shown = to_html(found)
    rows = {
        row.split('font-weight:normal">')[1].split("<")[0]: row.rsplit("</td>", 1)[0].split(">")[-1]
        for row in shown.split("<tr>")
        if 'font-weight:normal">' in row
    }
    assert rows["as the recipe says"] == ""
    first = found.slips[0]
    assert rows[say(first)] == f"{100 * first.odds:.0f} %"


def test_pure_water_read_in_pure_water_has_no_share_of_nothing():
    nothing = Target(mg_share=0, hardness_mg_l_caco3=0, alkalinity_mg_l_caco3=0)
    jug = mix(nothing, BOTTLES)
    assert jug.reached == PURE_WATER
    assert "is still off" not in say(check_jug(jug, [MeterReading(shown=1)]))
