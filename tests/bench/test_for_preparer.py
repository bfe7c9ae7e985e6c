"""What the preparer gets: doses, totals, order of work, cautions, and which jug is which code."""

from __future__ import annotations

import re
from html import unescape

import pytest

from labkit.bench import bench_sheet, sweep_doses, weighing_sheet
from labkit.errors import SheetError, SweepError
from labkit.present import CAUTIONS, remarks
from labkit.tasting import ratio_sweep
from labkit.water import Concentrate, Water, plan_weighing, salt
from labkit.water.start import StartWater


def row_of(html, table, jug):
    body = html.split(f'<table class="{table}">')[1].split("</table>")[0]
    row = next(row for row in re.findall(r"<tr>(.*?)</tr>", body) if f">{jug}<" in row)
    return re.sub(r"<[^>]+>", " ", row).split()


def test_each_jug_gets_the_doses_of_its_water(fixed_opened, bottles):
    """By hand: strength 1 mg/L per mL in 1 L, so all-Ca 83 and 37 in 500 mL is 41.5 and 18.5 mL."""
    html = bench_sheet(fixed_opened, bottles, jug_volume_ml=500, lab_book="demo").html
    assert row_of(html, "doses", "J1.1")[:-1] == ["J1.1", "41.5", "–", "18.5", "440"]
    assert row_of(html, "doses", "J1.2")[:-1] == ["J1.2", "41.5", "–", "18.5", "440"]
    # 3:1 of 83 mg/L in 500 mL: 31.125 and 10.375 mL, to the 0.1 mL of the pipette.
    assert row_of(html, "doses", "J1.3")[:-1] == ["J1.3", "31.1", "10.4", "18.5", "440"]


def test_a_base_water_is_named_counted_and_thinned_before_it_is_dosed(fixed_opened, bottles):
    """By hand: half of 40.03 hardness and 20.02 alkalinity is 20 and 10 mg/L as CaCO3.

    All-Ca 83 and 37 in 500 mL, as above: 41.5 mL less what about 460 mL of base bring, 9.2 mL.
    """
    tap = Water.of_ions({"Ca": 0.4, "HCO3": 0.4, "Cl": 0.4})
    start = StartWater(name="tap, autumn", base=tap, share_percent=50)

    html = bench_sheet(fixed_opened, bottles, jug_volume_ml=500, start=start).html

    _, calcium, _, bicarbonate, base, conductivity = row_of(html, "doses", "J1.1")
    assert float(calcium) + float(base) * 0.020015 == pytest.approx(41.5, abs=0.06)
    assert float(bicarbonate) + float(base) * 0.01001 == pytest.approx(18.5, abs=0.06)
    assert "50 % tap, autumn + 50 % pure water: hardness 20 and alkalinity 10 mg/L" in html
    assert '<th scope="col">base blend</th>' in html
    # Three jugs of about 460 mL and a little more: 1.5 L, half of each.
    assert "<b>750 mL of tap, autumn with 750 mL of pure water</b>" in html
    plain = bench_sheet(fixed_opened, bottles, jug_volume_ml=500).html
    assert float(conductivity) == pytest.approx(float(row_of(plain, "doses", "J1.1")[-1]), rel=0.15)


def test_totals_of_every_bottle_and_of_the_base_water_are_the_sums(fixed_opened, bottles):
    html = bench_sheet(fixed_opened, bottles, jug_volume_ml=500).html
    total = re.sub(r"<[^>]+>", " ", html.split("<tfoot>")[1].split("</tfoot>")[0]).split()
    assert total == ["flight", "114.1", "10.4", "55.5", "1320"]


def test_expected_conductivity_stands_beside_the_doses(fixed_opened, bottles):
    """Limiting ionic conductivities (CRC Handbook, from memory) bound it: all-Ca 83 and 37.

    0.829 Ca at 119.0, 1.659 Cl at 76.3, 0.739 K at 73.5 and HCO3 at 44.5 S cm2/mol: 312 µS/cm if
    ions did not hinder each other; some percent less as they do.
    """
    html = bench_sheet(fixed_opened, bottles, jug_volume_ml=500).html
    expected = float(row_of(html, "doses", "J1.1")[-1])
    assert 0.90 * 312 < expected < 0.98 * 312


def test_only_bottles_that_are_dosed_are_listed_and_bicarbonate_goes_in_last(fixed_opened, bottles):
    spare = Concentrate.of_strength(salt=salt("NaHCO3"))
    shuffled = [bottles[2], spare, bottles[0], bottles[1]]
    html = bench_sheet(fixed_opened, shuffled, jug_volume_ml=500).html
    head = re.findall(r"<th scope=\"col\">(.*?)</th>", html.split('<table class="doses">')[1])
    used = [name for name in ("KHCO3", "NaHCO3") if name in head]
    assert len(used) == 1
    assert head[:5] == ["jug", "CaCl2·2H2O", "MgCl2·6H2O", used[0], "pure water"]


def test_the_sheet_says_whose_it_is_and_joins_jugs_to_codes(opened, bottles):
    html = bench_sheet(opened, bottles, jug_volume_ml=1000).html
    assert html.count("PREPARER ONLY") == len(opened)
    for row in (row for flight in opened for row in flight.rows):
        shown = row_of(html, "codes", row.jug)
        assert row.blind_code in shown
        assert row.water in shown


def test_a_duplicate_is_marked_to_be_mixed_anew(fixed_opened, bottles):
    html = bench_sheet(fixed_opened, bottles, jug_volume_ml=500).html
    assert "mix and brew separately" in " ".join(row_of(html, "codes", "J1.1"))
    assert "control" in row_of(html, "codes", "J1.3")
    assert "separately" not in row_of(html, "codes", "J1.2")


def test_cautions_stand_on_the_sheets_that_show_doses_and_masses(fixed_opened, bottles):
    bench = bench_sheet(fixed_opened, bottles, jug_volume_ml=500).html
    weighing = weighing_sheet(
        [plan_weighing(salt=bottle.salt, volume_ml=1000) for bottle in bottles]
    ).html
    for sheet, situation in ((bench, "mixing"), (weighing, "weighing")):
        for caution in CAUTIONS[situation]:
            assert caution in unescape(sheet)


def test_grams_are_the_common_practice_masses_to_the_balance(bottles):
    """1.469, 2.031 and 2.001 g/L for 1 mg/L as CaCO3 per mL (common practice, computed)."""
    fine = [plan_weighing(salt=bottle.salt, volume_ml=1000, balance_g=0.001) for bottle in bottles]
    html = weighing_sheet(fine).html
    assert re.findall(r'class="grams">([\d.]+)<', html) == ["1.469", "2.031", "2.001"]
    coarse = [plan_weighing(salt=bottle.salt, volume_ml=5000, balance_g=0.1) for bottle in bottles]
    html = weighing_sheet(coarse).html
    assert re.findall(r'class="grams">([\d.]+)<', html) == ["7.3", "10.2", "10.0"]
    for weighing in coarse:
        assert all(remark in unescape(html) for remark in remarks(weighing))
        assert weighing.salt.hazard[1:] in unescape(html)


def test_a_sheet_without_anything_to_weigh_is_refused():
    with pytest.raises(SheetError, match="weighings must hold at least one"):
        weighing_sheet([])


def test_a_sweep_table_pours_every_water_and_carries_the_cautions(bottles):
    """By hand: at 80 and 40 mg/L a quarter magnesium is 60, 20 and 40 mL in a litre."""
    sweep = ratio_sweep((0, 0.25, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    found = sweep_doses(sweep, bottles)
    frame = found.to_frame()
    columns = [f"{bottle.name}_ml" for bottle in bottles] + ["base_ml"]
    assert frame[columns].iloc[1].tolist() == pytest.approx([60, 20, 40, 880])
    html = unescape(found._repr_html_())
    assert all(caution in html for caution in CAUTIONS["mixing"])
    with pytest.raises(SweepError, match="cannot be made"):
        sweep_doses(sweep, bottles[1:])
