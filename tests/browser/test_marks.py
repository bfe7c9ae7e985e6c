"""A test of two waters on the tasters' page: one cup of each set is marked, and only one."""

from __future__ import annotations

import pytest

from labkit.book import LabBook
from labkit.tasting import METHODS
from tests.browser.lab import picture
from tests.tasted import at_shares, begin_test
from tests.widgets.serving import group, open_sheet, serving, wait_saved

pytestmark = pytest.mark.browser

SESSION = "duel"
TASTERS = ("Ada", "Bo", "Cy", "Dan")


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A tasters' page with two triangles for each taster."""
    folder = tmp_path_factory.mktemp("marks")
    lay_sets(folder / "book.db", "triangle")
    with serving(folder / "book.db", SESSION, folder) as running:
        yield running


def lay_sets(path, name, trials=2):
    """A lab book with a test of two waters, so many sets for each taster."""
    with LabBook(path) as book:
        begin_test(
            book,
            SESSION,
            client="Client",
            coffee="Coffee",
            method=name,
            pair=at_shares(0.2, 0.8),
            tasters=TASTERS,
            planning={"trials": trials},
        )


def marks(place, taster):
    """Current marks by flight and position."""
    with LabBook(place.book_path) as book:
        entries = [entry for entry in book.scores.history(SESSION) if entry.taster == taster]
    return {(entry.flight, entry.position): entry.value for entry in entries}


def on(page):
    page.locator("button[data-does=on]").click()


PHONE = {"width": 390, "height": 844, "has_touch": True, "is_mobile": True}
LAPTOP = {"width": 1280, "height": 800}


def codes_of(place, taster, flight, session=SESSION):
    with LabBook(place.book_path) as book:
        return [cup.blind_code for cup in book.sessions.served_cups(session, flight, taster)]


def fits(page):
    """Whether the page needs no scrolling, up and down or sideways."""
    tall, wide = page.evaluate(
        "[document.documentElement.scrollHeight, document.documentElement.scrollWidth]"
    )
    size = page.viewport_size
    return tall <= size["height"] and wide <= size["width"]


@pytest.mark.parametrize("way", ["finger", "arrows", "numbers"])
def test_the_cups_of_a_set_stand_on_one_screen_under_one_question(place, new_page, way):
    """A set with two cups marked, or with one not looked at, would be no answer at all."""
    taster = {"finger": "Ada", "arrows": "Bo", "numbers": "Cy"}[way]
    question = METHODS["triangle"].question
    page = new_page(**(PHONE if way == "finger" else LAPTOP))
    open_sheet(page, place.links()[taster].address)
    page.get_by_text("Taste all 3 cups from left to right, then mark one.").wait_for()
    codes = codes_of(place, taster, 1)
    shown = group(page, question).locator(".lk-number").all_inner_texts()
    assert shown == codes
    assert fits(page)
    picture(page, f"set-{way}")

    mark_cup(page, way, 1, codes)
    wait_saved(page)
    assert marks(place, taster) == {(1, 1): 1, (1, 2): 0, (1, 3): 0}
    mark_cup(page, way, 2, codes)
    wait_saved(page)
    assert marks(place, taster) == {(1, 1): 0, (1, 2): 1, (1, 3): 0}

    on(page)
    page.get_by_role("heading", name="Set 2 of 2").wait_for()
    assert group(page, question).locator("input:checked").count() == 0
    on(page)
    cups = page.locator(".lk-cup-button").all_inner_texts()
    assert [" ".join(said.split()) for said in cups] == ["Set 1 done", "Set 2 not yet"]


def mark_cup(page, way, number, codes):
    """Mark a cup of the set on the screen."""
    cup = page.get_by_role("radio", name=codes[number - 1])
    if way == "finger":
        cup.click()
    elif way == "numbers":
        page.keyboard.press(str(number))
    elif number == 1:
        cup.focus()
        page.keyboard.press("Space")
    else:
        page.get_by_role("radio", name=codes[number - 2]).focus()
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(900)  # where the arrow keys rest is the answer


def test_a_triangle_wants_one_cup_and_a_set_can_be_taken_back(place, new_page):
    question = METHODS["triangle"].question
    page = new_page(**PHONE)
    open_sheet(page, place.links()["Dan"].address)
    assert group(page, question).get_by_role("radio").count() == 3, "no way to say none"
    group(page, question).get_by_role("radio").last.click()
    group(page, question).get_by_role("button", name="Take back").click()
    wait_saved(page)
    assert marks(place, "Dan") == {(1, 1): None, (1, 2): None, (1, 3): None}


@pytest.mark.parametrize(
    ("name", "radios", "off"), [("paired preference", 3, 0), ("duo-trio", 3, 1), ("tetrad", 4, 1)]
)
def test_a_preference_may_be_none_and_a_reference_is_not_marked(
    tmp_path, new_page, name, radios, off
):
    lay_sets(tmp_path / "book.db", name)
    method = METHODS[name]
    with serving(tmp_path / "book.db", SESSION, tmp_path) as place:
        page = new_page(**PHONE)
        open_sheet(page, place.links()["Ada"].address)
        asked = group(page, method.question)
        assert asked.get_by_role("radio").count() == radios
        assert asked.get_by_role("radio", disabled=True).count() == off
        assert fits(page)
        picture(page, f"set-{name.replace(' ', '-')}-390")
        if not method.has_right_answer:
            asked.get_by_role("radio", name="no preference").click()
            wait_saved(page)
            assert set(marks(place, "Ada").values()) == {0}
            page.reload()
            page.wait_for_selector(".lk-sheet")
            wait_saved(page)
            assert asked.get_by_role("radio", name="no preference").is_checked()


def test_a_taster_answers_all_sets_by_keys_alone(tmp_path, new_page):
    lay_sets(tmp_path / "book.db", "triangle", trials=3)
    with serving(tmp_path / "book.db", SESSION, tmp_path) as place:
        page = new_page(**LAPTOP)
        open_sheet(page, place.links()["Ada"].address)
        for number in (3, 1, 2):
            page.keyboard.press(str(number))
            page.keyboard.press("Enter")  # the focus is on the way on
        wait_saved(page)
        page.get_by_text("Everything is given.").wait_for()
        chosen = {at for at, mark in marks(place, "Ada").items() if mark == 1}
        assert chosen == {(1, 3), (2, 1), (3, 2)}
