"""The tasters' page in a real browser, on the phone that a taster holds in one wet hand."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from labkit.book import Attribute, LabBook
from labkit.tasting import SCALES
from tests.widgets.serving import choose, group, kept, open_sheet, serving, wait_saved
from tests.widgets.tables import SESSION, lay_table

pytestmark = pytest.mark.browser

PHONE = {"width": 390, "height": 844, "has_touch": True, "is_mobile": True}
LOCKED = "locked"
EVIL = "<img src=x onerror='window.hit=1'>"
SQL = "Robert'); DROP TABLE scores;--"
CROWD = ("Ada", "Béla", "Chen", "Dita", "Edda", "Finn", "Gerd", "Hugo", "Ines", "Jonas")


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A tasters' page; each test takes a taster of its own, or a session."""
    folder = tmp_path_factory.mktemp("tasting")
    lay_table(folder / "book.db", tasters=CROWD)
    lay_table(folder / "book.db", session=LOCKED)
    lay_table(
        folder / "book.db",
        session=f"session {EVIL}",
        tasters=(EVIL, SQL),
        attributes=(
            Attribute(name=f"liking {EVIL}", scale=SCALES["liking 1-9"]),
            Attribute(name=SQL, kind="descriptors", choices=(EVIL, "=1+1", "nutty")),
        ),
    )
    with serving(folder / "book.db", SESSION, folder) as running:
        yield running


def rows_of(place, taster):
    return [row[1:] for row in kept(place.book_path, place.session) if row[0] == taster]


def codes_of(place, taster, flight=1):
    with LabBook(place.book_path) as book:
        return [cup.blind_code for cup in book.sessions.served_cups(place.session, flight, taster)]


def code_shown(page):
    return page.locator(".lk-code").inner_text().replace("Cup", "").strip()


def too_small(page, least=44):
    """Targets under 44 px (WCAG 2.2, rule 2.5.5, enhanced), and what sticks out sideways."""
    sizes = page.evaluate(
        """() => [...document.querySelectorAll('.lk-sheet :is(button, label, textarea)')]
           .filter((node) => node.offsetParent !== null)
           .map((node) => [node.innerText, node.offsetWidth, node.offsetHeight])"""
    )
    assert len(sizes) > 8
    small = [size for size in sizes if min(size[1:]) < least]
    wide = page.evaluate("document.documentElement.scrollWidth")
    return small + ([f"{wide} px wide"] if wide > page.viewport_size["width"] else [])


def press(page, name):
    page.get_by_role("button", name=re.compile(name, re.I)).click()


def test_a_taster_scores_corrects_takes_back_and_leaves_out(place, new_tab):
    page = new_tab(**PHONE)
    open_sheet(page, place.links()["Ada"].address)
    codes = codes_of(place, "Ada")
    assert code_shown(page) == codes[0]

    choose(page, "overall quality", "8 very good")
    choose(page, "overall quality", "8.25")
    choose(page, "acidity", "6")
    choose(page, "acidity", "6.5")
    choose(page, "acidity for you", "too little")
    choose(page, "words", "cocoa")
    group(page, "overall quality").get_by_role("button", name="Take back overall quality").click()
    press(page, "next")
    choose(page, "liking", "7 like moderately")
    wait_saved(page)

    assert code_shown(page) == codes[1]
    assert re.search(r"Saved at \d\d:\d\d:\d\d", page.locator(".lk-state").inner_text())
    assert rows_of(place, "Ada") == [
        (1, "overall quality", 8.0),
        (1, "overall quality", 8.25),
        (1, "acidity", 6.0),
        (1, "acidity", 6.5),
        (1, "acidity for you", 2.0),
        (1, "words", ("cocoa",)),
        (1, "overall quality", None),
        (2, "liking", 7.0),
    ]


def test_nothing_is_given_before_it_is_touched(place, new_tab):
    page = new_tab(**PHONE)
    open_sheet(page, place.links()["Béla"].address)

    for attribute in ("overall quality", "liking", "acidity", "acidity for you"):
        assert group(page, attribute).get_by_text("not given").is_visible()
        assert group(page, attribute).locator("input:checked").count() == 0
    press(page, "next")
    press(page, "previous")

    assert rows_of(place, "Béla") == []


def test_at_the_top_of_a_scale_no_part_above_it_is_offered(place, new_tab):
    page = new_tab(**PHONE)
    open_sheet(page, place.links()["Ada"].address)
    parts = group(page, "acidity").get_by_role("radiogroup", name="acidity, half points")

    choose(page, "acidity", "14")
    assert [text.strip() for text in parts.locator("label").all_inner_texts()] == ["14", "14.5"]
    choose(page, "acidity", "15 very strong")
    assert [text.strip() for text in parts.locator("label").all_inner_texts()] == ["15"]
    assert parts.locator("input:disabled").count() == 0
    wait_saved(page)


def test_the_same_cup_comes_back_after_a_reload_and_values_on_another_phone(
    place, new_tab, new_page
):
    page = new_tab(**PHONE)
    open_sheet(page, place.links()["Chen"].address)
    press(page, "next")
    press(page, "next")
    choose(page, "liking", "4 dislike slightly")
    wait_saved(page)

    page.reload()
    page.wait_for_selector(".lk-sheet")
    wait_saved(page)
    other = new_page(**PHONE)
    open_sheet(other, place.links()["Chen"].address)
    codes = codes_of(place, "Chen")

    assert code_shown(page) == codes[2]
    assert group(page, "liking").get_by_role("radio", name="4 dislike slightly").is_checked()
    assert code_shown(other) == codes[0], "another phone starts at the first cup with a gap"
    press(other, "next")
    press(other, "next")
    assert group(other, "liking").get_by_role("radio", name="4 dislike slightly").is_checked()


def test_a_full_cup_stays_on_the_screen_over_a_reload_until_the_taster_moves_on(place, new_tab):
    page = new_tab(**PHONE)
    open_sheet(page, place.links()["Gerd"].address)
    choose(page, "overall quality", "7 good")
    choose(page, "liking", "4 dislike slightly")
    choose(page, "acidity", "7")
    choose(page, "acidity for you", "too much")
    wait_saved(page)

    page.reload()
    page.wait_for_selector(".lk-sheet")
    wait_saved(page)

    assert code_shown(page) == codes_of(place, "Gerd")[0], "not the next cup under the same hand"
    assert page.get_by_text("4 of 4 given").is_visible()


def test_a_correction_on_one_phone_shows_on_the_other(place, new_tab, new_page):
    first, second = new_tab(**PHONE), new_page(**PHONE)
    open_sheet(first, place.links()["Dita"].address)
    open_sheet(second, place.links()["Dita"].address)
    choose(first, "liking", "3 dislike moderately")
    choose(second, "liking", "9 like extremely")
    wait_saved(second)

    first.wait_for_selector("text=9, like extremely", timeout=15_000)

    assert rows_of(place, "Dita") == [(1, "liking", 3.0), (1, "liking", 9.0)]


def test_the_overview_tells_what_is_done_by_codes_only(place, new_tab):
    page = new_tab(**PHONE)
    open_sheet(page, place.links()["Edda"].address)
    choose(page, "overall quality", "7 good")
    choose(page, "liking", "7 like moderately")
    choose(page, "acidity", "7")
    choose(page, "acidity for you", "just about right")
    press(page, "next")
    choose(page, "acidity", "2")
    wait_saved(page)
    assert too_small(page) == []
    press(page, "^cups$")

    codes = codes_of(place, "Edda")
    assert too_small(page) == []
    assert page.get_by_role("heading", name="Flight 1: 1 of 4 cups done").is_visible()
    assert page.get_by_role("button", name=f"{codes[0]} done").is_visible()
    assert page.get_by_role("button", name=f"{codes[1]} 1 of 4").is_visible()
    page.get_by_role("button", name=f"{codes[3]} not yet").click()
    assert code_shown(page) == codes[3]


def test_arrow_keys_move_within_a_scale_and_only_the_resting_place_is_kept(place, new_tab):
    page = new_tab(width=1280)
    open_sheet(page, place.links()["Finn"].address)
    page.locator(".lk-code").focus()

    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.wait_for_selector("text=9, outstanding")
    page.wait_for_timeout(900)
    wait_saved(page)
    outline = page.evaluate(
        "getComputedStyle(document.activeElement.closest('.lk-pick')).outlineWidth"
    )
    assert float(outline.removesuffix("px")) >= 2, "the focus is visible"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.value") == "9", "the quarters come next"
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(900)
    wait_saved(page)

    assert rows_of(place, "Finn") == [(1, "overall quality", 9.0), (1, "overall quality", 9.25)]


def test_words_of_tasters_are_shown_as_text(place, new_tab):
    page = new_tab(**PHONE)
    open_sheet(page, place.links()["Hugo"].address)
    evil = f"{EVIL}<script>window.hit=1</script>"
    group(page, "note").get_by_role("textbox").fill(evil)
    page.locator(".lk-code").click()
    wait_saved(page)
    page.reload()
    page.wait_for_selector(".lk-sheet")
    wait_saved(page)

    assert group(page, "note").get_by_role("textbox").input_value() == evil
    assert page.evaluate("window.hit") is None
    assert rows_of(place, "Hugo") == [(1, "note", evil)]


def test_words_of_the_lead_are_shown_as_text(place, new_tab):
    """Session, taster, attribute and descriptor are script, SQL or a formula by their names."""
    place = place.of(f"session {EVIL}")
    page = new_tab(**PHONE)
    open_sheet(page, place.links()[EVIL].address)
    choose(page, f"liking {EVIL}", "6 like slightly")
    for word in (EVIL, "=1+1"):
        group(page, SQL).get_by_role("checkbox", name=word).click()
    wait_saved(page)
    press(page, "^cups$")
    page.wait_for_timeout(300)

    assert page.evaluate("window.hit") is None
    assert page.locator("img").count() == 0
    assert [row[2:] for row in kept(place.book_path, place.session)] == [
        (f"liking {EVIL}", 6.0),
        (SQL, (EVIL,)),
        (SQL, (EVIL, "=1+1")),
    ]
    other = new_tab(**PHONE)
    open_sheet(other, place.links()[SQL].address)
    assert SQL in other.locator(".lk-who").inner_text()


def test_a_locked_flight_says_so_and_changes_nothing(place, new_tab):
    place = place.of(LOCKED)
    page = new_tab(**PHONE)
    open_sheet(page, place.links()["Ines"].address)
    choose(page, "liking", "5 neither like nor dislike")
    wait_saved(page)
    with LabBook(place.book_path) as book:
        book.sessions.lock_flights(LOCKED, [1])
    # Quicker than the sheet's next look: this one is refused by the lab book.
    choose(page, "liking", "6 like slightly")

    page.wait_for_selector("text=Flight 1 is locked", timeout=15_000)
    page.wait_for_selector("text=Scores not taken: 1", timeout=15_000)
    assert group(page, "liking").get_by_role("radio", name="6 like slightly").is_disabled()
    page.wait_for_selector("text=5, neither like nor dislike")
    press(page, "^ok$")
    press(page, "^cups$")
    page.get_by_role("button", name=codes_of(place, "Ines", flight=2)[0]).click()
    choose(page, "liking", "6 like slightly")
    wait_saved(page)

    assert rows_of(place, "Ines") == [(1, "liking", 5.0), (1, "liking", 6.0)]


def test_without_a_link_that_is_known_there_is_no_sheet(place, new_tab):
    page = new_tab(**PHONE)

    page.goto(place.url)
    assert page.get_by_role("alert").count() == 0
    page.get_by_label("The code on your card").fill("aaaaa-bbbbb")
    press(page, "open my sheet")
    assert "not known" in page.get_by_role("alert").inner_text()
    page.goto(f"{place.url}?code=tooshort")
    assert "not complete" in page.get_by_role("alert").inner_text()
    assert page.locator(".lk-sheet, #plan").count() == 0


def test_a_typed_code_opens_the_sheet_and_nothing_comes_from_elsewhere(place, new_tab):
    page = new_tab(**PHONE)
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(place.url)
    page.get_by_label("The code on your card").fill(place.links()["Ines"].typed.lower())
    press(page, "open my sheet")
    page.wait_for_selector(".lk-sheet", timeout=60_000)

    assert page.get_by_role("region", name="Score sheet of Ines").is_visible()
    elsewhere = [u for u in asked if not u.startswith((place.url, "data:", "blob:"))]
    assert elsewhere == []


def test_the_sheet_can_be_looked_at_in_light_and_dark(place, new_tab):
    """Keeps pictures to look at; what a picture cannot tell is in the other tests."""
    folder = Path(__file__).parent / "screenshots"
    folder.mkdir(exist_ok=True)
    page = new_tab(width=390, height=844)
    open_sheet(page, place.links()["Jonas"].address)
    choose(page, "overall quality", "8 very good")
    choose(page, "overall quality", "8.75")
    choose(page, "liking", "6 like slightly")
    wait_saved(page)

    for scheme, paper in (("light", "rgb(251, 250, 246)"), ("dark", "rgb(20, 26, 28)")):
        page.emulate_media(color_scheme=scheme)
        style = "getComputedStyle(document.querySelector('.lk-sheet')).backgroundColor"
        assert page.evaluate(style) == paper
        # A mouse at a wide screen hits less (WCAG 2.2, rule 2.5.8), so that a cup fits on it.
        for width, least in ((390, 44), (768, 44), (1280, 24)):
            page.set_viewport_size({"width": width, "height": 844})
            assert too_small(page, least) == []
            page.screenshot(path=folder / f"sheet_{width}_{scheme}.png")
