"""Sheets as stored, and as Chromium prints them.

The stored sheets lie in ``snapshots/``; after a wanted change look at the printed sheet, then run
``LABKIT_WRITE_SNAPSHOTS=1 pytest tests/bench/test_printing.py`` and read the difference.
"""

from __future__ import annotations

import io
import os
import re
from dataclasses import replace
from pathlib import Path
from unicodedata import normalize

import pytest

from labkit.bench import (
    LABEL_PAPERS,
    batch_sheet,
    bench_sheet,
    bottle_labels,
    card_files,
    cup_labels,
    score_sheets,
    tray_map,
    weighing_sheet,
)
from labkit.book.store.records import Attribute
from labkit.release import made_with
from labkit.tasting import SCALES
from labkit.tasting.plan import Serving
from labkit.water import DROP_KITS, mix_batch, plan_weighing
from labkit.workflow import make_recipes

from .conftest import TARGETS

SNAPSHOTS = Path(__file__).parent / "snapshots"
NAMES = (
    *("scores", "stages", "tray", "cups", "bench", "weighing", "bottles"),
    *("batch", "card", "phone_card"),
)
POINTS = {"A4": (595.3, 841.9), "Letter": (612, 792)}
"""ISO 216, ANSI/ASME Y14.1."""

MM_PER_PX = 25.4 / 96


@pytest.fixture
def sheet(request, fixed_plan, fixed_opened, bottles, shelf, attributes):
    """One of the sheets, by name."""
    recipes = make_recipes(TARGETS[1], concentrates=bottles)
    kits = list(DROP_KITS.values())[:2]
    make = {
        "scores": lambda: score_sheets(fixed_plan, attributes, lab_book="demo"),
        "stages": lambda: score_sheets(fixed_plan, attributes, stages=("hot", "cool")),
        "tray": lambda: tray_map(fixed_plan, lab_book="demo"),
        "cups": lambda: cup_labels(fixed_plan, lab_book="demo"),
        "bench": lambda: bench_sheet(fixed_opened, bottles, jug_volume_ml=500, lab_book="demo"),
        "weighing": lambda: weighing_sheet(
            [plan_weighing(salt=bottle.salt, volume_ml=1000) for bottle in bottles]
        ),
        "bottles": lambda: bottle_labels(shelf),
        "batch": lambda: batch_sheet(
            mix_batch(
                {
                    f"water {n} of the bar": (replace(TARGETS[n % 2], mg_share=n / 12), 1500.0 * n)
                    for n in range(1, 13)
                },
                tuple(bottles),
            ),
            made_for="Osmeni",
        ),
        "card": lambda: (
            card_files(recipes, name="House water", made_for="Osmeni", kits=kits, tds_factor=0.5).a4
        ),
        "phone_card": lambda: card_files(recipes, name="House water").phone,
    }
    return make[request.param]()


def normal(html):
    """Without styles and codes (looked at as pictures) and version, one tag a line."""
    html = re.sub(r"<style>.*?</style>", "", html, flags=re.S)
    html = re.sub(r"(class=\"scan\">)<svg.*?</svg>", r"\1CODE", html, flags=re.S)
    html = re.sub(r"\s+", " ", html.replace(made_with(), "labkit VERSION"))
    return html.replace("> <", ">\n<").strip() + "\n"


@pytest.mark.parametrize(("sheet", "name"), [(n, n) for n in NAMES], indirect=["sheet"])
def test_sheets_read_as_stored(sheet, name):
    file = SNAPSHOTS / f"{name}.html"
    if os.environ.get("LABKIT_WRITE_SNAPSHOTS") == "1":
        file.parent.mkdir(exist_ok=True)
        file.write_text(normal(sheet.html), encoding="utf-8")
    assert normal(sheet.html) == file.read_text(encoding="utf-8")


@pytest.mark.parametrize("sheet", NAMES, indirect=True)
def test_sheets_fetch_nothing_and_keep_their_styles_to_themselves(sheet, tmp_path):
    assert not re.search(r"https?://|\bsrc=|@import|url\(", sheet.html)
    shown = sheet._repr_html_()
    assert shown.startswith("<iframe")
    assert "<style>" not in shown
    file = sheet.save(tmp_path / "new folder" / "sheet.html")
    assert file.read_text(encoding="utf-8") == sheet.html


def pages_of(page, sheet, paper="A4"):
    """The pages that come out of a printer with this paper in it."""
    from pypdf import PdfReader

    page.set_content(sheet.html)
    return PdfReader(io.BytesIO(page.pdf(format=paper, prefer_css_page_size=True))).pages


@pytest.mark.browser
@pytest.mark.parametrize(
    ("sheet", "n_pages", "words"),
    [
        ("scores", 2, "Ana, flight 1"),
        ("stages", 2, "Ana, flight 1"),
        ("tray", 1, "Tray map, flight 1"),
        ("cups", 1, "417"),
        ("bench", 1, "PREPARER ONLY"),
        ("weighing", 1, "Weighing sheet"),
        ("bottles", 1, "Not for drinking"),
        ("batch", 1, "12 waters in one go"),
        ("card", 2, "House water"),
    ],
    indirect=["sheet"],
)
@pytest.mark.parametrize("paper", POINTS)
def test_sheets_print_without_a_page_too_many(sheet, paper, n_pages, words, new_page):
    shown = new_page(width=1280)
    pages = pages_of(shown, sheet, paper)
    assert len(pages) == n_pages
    # On the screen a page is as wide as on paper; a table ran into the cautions beside it.
    assert not shown.evaluate(
        "[...document.querySelectorAll('.beside > div')]"
        ".filter(one => one.scrollWidth > one.clientWidth + 1).length"
    )
    is_label = "grid" in sheet.html and "labels of" in sheet.html  # labels come on A4 alone
    for page in pages:
        size = POINTS["A4" if is_label else paper]
        assert [float(x) for x in page.mediabox[2:]] == pytest.approx(size, abs=1.5)
    # Some fonts draw 'fl' as one letter.
    assert words in " ".join(normalize("NFKC", pages[0].extract_text()).split())


@pytest.mark.browser
def test_a_flight_of_six_cups_takes_a_taster_one_page(fixed_plan, new_page):
    """The four questions of a new plan: overall and three intensities."""
    codes = ("417", "902", "563", "128", "745", "306")
    cups = tuple(
        Serving(flight=1, taster=taster, position=position, blind_code=code)
        for taster in fixed_plan.tasters
        for position, code in enumerate(codes, start=1)
    )
    asked = [Attribute(name="overall", scale=SCALES["liking 1-9"])]
    asked += [Attribute(name=n, scale=SCALES["intensity 0-15"]) for n in ("acidity", "body", "zip")]

    sheets, opened = score_sheets(replace(fixed_plan, cups=cups), asked), new_page()
    on_letter = pages_of(opened, sheets, "Letter")
    pages = pages_of(opened, sheets)

    assert len(pages) == len(on_letter) == len(fixed_plan.tasters)
    assert all(code in pages[0].extract_text() for code in codes)


@pytest.mark.browser
@pytest.mark.parametrize("sheet", ["cups", "bottles"], indirect=True)
def test_labels_are_printed_to_the_tenth_of_a_millimetre(sheet, new_page):
    paper = LABEL_PAPERS[re.search(r"(\d+ labels of .*? on A4, \d+ × \d+)\.", sheet.html).group(1)]
    page = new_page()
    page.set_content(sheet.html)
    page.emulate_media(media="print")
    found = page.evaluate(
        """() => {
            const sheet = document.querySelector('.grid').getBoundingClientRect();
            return [...document.querySelectorAll('.label')].map(label => {
                const box = label.getBoundingClientRect();
                return [box.left - sheet.left, box.top - sheet.top, box.width, box.height,
                        label.scrollWidth > label.clientWidth + 1,
                        label.scrollHeight > label.clientHeight + 1];
            });
        }"""
    )
    for index, (*box, too_wide, too_high) in enumerate(found):
        _, left, top = paper.place(index)
        expected = (left, top, paper.label_width_mm, paper.label_height_mm)
        assert [px * MM_PER_PX for px in box] == pytest.approx(expected, abs=0.1)
        assert not too_wide
        assert not too_high


@pytest.mark.browser
@pytest.mark.parametrize("sheet", ["scores", "bench", "tray", "card", "phone_card"], indirect=True)
@pytest.mark.parametrize("width", [390, 1280])
def test_sheets_read_on_a_phone_and_a_laptop(sheet, width, new_page):
    page = new_page(width=width)
    page.set_content(sheet.html)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    button = page.get_by_role("button", name="Print").bounding_box()
    head = page.locator("h1").first.bounding_box()
    assert button["height"] >= 44
    assert button["y"] + button["height"] <= head["y"]


@pytest.mark.browser
@pytest.mark.parametrize("sheet", ["bench"], indirect=True)
def test_a_sheet_in_a_notebook_leaves_the_notebook_alone(sheet, new_page):
    page = new_page()
    page.set_content(f"<body style='margin:7px'><h1>Notebook</h1>{sheet._repr_html_()}</body>")
    frame = page.frame_locator("iframe")
    assert frame.get_by_text("PREPARER ONLY", exact=True).is_visible()
    assert page.evaluate("getComputedStyle(document.body).marginTop") == "7px"
    assert page.evaluate("getComputedStyle(document.querySelector('h1')).borderTopWidth") == "0px"
