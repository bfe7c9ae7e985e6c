"""What the preparer gets: doses, totals, order of work, cautions, and which jug is which code."""

from __future__ import annotations

import re
from html import unescape

import pytest

from labkit.bench import bench_sheet, weighing_sheet
from labkit.bench.for_preparer import jug_table, to_step
from labkit.errors import DosingError, SheetError
from labkit.water import CAUTIONS, Concentrate, salt


def row_of(html, table, jug):
    body = html.split(f'<table class="{table}">')[1].split("</table>")[0]
    row = next(row for row in re.findall(r"<tr>(.*?)</tr>", body) if f">{jug}<" in row)
    return re.sub(r"<[^>]+>", " ", row).split()


def test_each_jug_gets_the_doses_of_its_water(fixed_opened, bottles):
    """By hand: strength 1 mg/L per mL in 1 L, so all-Ca 83 and 37 in 500 mL is 41.5 and 18.5 mL."""
    html = bench_sheet(fixed_opened, bottles, jug_volume_ml=500, lab_book="demo").html
    assert row_of(html, "doses", "J1.1") == ["J1.1", "41.5", "–", "18.5", "440"]
    assert row_of(html, "doses", "J1.2") == ["J1.2", "41.5", "–", "18.5", "440"]
    # 3:1 of 83 mg/L in 500 mL: 31.125 and 10.375 mL, to the 0.1 mL of the pipette.
    assert row_of(html, "doses", "J1.3") == ["J1.3", "31.1", "10.4", "18.5", "440"]


def test_totals_of_every_bottle_and_of_the_base_water_are_the_sums(fixed_opened, bottles):
    html = bench_sheet(fixed_opened, bottles, jug_volume_ml=500).html
    total = re.sub(r"<[^>]+>", " ", html.split("<tfoot>")[1].split("</tfoot>")[0]).split()
    assert total == ["flight", "114.1", "10.4", "55.5", "1320"]


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
    assert " ".join(row_of(html, "codes", "J1.1")).endswith("mix and brew anew")
    assert row_of(html, "codes", "J1.3")[-1] == "control"
    assert "anew" not in row_of(html, "codes", "J1.2")


def test_cautions_stand_on_the_sheets_that_show_doses_and_masses(fixed_opened, bottles):
    bench = bench_sheet(fixed_opened, bottles, jug_volume_ml=500).html
    weighing = weighing_sheet(bottles).html
    for sheet, situation in ((bench, "mixing"), (weighing, "weighing")):
        for caution in CAUTIONS[situation]:
            assert caution in unescape(sheet)


def test_a_water_out_of_reach_is_refused(fixed_opened, bottles):
    with pytest.raises(DosingError):
        bench_sheet(fixed_opened, bottles[1:], jug_volume_ml=500)


def test_flights_of_two_sessions_do_not_share_a_sheet(fixed_opened, bottles):
    from dataclasses import replace

    other = replace(fixed_opened[0], session="Friday")
    with pytest.raises(SheetError, match="one session, got Friday, Tuesday bench"):
        bench_sheet([*fixed_opened, other], bottles, jug_volume_ml=500)
    with pytest.raises(SheetError, match="got none"):
        bench_sheet([], bottles, jug_volume_ml=500)


def test_jug_table_has_a_row_a_jug_and_all_its_codes(opened, bottles):
    jugs = jug_table(opened, bottles, jug_volume_ml=1000)
    codes = sorted(code for codes in jugs["codes"] for code in codes)
    assert codes == sorted(row.blind_code for flight in opened for row in flight.rows)
    assert jugs["jug"].is_unique


def test_grams_are_the_common_practice_masses_to_the_balance(bottles):
    """1.469, 2.031 and 2.001 g/L for 1 mg/L as CaCO3 per mL (common practice, computed)."""
    html = weighing_sheet(bottles, balance_g=0.001).html
    assert re.findall(r'class="grams">([\d.]+)<', html) == ["1.469", "2.031", "2.001"]
    coarse = weighing_sheet(bottles, volume_ml=5000, balance_g=0.1).html
    assert re.findall(r'class="grams">([\d.]+)<', coarse) == ["7.3", "10.2", "10.0"]


def test_a_mass_below_the_balance_is_refused(bottles):
    with pytest.raises(SheetError, match=r"mass of CaCl2·2H2O must be at least one step"):
        weighing_sheet(bottles, volume_ml=10, balance_g=0.1)
    with pytest.raises(SheetError, match="bottles must hold at least one"):
        weighing_sheet([])


@pytest.mark.parametrize(
    ("value", "step", "text"),
    [(0.05, 0.1, "0.0"), (12.34, 0.05, "12.35"), (7, 1, "7"), (0.0004, 0.0001, "0.0004")],
)
def test_numbers_show_the_decimals_of_the_instrument(value, step, text):
    assert to_step(value, step) == text
