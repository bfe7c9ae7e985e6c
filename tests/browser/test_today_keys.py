"""The page Today by keyboard alone and under axe-core."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.browser.test_clicks import BOTTLES, PANEL, taste
from tests.browser.test_today import STEPS, WAIT_MS, go, open_today

pytestmark = [pytest.mark.browser, pytest.mark.slow]

NAME_IN_FOCUS = """() => {
    const at = document.activeElement;
    return at.labels?.[0]?.textContent || at.getAttribute("aria-label") || at.textContent;
}"""
FARTHEST = 120
"""More stops of Tab than any step has."""


def serious(page):
    """What axe-core calls serious or worse, in short."""
    found = Axe().run(page).response["violations"]
    return [
        f"{one['id']}: {node['target']}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


def test_axe_finds_nothing_serious_on_any_step(workbook_server, new_tab):
    page = new_tab(width=1280)
    open_today(page, workbook_server)

    found = {}
    for step in STEPS:
        go(page, step)
        at_work = page.get_by_text(re.compile("^(Reading the scores|Drawing the pictures)"))
        expect(at_work).to_have_count(0, timeout=WAIT_MS)  # else nodes go while axe looks at them
        page.wait_for_timeout(1000)
        found[step] = serious(page)

    assert found == {step: [] for step in STEPS}


def tab_to(page, name):
    """Press Tab until what is called so has the focus."""
    for _ in range(FARTHEST):
        if page.evaluate(NAME_IN_FOCUS).strip() == name:
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"Tab does not reach {name!r}")


def enter(page, name, value):
    tab_to(page, name)
    page.keyboard.press("Control+a")
    page.keyboard.type(value)
    page.keyboard.press("Tab")


def press(page, name, key="Enter"):
    tab_to(page, name)
    page.keyboard.press(key)


def seal(page, part, button, offered):
    """Plan by keys and wait for the bench sheet; what was offered before is no passphrase of it."""
    press(page, "Suggest a passphrase")
    passphrase = page.locator(f".lk-part-{part} p[role=status] strong:visible")
    expect(passphrase).not_to_have_text(offered, timeout=WAIT_MS)
    text = passphrase.inner_text()
    with page.expect_download(timeout=WAIT_MS):
        press(page, button)
    return text


def test_a_job_from_an_own_book_to_the_card_by_keyboard_alone(workbook_server, new_tab):
    page = new_tab(width=1280)
    open_today(page, workbook_server)
    following = page.locator(".lk-today-next")

    def goes_on_to(words):
        expect(following).to_have_text(re.compile(words), timeout=WAIT_MS)

    press(page, "Change the lab book")
    enter(page, "Name of your lab book", "by-keys")
    press(page, "Use my own lab book")
    page.get_by_text("No coffee is in the lab book yet").wait_for(timeout=WAIT_MS)
    enter(page, "Client", "Client A")
    enter(page, "Coffee", "Coffee A")
    press(page, "Add this coffee", "Space")
    goes_on_to("Weigh the bottles")
    press(page, "Weigh the bottles")
    salt = page.get_by_label("Salt, as the label says")
    for name, grams in BOTTLES:
        salt.locator("option:checked", has_text=name).wait_for(state="attached", timeout=WAIT_MS)
        enter(page, "Actually weighed (g)", grams)
        press(page, "Keep this bottle in the lab book")
    goes_on_to("Plan a ratio sweep")
    press(page, "Plan a ratio sweep")
    page.get_by_text("Ratio sweep, for 1000 mL").wait_for(timeout=WAIT_MS)
    enter(page, "Who tastes?", ", ".join(PANEL))
    page.get_by_text("24 cups to taste").wait_for(timeout=WAIT_MS)
    passphrase = seal(page, "seal", "Plan and seal", "none yet")
    goes_on_to("Mix flight 1")
    press(page, "Mix flight 1")
    page.wait_for_function("document.activeElement.type === 'password'", timeout=WAIT_MS)
    enter(page, "Passphrase of the plan", passphrase)
    with page.expect_download(timeout=WAIT_MS) as sheet:
        press(page, "Hand over the bench sheet")
    assert "MgCl2" in sheet.value.path().read_text()
    press(page, "This flight is mixed")
    goes_on_to("0 of 4 tasters have scored")
    page.wait_for_function(  # not lost with the button that went away
        "document.activeElement.matches('.lk-part-paper .lk-message')", timeout=WAIT_MS
    )

    taste(workbook_server.demo_book.with_name("by-keys.db"), passphrase)
    goes_on_to("Lock and open flight 1")
    press(page, "Lock and open flight 1")
    opening = page.locator(".lk-part-open").get_by_role("button", name="Lock and open")
    opening.wait_for(timeout=WAIT_MS)
    page.wait_for_function(
        "document.activeElement.classList.contains('lk-part-open')", timeout=WAIT_MS
    )
    enter(page, "Preparer's passphrase", passphrase)
    press(page, "Lock and open")
    page.locator(".lk-part-says strong").first.wait_for(timeout=WAIT_MS)
    goes_on_to("Plan the hardness dial")

    press(page, "Look for what to taste next")
    page.locator(".lk-part-next ol li").first.wait_for(timeout=WAIT_MS)
    page.locator(".lk-part-next b").get_by_text("20 cups to taste").wait_for(timeout=WAIT_MS)
    seal(page, "next", "Plan and seal", "none yet")
    goes_on_to("Mix flight 1")

    press(page, "Plan a test of two waters")
    page.locator(".lk-part-confirm").get_by_text("2 jugs").wait_for(timeout=WAIT_MS)
    seal(page, "confirm", "Seal this test", "none yet")

    press(page, "Hand over")
    page.locator(".lk-part-card iframe").wait_for(timeout=WAIT_MS)
    with page.expect_download(timeout=WAIT_MS) as card:
        press(page, "Page to print")
    assert card.value.suggested_filename.endswith("-card-page.html")
