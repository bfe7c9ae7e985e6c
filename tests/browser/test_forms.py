"""Forms on a page of their own: folds by keyboard, errors where the hand is, axe-core."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe

from labkit.book import Attribute, LabBook
from labkit.tasting import SCALES
from tests.browser.conftest import held
from tests.browser.forms_page import forms_page, open_forms, show_step
from tests.tasted import at_shares, begin, score
from tests.widgets.every_form import STEPS
from tests.widgets.plans.helpers import PASSPHRASE, TAP, fill

pytestmark = pytest.mark.browser


def lay_book(path):
    """A lab book to plan in, with a session that waits for its key and one that takes scores."""
    with LabBook(path) as book:
        fill(book)
        book.stock.add_base_water("tap, autumn", TAP)
        for session in ("locked", "being tasted"):
            plan = begin(
                book,
                session,
                client="Client A",
                coffee="Coffee A",
                targets=at_shares(0, 0.5, 1),
                tasters=["Ada", "Bo"],
                attributes=[Attribute(name="overall", scale=SCALES["liking 1-9"])],
            )
            if session == "locked":
                score(book, plan, lambda _cup, water: {"overall": 5.0 + round(2 * water.mg_share)})
                for flight in plan.flights:
                    book.sessions.lock_flights(session, [flight])


@pytest.fixture(scope="module")
def forms(tmp_path_factory, browser, forked_kernels):
    """A page with every form, and its lab book."""
    folder = tmp_path_factory.mktemp("forms")
    path = folder / "book.db"
    lay_book(path)
    with forms_page(folder, path, forked_kernels) as address:
        page = held.context().new_page()
        page.set_viewport_size({"width": 1280, "height": 900})
        open_forms(page, address)
        yield page, path
        page.close()


def fold_line(page, title):
    return page.get_by_role("button", name=title, exact=True)


def is_in_focus(locator):
    return locator.evaluate("node => node === document.activeElement")


def wait_in_focus(page, locator):
    page.wait_for_function(
        "node => node === document.activeElement", arg=locator.element_handle(), timeout=120_000
    )


def described(locator):
    """The sentence that a screen reader adds to a field."""
    return locator.evaluate(
        "node => document.getElementById(node.getAttribute('aria-describedby'))?.innerText ?? ''"
    )


def findings(page):
    """What axe-core finds on the page, in short; parts that the page's server brings left out."""
    found = Axe().run(page, context=".lk-form, .lk-fold").response["violations"]
    return [
        (rule["impact"], rule["id"], [node["html"][:160] for node in rule["nodes"][:3]])
        for rule in found
    ]


def type_passphrase(page, again=PASSPHRASE):
    """Type it, and again once it is asked for."""
    first = page.get_by_label("Preparer's passphrase").first
    first.fill(PASSPHRASE)
    first.press("Tab")
    page.get_by_label("Repeat passphrase").first.fill(again)


def open_every_fold(page):
    """Open folds until none is closed: one may hold others."""
    for _ in range(3):
        for line in page.locator(".lk-fold-button[aria-expanded=false]").all():
            if line.is_visible():
                line.click()
        page.evaluate("document.querySelectorAll('details').forEach(one => (one.open = true))")
    page.wait_for_timeout(500)


def test_planning_by_keyboard_finds_its_folds_and_its_mistakes(forms):
    page, path = forms
    with LabBook(path) as book:
        before = len(book.sessions.all())
    show_step(page, "plan")

    # A fold opens by Enter, closes by Space, says so, and hides what it holds from the tab key.
    line, other = (
        fold_line(page, "Flights, hidden cups, session, scales"),
        fold_line(page, "What is held constant"),
    )
    inside = page.get_by_label("Goes into")
    assert not inside.is_visible()
    line.focus()
    page.keyboard.press("Tab")
    assert is_in_focus(other)
    line.focus()
    page.keyboard.press("Enter")
    inside.wait_for()
    assert line.get_attribute("aria-expanded") == "true"
    box = page.locator(f"#{line.get_attribute('aria-controls')}")
    assert box.get_by_label("Goes into").is_visible()
    page.keyboard.press("Tab")
    assert box.evaluate("node => node.contains(document.activeElement)")
    line.focus()
    page.keyboard.press("Space")
    inside.wait_for(state="hidden")
    assert line.get_attribute("aria-expanded") == "false"

    # What is found while one types stands at its field and takes no focus.
    other.click()
    dose, grind = page.get_by_label("Dose (g)"), page.get_by_label("Grind")
    dose.fill("much")
    grind.focus()
    page.get_by_text("Dose (g) must be a number").wait_for()
    page.wait_for_timeout(300)
    assert is_in_focus(grind)
    assert dose.get_attribute("aria-invalid") == "true"
    assert "must be a number above 0" in described(dose)

    # A press is answered beside it and at the field, whose fold opens and which takes the focus.
    other.click()
    dose.wait_for(state="hidden")
    type_passphrase(page)
    page.get_by_role("button", name="Plan and seal").focus()
    page.keyboard.press("Enter")
    wait_in_focus(page, dose)
    assert dose.is_visible()
    assert page.get_by_text("Dose (g) must be a number").count() == 2
    assert findings(page) == [], "with a mistake"
    dose.fill("11")
    page.keyboard.press("Tab")
    page.get_by_text("Dose (g) must be a number").first.wait_for(state="detached")
    assert dose.get_attribute("aria-invalid") is None

    # The sentence of a field in the form itself; no passphrase stays.
    again = page.get_by_label("Repeat passphrase")
    type_passphrase(page, "another")
    page.keyboard.press("Tab")
    page.get_by_role("button", name="Plan and seal").click()
    wait_in_focus(page, again)
    assert "must match" in described(again)
    assert again.get_attribute("aria-invalid") == "true"
    assert again.input_value() == ""
    with LabBook(path) as book:
        assert len(book.sessions.all()) == before

    # Mended, it is sealed once, however quickly the button is pressed.
    type_passphrase(page)
    page.keyboard.press("Tab")
    page.get_by_text("must match the passphrase").first.wait_for(state="detached")
    page.wait_for_timeout(500)  # no hand is as quick: a press so soon after another is a slip
    with page.expect_download():
        page.get_by_role("button", name="Plan and seal").dblclick()
    page.get_by_text("Sealed and in the lab book").wait_for()
    assert again.get_attribute("aria-invalid") is None
    page.wait_for_timeout(1000)
    assert page.get_by_text("Not yet:").count() == 0
    with LabBook(path) as book:
        assert len(book.sessions.all()) == before + 1


def test_a_button_that_moves_while_it_is_pressed_is_pressed(forms):
    page, _ = forms
    show_step(page, "plan")
    seal = page.get_by_role("button", name="Plan and seal")
    seal.scroll_into_view_if_needed()
    at = seal.bounding_box()
    page.mouse.move(at["x"] + at["width"] / 2, at["y"] + at["height"] / 2)
    page.mouse.down()
    seal.evaluate("button => (button.style.marginTop = '12rem')")
    page.mouse.up()
    page.get_by_text("must be there to seal with").first.wait_for()
    seal.evaluate("button => (button.style.marginTop = '')")


@pytest.mark.parametrize("step", STEPS)
def test_axe_finds_nothing_in_the_forms_with_every_fold_open(forms, step):
    page, _ = forms
    page.set_viewport_size({"width": 1280, "height": 900})
    show_step(page, step)
    open_every_fold(page)
    assert findings(page) == []
    for width in (1280, 390):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_timeout(300)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert cut(page) == []
        form = page.locator(".lk-form").filter(has=page.locator(".lk-row:visible")).first
        row, result = form.locator(".lk-row").first, form.locator(":scope > .lk-result")
        if result.is_visible() and result.inner_text().strip():
            beside = result.bounding_box()["x"] > row.bounding_box()["x"] + 300
            assert beside is (width == 1280)


def cut(page):
    """Labels, buttons and lines of folds whose words do not fit."""
    return page.evaluate(
        """() => [...document.querySelectorAll(
            ".lk-form .widget-label, .lk-form button, .lk-fold-button, .lk-form label")]
            .filter((one) => one.getClientRects().length && one.scrollWidth > one.clientWidth + 1
                && getComputedStyle(one).display !== "inline")
            .map((one) => one.innerText)"""
    )
