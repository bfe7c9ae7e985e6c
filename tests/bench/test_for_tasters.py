"""What tasters get: codes, positions and scales, and nothing of any water."""

from __future__ import annotations

import re

import pytest

from labkit.bench import cup_labels, score_sheets, tray_map
from labkit.errors import PlanError, SheetError
from labkit.language import LANGUAGES
from labkit.tasting import plan_tasting

from .conftest import PASSPHRASE, TARGETS


def taster_sheets(plan, attributes):
    return [
        score_sheets(plan, attributes, lab_book="demo"),
        score_sheets(plan, attributes, stages=("hot", "warm", "cool")),
        tray_map(plan, lab_book="demo"),
        cup_labels(plan, lab_book="demo"),
    ]


def words_shown(html):
    """What a reader sees, without styles and tags."""
    body = re.sub(r"<style>.*?</style>", " ", html, flags=re.S)
    return re.sub(r"<[^>]+>", " ", body)


def test_nothing_a_taster_sees_names_a_water(plan, opened, attributes):
    """Neither on the paper nor in its source: labels, jugs, bowls, recipes, control, duplicate."""
    secrets = {"Mg", "Ca:", "CaCO3", "mg/L", "control", "duplicate", "all Ca", "alkalinity"}
    for row in (row for flight in opened for row in flight.rows):
        secrets |= {row.jug, row.bowl, row.target.text, row.target.ca_mg_ratio_text}
    for sheet in taster_sheets(plan, attributes):
        for secret in secrets:
            assert secret not in sheet.html
        assert not re.search(r"\bW\d", sheet.html)
        for target in TARGETS:
            for value in (target.hardness_mg_l_caco3, target.alkalinity_mg_l_caco3):
                assert not re.search(rf"\b{value:g}\b", words_shown(sheet.html))


def test_every_taster_gets_each_of_their_cups_once_in_their_order(plan, attributes):
    html = score_sheets(plan, attributes).html
    pages = html.split('<section class="page">')[1:]
    for taster in plan.tasters:
        own = [page for page in pages if f"<h1>{taster}</h1>" in page]
        codes = [code for page in own for code in re.findall(r'class="code">(\d{3})<', page)]
        assert codes == plan.sheet(taster)["blind_code"].tolist()


def test_paper_has_the_scales_of_the_screen(fixed_plan, attributes):
    html = score_sheets(fixed_plan, attributes, tasters=["Ana"]).html
    first_cup = html.split('<article class="cup">')[1]
    assert re.findall(r"<div><span>(\d)</span></div>", first_cup) == list("123456789")
    assert re.findall(r"<text[^>]*>(\d+)</text>", first_cup) == [str(n) for n in range(16)]
    assert "just about right" in first_cup
    for score, word in attributes[0].scale.words:
        assert f"{score:g} {word}" in html


def test_stages_of_cooling_have_a_box_each(fixed_plan, attributes):
    html = score_sheets(fixed_plan, attributes, stages=("hot", "cool"), tasters=["Bo"]).html
    numbers = sum(a.scale is not None for a in attributes)
    assert html.count('<span class="box"></span>') == 2 * numbers * 3
    assert html.count(">cool</span>") == numbers * 3


def test_many_questions_are_split_over_pages_and_no_cup_is_lost(plan, attributes):
    html = score_sheets(plan, attributes * 3, tasters=["Ana"]).html
    assert html.count('<section class="page">') > len(plan.flights)
    assert html.count('<article class="cup">') == len(plan.sheet("Ana"))


def test_tray_map_shows_every_code_at_its_seat_and_position(fixed_plan):
    html = tray_map(fixed_plan).html
    ana, bo = re.findall(r'<tr><th scope="row">(.*?)</tr>', html)
    assert re.findall(r"\d{3}", ana) == ["417", "902", "563"]
    assert re.findall(r"\d{3}", bo) == ["902", "563", "417"]


def test_names_are_text_and_never_markup(fixed_plan, attributes):
    from dataclasses import replace

    cups = tuple(
        replace(cup, taster="<script>alert(1)</script>") if cup.taster == "Ana" else cup
        for cup in fixed_plan.cups
    )
    plan = replace(fixed_plan, cups=cups, tasters=("<script>alert(1)</script>", "Bo"))
    for sheet in (score_sheets(plan, attributes), tray_map(plan)):
        for shown in (sheet.html, sheet._repr_html_()):  # a page has a script of its own
            assert "alert(1)" in shown
            assert "<script>alert" not in shown


def test_unknown_tasters_flights_and_empty_questions_are_refused(fixed_plan, attributes):
    with pytest.raises(PlanError, match="taster must be one of Ana, Bo"):
        score_sheets(fixed_plan, attributes, tasters=["Zoe"])
    with pytest.raises(SheetError, match=r"flights must be in the plan .* \(1\), got 7"):
        tray_map(fixed_plan, flights=[7])
    with pytest.raises(SheetError, match="attributes must hold at least one"):
        score_sheets(fixed_plan, [])


def test_who_tastes_alone_scores_by_position_and_writes_the_code_down_later(attributes):
    plan = plan_tasting(
        TARGETS, ["Ana"], session="alone", passphrase=PASSPHRASE, alone=True, cups_per_flight=6
    )
    html = score_sheets(plan, attributes).html
    assert 'class="code"' not in html
    assert html.count("code found") == len(plan.cups)
    labels = re.findall(r'class="code">(\d{3})<', cup_labels(plan).html)
    assert labels == [code for flight in plan.flights for code in plan.codes(flight)]
    assert html.count('<article class="cup">') == len(labels)


def test_tasters_read_their_paper_in_the_sessions_language(fixed_plan, attributes):
    """labkit's names, words and numbers; what the lead typed, codes and people stay."""
    german = LANGUAGES["de"]
    sheet = score_sheets(fixed_plan, attributes, lab_book="demo", language=german)

    assert '<html lang="de">' in sheet.html
    for said in (
        "Bewertungsbogen",
        "Durchgang 1",
        "<dt>Gesamturteil</dt>",
        "<dt>Säure</dt>",
        "<dt>acidity, just right?</dt>",
        "in Schritten von 0,5",
        "5 weder noch",
        "floral",
        "Verkostung Tuesday bench",
    ):
        assert said in sheet.html
    for left in ("score", "Flight", "Ring one", "cup ", "session"):
        assert left not in words_shown(sheet.html)
    staged = score_sheets(fixed_plan, attributes, stages=("hot", "cool"), language=german)
    assert '<span class="stage">abgekühlt</span>' in staged.html

    labels = cup_labels(fixed_plan, language=german).html
    assert "Durchgang 1" in labels
    assert "flight" not in labels
    tray = tray_map(fixed_plan, language=german).html
    assert "2 Personen, je 3 Tassen" in tray
    assert "taster" not in words_shown(tray)
