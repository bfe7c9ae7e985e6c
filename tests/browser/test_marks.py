"""A test of two waters on the tasters' page: one cup of each set is marked, and only one."""

from __future__ import annotations

import pytest

from labkit.book import LabBook
from labkit.tasting import METHODS
from tests.browser.lab import picture
from tests.tasted import at_shares, begin_test
from tests.widgets.serving import group, open_sheet, serving, wait_saved

pytestmark = pytest.mark.browser

SESSION, BY_KEYS = "duel", "duel by keys"
TASTERS = ("Ada", "Bo", "Cy", "Dan")


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A tasters' page: a session of triangles for fingers and keys, and others by their name."""
    folder = tmp_path_factory.mktemp("marks")
    with LabBook(folder / "book.db") as book:
        book.people.add_client("Client")
        book.people.add_coffee("Coffee", client="Client")
        book.people.add_tasters(TASTERS)
        lay_sets(book, SESSION, "triangle")
        lay_sets(book, BY_KEYS, "triangle", trials=3)
        for name in ("paired preference", "duo-trio", "tetrad"):
            lay_sets(book, name, name)
    with serving(folder / "book.db", SESSION, folder) as running:
        yield running


def lay_sets(book, session, name, trials=2):
    """Put a test of two waters into a lab book, so many sets for each taster."""
    begin_test(
        book,
        session,
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
        entries = [one for one in book.scores.history(place.session) if one.taster == taster]
    return {(entry.flight, entry.position): entry.value for entry in entries}


def on(page):
    page.locator("button[data-does=on]").click()


PHONE = {"width": 390, "height": 844, "has_touch": True, "is_mobile": True}
LAPTOP = {"width": 1280, "height": 800}


def codes_of(place, taster, flight):
    with LabBook(place.book_path) as book:
        return [cup.blind_code for cup in book.sessions.served_cups(place.session, flight, taster)]


def fits(page):
    """Whether the page needs no scrolling, up and down or sideways."""
    tall, wide = page.evaluate(
        "[document.documentElement.scrollHeight, document.documentElement.scrollWidth]"
    )
    size = page.viewport_size
    return tall <= size["height"] and wide <= size["width"]


def is_asked_well(page, place, taster, name):
    """One question, the cups' codes from left to right, on one screen."""
    question = METHODS["triangle"].question
    page.get_by_text("Taste all 3 cups from left to right, then mark one.").wait_for()
    shown = group(page, question).locator(".lk-number").all_inner_texts()
    assert shown == codes_of(place, taster, 1)
    assert group(page, question).get_by_role("radio").count() == 3, "no way to say none"
    assert fits(page)
    picture(page, f"set-{name}")


def marks_one_only(page, place, taster, flight, way):
    """A set with two cups marked, or with one not looked at, would be no answer at all."""
    codes = codes_of(place, taster, flight)
    for number, marked in ((1, (1, 0, 0)), (2, (0, 1, 0))):
        mark_cup(page, way, number, codes)
        wait_saved(page)
        now = marks(place, taster)
        assert tuple(now[flight, position] for position in (1, 2, 3)) == marked


def on_to_an_untouched_set(page):
    on(page)
    page.get_by_role("heading", name="Set 2 of 2").wait_for()
    assert group(page, METHODS["triangle"].question).locator("input:checked").count() == 0


def test_a_finger_marks_one_cup_of_a_set_and_takes_it_back(place, new_tab):
    page = new_tab(**PHONE)
    open_sheet(page, place.links()["Ada"].address)
    is_asked_well(page, place, "Ada", "finger")
    marks_one_only(page, place, "Ada", 1, "finger")
    asked = group(page, METHODS["triangle"].question)
    asked.get_by_role("button", name="Take back").click()
    wait_saved(page)
    assert marks(place, "Ada") == {(1, 1): None, (1, 2): None, (1, 3): None}

    asked.get_by_role("radio").last.click()
    wait_saved(page)
    on_to_an_untouched_set(page)
    on(page)
    cups = page.locator(".lk-cup-button").all_inner_texts()
    assert [" ".join(said.split()) for said in cups] == ["Set 1 done", "Set 2 not yet"]


def test_arrows_and_numbers_mark_one_cup_of_a_set(place, new_tab):
    page = new_tab(**LAPTOP)
    open_sheet(page, place.links()["Bo"].address)
    is_asked_well(page, place, "Bo", "keys")
    marks_one_only(page, place, "Bo", 1, "arrows")
    on_to_an_untouched_set(page)
    marks_one_only(page, place, "Bo", 2, "numbers")


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


@pytest.mark.parametrize(
    ("name", "radios", "off"), [("paired preference", 3, 0), ("duo-trio", 3, 1), ("tetrad", 4, 1)]
)
def test_a_preference_may_be_none_and_a_reference_is_not_marked(place, new_tab, name, radios, off):
    place = place.of(name)
    method = METHODS[name]
    page = new_tab(**PHONE)
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


def test_a_taster_answers_all_sets_by_keys_alone(place, new_tab):
    place = place.of(BY_KEYS)
    page = new_tab(**LAPTOP)
    open_sheet(page, place.links()["Ada"].address)
    for number in (3, 1, 2):
        page.keyboard.press(str(number))
        page.keyboard.press("Enter")  # the focus is on the way on
    wait_saved(page)
    page.get_by_text("Everything is given.").wait_for()
    chosen = {at for at, mark in marks(place, "Ada").items() if mark == 1}
    assert chosen == {(1, 3), (2, 1), (3, 2)}
