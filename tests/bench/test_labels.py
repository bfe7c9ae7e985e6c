"""Labels lie where the label paper has them, in millimetres."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from labkit.bench import LABEL_PAPERS, LabelPaper, bottle_labels, cup_labels
from labkit.book.stock.stock import Measurement
from labkit.errors import SheetError
from labkit.language import LANGUAGES

from .conftest import MADE_ON

PAPER = LabelPaper(
    columns=3,
    rows=2,
    label_width_mm=60,
    label_height_mm=40,
    left_mm=10,
    top_mm=12,
    pitch_x_mm=65,
    pitch_y_mm=45,
)


def places(html):
    return [(float(x), float(y)) for x, y in re.findall(r"left:([\d.]+)mm;top:([\d.]+)mm", html)]


def test_labels_lie_a_pitch_apart_and_go_on_to_the_next_sheet(fixed_plan):
    """By hand: three across at 10, 75 and 140 mm, two down at 12 and 57 mm."""
    html = cup_labels(fixed_plan, paper=PAPER, copies=2, first_free=5).html
    assert places(html) == [(75, 57), (140, 57), (10, 12), (75, 12), (140, 12), (10, 57)]
    assert html.count('<section class="grid">') == 2


@pytest.mark.parametrize("paper", LABEL_PAPERS.values(), ids=list(LABEL_PAPERS))
def test_common_papers_end_inside_their_sheet(paper, fixed_plan):
    """A4 is 210 by 297 mm (ISO 216), Letter 8.5 by 11 inches."""
    wide, high = {"A4": (210, 297), "Letter": (8.5 * 25.4, 11 * 25.4)}[paper.sheet]
    sheet, x, y = paper.place(paper.n_labels - 1)
    assert sheet == 0
    assert x + paper.label_width_mm <= wide + 0.3
    assert y + paper.label_height_mm <= high + 0.3
    assert paper.place(paper.n_labels)[0] == 1
    assert f"@page {{ size: {paper.sheet};" in cup_labels(fixed_plan, paper=paper).html


def test_what_stands_around_cup_labels_is_in_the_tasters_language(fixed_plan):
    paper = LabelPaper.centred(3, 10, 66.7, 25.4, 3.15, sheet="Letter")
    html = cup_labels(fixed_plan, paper=paper, language=LANGUAGES["de"]).html
    assert "2,63 × 1 Zoll (66,7 × 25,4 mm)" in html
    for english in ("Print at", "labels of", "session", "lab book"):
        assert english not in html


def test_cup_labels_are_in_numeric_order_so_that_order_tells_nothing(plan):
    html = cup_labels(plan).html
    shown = re.findall(r'class="code">(\d{3})<', html)
    assert shown == [code for flight in plan.flights for code in plan.codes(flight)]


def test_bottle_labels_say_what_it_is_until_when_and_that_it_is_no_drink(shelf):
    html = bottle_labels([replace(shelf[0], lot="A7", keeper="Ida"), shelf[2]]).html
    for words in (
        "CaCl2·2H2O, 1.469 g/L<",
        "1 mL in 1 L adds 1 mg/L hardness as CaCO3",
        "made 20 Nov 2026 by Ida · lot A7",
        "keeps for months, in the cold",
        "1 mL in 1 L adds 1 mg/L alkalinity as CaCO3",
        "use by 24 Nov 2026, in the cold",
    ):
        assert words in html
    assert html.count("Not for drinking. Keep from children.") == 2


def test_a_label_gives_the_strength_without_the_impurities_and_keeps_its_lot(shelf):
    """1.469 g/L of a salt that is 95 % pure is 1.396 g/L of it, as a titration would find."""
    found = Measurement(measured_on=MADE_ON, strength_g_l=1.39, method="titration")
    html = bottle_labels([replace(shelf[0], purity=0.95, lot="A7", measurements=(found,))]).html
    assert "1.396 g/L weighed, 1.390 measured 20 Nov" in html
    assert "lot A7" in html


def test_a_measured_strength_stands_beside_the_weighed_one(shelf):
    found = Measurement(measured_on=MADE_ON, strength_g_l=1.41, method="titration")
    html = bottle_labels([replace(shelf[0], measurements=(found,))]).html
    assert "1.469 g/L weighed, 1.410 measured 20 Nov" in html


def test_labels_too_small_for_the_caution_are_refused(shelf):
    with pytest.raises(SheetError, match=r"at least 60 × 30 mm for bottles"):
        bottle_labels(shelf, paper=next(iter(LABEL_PAPERS.values())))


def test_labels_that_do_not_fit_are_refused(fixed_plan):
    with pytest.raises(SheetError, match="columns must fit on A4"):
        replace(PAPER, pitch_x_mm=75)
    with pytest.raises(SheetError, match=r"pitch_y_mm must be at least label_height_mm \(40\)"):
        replace(PAPER, pitch_y_mm=39)
    with pytest.raises(SheetError, match="rows must be at least 1, got 0"):
        replace(PAPER, rows=0)
    with pytest.raises(SheetError, match="label_width_mm must be at least 8 mm"):
        replace(PAPER, label_width_mm=float("nan"))
    with pytest.raises(SheetError, match="top_mm must be at least 0, got -1"):
        replace(PAPER, top_mm=-1)
    with pytest.raises(SheetError, match="first_free must be 1 to 6"):
        cup_labels(fixed_plan, paper=PAPER, first_free=7)
    with pytest.raises(SheetError, match="copies must be at least 1"):
        cup_labels(fixed_plan, copies=0)
    with pytest.raises(SheetError, match="at least one label must be asked for"):
        bottle_labels([])
