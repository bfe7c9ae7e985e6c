"""What a notebook shows of a result: whole pages, cautions in sight, nothing that runs."""

from labkit.present import CAUTIONS, table, to_html
from labkit.water import (
    DROP_KITS,
    PURE_WATER,
    SALTS,
    Concentrate,
    SharedBottle,
    WaterTable,
    expected_meter,
    mix,
    plan_weighing,
    portray,
    pure_water,
    read_analysis,
    salt,
    salt_by_formula,
    steel_guidance,
    strength_by_titration,
    weigh_out,
)
from labkit.water.jugs.readings import expected_drops
from tests.water.recipes import THREE, wanted
from tests.water.test_equilibrium import P04
from tests.water.test_supply import TAP


def shown():
    """One of every value that a notebook may show."""
    bottle = THREE[0]
    tested = strength_by_titration(
        bottle, reading_mg_l_caco3=90, step_mg_l_caco3=2, concentrate_ml=10, diluted_to_ml=100
    )
    target = wanted(0.25, 80, 40)
    return [
        *SALTS.values(),
        bottle,
        tested,
        plan_weighing(salt=salt("CaCl2·2H2O"), volume_ml=100),
        SharedBottle(parts=(THREE[0], THREE[1])),
        SharedBottle(parts=(THREE[1], THREE[2])),
        target,
        P04,
        pure_water(conductivity_25c_us_cm=20),
        read_analysis(TAP, name="tap"),
        mix(target, THREE),
        mix(target, THREE, balance_g=0.01, filling="added to"),
        weigh_out(target, [one.salt for one in THREE], volume_l=1),
        portray(P04),
        portray(PURE_WATER),
        expected_meter(P04, tds_factor=0.5),
        expected_drops(P04, "hardness", kit=DROP_KITS["1 °dH a drop in 5 mL"]),
        steel_guidance(57),
        WaterTable.of_waters([P04] * 20),
    ]


def test_no_page_says_a_bare_ppm():
    for value in shown():
        assert "ppm" not in to_html(value).lower(), type(value)


def test_every_page_is_whole_and_brings_no_style_of_its_own():
    for value in shown():
        html = to_html(value)
        for tag in ("table", "ul", "details", "tr", "td", "th"):
            assert html.count(f"<{tag}") - html.count("<thead") * (tag == "th") == html.count(
                f"</{tag}>"
            ), (type(value), tag)
        assert "<script" not in html
        assert "background" not in html


def test_what_a_user_types_is_escaped():
    evil = "<script>alert(1)</script>"
    own = salt_by_formula("MgCl2·2H2O", name=evil, hazard=evil)
    bottle = Concentrate(salt=own, strength_g_l=1.0, name=evil)
    pages = [
        to_html(own),
        to_html(bottle),
        to_html(mix(wanted(1, 50, 0), [bottle])),
        to_html(read_analysis(TAP, name=evil)),
        table(evil, (evil,), [(evil,)]),
    ]
    assert all("<script" not in page for page in pages)


def test_cautions_stand_beside_masses_doses_and_machines():
    target = wanted(0.25, 80, 40)
    weighing = to_html(plan_weighing(salt=salt("CaCl2·2H2O"), volume_ml=1000))
    tank = to_html(weigh_out(target, [one.salt for one in THREE], volume_l=10))
    mixing = to_html(mix(target, THREE))
    machine = to_html(portray(P04))
    for page, situation in (
        (weighing, "weighing"),
        (tank, "tank"),
        (mixing, "mixing"),
        (machine, "machine"),
    ):
        for sentence in CAUTIONS[situation]:
            assert sentence.replace("'", "&#x27;") in page
