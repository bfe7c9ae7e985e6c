"""How many touches the work takes, played on the page Today in a fresh lab book and counted."""

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


class Hand:
    """Somebody at the page; every press, selection and entry is counted here and nowhere else."""

    def __init__(self, page):
        self.page, self.touches = page, 0
        self.next = page.locator(".lk-today-next")

    def press(self, what):
        self.touches += 1
        button = what
        if isinstance(what, str):
            button = self.page.get_by_role("button", name=what, exact=True).locator("visible=true")
        button.click(timeout=WAIT_MS)

    def enter(self, label, value):
        self.touches += 1
        field = self.page.get_by_label(label, exact=True).locator("visible=true").last
        field.fill(value, timeout=WAIT_MS)
        field.press("Tab")

    def goes_on_to(self, words):
        expect(self.next).to_have_text(re.compile(words), timeout=WAIT_MS)


def new_book(hand, server: WorkbookServer):
    """Begin an own lab book; where it lies."""
    hand.press("Change the lab book")
    hand.enter("Name of your lab book", "our-lab")
    hand.press("Use my own lab book")
    hand.page.get_by_text("No coffee is in the lab book yet").wait_for(timeout=WAIT_MS)
    return server.demo_book.with_name("our-lab.db")


def seal(hand, *, before="none yet"):
    """Draw a passphrase, plan and seal; the passphrase as it was written down."""
    hand.press("Suggest a passphrase")
    offered = hand.page.locator("strong:visible").first
    expect(offered).not_to_have_text(before, timeout=WAIT_MS)  # the last one stays in sight
    passphrase = offered.inner_text()
    with hand.page.expect_download(timeout=WAIT_MS):
        hand.press("Plan and seal")
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
    hand.goes_on_to("Lock and open flight 1")
    hand.press(hand.next)
    # The step before has a field of the same name.
    opening = hand.page.locator(".lk-part-open").get_by_role("button", name="Lock and open")
    opening.wait_for(timeout=WAIT_MS)
    hand.enter("Preparer's passphrase", passphrase)
    hand.press("Lock and open")
    hand.page.locator(".lk-part-says strong").first.wait_for(timeout=WAIT_MS)


def test_from_the_first_page_to_a_second_verdict_in_few_touches(workbook_server, new_tab):
    page = new_tab(width=1280)
    open_today(page, workbook_server)
    hand = Hand(page)

    where = new_book(hand, workbook_server)
    hand.enter("Client", "Client A")
    hand.enter("Coffee", "Coffee A")
    hand.press("Add this coffee")
    hand.goes_on_to("Weigh the bottles")
    hand.press(hand.next)
    salt = page.get_by_label("Salt, as the label says")
    for name, grams in BOTTLES:
        salt.locator("option:checked", has_text=name).wait_for(state="attached", timeout=WAIT_MS)
        hand.enter("Actually weighed (g)", grams)
        hand.press("Keep this bottle in the lab book")
        page.get_by_text(f"{float(grams):g} g in 1000 mL").first.wait_for(timeout=WAIT_MS)
    hand.goes_on_to("Plan a ratio sweep")
    hand.press(hand.next)
    hand.enter("Who tastes?", ", ".join(PANEL))
    page.get_by_text("24 cups to taste").wait_for(timeout=WAIT_MS)
    passphrase = seal(hand)
    hand.goes_on_to("Mix flight 1")
    assert hand.touches <= TO_THE_FIRST_PLAN

    taste(where, passphrase)
    before = hand.touches
    to_the_verdict(hand, passphrase)
    assert hand.touches - before <= TO_THE_VERDICT
    picture(page, "clicks-verdict")

    before = hand.touches
    hand.goes_on_to("Plan the hardness dial")
    hand.press(hand.next)
    page.get_by_text("Hardness dial, for 1000 mL").locator("visible=true").wait_for(timeout=WAIT_MS)
    passphrase = seal(hand, before=passphrase)
    hand.goes_on_to("Mix flight 1")
    taste(where, passphrase)
    to_the_verdict(hand, passphrase)
    hand.goes_on_to("Plan the alkalinity dial|Plan the next flight|Confirm|Make the card")
    assert hand.touches - before <= A_FURTHER_FLIGHT
    with LabBook(where) as book:
        assert len(book.sessions.all()) == 2
        assert len(book.stock.bottles()) == len(BOTTLES)
        assert sorted(book.people.tasters()) == sorted(PANEL)
