"""The score sheet on a laptop: a cup in one screen, a whole flight by keys alone."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe

from labkit.book import Attribute, LabBook
from labkit.tasting import SCALES
from tests.browser.lab import picture
from tests.widgets.serving import group, kept, open_sheet, serving, wait_saved
from tests.widgets.tables import SESSION, lay_table

pytestmark = pytest.mark.browser

LAPTOP = {"width": 1280, "height": 800}
ATTRIBUTES = (
    Attribute(name="overall", scale=SCALES["liking 1-9"]),
    Attribute(name="acidity", scale=SCALES["intensity 0-15"]),
    Attribute(name="sweetness", scale=SCALES["intensity 0-15"]),
    Attribute(name="body", scale=SCALES["intensity 0-15"]),
    Attribute(name="quality", scale=SCALES["quality 6-10"]),
    Attribute(name="acidity for you", scale=SCALES["just about right"]),
    Attribute(name="words", kind="descriptors", choices=("floral", "nutty", "cocoa")),
    Attribute(name="note", kind="note"),
)
TWO_ASKED = "two asked"
CROWD = ("Ada", "Bo", "Cy", "Dan", "Eve")


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A tasters' page with a full sheet, each test takes a taster of its own; and with a short."""
    folder = tmp_path_factory.mktemp("keys")
    lay_table(folder / "book.db", tasters=CROWD, attributes=ATTRIBUTES, stages=("hot", "cool"))
    lay_table(folder / "book.db", session=TWO_ASKED, attributes=ATTRIBUTES[:2])
    with serving(folder / "book.db", SESSION, folder) as running:
        yield running


def values(place, taster, position=1):
    """The taster's last values of a cup by attribute."""
    rows = [row for row in kept(place.book_path, SESSION) if row[:2] == (taster, position)]
    return {attribute: value for _, _, attribute, value in rows}


def focused(page):
    """Name of the question that has the focus, or what the focused button does."""
    return page.evaluate(
        """() => document.activeElement.closest('.lk-field')
                   ?.querySelector('legend').innerText.toLowerCase()
                 ?? document.activeElement.dataset.does ?? ''"""
    )


def test_a_cup_fits_one_screen_of_a_laptop_with_the_way_on_in_sight(place, new_tab):
    page = new_tab(**LAPTOP)
    open_sheet(page, place.links()["Ada"].address)
    tall, wide = page.evaluate(
        "[document.documentElement.scrollHeight, document.documentElement.scrollWidth]"
    )

    assert (tall, wide) == (800, 1280)
    assert page.get_by_text("Hot coffee scalds").is_visible()
    assert page.locator(".lk-here legend").inner_text().lower() == "overall"
    page.get_by_text("Keys", exact=True).click()
    assert page.get_by_text("take it back").is_visible()
    picture(page, "sheet_keys_1280")
    assert Axe().run(page).response["violations"] == []


def test_on_a_phone_nothing_of_the_keys_is_shown(place, new_tab):
    page = new_tab(width=390, height=844, has_touch=True, is_mobile=True)
    open_sheet(page, place.links()["Ada"].address)

    assert page.locator(".lk-keys").is_hidden()
    assert page.locator(".lk-key:visible").count() == 0


def test_a_key_scores_the_question_and_the_focus_moves_on(place, new_tab):
    page = new_tab(**LAPTOP)
    open_sheet(page, place.links()["Bo"].address)

    page.keyboard.press("7")  # nothing has the focus yet
    assert focused(page) == "acidity"
    page.keyboard.type("7.5")  # complete: no longer number begins with it
    assert focused(page) == "sweetness"
    page.keyboard.type("12")
    assert focused(page) == "sweetness", "it may become 12.5"
    page.keyboard.press("Enter")
    assert focused(page) == "body"
    page.keyboard.type("4,5")  # as typed on most keyboards of the continent
    page.keyboard.type("8.25")
    assert focused(page) == "acidity for you"
    page.keyboard.press("3")
    page.keyboard.press("2")
    page.keyboard.press("3")
    page.keyboard.press("Enter")
    assert focused(page) == "on", "past the note"
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Shift+Tab")
    wait_saved(page)

    assert values(place, "Bo") == {
        "overall": 7,
        "acidity": 7.5,
        "sweetness": 12,
        "body": 4.5,
        "quality": 8.25,
        "acidity for you": 3,
        "words": ("nutty", "cocoa"),
    }


def test_what_is_off_the_scale_is_said_and_nothing_is_given(place, new_tab):
    page = new_tab(**LAPTOP)
    open_sheet(page, place.links()["Cy"].address)

    page.keyboard.press("0")
    page.get_by_text("0 is not on this scale.").wait_for()
    page.keyboard.press("5")
    page.keyboard.type("16")
    page.get_by_text("16 is not on this scale.").wait_for()
    assert focused(page) == "acidity", "not 1, and 6 for the next question"
    page.keyboard.press("Backspace")
    page.wait_for_timeout(900)
    wait_saved(page)

    assert values(place, "Cy").get("acidity") is None
    assert "sweetness" not in values(place, "Cy")
    page.keyboard.down("7")
    for _ in range(5):
        page.keyboard.down("7")  # held: the browser repeats it
    page.keyboard.up("7")
    page.wait_for_timeout(900)
    wait_saved(page)
    assert "sweetness" not in values(place, "Cy")


def test_a_note_is_typed_as_text_and_left_by_escape(place, new_tab):
    page = new_tab(**LAPTOP)
    open_sheet(page, place.links()["Dan"].address)
    group(page, "note").get_by_role("textbox").focus()
    page.keyboard.type("7 of 10,")
    page.keyboard.press("Enter")
    page.keyboard.type("9 cool")
    page.keyboard.press("Escape")
    assert focused(page) == "on"
    wait_saved(page)

    assert values(place, "Dan") == {"note": "7 of 10,\n9 cool"}


def test_a_whole_flight_is_scored_by_keys_alone(place, new_tab):
    page = new_tab(**LAPTOP)
    open_sheet(page, place.of(TWO_ASKED).links()["Ines"].address)
    with LabBook(place.book_path) as book:
        cups = book.sessions.served_cups(TWO_ASKED, 1, "Ines")
    for number, _ in enumerate(cups, start=1):
        page.keyboard.type(f"{number}")
        page.keyboard.type(f"{number}.5")
        page.keyboard.press("Enter")
    page.get_by_role("heading", name="Your cups").wait_for()
    page.keyboard.press("Enter")  # on to the first cup with something missing
    page.get_by_text("Flight 2, cup 1 of").wait_for()
    page.keyboard.press("ArrowRight")
    page.get_by_text("Flight 2, cup 2 of").wait_for()
    page.keyboard.press("PageUp")
    page.get_by_text("Flight 2, cup 1 of").wait_for()
    wait_saved(page)

    rows = [row[1:] for row in kept(place.book_path, TWO_ASKED)]
    assert rows == [
        row
        for n, _ in enumerate(cups, start=1)
        for row in ((n, "overall", n), (n, "acidity", n + 0.5))
    ]
