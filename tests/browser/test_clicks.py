"""A whole job on the page Today in a fresh lab book, by keys and by mouse, its touches counted."""

from __future__ import annotations

import re

import numpy as np
import pytest
from playwright.sync_api import expect

from labkit.book import LabBook
from tests.browser.lab import picture
from tests.browser.test_today import WAIT_MS, open_today
from tests.conftest import WorkbookServer

pytestmark = [pytest.mark.browser, pytest.mark.slow]

TO_THE_FIRST_PLAN, TO_THE_VERDICT, A_FURTHER_FLIGHT = 25, 4, 8
PANEL = ("Ada", "Ben", "Cleo", "Dov")
BOTTLES = (("calcium chloride", "1.47"), ("magnesium chloride", "2.03"), ("potassium", "2.00"))
"""What the form proposes in turn, and the grams weighed."""


NAME_IN_FOCUS = """() => {
    const at = document.activeElement;
    return at.labels?.[0]?.textContent || at.getAttribute("aria-label") || at.textContent;
}"""
FARTHEST = 120
"""More stops of Tab than any step has."""


class Hand:
    """Somebody at the page; every press, selection and entry is counted here and nowhere else."""

    def __init__(self, page):
        self.page, self.touches = page, 0
        self.next = page.locator(".lk-today-next")

    def press(self, name):
        self.touches += 1
        button = self.page.get_by_role("button", name=name, exact=True).locator("visible=true")
        button.click(timeout=WAIT_MS)

    def enter(self, label, value):
        self.touches += 1
        field = self.page.get_by_label(label, exact=True).locator("visible=true").last
        field.fill(value, timeout=WAIT_MS)
        field.press("Tab")

    def goes_on_to(self, words):
        expect(self.next).to_have_text(re.compile(words), timeout=WAIT_MS)

    def follow(self, words):
        """Press the button that leads on, once it says so."""
        self.goes_on_to(words)
        self.press(self.next.inner_text())


class KeyHand(Hand):
    """Somebody without a mouse; on the way by Tab nothing is counted."""

    def press(self, name, key="Enter"):
        self.touches += 1
        self._tab_to(name)
        self.page.keyboard.press(key)

    def enter(self, label, value):
        self.touches += 1
        self._tab_to(label)
        self.page.keyboard.press("Control+a")
        self.page.keyboard.type(value)
        self.page.keyboard.press("Tab")

    def _tab_to(self, name):
        for _ in range(FARTHEST):
            if self.page.evaluate(NAME_IN_FOCUS).strip() == name:
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"Tab does not reach {name!r}")


def new_book(hand, server: WorkbookServer):
    """Begin an own lab book; where it lies."""
    hand.press("Change the lab book")
    hand.enter("Name of your lab book", "our-lab")
    hand.press("Use my own lab book")
    hand.page.get_by_text("No coffee is in the lab book yet").wait_for(timeout=WAIT_MS)
    return server.demo_book.with_name("our-lab.db")


def seal(hand, *, part="seal", button="Plan and seal", before="none yet"):
    """Draw a passphrase, plan and seal; the passphrase as it was written down."""
    hand.press("Suggest a passphrase")
    offered = hand.page.locator(f".lk-part-{part} p[role=status] strong:visible")
    expect(offered).not_to_have_text(before, timeout=WAIT_MS)  # the last one stays in sight
    passphrase = offered.inner_text()
    with hand.page.expect_download(timeout=WAIT_MS):
        hand.press(button)
    return passphrase


def taste(where, passphrase):
    """All tasters score every cup elsewhere, on their phones: more magnesium is better."""
    rng = np.random.default_rng(3)
    with LabBook(where) as book:
        session = book.sessions.all()[-1]
        plan = book.sessions.plan(session.name)
        waters = {
            (key.flight, row.blind_code): row.target
            for key in plan.keys
            for row in key.open(passphrase).rows
        }
        for cup in plan.cups:
            water = waters[cup.flight, cup.blind_code]
            liked = (
                7 - 9 * (water.mg_share - 0.7) ** 2 - 0.0004 * (water.hardness_mg_l_caco3 - 90) ** 2
            )
            for asked in session.attributes:
                if asked.kind == "number":
                    given = liked if asked.name == "overall" else 5
                    score = np.clip(
                        round(given + rng.normal(0, 0.4)), asked.scale.lowest, asked.scale.highest
                    )
                    book.scores.record_score(
                        session.name,
                        cup.flight,
                        cup.taster,
                        asked.name,
                        int(score),
                        blind_code=cup.blind_code,
                    )


def to_the_verdict(hand, passphrase):
    """Lock and open what was scored, and read the verdict."""
    hand.follow("Lock and open flight 1")
    # The step before has a field of the same name.
    opening = hand.page.locator(".lk-part-open").get_by_role("button", name="Lock and open")
    opening.wait_for(timeout=WAIT_MS)
    hand.page.wait_for_function(
        "document.activeElement.classList.contains('lk-part-open')", timeout=WAIT_MS
    )
    hand.enter("Preparer's passphrase", passphrase)
    hand.press("Lock and open")
    hand.page.locator(".lk-part-says strong").first.wait_for(timeout=WAIT_MS)


def test_a_job_to_the_card_takes_few_touches_by_keys_and_by_mouse(workbook_server, new_tab):
    page = new_tab(width=1280)
    open_today(page, workbook_server)
    keys, mouse = KeyHand(page), Hand(page)

    where = new_book(keys, workbook_server)
    keys.enter("Client", "Client A")
    keys.enter("Coffee", "Coffee A")
    keys.press("Add this coffee", "Space")
    keys.follow("Weigh the bottles")
    salt = page.get_by_label("Salt, as the label says")
    for name, grams in BOTTLES:
        salt.locator("option:checked", has_text=name).wait_for(state="attached", timeout=WAIT_MS)
        keys.enter("Actually weighed (g)", grams)
        keys.press("Keep this bottle in the lab book")
        page.get_by_text(f"{float(grams):g} g in 1000 mL").first.wait_for(timeout=WAIT_MS)
    keys.follow("Plan a ratio sweep")
    page.get_by_text("Ratio sweep, for 1000 mL").wait_for(timeout=WAIT_MS)
    keys.enter("Who tastes?", ", ".join(PANEL))
    page.get_by_text("24 cups to taste").wait_for(timeout=WAIT_MS)
    passphrase = seal(keys)
    keys.goes_on_to("Mix flight 1")
    assert keys.touches <= TO_THE_FIRST_PLAN

    keys.follow("Mix flight 1")
    page.wait_for_function("document.activeElement.type === 'password'", timeout=WAIT_MS)
    keys.enter("Passphrase of the plan", passphrase)
    with page.expect_download(timeout=WAIT_MS) as sheet:
        keys.press("Hand over the bench sheet")
    assert "MgCl2" in sheet.value.path().read_text()
    keys.press("This flight is mixed")
    keys.goes_on_to("0 of 4 tasters have scored")
    page.wait_for_function(  # not lost with the button that went away
        "document.activeElement.matches('.lk-part-paper .lk-message')", timeout=WAIT_MS
    )

    taste(where, passphrase)
    before = keys.touches
    to_the_verdict(keys, passphrase)
    assert keys.touches - before <= TO_THE_VERDICT
    picture(page, "clicks-verdict")

    mouse.follow("Plan the hardness dial")
    page.get_by_text("Hardness dial, for 1000 mL").locator("visible=true").wait_for(timeout=WAIT_MS)
    passphrase = seal(mouse, before=passphrase)
    mouse.goes_on_to("Mix flight 1")
    taste(where, passphrase)
    to_the_verdict(mouse, passphrase)
    mouse.goes_on_to("Plan the alkalinity dial|Plan the next flight|Confirm|Make the card")
    assert mouse.touches <= A_FURTHER_FLIGHT
    with LabBook(where) as book:
        assert len(book.sessions.all()) == 2
        assert len(book.stock.bottles()) == len(BOTTLES)
        assert sorted(book.people.tasters()) == sorted(PANEL)

    keys.press("Look for what to taste next")
    page.locator(".lk-part-next ol li").first.wait_for(timeout=WAIT_MS)
    counted = page.locator(".lk-part-next").get_by_text(re.compile(r"^\d+ cups to taste$"))
    counted.wait_for(timeout=WAIT_MS)
    seal(keys, part="next")
    keys.goes_on_to("Mix flight 1")

    keys.press("Plan a test of two waters")
    page.locator(".lk-part-confirm").get_by_text("2 jugs").wait_for(timeout=WAIT_MS)
    seal(keys, part="confirm", button="Seal this test")

    keys.press("Hand over")
    page.locator(".lk-part-card iframe").wait_for(timeout=WAIT_MS)
    with page.expect_download(timeout=WAIT_MS) as card:
        keys.press("Page to print")
    assert card.value.suggested_filename.endswith("-card-page.html")
