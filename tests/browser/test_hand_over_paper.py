"""Cards, labels and the report as printed by a real browser: how many pages, how wide."""

from __future__ import annotations

import re
import subprocess
from unicodedata import normalize

import pytest

from labkit.bench import bottle_labels, card_files
from labkit.book.stock.bottles import Bottle
from labkit.water import DROP_KITS, Concentrate, Target, Water, salt
from labkit.workflow import make_recipes
from tests.project import PROJECT

pytestmark = pytest.mark.browser

FULL = {
    "name": "A long name for the water of the autumn and the winter, both machines",
    "made_for": "Ysmeral washed peaberry · the small bar and both machines",
    "base_name": "64 % tap water through the filter, October + 36 % pure water",
    "differs": [
        "The wanted water is out of reach: the nearest within reach has hardness 240 mg/L as "
        "CaCO3, 20 less than the 260 wanted; Mg share 45 % instead of 50 %.",
        "Sulfate instead of chloride: sulfate 12 to 60 mg/L, chloride 110 to 60 mg/L.",
        "Sodium instead of potassium: sodium 0 to 20 mg/L, potassium 30 to 0 mg/L.",
        "The two waters were not tasted against each other, and may taste different",
    ],
    "tds_factor": 0.5,
    "kits": list(DROP_KITS.values()),
}


def cards():
    """The usual card, and one with as much on it as can be."""
    bottles = [
        Concentrate.of_strength(salt=salt(label)) for label in ("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3")
    ]
    usual = Target(mg_share=0.25, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    yield card_files(make_recipes(usual, concentrates=bottles), name="House water", tds_factor=0.5)
    tap = Water.of_ions(
        {"Ca": 1.2, "Mg": 0.3, "HCO3": 1.9, "Cl": 1.1, "SO4": 0.2, "Na": 0.6, "K": 0.1}
    )
    full = Target(mg_share=0.45, hardness_mg_l_caco3=240, alkalinity_mg_l_caco3=140)
    salts = [salt(label) for label in ("CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3", "KHCO3")]
    volumes = (1, 5, 10, 20, 50, 1000)
    recipes = make_recipes(full, salts=salts, base=tap, volumes_l=volumes, balance_g=0.1)
    yield card_files(recipes, **FULL)


PAPERS = {"A4": (210, 297), "Letter": (216, 279)}
"""Width and height (mm), by ISO 216 and ANSI/ASME Y14.1, rounded."""


def printed(page, html, path, *, paper="A4"):
    """Print a page; (number of pages, width and height of the first in mm)."""
    page.set_content(html)
    page.pdf(path=path, prefer_css_page_size=True, format=paper)
    said = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
    width, height = map(float, re.search(r"Page size: +([\d.]+) x ([\d.]+)", said).groups())
    mm = 25.4 / 72
    return int(re.search(r"Pages: +(\d+)", said)[1]), width * mm, height * mm


def widest(page):
    return page.evaluate("document.documentElement.scrollWidth")


def words_of(path, number):
    """What stands on one page of a PDF."""
    command = ["pdftotext", "-f", str(number), "-l", str(number), str(path), "-"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    return " ".join(normalize("NFKC", said).split())


@pytest.mark.parametrize("paper", PAPERS)
def test_a_card_is_one_page_and_its_batch_log_another_on_either_paper(new_page, tmp_path, paper):
    page = new_page(width=1000, height=800)
    for files in cards():
        path = tmp_path / "card.pdf"
        pages, width, height = printed(page, files.a4.html, path, paper=paper)
        assert (pages, (round(width), round(height))) == (2, PAPERS[paper])
        assert "recipe card" in words_of(path, 1)
        assert "Before it goes into a machine" in words_of(path, 1)
        assert "batch log" in words_of(path, 2)
        assert "use by" in words_of(path, 2)


def test_every_card_prints_from_a_phone_and_is_one_phone_wide_page(new_page, tmp_path):
    page = new_page(width=390, height=844)
    folder = PROJECT / "tests" / "browser" / "screenshots"
    folder.mkdir(exist_ok=True)
    for place, files in enumerate(cards()):
        pages, width, height = printed(page, files.a4.html, tmp_path / "a4.pdf")
        assert (pages, round(width), round(height)) == (2, 210, 297)
        pages, width, height = printed(page, files.phone.html, tmp_path / "phone.pdf")
        assert (pages, round(width)) == (1, 100)
        for sheet in (files.a4, files.phone):
            page.set_content(sheet.html)
            assert widest(page) <= 390
        page.screenshot(path=folder / f"card-{place}-390.png", full_page=True)
        # One column: every table starts at the same edge.
        edges = page.evaluate(
            "[...document.querySelectorAll('.card table')]"
            ".map(one => Math.round(one.getBoundingClientRect().left))"
        )
        assert len(set(edges)) == 1


def test_labels_print_in_millimetres_on_one_a4_sheet(new_page, tmp_path):
    from datetime import date

    bottles = [
        Bottle(
            name=f"bicarbonate {n}",
            salt="KHCO3",
            weighed_g=2.001,
            volume_ml=1000,
            made_on=date(2026, 11, 20),
            keeps_days=4,
        )
        for n in range(8)
    ]
    page = new_page(width=390, height=844)
    pages, width, height = printed(page, bottle_labels(bottles).html, tmp_path / "labels.pdf")
    assert (pages, round(width), round(height)) == (1, 210, 297)
    page.set_content(bottle_labels(bottles).html)
    assert widest(page) <= 390
