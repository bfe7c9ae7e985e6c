"""The tasters' page under axe-core (rules of WCAG 2.2 A and AA and good practice)."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe

from labkit.book import LabBook
from labkit.widgets.tasters.links import cards
from tests.widgets.serving import choose, open_sheet, serving, wait_saved
from tests.widgets.tables import SESSION, lay_table

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A tasters' page whose cups are scored hot and cool."""
    folder = tmp_path_factory.mktemp("tasting")
    lay_table(folder / "book.db", stages=("hot", "cool"))
    with serving(folder / "book.db", SESSION, folder) as running:
        yield running


def findings(page, context=None):
    """What axe-core finds, in short."""
    found = Axe().run(page, context=context).response["violations"]
    return [
        (rule["impact"], rule["id"], [node["html"][:120] for node in rule["nodes"][:3]])
        for rule in found
    ]


def test_axe_finds_nothing_on_the_sheet_its_overview_and_a_locked_flight(place, new_tab):
    page = new_tab(width=390, height=844)
    open_sheet(page, place.links()["Ines"].address)
    assert findings(page) == [], "untouched, light"
    choose(page, "overall quality", "8 very good")
    choose(page, "words", "cocoa")
    wait_saved(page)
    page.emulate_media(color_scheme="dark")
    assert findings(page) == [], "touched, dark"

    page.get_by_role("button", name="Cups", exact=True).click()
    assert findings(page) == [], "overview, dark"
    page.emulate_media(color_scheme="light")
    assert findings(page) == [], "overview, light"
    page.get_by_role("button", name="Back to the cup").click()

    with LabBook(place.book_path) as book:
        book.sessions.lock_flights(SESSION, [1])
    choose(page, "liking", "4 dislike slightly")
    page.get_by_text(re.compile("not taken")).wait_for(timeout=20_000)
    assert findings(page) == [], "locked, with a refusal"


def test_axe_finds_nothing_at_the_entrance_and_on_the_cards(place, new_tab):
    page = new_tab(width=390, height=844)
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        page.goto(f"{place.url}?code=AAAAABBBBB")
        assert findings(page) == []
    page.set_content(cards(SESSION, tuple(place.links().values()), place.url))
    assert findings(page) == [], "the cards that the lead prints"


def test_stages_of_cooling_are_scored_apart(place, new_tab):
    page = new_tab(width=390, height=844)
    open_sheet(page, place.links()["Jonas"].address)
    choose(page, "liking", "4 dislike slightly") if not locked(place) else None
    stage = page.get_by_role("group", name="How warm is the cup?")

    stage.get_by_role("radio", name="Cool").click()
    assert page.get_by_text("0 of 4 given").is_visible()
    assert stage.get_by_role("radio", name="Cool").is_checked()


def locked(place):
    with LabBook(place.book_path) as book:
        return book.sessions.flight(SESSION, 1).state == "locked"
