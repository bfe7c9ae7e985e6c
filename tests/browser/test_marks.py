"""A test of two waters on the tasters' page: one cup of each set is marked, and only one."""

from __future__ import annotations

import pytest

from labkit.book import Attribute, LabBook
from labkit.tasting import METHODS, pair_waters, plan_sets
from labkit.water import Target
from tests.widgets.serving import choose, open_sheet, serving, wait_saved

pytestmark = pytest.mark.browser

SESSION = "duel"
TASTERS = ("Ada", "Bo", "Cy")


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A tasters' page with two triangles for each taster."""
    folder = tmp_path_factory.mktemp("marks")
    method = METHODS["triangle"]
    pair = tuple(
        Target(mg_share=share, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
        for share in (0.2, 0.8)
    )
    plan = plan_sets(
        method.name, pair, TASTERS, session=SESSION, passphrase="the preparer's", trials=2
    )
    with LabBook(folder / "book.db") as book:
        book.people.add_client("Client")
        book.people.add_coffee("Coffee", client="Client")
        for taster in TASTERS:
            book.people.add_taster(taster)
        book.sessions.start_session(
            SESSION,
            coffee="Coffee",
            client="Client",
            attributes=[Attribute(name=method.ask(), scale=method.scale)],
            tasters=TASTERS,
            serving="a cup each",
            brew_method="cupping",
        )
        book.sessions.store_plan(plan, waters=pair_waters(method.name, pair))
    with serving(folder / "book.db", SESSION, folder) as running:
        yield running


def marks(place, taster):
    """Current marks by flight and position."""
    with LabBook(place.book_path) as book:
        entries = [entry for entry in book.scores.history(SESSION) if entry.taster == taster]
    return {(entry.flight, entry.position): entry.value for entry in entries}


def on(page):
    page.locator("button[data-does=on]").click()


@pytest.mark.parametrize("way", ["finger", "keys"])
def test_marking_a_cup_says_no_to_the_others_of_its_set_and_to_no_other_set(place, new_page, way):
    """A set with two cups marked, or with one not looked at, would be no answer at all."""
    taster = "Ada" if way == "finger" else "Bo"
    question = METHODS["triangle"].question
    page = new_page(width=390, height=844)
    open_sheet(page, place.links()[taster].address)
    page.get_by_text("Taste all 3 cups, then mark one.").wait_for()

    choose(page, question, "this one")
    wait_saved(page)
    assert marks(place, taster) == {(1, 1): 1, (1, 2): 0, (1, 3): 0}

    on(page)
    if way == "finger":
        choose(page, question, "this one")
    else:
        page.get_by_role("radio", name="no").focus()
        page.keyboard.press("ArrowRight")
    wait_saved(page)
    assert marks(place, taster) == {(1, 1): 0, (1, 2): 1, (1, 3): 0}

    on(page)
    on(page)
    cups = page.locator(".lk-cup-button .lk-word").all_inner_texts()
    assert [said.strip() for said in cups] == ["done", "this one", "done", *["not yet"] * 3]


def test_no_preference_stays_possible(place, new_page):
    """Saying no to every cup marks none: a paired preference takes that as no preference."""
    question = METHODS["triangle"].question
    page = new_page(width=390, height=844)
    open_sheet(page, place.links()["Cy"].address)
    for _ in range(3):
        choose(page, question, "no")
        on(page)
    wait_saved(page)
    assert marks(place, "Cy") == {(1, 1): 0, (1, 2): 0, (1, 3): 0}
